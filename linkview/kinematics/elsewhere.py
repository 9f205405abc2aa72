"""Other assemblies of the same joints, looked for from starts anywhere.

Nothing that moves a linkage asks for this: it follows the assembly it was given. It is for telling
a builder that the same parts go together otherwise. What it finds is there; that it finds nothing
proves nothing.
"""

from __future__ import annotations

import numpy as np

from linkview.geometry import Array, rotation_from_vector
from linkview.kinematics.closure import State
from linkview.kinematics.solve import Problem, Target, newton, pose_first, size_of, solve_each

_STARTS, _STEPS = 240, 60
_SPREAD_MM = 150.0
_LONGEST_STEP = 0.5  # rad, or as many SCALE_MM
_APART_RAD = 1e-3  # two assemblies turned by less are one


def assemblies_elsewhere(problem: Problem, *, seed: int = 1) -> State:
    """States in which the joints close as at the reference, input 0; the measured one left out.

    Each start has every part turned at random and shifted by up to _SPREAD_MM; Newton's steps are
    cut short, so that most arrive somewhere. Which come out, and in which order, rests on the
    seed alone.
    """
    home = problem.linkage.reference()
    state, still = _anywhere(home, seed), Target(np.zeros(_STARTS), np.zeros(_STARTS))
    with np.errstate(all="ignore"):  # a start that strays is dropped at the end
        for _ in range(_STEPS):
            rows = problem.rows(state, still)
            right = -rows.value[problem.used].T[..., None]
            step = solve_each(pose_first(rows.slope[problem.used]), right)[..., 0].T
            step *= _LONGEST_STEP / np.maximum(size_of(step), _LONGEST_STEP)
            state = state.stepped(np.nan_to_num(step, posinf=0.0, neginf=0.0))
        found = newton(problem, state, still)
    return _distinct(found.state.take(np.flatnonzero(found.solved)), home)


def _anywhere(home: State, seed: int) -> State:
    rng = np.random.default_rng(seed)
    parts = home.origin.shape[0]
    about = rng.normal(size=(parts, _STARTS, 3))
    about *= rng.uniform(0.0, np.pi, (parts, _STARTS, 1)) / np.linalg.norm(
        about, axis=-1, keepdims=True
    )
    turn = np.moveaxis(rotation_from_vector(about), 1, -1)
    shift = rng.uniform(-_SPREAD_MM, _SPREAD_MM, (1, 3, _STARTS))
    return State(np.ascontiguousarray(turn), home.origin + shift)


def _distinct(state: State, home: State) -> State:
    """One of each, and none that is `home`."""
    seen: list[Array] = [home.turn[..., 0]]
    keep: list[int] = []
    for k in range(state.count):
        turn = state.turn[..., k]
        if all(np.abs(turn - other).max() > _APART_RAD for other in seen):
            seen.append(turn)
            keep.append(k)
    return state.take(np.array(keep, dtype=np.intp))
