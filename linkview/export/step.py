"""A plate as STEP, exact planes and cylinders, through build123d: an optional extra.

    pip install 'linkview[step]'

The file is read back and its volume held against the plate's before it counts.
"""

from __future__ import annotations

from pathlib import Path

import build123d

from linkview.errors import CannotWrite
from linkview.export.files import written_beside
from linkview.plates.edges import Arc
from linkview.plates.outline import Contour, edges
from linkview.plates.plate import Plate

SAME_VOLUME = 1e-6


def write_step(plate: Plate, path: Path) -> float:
    """The flat blank in the plate's own frame, mid-thickness at z = 0; returns the volume, mm3.

    Raises CannotWrite where the file read back is not the plate.
    """
    t = plate.thickness_mm
    outer, *inner = (_wire(loop, -t / 2.0) for loop in (plate.outline, *plate.inner_loops))
    face = build123d.Face(outer, inner)
    solid = build123d.extrude(face, amount=t, dir=(0.0, 0.0, 1.0))
    want = plate.net_area_mm2 * t
    with written_beside(Path(path)) as beside:
        if not build123d.export_step(solid, str(beside)):
            raise CannotWrite(f"{path}: the STEP writer failed; choose another folder")
        found = float(build123d.import_step(str(beside)).volume)
        if not abs(found - want) <= SAME_VOLUME * want:
            raise CannotWrite(
                f"{path}: read back, its volume is {found:.3f} mm3, the plate's {want:.3f}"
            )
    return found


def _wire(loop: Contour, z: float) -> build123d.Wire:
    pieces = []
    for e in edges(loop):
        a, b = ((p.real, p.imag, z) for p in (e.a, e.b))
        if isinstance(e, Arc):
            m = e.at(0.5)
            pieces.append(build123d.Edge.make_three_point_arc(a, (m.real, m.imag, z), b))
        else:
            pieces.append(build123d.Edge.make_line(a, b))
    return build123d.Wire(pieces)
