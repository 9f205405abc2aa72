"""Single poses close to those of a sweep, many at once: for roots and for exact readings.

Each pose is traced from a solved pose of the grid, so it stays on the sweep's assembly.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Protocol

import numpy as np

from linkview.geometry import Array, Flags, Index
from linkview.kinematics.closure import Linkage, State
from linkview.kinematics.corner import CornerLinkage, linkage_of
from linkview.kinematics.motion import second_rates
from linkview.kinematics.part_poses import part_poses
from linkview.kinematics.reach import blocked_by
from linkview.kinematics.solve import Problem, Target, trace, velocities
from linkview.kinematics.standing import Standing
from linkview.kinematics.sweep import CornerSweep
from linkview.model.parts import Corner, Hold


class Posed(Protocol):
    """What a reading needs of a set of poses of any leading shape; CornerSweep is one too."""

    @property
    def corner(self) -> Corner: ...
    @property
    def screw_twist(self) -> Array: ...
    @property
    def wheel_centre(self) -> Array: ...
    @property
    def spin_axis(self) -> Array: ...
    def pose(self, part: str) -> Array: ...
    def point(self, name: str) -> Array: ...


@dataclass(frozen=True, eq=False)
class PoseList(Standing):
    """n poses. rack_mm (n,); poses: part -> (n, 4, 4); solved (n,).

    travel_twist, rack_twist, screw_twist (n, 6), travel_twists as in CornerSweep; rack_twists: by
    part as these. Where not solved: NaN.
    """

    corner: Corner
    rack_mm: Array
    poses: Mapping[str, Array] = field(repr=False)
    solved: Flags
    travel_twist: Array
    rack_twist: Array
    screw_twist: Array
    travel_twists: Mapping[str, Array]
    rack_twists: Mapping[str, Array]


class Nearby:
    """Solves single poses from the grid poses of one sweep."""

    def __init__(self, sweep: CornerSweep) -> None:
        self.sweep = sweep
        self.built: CornerLinkage = linkage_of(sweep.corner)
        self.as_held = self.built.problem(sweep.hold)
        self._by_height = self.built.problem(Hold.WHEEL_HEIGHT)

    def at_rack(self, i: Index, j: Index, rack_mm: Array) -> PoseList:
        """From grid poses [i, j] (n,) along their travel rows to other racks (n,), as held."""
        state, slide = self._state(i, j), self.sweep.rack_mm[i]
        held = self._held(self.as_held, state, slide)
        return self._go(self.as_held, state, Target(slide, held), Target(rack_mm, held))

    def at_travel(self, i: Index, j: Index, travel_mm: Array) -> PoseList:
        """From grid poses [i, j] (n,) to other wheel-centre heights (n,) with the rack still."""
        state, slide = self._state(i, j), self.sweep.rack_mm[i]
        held = self._held(self._by_height, state, slide)
        return self._go(self._by_height, state, Target(slide, held), Target(slide, travel_mm))

    def held_at(self, i: Index, j: Index) -> Array:
        """The value (n,) that the driven row has at grid poses [i, j]."""
        return self._held(self.as_held, self._state(i, j), self.sweep.rack_mm[i])

    def start(self, i: Index, j: Index) -> tuple[State, Target]:
        """The solved states of grid poses [i, j], with the inputs they solve."""
        state = self._state(i, j)
        return state, Target(
            self.sweep.rack_mm[i], self._held(self.as_held, state, self.sweep.rack_mm[i])
        )

    def by_height(self, i: Index, j: Index) -> tuple[State, Target]:
        """As `start`, with the wheel-centre height as the held value."""
        state, slide = self._state(i, j), self.sweep.rack_mm[i]
        return state, Target(slide, self._held(self._by_height, state, slide))

    def nearest(self, rack_mm: Array, held_mm: Array) -> tuple[Index, Index]:
        """The solved grid pose (n,), (n,) nearest to each pair of inputs, by grid steps."""
        s = self.sweep
        i, j = np.nonzero(s.solved)
        inputs = np.stack([s.rack_mm[i], self.held_at(i, j)])
        steps = np.maximum(np.ptp(inputs, axis=1), 1e-9) / np.maximum(np.array(s.solved.shape), 1)
        asked = np.stack([rack_mm, held_mm])
        off = ((asked[:, :, None] - inputs[:, None, :]) / steps[:, None, None]) ** 2
        best = np.argmin(off.sum(axis=0), axis=1)
        return i[best], j[best]

    def posed(self, state: State, rack_mm: Array, solved: Flags) -> PoseList:
        """Solved states as poses of every part, with their exact rates."""
        return self._listed(state, rack_mm, solved)

    @property
    def linkage(self) -> Linkage:
        return self.built.linkage

    def travel_end(self, i: int, j: int, travel_mm: float) -> tuple[float, tuple[str, ...]]:
        """How far a grid pose goes toward a height it cannot reach, and the joints that end it."""
        at = np.array([i]), np.array([j])
        state, slide = self._state(*at), self.sweep.rack_mm[at[0]]
        held = self._held(self._by_height, state, slide)
        start, goal = Target(slide, held), Target(slide, np.array([travel_mm]))
        stop = trace(self._by_height, state, start, goal)
        end = start.between(goal, stop.reached)
        return float(end.held_mm[0]), blocked_by(self._by_height, stop.state, end).joints

    def curvature(self) -> dict[str, Array]:
        """d(travel_twists)/d(wheel-centre height) with the rack still, (S, T, 6) by part, exact.

        For each solved part its origin's second derivative, 1/mm, then the turn rate's, rad/mm2.
        The joint rows' slopes J obey J(pose) twist = const along the way, so J twist' = -J' twist.
        """
        s = self.sweep
        i, j = (a.astype(np.intp) for a in np.nonzero(s.solved))
        out = np.full((*s.solved.shape, self.built.linkage.unknown_count), np.nan)
        state, slide = self._state(i, j), s.rack_mm[i]
        twist = np.concatenate([s.travel_twists[p][i, j] for p in self.built.parts], axis=1)
        used = self._by_height.used
        bend = second_rates(self.built.linkage, state, slide, twist.T)[used]
        here = np.moveaxis(self.built.linkage.rows(state, slide).slope[used], -1, 0)
        out[i, j] = np.linalg.solve(here, -bend.T[..., None])[..., 0]
        return {p: out[..., 6 * k : 6 * k + 6] for k, p in enumerate(self.built.parts)}

    def _state(self, i: Index, j: Index) -> State:
        return self.built.state_of({p: self.sweep.poses[p][i, j] for p in self.built.parts})

    def _held(self, problem: Problem, state: State, slide: Array) -> Array:
        return np.asarray(self.built.linkage.rows(state, slide).value[problem.driven])

    def _go(self, problem: Problem, state: State, start: Target, goal: Target) -> PoseList:
        stop = trace(problem, state, start, goal)
        return self._listed(stop.state, goal.slide_mm, stop.arrived)

    def _listed(self, state: State, rack_mm: Array, solved: Flags) -> PoseList:
        return listed(self.built, self.sweep.hold, state, rack_mm, solved)


def listed(
    built: CornerLinkage, hold: Hold, state: State, rack_mm: Array, solved: Flags
) -> PoseList:
    """States as poses of every part with their exact rates; NaN where not solved."""
    corner, good = built.corner, np.flatnonzero(solved)
    there, slide = state.take(good), rack_mm[good]
    twists = np.full((3, len(solved), built.linkage.unknown_count), np.nan)
    poses = part_poses(corner, state, rack_mm)
    for part in poses:
        poses[part] = np.where(solved[:, None, None], poses[part], np.nan)
    if good.size:
        problem = built.problem(Hold.WHEEL_HEIGHT)
        by_height = Target(slide, built.linkage.rows(there, slide).value[problem.driven])
        by_rack, by_travel = velocities(problem, there, by_height)
        twists[0, good], twists[1, good] = by_travel.T, by_rack.T
        if built.damper_mm is not None:
            damper = built.problem(Hold.DAMPER_LENGTH)
            twists[2, good] = velocities(damper, there, by_height)[0].T
            if hold.keeps_damper:
                twists[1] = twists[2]
    travel, rack, screw = twists[..., :6]
    each = [by_part(built, some) for some in twists[:2]]
    return PoseList(corner, rack_mm, poses, solved, travel, rack, screw, *each)


def by_part(built: CornerLinkage, twists: Array) -> dict[str, Array]:
    """The twists (n, 6P) of every solved part, (n, 6) each."""
    return {p: twists[:, 6 * k : 6 * k + 6] for k, p in enumerate(built.parts)}
