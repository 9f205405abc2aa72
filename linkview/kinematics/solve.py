"""Poses from inputs: Newton over a batch of poses, and tracing along a path without jumping.

A pose counts as solved only when it is finite, its rows are under `TOLERANCE_MM`, and the way
there was short: the corrections shrank as Newton's do near one root, and the determinants watched
kept the sign that they had at the start. So a trace stays on the assembly it set out from.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from linkview.geometry import Array
from linkview.kinematics.closure import Linkage, Rows, State

TOLERANCE_MM = 1e-10
# A first correction larger than this (radians, or mm / SCALE_MM) is not trusted to lead to the
# same assembly; the step is halved instead. 0.08 rad is 4.6 deg or 24 mm at a wheel.
LONGEST_CORRECTION = 0.08
SCALE_MM = 300.0
SHORTEST_STEP = 2.0**-20


@dataclass(frozen=True, eq=False)
class Target:
    """What is asked of n poses.

    slide_mm (n,): rack. held_mm (n,): value of the driven row, see `Problem.driven`.
    """

    slide_mm: Array
    held_mm: Array

    def take(self, which: Array) -> Target:
        return Target(self.slide_mm[which], self.held_mm[which])

    def between(self, goal: Target, fraction: Array) -> Target:
        """The inputs part of the way to a goal; exactly the goal at fraction 1."""
        f = np.asarray(fraction)
        return Target(
            np.where(f == 1.0, goal.slide_mm, self.slide_mm + f * (goal.slide_mm - self.slide_mm)),
            np.where(f == 1.0, goal.held_mm, self.held_mm + f * (goal.held_mm - self.held_mm)),
        )


@dataclass(frozen=True, eq=False)
class Problem:
    """A linkage with as many joint rows as unknowns, plus spare ones.

    driven: index of the row whose value is an input, so that row value = held_mm.
    used: indices of the rows to solve, `driven` among them. watched: other sets of rows, each as
    many as unknowns, whose determinant must keep its sign (a tie rod's toggle, for one).
    """

    linkage: Linkage
    driven: int
    used: Array
    watched: tuple[Array, ...] = ()

    def rows(self, state: State, target: Target) -> Rows:
        rows = self.linkage.rows(state, target.slide_mm)
        rows.value[self.driven] -= target.held_mm
        return rows

    def signs(self, rows: Rows) -> Array:
        """Signs of det for the used rows, then each watched set: (1 + k, n)."""
        sets = (self.used, *self.watched)
        return np.stack([np.sign(np.linalg.det(_pose_first(rows.slope[s]))) for s in sets])


@dataclass(frozen=True, eq=False)
class Solution:
    """state: n poses; solved (n,) bool; residual_mm (n,); first (n,): size of Newton's first step.

    iterations: how many Newton steps the batch took.
    """

    state: State
    solved: Array
    residual_mm: Array
    iterations: int


def newton(problem: Problem, state: State, target: Target, *, most_iterations: int = 8) -> Solution:
    """Newton from `state`, all poses at once; a pose that strays is given up at once.

    Accepted: finite, residual under TOLERANCE_MM, first correction under LONGEST_CORRECTION, and
    corrections at least halving each time (a sufficient sign of the quadratic basin).
    """
    n = state.count
    trusted = np.ones(n, dtype=bool)
    last = np.full(n, np.inf)
    residual = np.full(n, np.inf)
    active = np.arange(n)
    turn, origin = state.turn.copy(), state.origin.copy()
    used = 0
    for _ in range(most_iterations + 1):
        part = State(turn[..., active], origin[..., active])
        rows = problem.rows(part, target.take(active))
        value = rows.value[problem.used]
        residual[active] = np.max(np.abs(value), axis=0)
        going = residual[active] > TOLERANCE_MM  # NaN compares false and stops here too
        if not going.any() or used == most_iterations:
            break
        active = active[going]
        step = _solve(rows.slope[problem.used][..., going], -value[:, going])
        size = _size(step)
        fine = np.isfinite(size) & (size <= LONGEST_CORRECTION)
        fine &= (size <= 0.5 * last[active]) | (size < 1e-9)
        trusted[active[~fine]] = False
        last[active] = size
        active, step = active[fine], step[:, fine]
        if not active.size:
            break
        moved = State(turn[..., active], origin[..., active]).stepped(step)
        turn[..., active], origin[..., active] = moved.turn, moved.origin
        used += 1
    solved = trusted & np.isfinite(residual) & (residual <= TOLERANCE_MM)
    return Solution(State(turn, origin), solved, residual, used)


@dataclass(frozen=True, eq=False)
class Trace:
    """Where n traced poses ended.

    reached (n,): fraction of the way, 1.0 when the goal was met; state: the last good pose.
    """

    state: State
    reached: Array

    @property
    def arrived(self) -> Array:
        return np.asarray(self.reached == 1.0)


def trace(problem: Problem, state: State, start: Target, goal: Target) -> Trace:
    """Walks every pose from its start to its goal inputs in steps as long as they stay safe.

    start: inputs that `state` solves. Each step predicts along the tangent, corrects by Newton and
    checks the watched signs; it is halved on failure and doubled on success. A pose whose step
    falls under SHORTEST_STEP of the way stops at the edge of reach.
    """
    n = state.count
    turn, origin = state.turn.copy(), state.origin.copy()
    at, step = np.zeros(n), np.full(n, 0.5)
    signs = problem.signs(problem.rows(state, start))
    active = np.arange(n)
    while active.size:
        now = State(turn[..., active], origin[..., active])
        begin, end = start.take(active), goal.take(active)
        ahead = np.minimum(at[active] + step[active], 1.0)
        tangent = _tangent(problem, now, begin.between(end, at[active]), begin, end)
        guess = now.stepped(tangent * (ahead - at[active]))
        wanted = begin.between(end, ahead)
        found = newton(problem, guess, wanted, most_iterations=5)
        good = found.solved & (
            problem.signs(problem.rows(found.state, wanted)) == signs[:, active]
        ).all(axis=0)
        won = active[good]
        turn[..., won], origin[..., won] = (
            found.state.turn[..., good],
            found.state.origin[..., good],
        )
        at[won] = ahead[good]
        step[won] *= 2.0
        step[active[~good]] *= 0.5
        active = active[(at[active] < 1.0) & (step[active] > SHORTEST_STEP)]
    return Trace(State(turn, origin), at)


def velocities(problem: Problem, state: State, target: Target) -> tuple[Array, Array]:
    """d(pose)/d(rack) and d(pose)/d(held value), each (6P, n): shift, then turn, per part.

    From one factorisation of the joint rows at the pose; exact, not differenced.
    """
    rows = problem.rows(state, target)
    right = np.zeros((len(problem.used), 2, state.count))
    right[:, 0] = -rows.by_slide[problem.used]
    right[np.flatnonzero(problem.used == problem.driven)[0], 1] = 1.0
    out = np.linalg.solve(_pose_first(rows.slope[problem.used]), _pose_first(right))
    return out[:, :, 0].T, out[:, :, 1].T


@dataclass(frozen=True)
class Block:
    """What stops a pose at the edge of reach. toggle: a watched set, not the solved one, gave out.

    joints: the joints that take part, the strongest first.
    """

    joints: tuple[str, ...]
    toggle: bool


def blocked_by(problem: Problem, state: State, target: Target) -> Block:
    """Which set of rows has run out of grip at one pose (n = 1), and through which joints.

    There the rows depend on each other: the smallest singular value tends to zero, and its left
    vector holds each row's share in that dependence.
    """
    slope = problem.rows(state, target).slope[..., 0].copy()
    slope.reshape(len(slope), -1, 6)[:, :, 3:] /= SCALE_MM
    least, best, share = np.inf, problem.used, np.zeros(len(problem.used))
    for rows in (problem.used, *problem.watched):
        u, sigma, _ = np.linalg.svd(slope[rows])
        if sigma[-1] < least:
            least, best, share = float(sigma[-1]), rows, np.abs(u[:, -1])
    names = problem.linkage.row_names
    spare = {problem.driven, *(set(range(len(names))) - set(problem.used))}
    order = [int(i) for i in np.argsort(-share) if share[i] > 0.3]
    joints = dict.fromkeys(names[best[i]] for i in order if best[i] not in spare)
    return Block(tuple(joints), toggle=best is not problem.used)


def _tangent(problem: Problem, state: State, here: Target, start: Target, goal: Target) -> Array:
    by_slide, by_held = velocities(problem, state, here)
    return np.asarray(
        by_slide * (goal.slide_mm - start.slide_mm) + by_held * (goal.held_mm - start.held_mm)
    )


def _pose_first(a: Array) -> Array:
    return np.ascontiguousarray(np.moveaxis(a, -1, 0))


def _solve(slope: Array, right: Array) -> Array:
    """Solves slope (k, k, n) x = right (k, n); an exactly singular pose gives NaN."""
    a, b = _pose_first(slope), _pose_first(right)[..., None]
    try:
        return np.asarray(np.linalg.solve(a, b)[..., 0].T)
    except np.linalg.LinAlgError:
        singular = np.linalg.det(a) == 0.0
        a[singular] = np.nan
        return np.asarray(np.linalg.solve(a, b)[..., 0].T)


def _size(step: Array) -> Array:
    """The larger of turn (rad) and shift (mm / SCALE_MM) over the parts: (6P, n) -> (n,)."""
    vw = step.reshape(-1, 6, step.shape[-1])
    shift = np.sqrt(np.sum(vw[:, :3] ** 2, axis=1)) / SCALE_MM
    turn = np.sqrt(np.sum(vw[:, 3:] ** 2, axis=1))
    return np.asarray(np.maximum(shift, turn).max(axis=0))
