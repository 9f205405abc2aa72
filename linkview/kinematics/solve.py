"""Poses from inputs: Newton over a batch of poses, and tracing along a path without jumping.

A pose counts as solved only when it is finite, its rows are under `TOLERANCE_MM`, and Newton's
corrections shrank as they do near one root. A step along a path counts only when, besides, the
determinants watched kept their sign and the way gone is the way that the speeds at both its ends
foretell. So a trace stays on the assembly it set out from.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from linkview.geometry import Array, Flags, Index
from linkview.kinematics.closure import Linkage, Rows, State

TOLERANCE_MM = 1e-10
# A first correction larger than this (radians, or mm / SCALE_MM) is not trusted to lead to the
# same assembly; the step is halved instead. 0.08 rad is 4.6 deg or 24 mm at a wheel.
LONGEST_CORRECTION = 0.08
SCALE_MM = 300.0
SHORTEST_STEP = 2.0**-20
# How far a step may end from where the mean of the speeds at its ends leads, as a share of itself.
# Two dead points inside one step (the linkage would snap through) lengthen it at least threefold
# against those speeds; a smooth step a quarter of the way short of the edge of reach has 0.13.
LARGEST_BEND = 0.2
# The next step ends this share of the way to where the watched determinants should reach zero.
SHARE_OF_REACH = 0.75


@dataclass(frozen=True, eq=False)
class Target:
    """What is asked of n poses.

    slide_mm (n,): rack. held_mm (n,): value of the driven row, see `Problem.driven`.
    """

    slide_mm: Array
    held_mm: Array

    def take(self, which: Index | Flags | slice) -> Target:
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
    used: indices of the rows to solve, `driven` among them.
    watched: rows that could be driven in its place; the determinant of the rows with that swap
    must keep its sign too.
    toggle: the row that, when driven, leaves the knuckle's turn to the tie rod alone, so that its
    determinant is zero where the tie rod (tie_rod: its name) goes over centre; None where nothing
    is steered.
    """

    linkage: Linkage
    driven: int
    used: Index
    watched: tuple[int, ...] = ()
    toggle: int | None = None
    tie_rod: str = ""

    def rows(self, state: State, target: Target) -> Rows:
        """All rows, the driven one less what is asked of it."""
        rows = self.linkage.rows(state, target.slide_mm)
        rows.value[self.driven] -= target.held_mm
        return rows

    def swapped(self, row: int) -> Index:
        """The rows to solve when `row` is driven instead."""
        return np.where(self.used == self.driven, row, self.used)


@dataclass(frozen=True, eq=False)
class Rates:
    """How n poses answer their inputs; exact, not differenced.

    by_slide, by_held: (6P, n) d(pose)/d(rack) and d(pose)/d(held value), shift then turn per part.
    grip: (1 + k, n) determinants of the used rows and of each watched swap; zero at a dead point.
    """

    by_slide: Array
    by_held: Array
    grip: Array

    def take(self, which: Index | Flags | slice) -> Rates:
        return Rates(self.by_slide[:, which], self.by_held[:, which], self.grip[:, which])

    def put(self, which: Index, other: Rates) -> None:
        """Overwrites the chosen poses, in place."""
        self.by_slide[:, which], self.by_held[:, which] = other.by_slide, other.by_held
        self.grip[:, which] = other.grip


def rates(problem: Problem, rows: Rows) -> Rates:
    """The rates at poses whose rows are at hand."""
    return correction_and_rates(problem, rows)[1]


def correction_and_rates(problem: Problem, rows: Rows) -> tuple[Array, Rates]:
    """Newton's next correction (6P, n) and the rates, from one factorisation."""
    slope = pose_first(rows.slope[problem.used])
    right = np.zeros((slope.shape[0], slope.shape[1], 3))
    right[..., 0] = -rows.by_slide[problem.used].T
    right[:, np.flatnonzero(problem.used == problem.driven)[0], 1] = 1.0
    right[..., 2] = -rows.value[problem.used].T
    out = np.moveaxis(solve_each(slope, right), 0, -1)
    by_slide, by_held, correction = (np.ascontiguousarray(out[:, k]) for k in range(3))
    grip = np.empty((1 + len(problem.watched), slope.shape[0]))
    grip[0] = np.linalg.det(slope)
    # Cramer's rule: swapping the driven row for another multiplies the determinant by this.
    for k, row in enumerate(problem.watched, start=1):
        grip[k] = grip[0] * np.einsum("kn,kn->n", rows.slope[row], by_held)
    return correction, Rates(by_slide, by_held, grip)


@dataclass(frozen=True, eq=False)
class Solution:
    """state: n poses; solved (n,) bool; residual_mm (n,); rows: evaluated at the state.

    moved: (6P, n) all corrections together. iterations: how many Newton steps the batch took.
    """

    state: State
    solved: Flags
    residual_mm: Array
    rows: Rows
    moved: Array
    iterations: int


def newton(
    problem: Problem,
    state: State,
    target: Target,
    *,
    most_iterations: int = 8,
    near_mm: float = TOLERANCE_MM,
) -> Solution:
    """Newton from `state`, all poses at once; a pose that strays is left where it was.

    Accepted: finite, residual under near_mm, first correction under LONGEST_CORRECTION, and
    corrections at least halving each time (a sufficient sign of the quadratic basin). What comes
    out for one pose does not depend on the others in the batch.
    """
    trusted = np.ones(state.count, dtype=bool)
    last = np.full(state.count, np.inf)
    moved = np.zeros((problem.linkage.unknown_count, state.count))
    for used in range(most_iterations + 1):
        rows = problem.rows(state, target)
        value = rows.value[problem.used]
        residual = np.abs(value).max(axis=0)
        going = trusted & (residual > near_mm)  # NaN compares false and stops here too
        if used == most_iterations or not going.any():
            break
        slope = pose_first(rows.slope[problem.used])
        step = -solve_each(slope, value.T[..., None])[..., 0].T
        size = size_of(step)
        fine = (size <= LONGEST_CORRECTION) & ((size <= 0.5 * last) | (size < 1e-9))
        trusted &= fine | ~going
        going &= fine
        if not going.any():
            break
        if not going.all():
            step[:, ~going] = 0.0
        last = np.where(going, size, last)
        moved += step
        state = state.stepped(step)
    return Solution(state, trusted & (residual <= near_mm), residual, rows, moved, used)


def smooth(way: Array, speed: Array, later: Array) -> Flags:
    """Whether each way (6P, n) agrees with the mean of the speeds at its ends, times the time."""
    return np.asarray(size_of(way - 0.5 * (speed + later)) <= LARGEST_BEND * size_of(way) + 1e-9)


@dataclass(frozen=True, eq=False)
class Trace:
    """Where n traced poses ended.

    reached (n,): fraction of the way, 1.0 when the goal was met; state: the last good pose, with
    the rates there.
    """

    state: State
    reached: Array
    rates: Rates

    def take(self, which: Index) -> Trace:
        return Trace(self.state.take(which), self.reached[which], self.rates.take(which))

    @property
    def arrived(self) -> Flags:
        return np.asarray(self.reached == 1.0)


def trace(
    problem: Problem,
    state: State,
    start: Target,
    goal: Target,
    *,
    first_step: float = 0.5,
    known: Rates | None = None,
) -> Trace:
    """Walks every pose from its start to its goal inputs in steps as long as they stay safe.

    start: inputs that `state` solves. Each step predicts along the tangent, corrects by Newton and
    is checked (see the top of this file); it is halved on failure and doubled on success, but no
    longer than SHARE_OF_REACH of the way to the dead point that the last two poses point at. A
    pose whose step falls under SHORTEST_STEP of the way stops at the edge of reach. first_step:
    share of the way tried first; 1 where the goal is close. known: the rates at the start, where
    they are at hand; they are written over.
    """
    n = state.count
    state = State(state.turn.copy(), state.origin.copy())
    if known is None:
        known = rates(problem, problem.rows(state, start))
    signs = np.sign(known.grip)
    at, step = np.zeros(n), np.full(n, first_step)
    slide, held = goal.slide_mm - start.slide_mm, goal.held_mm - start.held_mm
    active = np.arange(n)
    while active.size:
        before = known.take(active)
        ahead = np.minimum(at[active] + step[active], 1.0)
        gone = ahead - at[active]
        speed = gone * (before.by_slide * slide[active] + before.by_held * held[active])
        wanted = start.take(active).between(goal.take(active), ahead)
        found = newton(problem, state.take(active).stepped(speed), wanted, most_iterations=5)
        after = rates(problem, found.rows)
        later = gone * (after.by_slide * slide[active] + after.by_held * held[active])
        good = found.solved & (np.sign(after.grip) == signs[:, active]).all(axis=0)
        good &= smooth(speed + found.moved, speed, later)
        won = active[good]
        state.put(won, found.state.take(good))
        known.put(won, after.take(good))
        at[won] = ahead[good]
        left = _to_dead_point(before.grip[:, good], after.grip[:, good], gone[good])
        step[won] = np.minimum(2.0 * step[won], SHARE_OF_REACH * left)
        step[active[~good]] = 0.5 * gone[~good]
        active = active[(at[active] < 1.0) & (step[active] > SHORTEST_STEP)]
    return Trace(state, at, known)


def joined(traces: Sequence[Trace]) -> Trace:
    """Traces one after the other, as one."""
    state = State(*(np.concatenate([getattr(t.state, f) for t in traces], axis=-1) for f in STATE))
    known = Rates(*(np.concatenate([getattr(t.rates, f) for t in traces], axis=-1) for f in RATES))
    return Trace(state, np.concatenate([t.reached for t in traces]), known)


STATE, RATES = ("turn", "origin"), ("by_slide", "by_held", "grip")


def velocities(problem: Problem, state: State, target: Target) -> tuple[Array, Array]:
    """d(pose)/d(rack) and d(pose)/d(held value), each (6P, n); see `Rates`."""
    found = rates(problem, problem.rows(state, target))
    return found.by_slide, found.by_held


def _to_dead_point(before: Array, after: Array, gone: Array) -> Array:
    """How much further a determinant would reach zero, in the unit of `gone` (n,).

    Toward a fold the used rows' determinant falls like the root of the distance, so its square is
    carried on as a straight line; a watched one crosses zero straight.
    """
    b, a = np.abs(before), np.abs(after)
    b[0], a[0] = b[0] ** 2, a[0] ** 2
    falls = b > a
    left = np.where(falls, a * gone / np.where(falls, b - a, 1.0), np.inf)
    return np.asarray(left.min(axis=0))


def pose_first(a: Array) -> Array:
    """(m, k, n) as n matrices (m, k), which is what numpy's solvers take."""
    return np.ascontiguousarray(a.transpose(2, 0, 1))


def solve_each(slope: Array, right: Array) -> Array:
    """Solves slope (n, k, k) x = right (n, k, r); an exactly singular pose gives NaN."""
    try:
        return np.asarray(np.linalg.solve(slope, right))
    except np.linalg.LinAlgError:
        singular = np.linalg.det(slope) == 0.0
        slope = np.where(singular[:, None, None], np.eye(slope.shape[1]), slope)
        out = np.linalg.solve(slope, right)
        out[singular] = np.nan
        return np.asarray(out)


def size_of(step: Array) -> Array:
    """The larger of turn (rad) and shift (mm / SCALE_MM) over the parts: (6P, n) -> (n,)."""
    vw = step.reshape(-1, 2, 3, step.shape[-1])
    square = np.einsum("pkin,pkin->pkn", vw, vw)
    square[:, 0] /= SCALE_MM**2
    return np.asarray(np.sqrt(square.max(axis=(0, 1))))
