"""How far to trust each number: bands from measuring and cutting doubt, twice, and what to measure.

Once by the exact slopes (linear), once by many cars drawn at random (Monte Carlo). Where the two
agree the slopes may be used; where they do not it is said, and the band is the drawn cars'.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from linkview.geometry import Array
from linkview.kinematics.sweep import grid_of
from linkview.model.parts import Axle, Car, Hold, Side
from linkview.tuning.bands import Band, band_of, refuse_if_sure
from linkview.tuning.draws import drawn_shifts
from linkview.tuning.run import batches_of, run
from linkview.tuning.slopes import Point, Slopes, Station, exact_slopes, stepped_slopes
from linkview.tuning.spread import Batch, Key, Spread

TOE = "toe_in_deg"


@dataclass(frozen=True)
class Number:
    """One reported number: a reading at a station, or its change from ride height."""

    key: Key
    station: Station
    change: bool = False


@dataclass(frozen=True, eq=False)
class Trust:
    """All bands of one axle from so many cars."""

    axle: Axle
    count: int
    bands: tuple[Band[Number], ...]


def stations_of(axle: Axle) -> tuple[Station, ...]:
    """Ride height, both locks as used, full bump and droop."""
    out = [Station("ride height", 0.0, 0.0)]
    rack = axle.left.rack
    if rack is not None:
        out += [
            Station("left lock", _lock(axle, rack.working_mm), 0.0),
            Station("right lock", _lock(axle, -rack.working_mm), 0.0),
        ]
    travel = axle.left.travel
    out.append(Station("full bump", 0.0, travel.bump_mm))
    out.append(Station("full droop", 0.0, travel.droop_mm))
    return tuple(out)


def _lock(axle: Axle, rack_mm: float) -> float:
    """The rack position that steers left for + rack_mm: a rack ahead of the axle turns it round."""
    corner = axle.left
    rod = corner.layout.rods.get(corner.layout.tie_rod or "")
    if rod is None:
        return rack_mm
    ahead = corner.points[rod.outer][0] > corner.points["wheel_centre"][0]
    return -rack_mm if not ahead else rack_mm


def trust(
    axle: Axle,
    car: Car,
    sigma: Mapping[Side, Mapping[str, Array]],
    *,
    count: int,
    seed: int = 1,
    executor: Executor | None = None,
    folder: Path | None = None,
    heard: Callable[[int, int], None] = lambda done, count: None,
) -> Trust:
    """Bands on every reading at every station, wheel-centre height held.

    Camber and toe as read on the rim at ride height come from the gauge, not from hard points:
    their own error stands beside them. A beam axle is moved with both wheels together. Raises
    LinkviewError where nothing is in doubt.
    """
    refuse_if_sure(axle, sigma)
    stations = stations_of(axle)
    racks, travels = (sorted({getattr(s, n) for s in stations}) for n in ("rack_mm", "travel_mm"))
    whole = Batch(
        axle, car, sigma, seed, 0, 0, np.array(racks), np.array(travels), Hold.WHEEL_HEIGHT, True
    )
    batches = batches_of(whole, count)
    spread = run(batches, executor, folder, heard)
    beam = axle.left.layout.level
    slopes = stepped_slopes(whole, stations) if beam else exact_slopes(axle, car, stations)
    shifts = _shifts(batches)
    ride = stations[0]
    bands = []
    for key in spread.nominal:
        for station in stations:
            at = racks.index(station.rack_mm), travels.index(station.travel_mm)
            numbers = [Number(key, station)]
            if key[1] == TOE and station.travel_mm:
                numbers.append(Number(key, station, change=True))
            for number in numbers:
                since = (racks.index(0.0), travels.index(0.0)) if number.change else None
                found = _band(number, spread, at, since, (slopes, ride, sigma, shifts))
                if found is not None:
                    bands.append(found)
    return Trust(axle, count, tuple(bands))


Doubt = tuple[Slopes, Station, Mapping[Side, Mapping[str, Array]], Mapping[Side, dict[str, Array]]]


def _shifts(batches: Sequence[Batch]) -> dict[Side, dict[str, Array]]:
    """How far each car's points are off, (n, 3) by side and point, in the order of the cars."""
    out = {}
    for corner in batches[0].axle.corners:
        sigma = batches[0].sigma
        each = [drawn_shifts(corner, sigma, (b.seed, b.number), b.count) for b in batches]
        out[corner.side] = {p: np.concatenate([some[p] for some in each]) for p in each[0]}
    return out


def _band(
    number: Number,
    spread: Spread,
    at: tuple[int, int],
    since: tuple[int, int] | None,
    doubt: Doubt,
) -> Band[Number] | None:
    key = number.key
    value = float(spread.nominal[key][at])
    each = spread.each[key][:, at[0], at[1]]
    if since is not None:
        value -= float(spread.nominal[key][since])
        each = each - spread.each[key][:, since[0], since[1]]
    by_point = _by_point(number, doubt[0], doubt[1])
    variances, told = {}, np.full(len(each), value)
    for (side, point), slope in by_point.items():
        variances[side, point] = float(((slope * doubt[2][side][point]) ** 2).sum())
        told += doubt[3][side][point] @ slope
    return band_of(number, value, each, variances, told if by_point else None)


def _by_point(number: Number, slopes: Slopes, ride: Station) -> dict[Point, Array]:
    """The number's slopes (3,) by each point, both sides; none where they are not known."""
    found = dict(slopes[number.station].get(number.key, {}))
    if number.change and found:
        base = slopes[ride].get(number.key, {})
        found = {at: slope - base.get(at, np.zeros(3)) for at, slope in found.items()}
    return found if all(np.isfinite(v).all() for v in found.values()) else {}


def every_pose(
    axle: Axle,
    car: Car,
    sigma: Mapping[Side, Mapping[str, Array]],
    *,
    count: int,
    counts: tuple[int, int],
    seed: int = 1,
    executor: Executor | None = None,
    folder: Path | None = None,
    heard: Callable[[int, int], None] = lambda done, count: None,
) -> tuple[Array, Array, Spread]:
    """Mean and spread of every reading at every pose of a grid: rack (S,), travel (T,), Spread.

    counts: rack positions, travels. Held is what the file holds while steering.
    """
    rack, travel = grid_of(axle, rack_count=counts[0], travel_count=counts[1])
    if axle.left.rack is None:
        rack = np.zeros(1)
    whole = Batch(axle, car, sigma, seed, 0, 0, rack, travel, axle.hold, False)
    return rack, travel, run(batches_of(whole, count), executor, folder, heard)
