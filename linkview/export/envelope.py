"""A swept volume's surface as STL, in millimetres, checked to be closed before it counts."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pyvista as pv

from linkview.clearance.envelope import SweptVolume
from linkview.errors import CannotWrite
from linkview.export.files import written_beside


@dataclass(frozen=True)
class EnvelopeFile:
    """name: of the file. words: what it holds and how true it is."""

    name: str
    triangles: int
    volume_mm3: float
    words: str


def write_envelope(path: Path, swept: SweptVolume) -> EnvelopeFile:
    """Writes binary STL, mm, in the car's frame. Raises CannotWrite where the surface is open."""
    surface = surface_of(swept)
    if surface.n_open_edges or not surface.is_manifold:
        raise CannotWrite(f"{path}: the swept surface does not close; this is a fault of linkview")
    with written_beside(path) as beside:
        surface.save(beside, binary=True)
    grown = f"grown by up to {swept.grown_mm:.1f} mm so that it holds every pose between"
    besides = f", and {swept.besides_mm:g} mm as asked" if swept.besides_mm else ""
    beyond = swept.grown_mm + swept.over_mm + swept.besides_mm
    strip = (
        f"; {100.0 * swept.strip:.2g} % of rack x travel, at the edge of reach, is not in it"
        if swept.strip
        else ""
    )
    words = (
        f"swept over {swept.poses} cells of rack x travel, {grown}{besides}: it reaches beyond the "
        f"true sweep by {beyond:.1f} mm at most; closed, {surface.n_cells} triangles, "
        f"{surface.volume / 1e6:.1f} litres{strip}"
    )
    return EnvelopeFile(path.name, surface.n_cells, float(surface.volume), words)


def surface_of(swept: SweptVolume) -> pv.PolyData:
    """The surface where the field is at its level, facing outward."""
    grid = pv.ImageData(
        dimensions=swept.field.shape, spacing=(swept.step_mm,) * 3, origin=tuple(swept.origin)
    )
    # VTK counts x fastest.
    values = np.asfortranarray(swept.field).ravel(order="F")
    surface = grid.contour([swept.level_mm], scalars=values, method="flying_edges")
    surface = surface.triangulate().clean(tolerance=0.0)
    return surface.compute_normals(
        cell_normals=False, consistent_normals=True, auto_orient_normals=True
    )
