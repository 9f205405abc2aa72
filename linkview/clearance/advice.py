"""What to do about gaps: what opens them, how sure they are, which stops would keep them all."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from linkview.clearance.bodies import solids_of
from linkview.clearance.certified import Certainty, Certified, Patch
from linkview.clearance.distance import pair_gap
from linkview.clearance.rates import Reader, Rebuild, gap_reader, limit_reader, rates_at
from linkview.geometry import Array, frozen
from linkview.kinematics.nearby import PoseList
from linkview.kinematics.sweep import CornerSweep, sweep_corner
from linkview.limits.limit import Limit
from linkview.model.parts import Corner, Side

CURVE_POINTS = 61
NAMED_POINTS = 3


@dataclass(frozen=True, eq=False)
class Opening:
    """A hard point that opens a gap: its way (3,) unit in the car's frame, mm of gap per mm."""

    point: str
    way: Array
    mm_per_mm: float


@dataclass(frozen=True, eq=False)
class PairAdvice:
    """One pair at its worst pose seen.

    opens: the strongest points first. one_sigma_mm: the doubt in the gap there from the doubt in
    the points; NaN where the gap could not be followed. measure_it: the doubt reaches the wanted
    gap. rack_mm, gap_mm (n,): the gap against steer at that travel, for pairs that fall short;
    empty for the others.
    """

    certain: Certified
    opens: tuple[Opening, ...]
    one_sigma_mm: float
    rack_mm: Array
    gap_mm: Array

    @property
    def short(self) -> bool:
        return falls_short(self.certain)

    @property
    def measure_it(self) -> bool:
        """Whether two sigma reach from the gap seen to the wanted one."""
        off = abs(self.certain.upper_mm - (self.certain.wanted_mm or 0.0))
        return bool(np.isnan(self.one_sigma_mm) or off <= 2.0 * self.one_sigma_mm)


@dataclass(frozen=True)
class SafeStops:
    """Stops inside which every certified pair keeps its wanted gap, mm; None: no such stop.

    rack_mm: each way, at full travel. droop_mm: with the full rack. together: (rack, droop), the
    pair that leaves the most of rack x droop. All to the resolution of the pairs' maps, inward.
    always: pairs that are too near at ride height or in bump with the rack centred.
    """

    rack_mm: float | None
    droop_mm: float | None
    together: tuple[float, float] | None
    needed: bool
    always: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True)
class LimitBand:
    """A limit where its margin is least on the grid: one sigma of its value there, in `unit`.

    sigma is NaN where the value could not be followed (a limit whose value jumps, or no pose).
    """

    side: Side
    name: str
    unit: str
    margin: float
    one_sigma: float
    rack_mm: float
    travel_mm: float

    @property
    def measure_it(self) -> bool:
        """Whether two sigma reach from the margin to the limit."""
        return bool(np.isnan(self.one_sigma) or abs(self.margin) <= 2.0 * self.one_sigma)


@dataclass(frozen=True, eq=False)
class GapAdvice:
    """All pairs of one corner, the stops that would keep every gap, how sure each limit is."""

    pairs: Mapping[tuple[str, str], PairAdvice]
    stops: SafeStops
    limit_bands: tuple[LimitBand, ...]


def falls_short(certain: Certified) -> bool:
    """Under the wanted gap, perhaps under it, touching or undecided."""
    if certain.verdict in (Certainty.CONTACT, Certainty.UNDECIDED):
        return True
    return certain.lower_mm < (certain.wanted_mm or 0.0)


def advise(
    sweep: CornerSweep,
    certain: Sequence[Certified],
    limits: Callable[[Corner], Sequence[Limit]],
    rebuild: Rebuild,
    doubt: Mapping[str, Array],
) -> GapAdvice:
    """doubt: one sigma (3,) mm of each hard point's coordinates. limits: of any such corner."""
    corner = sweep.corner
    own = {body.name for body in corner.bodies}
    seen = [c for c in certain if np.isfinite(c.upper_mm) and own >= set(c.pair)]
    least = _least_margins(sweep, limits(corner))
    at = [(c.rack_mm, c.travel_mm) for c in seen] + [pose for _, _, pose in least]
    solids, pairs_seen = solids_of(corner.bodies), [c.pair for c in seen]
    others = limit_reader(limits, [limit.name for limit, _, _ in least])

    def begin(home: PoseList) -> Reader:
        gaps = gap_reader(home, solids, pairs_seen)
        return lambda posed: np.concatenate([gaps(posed), others(posed)])

    rates = rates_at(sweep, at, rebuild, begin)
    sigma = rates.one_sigma(np.array([doubt[p] for p in rates.points]))
    pairs = {}
    for k, c in enumerate(seen):
        opens = tuple(Opening(*found) for found in rates.strongest(k, NAMED_POINTS))
        rack, gap = _curve(sweep, c) if falls_short(c) else (np.zeros(0), np.zeros(0))
        pairs[c.pair] = PairAdvice(c, opens, float(sigma[k]), frozen(rack), frozen(gap))
    nothing = frozen(np.zeros(0))
    for c in certain:  # a plate is drawn from the points: how it answers to them is not followed
        pairs.setdefault(c.pair, PairAdvice(c, (), float("nan"), nothing, nothing))
    bands = tuple(
        LimitBand(limit.side, limit.name, limit.unit, margin, float(s), *pose)
        for (limit, margin, pose), s in zip(least, sigma[len(seen) :], strict=True)
    )
    return GapAdvice(pairs, safe_stops(corner, certain), bands)


def _least_margins(
    sweep: CornerSweep, limits: Sequence[Limit]
) -> list[tuple[Limit, float, tuple[float, float]]]:
    """Each limit's least margin over the grid, with the rack and travel there."""
    out = []
    for limit in limits:
        margin = limit.margin(limit.measure(sweep))
        if np.isfinite(margin).any():
            i, j = np.unravel_index(np.nanargmin(margin), margin.shape)
            pose = float(sweep.rack_mm[i]), float(sweep.travel_mm[j])
            out.append((limit, float(margin[i, j]), pose))
    return out


def _curve(sweep: CornerSweep, certain: Certified) -> tuple[Array, Array]:
    """The gap (n,) against the rack (n,) at the travel where the worst was seen."""
    corner = sweep.corner
    if corner.rack is None:
        return np.zeros(0), np.zeros(0)
    rack = np.linspace(-corner.rack.stop_mm, corner.rack.stop_mm, CURVE_POINTS)
    row = sweep_corner(corner, rack, np.array([certain.travel_mm]), sweep.hold)
    bodies = solids_of(b for b in corner.bodies if b.name in certain.pair)
    poses = {part: p[:, 0] for part, p in row.poses.items()}
    return rack, pair_gap(bodies[certain.pair[0]], bodies[certain.pair[1]], poses).gap_mm


def safe_stops(corner: Corner, certain: Sequence[Certified]) -> SafeStops:
    """From the maps: the stops come before every cell in which some gap is not known to be kept."""
    bad, always = [], []
    for c in certain:
        kind = c.region.kind
        mine = c.region.boxes[(kind == Patch.SHORT.value) | (kind == Patch.OPEN.value)]
        if ((mine[:, 0] <= 0.0) & (mine[:, 1] >= 0.0) & (mine[:, 3] >= 0.0)).any():
            always.append(c.pair)
        bad.append(mine)
    boxes = np.concatenate(bad) if bad else np.zeros((0, 4))
    full_rack = corner.rack.stop_mm if corner.rack else 0.0
    full_droop = -corner.travel.droop_mm
    if not len(boxes):
        return SafeStops(full_rack or None, full_droop, None, needed=False)
    # How far the rack may go before it meets a cell, and how far down the wheel may.
    near = np.maximum(0.0, np.maximum(boxes[:, 0], -boxes[:, 1]))
    deep = np.where(boxes[:, 2] >= 0.0, 0.0, np.maximum(0.0, -boxes[:, 3]))
    rack = float(near.min()) if corner.rack else 0.0
    # A cell that is met in bump too cannot be stopped short of by a droop limit.
    droop = None if (deep <= 0.0).any() else float(deep.min())
    best: tuple[float, float] | None = None
    if corner.rack:
        for d in np.unique(np.append(deep, full_droop)):
            met = near[deep < d]
            r = float(met.min()) if len(met) else full_rack
            if r > 0.0 and d > 0.0 and (best is None or r * d > best[0] * best[1]):
                best = r, float(d)
    return SafeStops(rack or None, droop or None, best, needed=True, always=tuple(always))
