"""Hard points and plate descriptions -> drawn plates, one drawing function per kind.

Every description is of the left side. For the right corner its points are mirrored to the left,
the plate is drawn there and mirrored back, so that one drawing serves both.

To add a kind: its description in `model/platespec.py`, a drawing function in a file of its own,
and a line in `DRAWN_BY`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace

import numpy as np

from linkview.errors import PlateRefused
from linkview.geometry import frozen, mirrored
from linkview.model.parts import Corner, Side
from linkview.model.platespec import CutPlate, TopMountBase, WeldOnEar
from linkview.plates.desk import Desk
from linkview.plates.ears import weld_on_ear
from linkview.plates.lettering import NAME_HEIGHTS_MM, SIZE_HEIGHTS_MM, place_text
from linkview.plates.plate import Plate, mirrored_plate, plate_faults
from linkview.plates.top_mounts import top_mount_base

__all__ = ["Plate", "draw_plate", "mirrored_plate"]

DRAWN_BY: Mapping[type[CutPlate], Callable[[Desk, CutPlate], Plate]] = {
    WeldOnEar: weld_on_ear,
    TopMountBase: top_mount_base,
}


def draw_plate(name: str, spec: CutPlate, corner: Corner) -> Plate:
    """The plate that a description asks for, at this corner.

    Raises PlateRefused naming the plate, key, value and fix where it cannot be drawn. Whether a
    shop would cut it is `shop.require_cuttable`'s question.
    """
    right = corner.side is Side.RIGHT
    points = {n: frozen(mirrored(p) if right else p) for n, p in corner.points.items()}
    desk = Desk(name, corner.layout, points)
    plate = DRAWN_BY[type(spec)](desk, spec)
    if found := plate_faults(plate):
        fix = "move the features apart or make them smaller"
        raise PlateRefused("\n".join(f"plates.{name}: {fault}; {fix}" for fault in found))
    plate = _lettered(desk, spec, plate)
    return mirrored_plate(plate) if right else plate


def _lettered(desk: Desk, spec: CutPlate, plate: Plate) -> Plate:
    """The mark text, and by it the overall size, to check the drawing's units at the machine.

    The size is left off where there is no room for it; the mark text never is.
    """
    text, cuts = spec.mark or plate.name, plate.inner_loops
    top = float(plate.outline.points[:, 1].max())
    holes = max((hole.diameter_mm / 2.0 for hole in plate.holes), default=0.0)
    wish = np.array([0.0, (top + holes) / 2.0])
    name = place_text(text, wish, NAME_HEIGHTS_MM, plate.outline, cuts)
    if name is None:
        raise desk.refuse(
            "mark",
            repr(text),
            f"no room on the plate for {len(text)} letters, {NAME_HEIGHTS_MM[-1]} mm tall",
            "use a shorter text",
        )
    width, height = plate.size_mm
    below = name.at - np.array([0.0, 2.0 * name.height_mm])
    size = place_text(
        f"{width:.1f} x {height:.1f} mm", below, SIZE_HEIGHTS_MM, plate.outline, cuts, taken=(name,)
    )
    return replace(plate, texts=(name,) if size is None else (name, size))
