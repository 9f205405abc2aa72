"""Gaps of a design with points moved: sampled to steer by, certified to judge by.

The corner is built anew with its bodies at every shift, so tubes, arms and plates' joints go where
the points go; what the file places by coordinates alone stays. Contact counts by its known depth.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from linkview.clearance.answers import GapState
from linkview.clearance.bodies import Solid, solids_of
from linkview.clearance.certified import Certainty, Certified, Task
from linkview.clearance.certify import certify
from linkview.clearance.compiled import compile_all
from linkview.clearance.distance import pair_gap
from linkview.clearance.domain import domain_of
from linkview.clearance.rates import STEP_MM, Rebuild, gap_reader
from linkview.errors import LinkviewError, near_miss
from linkview.geometry import Array, Flags
from linkview.kinematics.follow import Followed
from linkview.kinematics.sensitivity import Coordinate
from linkview.kinematics.sweep import CornerSweep, grid_of, sweep_corner
from linkview.limits.limit import Stops
from linkview.limits.readings import limits_of
from linkview.model.parts import Axle, Car, Corner
from linkview.tuning.aimed import Judged

RACKS, TRAVELS = 9, 9  # poses that steer the search
FINE_RACKS, FINE_TRAVELS = 15, 15  # poses an answer is judged at before, and besides, its proof
DEEP_STEP_MM = 0.1  # contact has no nearest places to follow: its depth is measured twice
SLACK = 0.05  # the search looks this share beyond the limits, for the worst is often at their edge
SPARE_MM = 0.8  # a gap is aimed at this much inside: what is certain may be 0.5 mm less

Pair = tuple[str, str]
Shifts = Mapping[str, Array]


@dataclass(frozen=True, eq=False)
class Sampled:
    """One pair over a sweep's grid, flat: gap_mm, state (n,); allowed (n,): inside the limits."""

    sweep: CornerSweep
    gap_mm: Array
    state: NDArray[np.int8]
    allowed: Flags

    @property
    def least_mm(self) -> float:
        """Inside the limits; NaN where a gap there is unknown, or no pose is there."""
        state, gap = self.state[self.allowed], self.gap_mm[self.allowed]
        if not state.size or (state == GapState.UNKNOWN).any():
            return float("nan")
        return float(np.nan_to_num(gap, nan=0.0).min())


@dataclass(frozen=True, eq=False)
class GapMeter:
    """Measures pairs of one side's bodies at shifts {point: (3,) mm}; rebuild: that side.

    rack (S,), travel (T,): poses that steer the search.
    """

    axle: Axle
    car: Car
    rebuild: Rebuild
    rack: Array
    travel: Array

    @staticmethod
    def of(axle: Axle, car: Car, rebuild: Rebuild) -> GapMeter:
        compile_all()
        grid = grid_of(axle, rack_count=RACKS, travel_count=TRAVELS)
        return GapMeter(axle, car, rebuild, *grid)

    def also_at(self, poses: Iterable[tuple[float, float]]) -> GapMeter:
        """One that is steered by these poses (rack, travel) too, and by those in line with them."""
        racks, travels = zip(*poses, strict=True)
        rack, travel = np.union1d(self.rack, racks), np.union1d(self.travel, travels)
        return replace(self, rack=rack, travel=travel)

    @property
    def count(self) -> int:
        """Poses that steer the search."""
        return len(self.rack) * len(self.travel)

    def check(self, pair: Pair) -> None:
        """Raises LinkviewError for a name that is no body's."""
        names = [body.name for body in self.rebuild({}).bodies]
        for name in pair:
            if name not in names:
                fix = near_miss(name, names)
                raise LinkviewError(
                    f"{self.axle.name} axle: no body '{name}' to aim a gap at; {fix}"
                )

    def swept(self, shifts: Shifts) -> CornerSweep:
        """Over the poses that steer. Raises CannotAssemble, ModelFaults."""
        return sweep_corner(self.rebuild(shifts), self.rack, self.travel, self.axle.hold)

    def sampled(self, sweep: CornerSweep, pair: Pair, slack: float = 0.0) -> Sampled:
        """slack: the share of a limit's full margin by which poses may lie beyond it."""
        a, b = _solids(sweep.corner, pair)
        found = pair_gap(a, b, {p: m.reshape(-1, 4, 4) for p, m in sweep.poses.items()})
        return Sampled(
            sweep,
            found.gap_mm,
            found.state,
            inside_limits(sweep, self.axle, self.car, slack).ravel(),
        )

    def slopes(
        self,
        at: Sampled,
        which: Flags,
        pair: Pair,
        shifted: Callable[[Coordinate, float], Shifts],
        box: Sequence[Coordinate],
    ) -> Array:
        """d(gap)/d(coordinate) (n, K), 0 beside `which` and where a pose cannot be followed.

        shifted: the shifts with a coordinate so much further.
        """
        out = np.zeros((len(which), len(box)))
        if not which.any():
            return out
        sweep, rows = at.sweep, np.flatnonzero(which)
        i, j = np.unravel_index(rows, sweep.solved.shape)
        home = Followed.of(sweep, sweep.rack_mm[i], sweep.travel_mm[j])
        posed = home.poses(sweep.corner)
        solids = dict(zip(pair, _solids(sweep.corner, pair), strict=True))
        read = gap_reader(posed, solids, [pair] * len(rows))
        here = read(posed)
        deep = np.isnan(here)
        for k, c in enumerate(box):
            slope = (read(home.again(self.rebuild(shifted(c, STEP_MM)))) - here) / STEP_MM
            if deep.any():
                corner = self.rebuild(shifted(c, DEEP_STEP_MM))
                again = home.again(corner)
                further = pair_gap(*_solids(corner, pair), again.poses).gap_mm
                slope[deep] = (further - at.gap_mm[rows])[deep] / DEEP_STEP_MM
            out[rows, k] = np.nan_to_num(slope, nan=0.0)
        return out

    def judged(self, shifts: Shifts, wanted: Mapping[Pair, float]) -> dict[Pair, Judged]:
        """Least gaps inside the limits: proved between the poses too where that can be done.

        What is certain is told, not the least that was seen. Raises as `swept`.
        """
        corner = self.rebuild(shifts)
        sweep = self._fine(corner)
        if not sweep.solved.any():
            return {pair: Judged(float("nan"), "no pose is reached") for pair in wanted}
        seen = {pair: self.sampled(sweep, pair) for pair in wanted}
        domain = domain_of(sweep, limits_of(corner, self.axle, self.car))
        if domain is None:
            return {
                pair: Judged(s.least_mm, f"sampled at {int(s.allowed.sum())} poses, not certain")
                for pair, s in seen.items()
            }
        shape = sweep.solved.shape
        tasks = [
            Task(*_solids(corner, pair), wanted[pair], s.gap_mm.reshape(shape),
                 s.state.reshape(shape))
            for pair, s in seen.items()
        ]  # fmt: skip
        proved = certify(domain, tasks, lambda done, count, pair: None)
        return dict(zip(seen, map(_told, proved), strict=True))

    def seen(
        self, shifts: Shifts, pairs: Iterable[frozenset[str]]
    ) -> dict[frozenset[str], Sampled | None]:
        """Pairs at the poses an answer is judged at; None for one with a name that is no body's."""
        asked = list(pairs)
        if not asked:
            return {}
        sweep = self._fine(self.rebuild(shifts))
        names = {body.name for body in sweep.corner.bodies}
        return {
            pair: self.sampled(sweep, (min(pair), max(pair))) if pair <= names else None
            for pair in asked
        }

    def _fine(self, corner: Corner) -> CornerSweep:
        rack, travel = grid_of(self.axle, rack_count=FINE_RACKS, travel_count=FINE_TRAVELS)
        return sweep_corner(corner, rack, travel, self.axle.hold)


def inside_limits(sweep: CornerSweep, axle: Axle, car: Car, slack: float = 0.0) -> Flags:
    """(S, T): solved and inside every limit that is kept at ride height.

    slack: the share of a limit's full margin by which poses may lie beyond it.
    """
    out = sweep.solved.copy()
    i, j = (int(np.argmin(np.abs(v))) for v in (sweep.rack_mm, sweep.travel_mm))
    for limit in limits_of(sweep.corner, axle, car):
        if limit.stops is Stops.NOTHING or limit.drift is None:
            continue  # as the proof has it
        with np.errstate(invalid="ignore"):
            kept = limit.margin(limit.measure(sweep)) >= -slack * limit.full
        if kept[i, j]:
            out &= kept
    return out


def _told(c: Certified) -> Judged:
    at = (c.rack_mm, c.travel_mm) if np.isfinite([c.rack_mm, c.travel_mm]).all() else None
    if c.verdict is Certainty.CONTACT:
        return Judged(min(float(np.nan_to_num(c.upper_mm, nan=0.0)), 0.0), "they touch", at)
    if c.verdict is Certainty.UNDECIDED or not np.isfinite(c.lower_mm):
        return Judged(float("nan"), f"unknown: {c.reason}", at)
    strip = f", {100.0 * c.strip:.2g} % of rack x travel, at the edge of reach, is not in it"
    open_ = strip if c.strip > 0.0 else ""
    if c.verdict is Certainty.CLEAR:
        return Judged(c.lower_mm, f"certain: nowhere less{open_}", at)
    least = f"least between {c.lower_mm:.1f} and {c.upper_mm:.1f} mm"
    return Judged(c.lower_mm, f"certain: {least}{open_}", at)


def _solids(corner: Corner, pair: Pair) -> tuple[Solid, Solid]:
    found = solids_of(body for body in corner.bodies if body.name in pair)
    return found[pair[0]], found[pair[1]]
