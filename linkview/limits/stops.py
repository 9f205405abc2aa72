"""What stops an axle first: at each lock, at every travel, and in bump and droop.

Both wheels hang on one rack: the first limit of either side stops both.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from linkview.alignment import wheel
from linkview.alignment.posed import at_ride_height
from linkview.geometry import Array, Index
from linkview.kinematics.nearby import Nearby
from linkview.kinematics.sweep import AxleSweep, CornerSweep
from linkview.limits.crossings import Rows, crossings, first_of, refined
from linkview.limits.limit import Limit, Stops
from linkview.limits.readings import limits_of
from linkview.limits.report import REACH, FirstStops, RowStops, Stop
from linkview.model.parts import Axle, Car

SAME_MM = 0.01
FULL_REACH = "at full reach"


def first_stop(sweep: AxleSweep, car: Car) -> FirstStops:
    """Searches an axle's sweep, whose grid must hold rack 0 and travel 0, for its first stops.

    car: for a spring whose length at ride height comes from the corner's load. Raises ValueError
    where the grid has no pose at ride height.
    """
    i, j = _middle(sweep)
    every = [side_of(corner, limits_of(corner.corner, sweep.axle, car)) for corner in sweep.corners]
    steering = [side.only(Stops.MOTION) for side in every]
    moving = [side.only(Stops.MOTION, Stops.TRAVEL) for side in every]
    loose = [side.only(Stops.NOTHING) for side in every]
    rows = _steering(sweep.axle, steering, moving, i)
    bump, droop = (_along_travel(moving, (i, j), way) for way in (1, -1))
    slack = _along_travel(loose, (i, j), -1)
    safe_rack_mm, no_safe_rack = _safe_rack_mm(sweep, rows, bump, droop)
    return FirstStops(
        axle=sweep.axle,
        already=_exceeded(every, i, j),
        ride=rows[j] if rows else None,
        rows=rows,
        bump=bump,
        droop=droop,
        spring_loose=slack if slack and slack.name != REACH else None,
        safe_rack_mm=safe_rack_mm,
        no_safe_rack=no_safe_rack,
    )


@dataclass(frozen=True, eq=False)
class SideLimits:
    """One corner's sweep with the margins (L, S, T) of the limits looked for."""

    sweep: CornerSweep
    limits: tuple[Limit, ...]
    margins: Array
    near: Nearby

    def only(self, *stops: Stops) -> SideLimits:
        """The same with just the limits that hold up one of these."""
        chosen = [k for k, limit in enumerate(self.limits) if limit.stops in stops]
        limits = tuple(self.limits[k] for k in chosen)
        return SideLimits(self.sweep, limits, self.margins[chosen], self.near)


def side_of(sweep: CornerSweep, limits: Sequence[Limit]) -> SideLimits:
    """A corner's limits measured over its sweep."""
    margins = [limit.margin(limit.measure(sweep)) for limit in limits]
    stacked = np.array(margins).reshape(len(limits), *sweep.solved.shape)
    return SideLimits(sweep, tuple(limits), stacked, Nearby(sweep))


def _middle(sweep: AxleSweep) -> tuple[int, int]:
    rack, travel = sweep.left.rack_mm, sweep.left.travel_mm
    if not (np.any(rack == 0.0) and np.any(travel == 0.0)):
        raise ValueError("the grid needs a pose at rack 0 and travel 0 (see grid_of)")
    return int(np.argmin(np.abs(rack))), int(np.argmin(np.abs(travel)))


def _outward(at: Array, middle: int, way: int) -> Index:
    """Indices from the middle of the grid outward."""
    beyond = np.flatnonzero(np.sign(at) == way)
    order = beyond[np.argsort(np.abs(at[beyond]), kind="stable")]
    return np.concatenate([np.array([middle], dtype=np.intp), order])


def _steering(
    axle: Axle, sides: Sequence[SideLimits], moving: Sequence[SideLimits], i: int
) -> tuple[RowStops, ...]:
    """First stops steering left and right at every travel; empty where nothing steers."""
    if axle.left.rack is None:
        return ()
    ride = at_ride_height(axle.left)
    gain = wheel.steer_rate(ride.spin_axis, ride.rack_twist[..., 3:])[0, 0]
    to_left = 1 if gain > 0.0 else -1
    found = {way: _first([rack_rows(side, i, way) for side in sides]) for way in (1, -1)}
    travel = sides[0].sweep.travel_mm

    def stop(way: int, j: int) -> Stop | None:
        met = found[way][j]
        return met.stop(sides, met.at_mm, float(travel[j])) if met else None

    return tuple(
        RowStops(float(travel[j]), stop(to_left, j), stop(-to_left, j), _exceeded(moving, i, j))
        for j in range(len(travel))
    )


def rack_rows(side: SideLimits, middle: int, way: int) -> Rows:
    """The rows of a sweep from its rack's middle outward, one way (+1 or -1), for `crossings`."""
    sweep = side.sweep
    out = _outward(sweep.rack_mm, middle, way)
    i, j = np.meshgrid(out, np.arange(len(sweep.travel_mm)), indexing="ij")
    end = np.full(len(sweep.travel_mm), np.nan)
    joints = [""] * len(end)
    for edge in sweep.edges:
        if np.sign(edge.rack_mm) == way:
            row = int(np.argmin(np.abs(sweep.travel_mm - edge.travel_mm)))
            end[row] = edge.rack_mm
            joints[row] = f"{_spoken(edge.joints)} {'over centre' if edge.toggle else FULL_REACH}"
    return Rows(
        limits=side.limits,
        at=sweep.rack_mm[out],
        i=i,
        j=j,
        solved=sweep.solved[out],
        margins=side.margins[:, out],
        solve=side.near.at_rack,
        end=end,
        end_by=tuple(joints),
    )


def _along_travel(sides: Sequence[SideLimits], middle: tuple[int, int], way: int) -> Stop | None:
    """The first limit in bump (+1) or droop (-1) with the rack centred."""
    met = _first([travel_row(side, middle, way) for side in sides])[0]
    return met.stop(sides, 0.0, met.at_mm) if met else None


def travel_row(side: SideLimits, middle: tuple[int, int], way: int) -> Rows:
    """The row of a sweep along travel from its middle outward, one way (+1 or -1)."""
    sweep = side.sweep
    out = _outward(sweep.travel_mm, middle[1], way)
    solved = sweep.solved[middle[0], out]
    end, joints = np.nan, ""
    if solved[0] and not solved.all():
        p = int(np.argmin(solved))
        reach = side.near.travel_end(middle[0], int(out[p - 1]), float(sweep.travel_mm[out[p]]))
        end, joints = reach[0], f"{_spoken(reach[1])} {FULL_REACH}"
    return Rows(
        limits=side.limits,
        at=sweep.travel_mm[out],
        i=np.full((len(out), 1), middle[0]),
        j=out[:, None],
        solved=solved[:, None],
        margins=side.margins[:, middle[0], out][:, :, None],
        solve=side.near.at_travel,
        end=np.array([end]),
        end_by=(joints,),
    )


@dataclass(frozen=True)
class _Met:
    """The first stop of one row: at_mm along it, and which (side, limit) meet it there."""

    at_mm: float
    who: tuple[tuple[int, int], ...]
    end_by: str

    def stop(self, sides: Sequence[SideLimits], rack_mm: float, travel_mm: float) -> Stop:
        side, k = self.who[0]
        corners = tuple(sides[s].sweep.corner.side for s, _ in self.who)
        if k < 0:
            return Stop(REACH, self.end_by, corners, 0.0, "mm", rack_mm, travel_mm)
        limit = sides[side].limits[k]
        return Stop(limit.name, limit.point, corners, limit.allowed, limit.unit, rack_mm, travel_mm)


def _first(both: Sequence[Rows]) -> list[_Met | None]:
    """The first stop on each row, over both sides; a limit of -1 stands for the edge of reach."""
    found = [crossings(rows) for rows in both]
    count = both[0].solved.shape[1]
    kept = []
    for r in range(count):
        kept += first_of([c for side in found for c in side if c.row == r])
    chosen = {id(c) for c in kept}
    places: list[list[tuple[float, int, int]]] = [[] for _ in range(count)]
    for s, rows in enumerate(both):
        mine = [c for c in found[s] if id(c) in chosen]
        for c, x in zip(mine, refined(rows, mine), strict=True):
            places[c.row].append((float(x), s, c.limit))
        for e in np.flatnonzero(np.isfinite(rows.end)):
            places[e].append((float(rows.end[e]), s, -1))
    out: list[_Met | None] = []
    for r, here in enumerate(places):
        if not here:
            out.append(None)
            continue
        x, side, k = min(here, key=lambda place: abs(place[0]))
        name = _name(both, side, k)
        who = tuple(
            (s, m) for y, s, m in here if abs(y - x) < SAME_MM and _name(both, s, m) == name
        )
        out.append(_Met(x, who, both[side].end_by[r]))
    return out


def _name(both: Sequence[Rows], side: int, limit: int) -> str:
    return REACH if limit < 0 else both[side].limits[limit].name


def _exceeded(sides: Sequence[SideLimits], i: int, j: int) -> tuple[Stop, ...]:
    """Limits not kept at one pose of the grid, both sides of the same limit as one."""
    merged: dict[str, Stop] = {}
    for side in sides:
        sweep = side.sweep
        for limit, margins in zip(side.limits, side.margins, strict=True):
            if margins[i, j] > 0.0 or np.isnan(margins[i, j]):
                continue
            value = limit.allowed + (1.0 if limit.at_least else -1.0) * float(margins[i, j])
            before = merged.get(limit.name)
            who = (*before.sides, limit.side) if before else (limit.side,)
            at = float(sweep.rack_mm[i]), float(sweep.travel_mm[j])
            merged[limit.name] = Stop(limit.name, limit.point, who, value, limit.unit, *at)
    return tuple(merged.values())


def _safe_rack_mm(
    sweep: AxleSweep, rows: Sequence[RowStops], bump: Stop | None, droop: Stop | None
) -> tuple[float | None, str]:
    """The largest rack inside every limit at the grid's travels, or None and why there is none."""
    if not rows:
        return None, "nothing steers"
    low = droop.travel_mm if droop else -np.inf
    high = bump.travel_mm if bump else np.inf
    used = [row for row in rows if low <= row.travel_mm <= high]
    for row in used:
        if row.already:
            at = f"travel {row.travel_mm:+.1f} mm, rack centred"
            return None, f"{row.already[0].name} is exceeded at {at}"
    if sweep.axle.min_toggle_deg is None:
        return None, "the file gives no min_toggle_angle, and a tie rod must not go near centre"
    grid = float(np.min(np.abs([sweep.left.rack_mm.min(), sweep.left.rack_mm.max()])))
    racks = [abs(stop.rack_mm) for row in used for stop in (row.left, row.right) if stop]
    return float(np.floor(10.0 * min([grid, *racks])) / 10.0), ""


def _spoken(joints: Sequence[str]) -> str:
    return " and ".join(joint.replace("_", " ") for joint in joints) or "the linkage"
