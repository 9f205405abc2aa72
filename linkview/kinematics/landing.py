"""From a foretold pose onto the joints, with the rates there, by as few factorisations as it takes.

A step along a grid is foretold well enough that Newton's last correction is of the size of a
rounding error in the rates. So the last correction and the rates come from one factorisation, at
the pose before that correction: a strut's grid of 548 x 548, with its speeds carried on from four
columns instead of three, came in 3.9 us a pose instead of 4.5.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from linkview.geometry import Array, Flags
from linkview.kinematics.closure import State
from linkview.kinematics.solve import (
    Problem,
    Rates,
    Target,
    correction_and_rates,
    newton,
    size_of,
    smooth,
)

# Poses whose rows miss by less than this are corrected once more, without looking again.
NEAR_MM = 1e-8
# That correction may be no larger than this (radians, or mm / SCALE_MM). What is left is of the
# order of its square, 1e-16 of the linkage's size, and the rates are out by about as much as it,
# relative to themselves, for they belong to the pose before it.
LAST_CORRECTION = 1e-9


@dataclass(frozen=True, eq=False)
class Landing:
    """state: n poses, with their rates. good (n,): solved, and by the way foretold."""

    state: State
    rates: Rates
    good: Flags


def landed(
    problem: Problem, start: State, known: Rates, step: Array, goal: Target, begin: Target
) -> Landing:
    """n poses one foretold step (6P, n) on, from `begin` to `goal`.

    known: the rates at the start. Good: Newton's corrections shrank as they do near one root, the
    determinants watched kept their sign, and the way gone is the one that the speeds at both its
    ends foretell (see `solve.py`).
    """
    found = newton(problem, start.stepped(step), goal, most_iterations=4, near_mm=NEAR_MM)
    last, after = correction_and_rates(problem, found.rows)
    good = found.solved & (size_of(last) <= LAST_CORRECTION)
    good &= (np.sign(after.grip) == np.sign(known.grip)).all(axis=0)
    slide, held = goal.slide_mm - begin.slide_mm, goal.held_mm - begin.held_mm
    speed = slide * known.by_slide + held * known.by_held
    later = slide * after.by_slide + held * after.by_held
    good &= smooth(step + found.moved + last, speed, later)
    return Landing(found.state.nudged(last), after, good)
