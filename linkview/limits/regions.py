"""The rack x travel map: where an axle is inside every limit, and what stops it where it is not."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from linkview.geometry import Array, Flags
from linkview.kinematics.sweep import AxleSweep
from linkview.limits.limit import Stops
from linkview.limits.readings import LimitReading
from linkview.limits.report import REACH

INSIDE = "inside every limit looked at"


@dataclass(frozen=True)
class WorstPose:
    """Where a limit is exceeded most, or has least left: margin in `unit`, negative beyond it."""

    name: str
    margin: float
    unit: str
    rack_mm: float
    travel_mm: float


@dataclass(frozen=True, eq=False)
class RegionMap:
    """S racks (mm) by T travels (mm), both sides of the axle together.

    names: region names, `INSIDE` first. region (S, T): the index of each pose's name: of the limit
    met first on the way out from the centred rack at that travel, and from there on.
    worst: one pose for each limit that makes a region, in the order of names. contact: whether
    measured gaps took part; contact_rack_mm: the least rack, either way, of a pose of the grid in
    which something touches, None where nothing does.
    """

    rack_mm: Array
    travel_mm: Array
    names: tuple[str, ...]
    region: NDArray[np.intp]
    worst: tuple[WorstPose, ...]
    contact: bool
    contact_rack_mm: float | None

    def share(self, name: str) -> float:
        """How much of the map a region covers, 0 to 1."""
        return float(np.mean(self.region == self.names.index(name)))


def region_map(
    sweep: AxleSweep, limits: tuple[LimitReading, ...], touching: Mapping[str, Flags] | None
) -> RegionMap:
    """Names every pose of a sweep.

    limits: `readings` of the same sweep. touching: what touches, in words -> (S, T) poses; None
    where no gap was measured, and then nothing is said of contact.
    """
    beyond: dict[str, Flags] = {}
    depth: dict[str, Array] = {}
    for reading in limits:
        if reading.stops is Stops.NOTHING or reading.name == REACH:
            continue
        over = reading.margin < 0.0
        deep = np.where(over, -reading.normalised, 0.0)
        beyond[reading.name] = np.asarray(beyond.get(reading.name, False) | over)
        depth[reading.name] = np.maximum(depth.get(reading.name, 0.0), deep)
    for words, flags in (touching or {}).items():
        beyond[words], depth[words] = np.asarray(flags), np.where(flags, 1.0, 0.0)
    lost = ~np.logical_and(*(c.solved for c in sweep.corners))
    beyond[REACH], depth[REACH] = lost, np.where(lost, np.inf, 0.0)
    found = _regions(sweep, beyond, depth)
    used = [name for name in beyond if np.any(found == list(beyond).index(name) + 1)]
    names = (INSIDE, *used)
    index = np.zeros(len(beyond) + 1, dtype=np.intp)
    for k, name in enumerate(used, start=1):
        index[list(beyond).index(name) + 1] = k
    return RegionMap(
        sweep.left.rack_mm,
        sweep.left.travel_mm,
        names,
        index[found],
        tuple(w for name in used for w in _worst(sweep, limits, name)),
        touching is not None,
        _contact_rack_mm(sweep.left.rack_mm, touching or {}),
    )


def _contact_rack_mm(rack_mm: Array, touching: Mapping[str, Flags]) -> float | None:
    met = [np.abs(rack_mm[np.asarray(flags).any(axis=1)]) for flags in touching.values()]
    racks = np.concatenate(met) if met else np.zeros(0)
    return float(racks.min()) if racks.size else None


def _regions(
    sweep: AxleSweep, beyond: Mapping[str, Flags], depth: Mapping[str, Array]
) -> NDArray[np.intp]:
    """1 + the index of the limit met first outward from the centred rack, 0 inside, (S, T)."""
    over = np.stack(list(beyond.values()))
    deep = np.stack(list(depth.values()))
    # Where several are exceeded at once, the one furthest beyond its own range is named.
    here = np.where(over.any(axis=0), 1 + np.argmax(np.where(over, deep, -1.0), axis=0), 0)
    out = here.astype(np.intp)
    middle = int(np.argmin(np.abs(sweep.left.rack_mm)))
    for way in (range(middle + 1, len(out)), range(middle - 1, -1, -1)):
        before = out[middle].copy()
        for i in way:
            out[i] = np.where(before > 0, before, out[i])
            before = out[i].copy()
    return out


def _worst(sweep: AxleSweep, limits: tuple[LimitReading, ...], name: str) -> list[WorstPose]:
    """The pose with least left, over both sides."""
    mine = [r for r in limits if r.name == name and np.isfinite(r.margin).any()]
    if not mine or name == REACH:
        return []
    worst = min(mine, key=lambda r: float(np.nanmin(r.margin)))
    at = np.unravel_index(np.nanargmin(worst.margin), worst.margin.shape)
    rack, travel = sweep.left.rack_mm[at[0]], sweep.left.travel_mm[at[1]]
    margin = float(worst.margin[at])
    return [WorstPose(name, margin, worst.unit, float(rack), float(travel))]
