"""Every pair of bodies of one corner over the whole grid: its least gap, or why it is left out.

`least` is what the grid's poses show; between two of them a gap can be smaller. `certain` holds
everywhere inside the limits, where a `Domain` was given to find it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from linkview.clearance.abreast import abreast
from linkview.clearance.answers import GapState, PairGap
from linkview.clearance.bodies import Solid, solids_of
from linkview.clearance.certified import Certainty, Certified, Task
from linkview.clearance.certify import Progress, certify
from linkview.clearance.distance import Poses, pair_gap
from linkview.clearance.domain import Domain
from linkview.clearance.left_out import reasons_of
from linkview.errors import UnknownName, near_miss
from linkview.geometry import Array, frozen
from linkview.model.bodies import WantedGap
from linkview.model.parts import Corner

__all__ = ["GapState", "GapSurvey", "LeastGap", "LeftOut", "SurveyedPair", "survey"]


@dataclass(frozen=True, eq=False)
class LeastGap:
    """The worst pose of one pair.

    gap_mm: as in `answers.py`; NaN when only contact is known, or nothing. steer, travel: the
    grid indices, None when nothing was measured. on_a, on_b (3,) mm in the car's frame there.
    """

    state: GapState
    gap_mm: float
    steer: int | None
    travel: int | None
    on_a: Array
    on_b: Array


@dataclass(frozen=True, eq=False)
class SurveyedPair:
    """One pair over the grid: gap_mm and state (S, T), `least` among them.

    parts: the part each body belongs to. wanted_mm: the builder's smallest gap, or None.
    certain: what holds between the poses too, inside the limits; None where it was not asked for.
    constant: the two never move against each other; one pose was measured for all.
    """

    pair: tuple[str, str]
    parts: tuple[str, str]
    gap_mm: Array
    state: NDArray[np.int8]
    least: LeastGap
    wanted_mm: float | None
    constant: bool
    notes: tuple[str, ...]
    certain: Certified | None = None

    @property
    def poses_measured(self) -> int:
        return int(np.sum(self.state != GapState.UNKNOWN))

    @property
    def poses_unknown(self) -> int:
        """Poses out of reach, or where the gap could not be told."""
        return int(np.sum(self.state == GapState.UNKNOWN))

    @property
    def poses_touching(self) -> int:
        """Poses with contact, known only as such or as a gap of zero or less."""
        with np.errstate(invalid="ignore"):
            return int(np.sum((self.state == GapState.CONTACT) | (self.gap_mm <= 0)))

    @property
    def margin_mm(self) -> float:
        """Least gap less the wanted gap (nothing wanted counts as 0); NaN where not known.

        Of what is certain the lower end counts, for a pair that could fall short.
        """
        gap = self.least.gap_mm
        if self.certain is not None and self.certain.verdict is Certainty.CLEAR:
            gap = self.certain.upper_mm
        elif self.certain is not None:
            gap = max(self.certain.lower_mm, -1e9)
        return gap - (self.wanted_mm or 0.0)

    @property
    def badness(self) -> tuple[int, float]:
        """Sorts the worst first: touching, then never measured, then by margin."""
        certain = self.certain
        if certain is not None:
            if certain.verdict is Certainty.CONTACT:
                return (0, certain.upper_mm)
            rank = 1 if certain.verdict is Certainty.UNDECIDED else 2
            return (rank, self.margin_mm)
        if self.least.state is GapState.UNKNOWN:
            return (1, 0.0)
        touching = self.least.state is GapState.CONTACT or self.least.gap_mm <= 0
        return (0 if touching else 2, float(np.nan_to_num(self.margin_mm, nan=0.0)))


@dataclass(frozen=True)
class LeftOut:
    """A pair that was not measured, and why."""

    pair: tuple[str, str]
    reason: str


@dataclass(frozen=True, eq=False)
class GapSurvey:
    """All pairs of one corner: those measured and those left out; together every pair there is."""

    pairs: tuple[SurveyedPair, ...]
    left_out: tuple[LeftOut, ...]

    def worst(self, count: int) -> tuple[SurveyedPair, ...]:
        """The `count` pairs to look at first."""
        return tuple(sorted(self.pairs, key=lambda pair: pair.badness)[:count])

    def of(self, a: str, b: str) -> SurveyedPair:
        """The pair of two bodies in any order. UnknownName says so when it was left out."""
        for pair in self.pairs:
            if set(pair.pair) == {a, b}:
                return pair
        for left in self.left_out:
            if set(left.pair) == {a, b}:
                raise UnknownName(f"'{a}' to '{b}' was not measured: {left.reason}")
        known = {name for pair in self.pairs for name in pair.pair}
        known |= {name for left in self.left_out for name in left.pair}
        wrong = next((name for name in (a, b) if name not in known), a)
        raise UnknownName(f"no body '{wrong}'; {near_miss(wrong, known)}")


def survey(
    corner: Corner,
    poses: Poses,
    *,
    wanted: Iterable[WantedGap] = (),
    left_out: Mapping[frozenset[str], str] | None = None,
    progress: Progress | None = None,
    domain: Domain | None = None,
    heard: Callable[[SurveyedPair], None] | None = None,
) -> GapSurvey:
    """Measure every pair of the corner's bodies that can move against each other.

    domain: of the sweep that `poses` come from; every pair is then certified over it as well.
    heard: called with each pair as soon as it is certified, in whatever order they are.

    poses: part -> rigid moves (S, T, 4, 4) from the reference pose, NaN where out of reach.
    left_out: pairs the builder leaves out, with the reason. A pair with a wanted gap is measured
    even at a joint. MeshFault lists all unusable meshes before anything is measured.
    """
    solids = solids_of(corner.bodies)
    wanted_mm = {gap.pair: gap.at_least_mm for gap in wanted}
    asked: list[tuple[Solid, Solid]] = []
    skipped: list[LeftOut] = []
    why = reasons_of(corner, wanted_mm, left_out or {})
    for a, b in combinations(solids.values(), 2):
        reason = why(a, b)
        if reason is None:
            asked.append((a, b))
        else:
            skipped.append(LeftOut((a.name, b.name), reason))
    shape = next((np.shape(move)[:2] for move in poses.values()), (1, 1))
    flat = {part: np.asarray(move).reshape(-1, 4, 4) for part, move in poses.items()}
    pairs = []
    found = abreast(lambda pair: pair_gap(*pair, flat), asked)
    for done, (a, b) in enumerate(asked):
        if progress is not None:
            progress(done, len(asked), (a.name, b.name))
        wanted_here = wanted_mm.get(frozenset((a.name, b.name)))
        pairs.append(_surveyed(a, b, next(found), shape, wanted_here))
    if domain is not None:
        tasks = [
            Task(a, b, p.wanted_mm, p.gap_mm, p.state)
            for (a, b), p in zip(asked, pairs, strict=True)
        ]

        def certain(k: int, answer: Certified) -> None:
            if heard is not None:
                heard(replace(pairs[k], certain=answer))

        proved = certify(domain, tasks, progress or _silent, certain)
        pairs = [replace(p, certain=c) for p, c in zip(pairs, proved, strict=True)]
    return GapSurvey(tuple(pairs), tuple(skipped))


def _silent(done: int, count: int, pair: tuple[str, str]) -> None:
    """No one to tell."""


def _surveyed(
    a: Solid, b: Solid, found: PairGap, shape: tuple[int, ...], wanted_mm: float | None
) -> SurveyedPair:
    notes = found.notes
    if found.constant:
        notes = (*notes, "constant: the two never move against each other")
    unknown = int(np.sum(found.state == GapState.UNKNOWN))
    if unknown:
        notes = (*notes, f"unknown at {unknown} of {len(found.state)} poses")
    return SurveyedPair(
        (a.name, b.name),
        (a.part, b.part),
        frozen(found.gap_mm.reshape(shape)),
        found.state.reshape(shape),
        _least(found, shape),
        wanted_mm,
        found.constant,
        notes,
    )


def _least(found: PairGap, shape: tuple[int, ...]) -> LeastGap:
    """Contact comes before any number; among contacts the deepest known, else the first."""
    known = found.state != GapState.UNKNOWN
    if not known.any():
        nowhere = frozen(np.full(3, np.nan))
        return LeastGap(GapState.UNKNOWN, float("nan"), None, None, nowhere, nowhere)
    touching = found.state == GapState.CONTACT
    among = np.flatnonzero(touching if touching.any() else known)
    at = among[np.argmin(np.nan_to_num(found.gap_mm[among], nan=0.0))]
    steer, travel = (int(i) for i in np.unravel_index(at, shape))
    return LeastGap(
        GapState(int(found.state[at])),
        float(found.gap_mm[at]),
        steer,
        travel,
        found.on_a[at],
        found.on_b[at],
    )
