"""Which millimetre moves a stop: the rack or travel at which each limit is met, by hard point.

Where a limit is met its margin m(input, points) is zero, so d(input)/d(point) = -m_p / m_input: the
implicit function theorem once more, on exact poses with complex points. The edge of reach has its
own (`dead_point.py`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from linkview.geometry import Array, frozen
from linkview.kinematics.dead_point import (
    DeadPoint,
    dead_point_on_rack,
    dead_point_on_travel,
)
from linkview.kinematics.factored import factored
from linkview.kinematics.held import held_at
from linkview.kinematics.members import with_members
from linkview.kinematics.reach import Block
from linkview.kinematics.sensitivity import Coordinate, H, Sizes, perturbed
from linkview.kinematics.sweep import CornerSweep, sweep_corner
from linkview.limits.crossings import Rows, crossings, refined
from linkview.limits.limit import Limit, Stops
from linkview.limits.readings import limits_of
from linkview.limits.report import REACH
from linkview.limits.stops import SideLimits, rack_rows, side_of, travel_row
from linkview.model.parts import Axle, Car, Corner, Hold, Side

COLUMNS = 21
SEVERAL = (
    "no single dead point is there: several meet, as where both arms and the centre link of a "
    "steering box come in line, and which comes first changes with any point"
)
NO_POINT = "no hard point moves it: it is the way of the rack itself"


@dataclass(frozen=True, eq=False)
class StopSlopes:
    """One limit of one corner, met along the rack as the axle holds it, or along travel.

    name: of the limit. words: what is met, 'tie rod toggle angle meets 25 deg'. met_along: 'rack'
    or 'travel', the input that slopes (K,) are of, mm per mm of each coordinate: the corner's own
    points, not the other's; None where there is no slope, with the reason in `why`. rack_mm,
    travel_mm: where.
    """

    side: Side
    name: str
    words: str
    met_along: str
    rack_mm: float
    travel_mm: float
    slopes: Array | None
    why: str = ""


@dataclass(frozen=True, eq=False)
class LimitSlopes:
    """How far a corner is from one limit at a pose, and what each coordinate does to it.

    value, allowed: in `unit`; share_left: of the limit's whole range, 0 at the limit. slopes (K,):
    of the value, per mm, by the corner's own points; None with the reason in `why` where no point
    moves it.
    """

    side: Side
    name: str
    unit: str
    value: float
    allowed: float
    share_left: float
    slopes: Array | None
    why: str = ""


@dataclass(frozen=True, eq=False)
class _Moved:
    """What is moved: `coordinates` of a corner, parts following or kept; what is held meanwhile."""

    corner: Corner
    coordinates: Sequence[Coordinate]
    sizes: Sizes
    hold: Hold

    def by_inputs_and_points(self, limit: Limit, pose: tuple[float, float]) -> tuple[Array, Array]:
        """A limit's slopes by rack and travel, (2,), and by each coordinate, (K,)."""
        along = held_at(self.corner, *pose, self.hold).along_inputs()
        by_inputs = limit.measure(with_members(along, self.corner)).imag / H
        return by_inputs, self.by_points(limit, pose).imag / H

    def by_points(self, limit: Limit, pose: tuple[float, float]) -> Array:
        """A limit's value at a pose, complex with its slope by each coordinate, (K,)."""
        here = held_at(self.corner, *pose, self.hold).perturbed(self.coordinates, self.sizes)
        kept = here.corner if self.sizes is Sizes.FOLLOW else self.corner
        measure = limit.measure
        if limit.against is not None:
            ride = perturbed(factored(self.corner, 0.0, 0.0), self.coordinates, self.sizes)
            measure = limit.against(with_members(ride, kept))
        return measure(with_members(here, kept))


def limit_slopes(
    corner: Corner,
    axle: Axle,
    car: Car,
    pose: tuple[float, float],
    coordinates: Sequence[Coordinate],
    sizes: Sizes,
) -> tuple[LimitSlopes, ...]:
    """Every limit of a corner at a pose (rack, travel), held as the axle says."""
    moved = _Moved(corner, coordinates, sizes, _hold(axle))
    sweep = sweep_corner(corner, np.array(pose[:1]), np.array(pose[1:]), moved.hold)
    out = []
    for limit in limits_of(corner, axle, car):
        value = float(limit.measure(sweep)[0, 0])
        slopes, why = None, NO_POINT
        if limit.differentiable:
            slopes, why = frozen(moved.by_points(limit, pose).imag / H), ""
        left = float(limit.margin(np.asarray(value))) / limit.full
        said = limit.name, limit.unit, value, limit.allowed, left
        out.append(LimitSlopes(corner.side, *said, slopes, why))
    return tuple(out)


def stop_slopes(
    corner: Corner,
    axle: Axle,
    car: Car,
    travel_mm: float,
    coordinates: Sequence[Coordinate],
    sizes: Sizes,
) -> tuple[StopSlopes, ...]:
    """Every limit that this corner meets between the rack's stops at one travel, nearest first.

    The edge of reach is among them, where it is met. Left out: limits exceeded already with the
    rack centred, and the rack's own stop, which moves with no hard point.
    """
    if corner.rack is None:
        return ()
    stop, hold = corner.rack.stop_mm, _hold(axle)
    rack = np.linspace(-stop, stop, COLUMNS)
    sweep = sweep_corner(corner, rack, np.array([travel_mm]), hold)
    side, moved = _side(sweep, axle, car), _Moved(corner, coordinates, sizes, hold)
    out = []
    for way in (1, -1):
        rows = rack_rows(side.only(Stops.MOTION), COLUMNS // 2, way)
        for limit, at in _met(rows):
            by_inputs, by_points = moved.by_inputs_and_points(limit, (at, travel_mm))
            slopes = frozen(-by_points / by_inputs[0])
            words = f"{limit.name} meets {limit.allowed:g} {limit.unit}"
            out.append(StopSlopes(corner.side, limit.name, words, "rack", at, travel_mm, slopes))
    for edge in sweep.edges:
        dead = dead_point_on_rack(sweep, edge)
        block = Block(edge.joints, edge.toggle)
        met = edge.rack_mm, edge.travel_mm
        out.append(_reach(corner, "rack", met, dead, block, moved))
    return tuple(sorted(out, key=lambda s: abs(s.rack_mm)))


def travel_stop_slopes(
    corner: Corner, axle: Axle, car: Car, coordinates: Sequence[Coordinate], sizes: Sizes
) -> tuple[StopSlopes, ...]:
    """Every limit that this corner meets in bump and droop with the rack centred, nearest first.

    Between the ends of the file's travel; where springs come loose, too. Left out: limits exceeded
    already at ride height.
    """
    ends = corner.travel
    down, up = (np.linspace(0.0, end, COLUMNS) for end in (ends.droop_mm, ends.bump_mm))
    travels = np.unique(np.concatenate([down, up]))
    sweep = sweep_corner(corner, np.zeros(1), travels, Hold.WHEEL_HEIGHT)
    side, moved = _side(sweep, axle, car), _Moved(corner, coordinates, sizes, Hold.WHEEL_HEIGHT)
    middle = 0, int(np.argmin(np.abs(sweep.travel_mm)))
    out = []
    for way in (1, -1):
        rows = travel_row(side, middle, way)
        for limit, travel in _met(rows):
            by_inputs, by_points = moved.by_inputs_and_points(limit, (0.0, travel))
            slopes = frozen(-by_points / by_inputs[1])
            words = f"{limit.name} meets {limit.allowed:g} {limit.unit}"
            out.append(StopSlopes(corner.side, limit.name, words, "travel", 0.0, travel, slopes))
        end = float(rows.end[0])
        if np.isfinite(end):
            last = 0, int(rows.j[np.argmin(rows.solved[:, 0]) - 1, 0])
            dead = dead_point_on_travel(sweep, last, end)
            joints = side.near.travel_end(*last, end + np.sign(end))[1]
            out.append(_reach(corner, "travel", (0.0, end), dead, Block(joints, False), moved))
    return tuple(sorted(out, key=lambda s: abs(s.travel_mm)))


def _reach(
    corner: Corner,
    along: str,
    met: tuple[float, float],
    dead: DeadPoint | None,
    block: Block,
    moved: _Moved,
) -> StopSlopes:
    """The edge of reach met near a rack and travel, with its slopes where its dead point is one."""
    if dead is None:
        return StopSlopes(corner.side, REACH, block.what, along, *met, None, SEVERAL)
    at = (dead.met_mm, met[1]) if along == "rack" else (met[0], dead.met_mm)
    slopes = frozen(dead.slopes(moved.coordinates, moved.sizes))
    return StopSlopes(corner.side, REACH, dead.block.what, along, *at, slopes)


def _hold(axle: Axle) -> Hold:
    """What is kept while steering; limits are judged in the body, so the road has no say here."""
    return axle.hold if axle.left.rack is not None else Hold.WHEEL_HEIGHT


def _side(sweep: CornerSweep, axle: Axle, car: Car) -> SideLimits:
    return side_of(sweep, [x for x in limits_of(sweep.corner, axle, car) if x.differentiable])


def _met(rows: Rows) -> list[tuple[Limit, float]]:
    """Each limit met on the one row, and where."""
    found = crossings(rows)
    where = zip(found, refined(rows, found), strict=True)
    return [(rows.limits[met.limit], float(at)) for met, at in where]
