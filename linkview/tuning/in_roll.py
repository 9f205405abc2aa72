"""What a solid axle reads in roll, on the file's car and on cars like it.

Cars are read at ride height with the body leaning either way by the same angle, half of what the
wheels' travel allows, and up to their first stop in roll: a limit, or where a wheel's travel ends
by the file. Camber to the road is left out: on one rigid axle it stays what the gauge read. Slopes
are differences of cars STEP_MM to either side: poses close to 1e-10 mm, a stop to 1e-5 deg.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from linkview.geometry import Array, frozen
from linkview.kinematics.axle import travels_of
from linkview.limits.roll import RollStop, most_roll_deg, roll_readings, roll_stops
from linkview.model.layout import OTHER_WHEEL_CENTRE
from linkview.model.parts import Axle, Car, Side
from linkview.tuning.slopes import Point, moving_with

STEP_MM = 0.1
NEAR_DEG = 0.05  # either side of ride height, for roll steer
ROLL_STEER = "roll steer at ride height"

# Shifts (3,) mm by side and point -> the axle built anew.
Rebuilt = Callable[[Mapping[Side, Mapping[str, Array]]], Axle]


@dataclass(frozen=True)
class InRoll:
    """One number in roll. side: whose, None for the axle's; lean_deg: where it is read."""

    side: Side | None
    name: str
    unit: str
    lean_deg: float


def in_roll(axle: Axle, car: Car) -> tuple[tuple[InRoll, float], ...]:
    """Every number and the axle's own value. Nothing for an axle that is not solid."""
    if not axle.left.layout.level:
        return ()
    lean = float(np.floor(most_roll_deg(axle) * 5.0) / 10.0) or most_roll_deg(axle) / 2.0
    return tuple(read_in_roll(axle, car, lean))


def read_in_roll(axle: Axle, car: Car, lean_deg: float) -> Iterator[tuple[InRoll, float]]:
    """The numbers of a solid axle; NaN where it does not reach the pose."""
    leans = np.array([-lean_deg, -NEAR_DEG, NEAR_DEG, lean_deg])
    read = roll_readings(axle, car, *travels_of(axle, 0.0, leans))
    per_deg = (read.steer_deg[2] - read.steer_deg[1]) / (2.0 * NEAR_DEG)
    yield InRoll(None, ROLL_STEER, "deg/deg", 0.0), float(per_deg)
    for k, way in ((0, "left"), (3, "right")):
        lean, there = float(leans[k]), f"body leaning {way} {lean_deg:.1f} deg"
        yield InRoll(None, f"axle steer, {there}", "deg", lean), float(read.steer_deg[k])
        yield InRoll(None, f"axle sideways, {there}", "mm", lean), float(read.sideways_mm[k])
        height = float(read.roll_centre_height_mm[k])
        yield InRoll(None, f"roll centre height, {there}", "mm", lean), height
        for side in Side:
            damper = float(read.damper_mm[side][k])
            yield InRoll(side, f"damper length, {there}", "mm", lean), damper
    yield from _stops(roll_stops(axle, car))


def _stops(found: tuple[RollStop, RollStop]) -> Iterator[tuple[InRoll, float]]:
    for way, stop in zip(("left", "right"), found, strict=True):
        name = f"first stop in roll, body leaning {way}"
        yield InRoll(None, name, "deg", 0.0), stop.roll_deg


def slopes_in_roll(
    axle: Axle, car: Car, lean_deg: float, rebuilt: Rebuilt
) -> dict[tuple[Side | None, str], dict[Point, Array]]:
    """d(number)/d(hard point) (3,) by point, of all numbers by side and name."""
    moved = [(Side.LEFT, p) for p in axle.left.points if p != OTHER_WHEEL_CENTRE]
    moved += [
        (Side.RIGHT, p)
        for p in axle.right.points
        if p != OTHER_WHEEL_CENTRE and p not in axle.right.layout.shared
    ]

    def values(point: Point, by: Array) -> dict[tuple[Side | None, str], float]:
        shifts: dict[Side, dict[str, Array]] = {side: {} for side in Side}
        for side, name in moving_with(axle, *point):
            shifts[side][name] = by
        read = read_in_roll(rebuilt(shifts), car, lean_deg)
        return {(number.side, number.name): value for number, value in read}

    out: dict[tuple[Side | None, str], dict[Point, Array]] = {}
    for point in moved:
        both = [[values(point, s * step) for s in (1.0, -1.0)] for step in STEP_MM * np.eye(3)]
        for key in both[0][0]:
            slope = [(more[key] - less[key]) / (2.0 * STEP_MM) for more, less in both]
            out.setdefault(key, {})[point] = frozen(slope)
    return out
