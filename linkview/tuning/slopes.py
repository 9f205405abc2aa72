"""Every reading's slope by every hard point of both sides, at the poses that numbers are told of.

Wheels held one by one: exact slopes (`alignment/sensitivity.py`). A beam axle's wheels ride on one
part, so each reading answers to the other wheel and to points of the whole axle too: there cars
with one coordinate STEP_MM to either side are read, each closed to 1e-8 mm, and the difference is
the slope; what bends over so short a way is under a millionth of it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from linkview.alignment.sensitivity import sensitivities
from linkview.errors import LinkageLocked
from linkview.geometry import Array
from linkview.kinematics.sensitivity import Sizes
from linkview.model.layout import OTHER_WHEEL_CENTRE, WHEEL_CENTRE
from linkview.model.parts import Axle, Car, Hold, Side
from linkview.tuning.spread import Batch, Key, read_cars

STEP_MM = 0.02
Point = tuple[Side, str]
ByPoint = Mapping[Point, Array]  # (3,) in the reading's unit per mm


@dataclass(frozen=True)
class Station:
    """A pose at which numbers are reported."""

    name: str
    rack_mm: float
    travel_mm: float


Slopes = Mapping[Station, Mapping[Key, ByPoint]]


def exact_slopes(axle: Axle, car: Car, stations: Sequence[Station]) -> Slopes:
    """Of wheels held one by one; a reading or station that has none is not there.

    Points of the whole axle stand under the side that is read, and under the left for the axle's.
    """
    # Each side's points, also where one is given for both; the cars drawn hold the wheel's height.
    apart = replace(axle, symmetric=False, hold=Hold.WHEEL_HEIGHT)
    out: dict[Station, dict[Key, dict[Point, Array]]] = {}
    for station in stations:
        known = out.setdefault(station, {})
        try:
            at = station.rack_mm, station.travel_mm
            tables = sensitivities(apart, car, *at, Sizes.FOLLOW)
        except LinkageLocked:
            continue
        for table in tables:
            assert table.side is not None
            twice = axle.left.layout.shared if table.side is Side.RIGHT else ()
            for key, slopes in table.slopes.items():
                if slopes.ndim != 1:
                    continue
                by = known.setdefault(key, {})
                for c, slope in zip(table.coordinates, slopes, strict=True):
                    if key[0] is not None or c.point not in twice:
                        by.setdefault((table.side, c.point), np.zeros(3))[c.axis] = slope
    return out


def stepped_slopes(whole: Batch, stations: Sequence[Station]) -> Slopes:
    """Of a beam axle, by differences; whole: whose grid has all stations."""
    axle = whole.axle
    moved = [(Side.LEFT, p) for p in axle.left.points if p != OTHER_WHEEL_CENTRE]
    moved += [
        (Side.RIGHT, p)
        for p in axle.right.points
        if p != OTHER_WHEEL_CENTRE and p not in axle.right.layout.shared
    ]
    coordinates = [(side, p, axis) for side, p in moved for axis in range(3)]
    shape = 2 * len(coordinates), 3
    shifts = {(c.side, p): np.zeros(shape) for c in axle.corners for p in c.points}
    for k, (side, point, axis) in enumerate(coordinates):
        for row, step in ((2 * k, STEP_MM), (2 * k + 1, -STEP_MM)):
            for at in moving_with(axle, side, point):
                shifts[at][row, axis] = step
    points = {
        c.side: {p: at + shifts[c.side, p] for p, at in c.points.items()} for c in axle.corners
    }
    read = read_cars(replace(whole, count=shape[0]), points)
    racks, travels = whole.rack_mm.tolist(), whole.travel_mm.tolist()
    out: dict[Station, dict[Key, dict[Point, Array]]] = {}
    for station in stations:
        known = out.setdefault(station, {})
        at_pose = racks.index(station.rack_mm), travels.index(station.travel_mm)
        for key, by_pose in read.items():
            if at_pose in by_pose:
                both = by_pose[at_pose].reshape(-1, 2)
                slopes = (both[:, 0] - both[:, 1]) / (2.0 * STEP_MM)
                known[key] = {
                    at: slopes[3 * k : 3 * k + 3]
                    for k, at in enumerate(moved)
                    if key[0] in (None, at[0]) or np.any(slopes[3 * k : 3 * k + 3])
                }
    return out


def moving_with(axle: Axle, side: Side, point: str) -> list[Point]:
    """Where else a point is written: on the other side, or as the other wheel's centre."""
    if point in axle.left.layout.shared:
        return [(each, point) for each in Side]
    if point == WHEEL_CENTRE:
        other = Side.RIGHT if side is Side.LEFT else Side.LEFT
        return [(side, point), (other, OTHER_WHEEL_CENTRE)]
    return [(side, point)]
