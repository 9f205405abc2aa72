"""How far to trust each number: bands from measuring and cutting doubt, twice, and what to measure.

Once by the exact slopes (linear), once by many cars drawn at random (Monte Carlo). Where the two
agree the slopes may be used; where they do not it is said, and the band is the drawn cars'.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from linkview.alignment.sensitivity import Sensitivity, sensitivities
from linkview.errors import LinkageLocked, LinkviewError
from linkview.geometry import Array, frozen
from linkview.kinematics.sensitivity import Sizes
from linkview.kinematics.sweep import grid_of
from linkview.model.layout import OTHER_WHEEL_CENTRE
from linkview.model.parts import Axle, Car, Hold, Side
from linkview.tuning.run import batches_of, run
from linkview.tuning.spread import Batch, Key, Spread

AGREE = 0.05  # the two bands differ by less: near linear
SHIFT = 0.1  # and the drawn band's middle is off the value by less than this share of its half
TWO_SIDED = 1.96  # sigmas to a 95 % band
NOTHING = 1e-7  # of any unit: rounding
TOE = "toe_in_deg"


@dataclass(frozen=True)
class Station:
    """A pose at which numbers are reported."""

    name: str
    rack_mm: float
    travel_mm: float


@dataclass(frozen=True)
class Number:
    """One reported number: a reading at a station, or its change from ride height."""

    key: Key
    station: Station
    change: bool = False


@dataclass(frozen=True, eq=False)
class Band:
    """The doubt in one number. low, high: 95 % of the drawn cars; drawn, linear: one sigma by
    either way; missing: share of cars that do not reach this pose. shares: hard point -> its share
    of the linear variance, both sides' points apart as (side, point).
    """

    number: Number
    value: float
    mean: float
    drawn: float
    low: float
    high: float
    linear: float
    missing: float
    shares: Mapping[tuple[Side, str], float]

    @property
    def nothing(self) -> bool:
        """Whether the points do not matter to it at all: read by a gauge, or held."""
        return self.drawn < NOTHING and self.linear < NOTHING

    @property
    def near_linear(self) -> bool:
        """Whether the linear band may be used: as wide, in the same place, and nothing is lost."""
        if self.nothing:
            return not self.missing
        if self.missing or not self.linear > 0.0:
            return False
        same = abs(self.drawn / self.linear - 1.0) <= AGREE
        middle, half = 0.5 * (self.low + self.high), 0.5 * (self.high - self.low)
        return same and abs(middle - self.value) <= SHIFT * half


@dataclass(frozen=True, eq=False)
class Trust:
    """All bands of one axle from so many cars."""

    axle: Axle
    count: int
    bands: tuple[Band, ...]


def doubts(
    axle: Axle, measured: Mapping[str, Array], cut_mm: float
) -> dict[Side, dict[str, Array]]:
    """One sigma (3,) mm of every hard point. measured: by point. cut_mm: how far a plate's hole may
    be off either way, all places alike (so sigma is a root of three less), added to the points that
    plates hold.
    """
    if not 0.0 <= cut_mm <= 50.0:
        raise LinkviewError(f"a cutting tolerance of {cut_mm:g} mm makes no sense")
    held = {getattr(spec, "joint", None) for spec in axle.plates.values()}
    out: dict[Side, dict[str, Array]] = {}
    for corner in axle.corners:
        known = [p for p in corner.points if p != OTHER_WHEEL_CENTRE]
        cut = {p: cut_mm / math.sqrt(3.0) if p in held else 0.0 for p in known}
        out[corner.side] = {p: frozen(np.hypot(measured[p], cut[p])) for p in known}
    return out


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
    their own error stands beside them. Raises LinkviewError for a layout with both wheels on one
    part, or where nothing is in doubt.
    """
    if axle.left.layout.level:
        raise LinkviewError(
            f"{axle.name} axle: bands are known for wheels that are held one by one, not for a "
            f"{axle.left.layout.name}"
        )
    if not any(np.any(v > 0.0) for by in sigma.values() for v in by.values()):
        raise LinkviewError(
            f"{axle.name} axle: no doubt is given; set one_sigma in [measured], or --cut"
        )
    stations = stations_of(axle)
    racks, travels = (sorted({getattr(s, n) for s in stations}) for n in ("rack_mm", "travel_mm"))
    whole = Batch(
        axle, car, sigma, seed, 0, 0, np.array(racks), np.array(travels), Hold.WHEEL_HEIGHT, True
    )
    spread = run(batches_of(whole, count), executor, folder, heard)
    slopes = _slopes(axle, car, stations)
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
                found = _band(number, spread, at, since, slopes, ride, sigma)
                if found is not None:
                    bands.append(found)
    return Trust(axle, count, tuple(bands))


Slopes = Mapping[Station, tuple[Sensitivity, ...]]


def _slopes(axle: Axle, car: Car, stations: tuple[Station, ...]) -> Slopes:
    """Every side's points apart, also where the file gives one side for both."""
    apart = replace(axle, symmetric=False)
    out = {}
    for s in stations:
        try:
            out[s] = sensitivities(apart, car, s.rack_mm, s.travel_mm, Sizes.FOLLOW)
        except LinkageLocked:
            out[s] = ()
    return out


def _band(
    number: Number,
    spread: Spread,
    at: tuple[int, int],
    since: tuple[int, int] | None,
    slopes: Slopes,
    ride: Station,
    sigma: Mapping[Side, Mapping[str, Array]],
) -> Band | None:
    key = number.key
    value = float(spread.nominal[key][at])
    each = spread.each[key][:, at[0], at[1]]
    if since is not None:
        value -= float(spread.nominal[key][since])
        each = each - spread.each[key][:, since[0], since[1]]
    if not np.isfinite(value):
        return None
    fine = each[np.isfinite(each)]
    variances = _variances(number, slopes, ride, sigma)
    total = sum(variances.values())
    if not fine.size:
        return None
    low, high = np.quantile(fine, (0.025, 0.975))
    return Band(
        number,
        value,
        float(fine.mean()),
        float(fine.std(ddof=1)) if fine.size > 1 else 0.0,
        float(low),
        float(high),
        math.sqrt(total),
        1.0 - fine.size / len(each),
        {k: v / total for k, v in variances.items()} if total > 0.0 else {},
    )


def _variances(
    number: Number, slopes: Slopes, ride: Station, sigma: Mapping[Side, Mapping[str, Array]]
) -> dict[tuple[Side, str], float]:
    """The number's variance by each point, both sides, to first order."""
    out: dict[tuple[Side, str], float] = {}
    bases = slopes[ride] if number.change else [None] * len(slopes[number.station])
    for table, base in zip(slopes[number.station], bases, strict=True):
        assert table.side is not None
        found = table.slopes.get(number.key)
        if found is None or found.ndim != 1:
            continue
        if base is not None:
            found = found - base.slopes[number.key]
        for c, slope in zip(table.coordinates, found, strict=True):
            one = float(slope * sigma[table.side][c.point][c.axis]) ** 2
            out[table.side, c.point] = out.get((table.side, c.point), 0.0) + one
    return {k: v for k, v in out.items() if np.isfinite(v)}


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
