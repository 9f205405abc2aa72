"""What a film reads out in each of its frames: alignment and gaps at that frame's own solved pose.

Nothing is taken from a grid or mixed: every figure belongs to the pose that the frame shows.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from linkview.alignment.axle import align
from linkview.alignment.quantities import QUANTITIES, Quantity
from linkview.clearance.answers import GapState, PairGap
from linkview.clearance.bodies import Solid, solids_of
from linkview.clearance.compiled import compile_all
from linkview.clearance.distance import pair_gap
from linkview.clearance.gaps import GapSurvey, survey
from linkview.geometry import Array, frozen
from linkview.kinematics.sweep import sweep_axle
from linkview.model.parts import Axle, Car, Corner, Side
from linkview.model.wording import spoken
from linkview.plates.drawn import far_from_plates, with_plates
from linkview.scene.stage import AxlePose
from linkview.study import AxleStudy

STEERED = ("steer_deg", "camber_deg", "caster_deg", "trail_mm", "toggle_deg")
UNSTEERED = ("toe_in_deg", "camber_deg", "half_track_mm", "spring_length_mm")
NEAR_MM = 20.0
_AT_ONCE = 12  # frames whose alignment is read from one small grid
Pair = tuple[str, str]


@dataclass(frozen=True, eq=False)
class AlignmentRow:
    """One quantity of both wheels. values: (n, 2), left and right."""

    quantity: Quantity
    values: Array


@dataclass(frozen=True, eq=False)
class GapRow:
    """One pair of both sides, over n frames."""

    pair: Pair
    wanted_mm: float | None
    sides: Mapping[Side, PairGap]

    @property
    def words(self) -> str:
        return f"{spoken(self.pair[0])} - {spoken(self.pair[1])}"

    def falls_short(self, side: Side, frame: int) -> bool:
        """Contact, unknown, or under what is wanted."""
        found = self.sides[side]
        if found.state[frame] != GapState.MEASURED or found.gap_mm[frame] <= 0.0:
            return True
        return self.wanted_mm is not None and bool(found.gap_mm[frame] < self.wanted_mm)

    def is_near(self, side: Side, frame: int) -> bool:
        """Whether the place is worth a mark: falls short, or under twice what is wanted."""
        gap = self.sides[side].gap_mm[frame]
        return self.falls_short(side, frame) or bool(
            gap < max(2.0 * (self.wanted_mm or 0.0), NEAR_MM)
        )

    def figure(self, side: Side, frame: int) -> str:
        found = self.sides[side]
        if found.state[frame] == GapState.UNKNOWN:
            return "unknown"
        if found.state[frame] == GapState.CONTACT or found.gap_mm[frame] <= 0.0:
            return "touch"
        return f"{found.gap_mm[frame]:.1f}"


@dataclass(frozen=True, eq=False)
class ReadOuts:
    """All read-outs of n frames. measured: how many pairs the shown ones were chosen from."""

    alignment: tuple[AlignmentRow, ...]
    gaps: tuple[GapRow, ...]
    measured: int


def read_outs(
    study: AxleStudy, car: Car, poses: Sequence[AxlePose], *, pairs: Sequence[Pair], most: int
) -> ReadOuts:
    """Of frames that are all within reach. pairs: those to read out, by their bodies' names; with
    none, the `most` that come nearest to falling short in these frames.

    UnknownName for a pair that is not measured.
    """
    compile_all()
    corners = {c.side: with_plates(c, study.plates) for c in study.axle.corners}
    moves = {side: _stacked(poses, side) for side in corners}
    surveys = {side: _surveyed(study, corners[side], moves[side]) for side in corners}
    chosen = [surveys[Side.LEFT].of(*p).pair for p in pairs] or _worst(surveys, most)
    solids = {side: solids_of(corner.bodies) for side, corner in corners.items()}
    gaps = tuple(_gap_row(pair, surveys, solids, moves) for pair in chosen)
    measured = len(surveys[Side.LEFT].pairs)
    return ReadOuts(_alignment(study.axle, car, poses), gaps, measured)


def _stacked(poses: Sequence[AxlePose], side: Side) -> dict[str, Array]:
    """Part -> (n, 4, 4)."""
    parts = poses[0].corners[side]
    return {part: frozen(np.array([p.corners[side][part] for p in poses])) for part in parts}


def _surveyed(study: AxleStudy, corner: Corner, moves: Mapping[str, Array]) -> GapSurvey:
    grid = {part: m[:, None] for part, m in moves.items()}
    return survey(
        corner,
        grid,
        wanted=study.axle.wanted_gaps,
        left_out={**far_from_plates(corner, grid, study.axle), **study.axle.left_out},
    )


def _worst(surveys: Mapping[Side, GapSurvey], most: int) -> list[Pair]:
    badness: dict[Pair, tuple[int, float]] = {}
    for found in surveys.values():
        for pair in found.pairs:
            if not pair.constant:
                badness[pair.pair] = min(badness.get(pair.pair, pair.badness), pair.badness)
    return sorted(badness, key=badness.__getitem__)[:most]


def _gap_row(
    pair: Pair,
    surveys: Mapping[Side, GapSurvey],
    solids: Mapping[Side, Mapping[str, Solid]],
    moves: Mapping[Side, Mapping[str, Array]],
) -> GapRow:
    wanted = surveys[Side.LEFT].of(*pair).wanted_mm
    found = {s: pair_gap(solids[s][pair[0]], solids[s][pair[1]], moves[s]) for s in solids}
    return GapRow(pair, wanted, found)


def _alignment(axle: Axle, car: Car, poses: Sequence[AxlePose]) -> tuple[AlignmentRow, ...]:
    names = STEERED if axle.left.rack is not None else UNSTEERED
    values = np.full((len(names), len(poses), 2), np.nan)
    for start in range(0, len(poses), _AT_ONCE):
        some = poses[start : start + _AT_ONCE]
        racks, i = np.unique([p.rack_mm for p in some], return_inverse=True)
        both = np.array([[p.travel_mm[side] for side in Side] for p in some])
        travels, j = np.unique(both, return_inverse=True)
        j = j.reshape(both.shape)
        found = align(sweep_axle(axle, racks, travels), car)
        for row, name in enumerate(names):
            for k, corner in enumerate(found.corners):
                values[row, start : start + len(some), k] = getattr(corner, name)[i, j[:, k]]
    known = {q.name: q for q in QUANTITIES}
    rows = [AlignmentRow(known[n], frozen(v)) for n, v in zip(names, values, strict=True)]
    return tuple(row for row in rows if np.isfinite(row.values).any())
