"""Which millimetre moves a stop: each limit's rack by hard-point coordinate.

Where a limit is met its margin m(rack, points) is zero, so d(rack)/d(point) = -m_p / m_rack: the
implicit function theorem once more, on exact poses with complex points.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from linkview.geometry import Array, frozen
from linkview.kinematics.sensitivity import (
    Coordinate,
    H,
    Sizes,
    along_rack,
    factored,
    perturbed,
    with_members,
)
from linkview.kinematics.sweep import sweep_corner
from linkview.limits.crossings import crossings, refined
from linkview.limits.limit import Limit, Stops
from linkview.limits.readings import limits_of
from linkview.limits.stops import rack_rows, side_of
from linkview.model.parts import Axle, Car, Corner, Hold

COLUMNS = 21


@dataclass(frozen=True, eq=False)
class StopSlopes:
    """One limit of one corner, met at rack_mm on the way to that side, wheel height kept.

    slopes (K,): mm of rack per mm of each coordinate; the corner's own points, not the other's.
    """

    limit: Limit
    rack_mm: float
    travel_mm: float
    slopes: Array


def stop_slopes(
    corner: Corner,
    axle: Axle,
    car: Car,
    travel_mm: float,
    coordinates: Sequence[Coordinate],
    sizes: Sizes,
) -> tuple[StopSlopes, ...]:
    """Every limit that this corner meets between the rack's stops at one travel, nearest first.

    Left out: limits exceeded already with the rack centred; the rack's own stop, which moves with
    no hard point; rod ends clocked together, which have no slopes yet; and the edge of reach.
    """
    if corner.rack is None:
        return ()
    stop = corner.rack.stop_mm
    grid = np.linspace(-stop, stop, COLUMNS)
    sweep = sweep_corner(corner, grid, np.array([travel_mm]), Hold.WHEEL_HEIGHT)
    side = side_of(sweep, [x for x in limits_of(corner, axle, car) if x.differentiable])
    out = []
    for way in (1, -1):
        rows = rack_rows(side.only(Stops.MOTION), COLUMNS // 2, way)
        found = crossings(rows)
        for met, rack in zip(found, refined(rows, found), strict=True):
            limit = rows.limits[met.limit]
            slopes = _slopes(corner, limit, (float(rack), travel_mm), coordinates, sizes)
            out.append(StopSlopes(limit, float(rack), travel_mm, frozen(slopes)))
    return tuple(sorted(out, key=lambda s: abs(s.rack_mm)))


def _slopes(
    corner: Corner,
    limit: Limit,
    pose: tuple[float, float],
    coordinates: Sequence[Coordinate],
    sizes: Sizes,
) -> Array:
    at = factored(corner, *pose)
    here = perturbed(at, coordinates, sizes)
    kept = here.corner if sizes is Sizes.FOLLOW else corner
    by_points = limit.measure(with_members(here, kept)).imag / H
    by_rack = limit.measure(with_members(along_rack(at), corner)).imag / H
    return np.asarray(-by_points / by_rack)
