"""All assemblies of a linkage, found by starting Newton anywhere: for tests only.

linkview follows the assembly it was given; only `check` looks for others, by its own
`kinematics/elsewhere.py`, which this stays apart from.
"""

from __future__ import annotations

import numpy as np
from scipy.spatial.transform import Rotation

from linkview.kinematics.closure import State
from linkview.kinematics.solve import Problem, Target, newton

LONGEST_STEP = 0.5  # rad, or mm / 300


def random_states(count: int, centre: np.ndarray, spread_mm: float, seed: int) -> State:
    """One part, any rotation, its origin anywhere within spread_mm of the centre."""
    rng = np.random.default_rng(seed)
    turn = Rotation.random(count, random_state=rng).as_matrix()
    origin = centre + rng.uniform(-spread_mm, spread_mm, (count, 3))
    return State(np.moveaxis(turn, 0, -1)[None].copy(), origin.T[None].copy())


def wandered(problem: Problem, state: State, target: Target, *, steps: int = 80) -> State:
    """Newton with steps cut to LONGEST_STEP, from anywhere; only poses that solve come back."""
    for _ in range(steps):
        rows = problem.rows(state, target)
        slope = np.moveaxis(rows.slope[problem.used], -1, 0)
        step = np.linalg.solve(slope, -rows.value[problem.used].T[..., None])[..., 0].T
        size = np.abs(step / np.tile([300.0] * 3 + [1.0] * 3, len(step) // 6)[:, None]).max(axis=0)
        state = state.stepped(step * LONGEST_STEP / np.maximum(size, LONGEST_STEP))
    found = newton(problem, state, target)
    return found.state.take(np.flatnonzero(found.solved))


def distance(a: State, b: State) -> np.ndarray:
    """How far each pose of a (n) is from each pose of b (m): the largest of the rotation matrix
    entries' differences and the origin's in units of 300 mm; (n, m)."""
    turn = np.abs(a.turn[0][..., :, None] - b.turn[0][..., None, :]).max(axis=(0, 1))
    origin = np.abs(a.origin[0][..., :, None] - b.origin[0][..., None, :]).max(axis=0) / 300.0
    return np.maximum(turn, origin)


def distinct(state: State, *, apart: float = 1e-6) -> State:
    """One of each pose."""
    keep: list[int] = []
    for i in range(state.count):
        one = state.take(np.array([i]))
        if not keep or distance(one, state.take(np.array(keep))).min() > apart:
            keep.append(i)
    return state.take(np.array(keep, dtype=int))
