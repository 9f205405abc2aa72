"""Hard points and plate descriptions -> drawn plates, one drawing function per kind.

Every description is of the left side. For the right corner its points are mirrored to the left,
the plate is drawn there and mirrored back, so that one drawing serves both.

To add a kind: its description in `model/platespec.py`, a drawing function in a file of its own,
and a line in `DRAWN_BY`.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

import numpy as np

from linkview.errors import PlateRefused
from linkview.geometry import frozen, length, mirrored, mirrored_move
from linkview.model.hardware import CLEARANCE_HOLES_MM
from linkview.model.parts import Corner, Side
from linkview.model.platebase import CutPlate
from linkview.model.platekinds import (
    CaliperAdapter,
    DroopStrapTab,
    DropBracket,
    Gusset,
    SteeringArm,
    TopMountSlider,
    WheelSpacer,
)
from linkview.model.platelist import FreePlate
from linkview.model.platespec import TopMountBase, WeldOnEar
from linkview.plates.bolted import caliper_adapter, steering_arm, wheel_spacer
from linkview.plates.desk import Desk
from linkview.plates.ears import weld_on_ear
from linkview.plates.edges import SAME_MM
from linkview.plates.free import free_plate
from linkview.plates.gussets import gusset
from linkview.plates.hung import droop_strap_tab, drop_bracket
from linkview.plates.lettering import NAME_HEIGHTS_MM, SIZE_HEIGHTS_MM, place_text
from linkview.plates.plate import Plate, mirrored_plate
from linkview.plates.plate_faults import plate_faults
from linkview.plates.top_mounts import top_mount_base, top_mount_slider

__all__ = ["Plate", "draw_plate", "draw_plates", "mirrored_plate"]

DRAWN_BY: Mapping[type[CutPlate], Callable[[Desk, CutPlate], Plate]] = {
    WeldOnEar: weld_on_ear,
    TopMountBase: top_mount_base,
    TopMountSlider: top_mount_slider,
    Gusset: gusset,
    SteeringArm: steering_arm,
    CaliperAdapter: caliper_adapter,
    WheelSpacer: wheel_spacer,
    DroopStrapTab: droop_strap_tab,
    FreePlate: free_plate,
}
# Kinds of several plates that belong together.
DRAWN_AS_SET: Mapping[type[CutPlate], Callable[[Desk, CutPlate], tuple[Plate, ...]]] = {
    DropBracket: drop_bracket,
}


def draw_plates(name: str, spec: CutPlate, corner: Corner) -> tuple[Plate, ...]:
    """The plates that a description asks for, at this corner; most kinds make one.

    Raises PlateRefused naming the plate, key, value and fix where it cannot be drawn. Whether a
    shop would cut it is `shop.require_cuttable`'s question.
    """
    desk, out = desk_for(name, corner), []
    drawn = _drawn(desk, spec)
    for plate in drawn:
        text = spec.mark if len(drawn) == 1 and spec.mark else plate.name
        out.append(_lettered(desk, text, _with_fits(plate)))
    return _on_side(out, corner)


def blank_plates(name: str, spec: CutPlate, corner: Corner) -> tuple[Plate, ...]:
    """The same metal without marks, in a tenth of the time. Raises as `draw_plates`, but for room
    to write in."""
    return _on_side(_drawn(desk_for(name, corner), spec), corner)


def _drawn(desk: Desk, spec: CutPlate) -> tuple[Plate, ...]:
    try:
        if type(spec) in DRAWN_AS_SET:
            drawn = DRAWN_AS_SET[type(spec)](desk, spec)
        else:
            drawn = (DRAWN_BY[type(spec)](desk, spec),)
    except PlateRefused as fault:
        told = str(fault)
        raise PlateRefused(told if "plates." in told else f"plates.{desk.name}: {told}") from None
    for plate in drawn:
        if found := plate_faults(plate):
            fix = "move the features apart or make them smaller"
            raise PlateRefused("\n".join(f"plates.{desk.name}: {f}; {fix}" for f in found))
    return drawn


def _on_side(drawn: Sequence[Plate], corner: Corner) -> tuple[Plate, ...]:
    right = corner.side is Side.RIGHT
    return tuple(mirrored_plate(plate) if right else plate for plate in drawn)


def desk_for(name: str, corner: Corner) -> Desk:
    """What a plate of this name is drawn with: the corner's points as those of a left side."""
    right = corner.side is Side.RIGHT
    points = {n: frozen(mirrored(p) if right else p) for n, p in corner.points.items()}
    spin = corner.wheel.spin_axis if not right else -mirrored(corner.wheel.spin_axis)
    moved = corner.carried.get(f"plate {name}", np.eye(4))
    return Desk(
        name=name,
        layout=corner.layout,
        points=points,
        spin_axis=frozen(spin),
        rim_offset_mm=corner.wheel.rim.offset_mm,
        carried=frozen(mirrored_move(moved) if right else moved),
    )


def draw_plate(name: str, spec: CutPlate, corner: Corner) -> Plate:
    """The one plate of a description; the first of a kind that makes several."""
    return draw_plates(name, spec, corner)[0]


def _with_fits(plate: Plate) -> Plate:
    """A word where a hole that holds a joint is as wide as a mere clearance hole (ISO 273)."""
    notes = []
    for pin in plate.pins:
        for hole in plate.holes:
            named = re.search(r"\bM(\d+)\b", hole.use)
            if not named or length(hole.centre - pin.centre) > SAME_MM:
                continue
            sizes = CLEARANCE_HOLES_MM.get(int(named[1]))
            if sizes and hole.diameter_mm >= sizes[0] - 1e-9:
                notes.append(
                    f"{hole.diameter_mm:g} mm for an M{named[1]} pivot is a clearance hole "
                    f"(ISO 273 fine {sizes[0]:g}, medium {sizes[1]:g}): the joint can move in it; "
                    "make it close, or ream it 0.1 to 0.2 over the bolt (common practice)"
                )
    return replace(plate, notes=(*plate.notes, *notes))


def _lettered(desk: Desk, text: str, plate: Plate) -> Plate:
    """The mark text, and by it the overall size, to check the drawing's units at the machine.

    Material and thickness follow where the text does not name the grade. Size and material are
    left off where there is no room for them; the mark text never is.
    """
    cuts = plate.inner_loops
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
    marks = (name,) if size is None else (name, size)
    if plate.material[:4].upper() not in text.upper():
        lower = marks[-1].at - np.array([0.0, 2.0 * marks[-1].height_mm])
        words = f"{plate.material} {plate.thickness_mm:g} mm"
        grade = place_text(words, lower, SIZE_HEIGHTS_MM, plate.outline, cuts, taken=marks)
        marks = (*marks, grade) if grade is not None else marks
    return replace(plate, texts=marks)
