"""A plate as a closed triangle mesh where it stands, for the gap check and for STL."""

from __future__ import annotations

import manifold3d
import numpy as np

from linkview.geometry import Array, Index, apply, frozen
from linkview.model.parts import Facets
from linkview.plates.outline import sampled
from linkview.plates.plate import Plate

CHORD_MM = 0.05  # how far a facet may stand inside a true arc: far below any gap worth reading


def plate_mesh(plate: Plate, *, chord_mm: float = CHORD_MM) -> tuple[Array, Index]:
    """vertices (n, 3) mm in the plate's frame and triangles (m, 3), closed and outward."""
    rings = [sampled(plate.outline, error_mm=chord_mm)]
    rings += [sampled(loop, error_mm=chord_mm)[::-1] for loop in plate.inner_loops]
    # Precision 0 keeps every vertex, so that faces and rims share them exactly.
    face = np.asarray(manifold3d.triangulate([np.array(r) for r in rings], 0.0), dtype=np.intp)
    flat = np.concatenate(rings)
    n, half = len(flat), plate.thickness_mm / 2.0
    low, high = (np.column_stack([flat, np.full(n, z)]) for z in (-half, half))
    walls = []
    first = 0
    for ring in rings:
        here = first + np.arange(len(ring))
        after = np.roll(here, -1)
        walls += [np.column_stack([here, after, after + n])]
        walls += [np.column_stack([here, after + n, here + n])]
        first += len(ring)
    triangles = np.concatenate([face[:, ::-1], face + n, *walls])
    triangles.flags.writeable = False
    return frozen(np.concatenate([low, high])), triangles


def plate_body(plate: Plate) -> Facets:
    """The plate wherever it stands, as a body of the part that carries it."""
    vertices, triangles = plate_mesh(plate)
    placed = [apply(stand, vertices) for stand in plate.stands]
    numbers = [triangles + i * len(vertices) for i in range(len(placed))]
    return Facets(
        name=plate.name,
        part=plate.part,
        vertices=frozen(np.concatenate(placed)),
        triangles=np.concatenate(numbers),
        inside_mm=CHORD_MM,
    )
