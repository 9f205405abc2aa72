"""What a plate's slots give at their ends, on the file's car and on cars like it.

The slots stand in the car as they are drawn for the file's points; what is in doubt is where the
points truly are. The corner is put together again with the point at the slot's end, every part
kept, the wheel's height held, as `plates/adjusting.py` has it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from linkview.alignment.posed import at_ride_height, steering_axis
from linkview.alignment.steering import caster_rad
from linkview.errors import CannotAssemble
from linkview.geometry import Array, frozen, mirrored
from linkview.kinematics.kept import corner_with
from linkview.model.parts import Axle, Corner, Side
from linkview.model.reference import wheel_angles_deg
from linkview.tuning.slots import slots_of
from linkview.units import to_deg

READINGS = ("camber", "caster", "toe-in")
STEP_MM = 0.02


@dataclass(frozen=True)
class SlotEnd:
    """One end of a plate's slots on one side: point goes by `by` (3,) mm from where it is."""

    plate: str
    side: Side
    point: str
    at_mm: float
    by: tuple[float, float, float]

    @property
    def words(self) -> str:
        """'top mount plate, slots at +12 mm'."""
        return f"{self.plate.replace('_', ' ')}, slots at {self.at_mm:+g} mm"


def slot_ends(axle: Axle, sides: tuple[Side, ...]) -> Iterator[SlotEnd]:
    """Both ends of every plate's slots that hold a hard point."""
    for name, slot in slots_of(axle).items():
        for side in sides if slot.in_plate else ():
            way = slot.way if side is axle.given_side else mirrored(slot.way)
            for at in (slot.low_mm, slot.high_mm):
                x, y, z = (float(v) for v in at * way)
                yield SlotEnd(name, side, slot.points[0], at, (x, y, z))


def readings_at(corner: Corner, end: SlotEnd) -> Array:
    """READINGS (3,) in degrees with the point at the end; NaN where parts do not go together."""
    out = np.full(len(READINGS), np.nan)
    try:
        moved = corner_with(corner, {end.point: corner.points[end.point] + np.array(end.by)})
    except CannotAssemble:
        return frozen(out)
    out[0], out[2] = wheel_angles_deg(corner.side, moved.wheel.spin_axis)
    if corner.layout.steering_axis is not None:
        out[1] = float(to_deg(caster_rad(steering_axis(at_ride_height(moved))))[0, 0])
    return frozen(out)


def slopes_at(
    corner: Corner, end: SlotEnd, rebuild: Callable[[Mapping[str, Array]], Corner]
) -> dict[str, Array]:
    """d(READINGS)/d(hard point) (3, 3 axes) by point, from cars a little to either side."""
    out = {}
    for point in corner.points:
        found = np.empty((len(READINGS), 3))
        for axis, step in enumerate(STEP_MM * np.eye(3)):
            less, more = (readings_at(rebuild({point: s * step}), end) for s in (-1.0, 1.0))
            found[:, axis] = (more - less) / (2.0 * STEP_MM)
        out[point] = frozen(found)
    return out
