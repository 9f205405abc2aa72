"""The way along travel with the rack centred, from which every row of a grid sets out."""

from __future__ import annotations

import numpy as np

from linkview.geometry import Array, Index
from linkview.kinematics.corner import CornerLinkage
from linkview.kinematics.landing import landed
from linkview.kinematics.march import predicted
from linkview.kinematics.solve import Problem, Target, Trace, joined, trace

STATIONS = 129
# Stations whose speeds foretell a pose near one of them.
SPEEDS = 5
# Poses solved at once on the way along travel, so that their derivatives stay in the cache.
HEIGHTS_AT_ONCE = 1200


def travel_line(built: CornerLinkage, problem: Problem, travel_mm: Array) -> Trace:
    """The poses at these wheel heights (T,), rack centred, each traced from the reference pose.

    Where there are many, only some come all the way; the others set out from the nearest of those,
    which takes a third of the time.
    """
    zero = np.zeros(len(travel_mm))
    goal, still = Target(zero, travel_mm), Target(zero, zero)
    if len(travel_mm) <= 4 * STATIONS:
        return trace(problem, built.linkage.reference(len(travel_mm)), still, goal)
    order = np.argsort(travel_mm, kind="stable")
    stations = order[np.linspace(0, len(order) - 1, STATIONS).astype(int)]
    first = trace(
        problem, built.linkage.reference(STATIONS), still.take(stations), goal.take(stations)
    )
    up = np.flatnonzero(first.arrived)
    if not up.size:
        return trace(problem, built.linkage.reference(len(travel_mm)), still, goal)
    at = travel_mm[stations[up]]
    line = _leapt_in_turn(problem, first.take(up), at, _nearest(at, travel_mm), goal)
    lost = np.flatnonzero(~line.arrived)
    if lost.size:  # at an edge of reach: how far it goes is said from the reference
        again = trace(
            problem, built.linkage.reference(lost.size), still.take(lost), goal.take(lost)
        )
        line.state.put(lost, again.state)
        line.rates.put(lost, again.rates)
        line.reached[lost] = again.reached
    return line


def _leapt_in_turn(
    problem: Problem, stations: Trace, at_mm: Array, nearest: Index, goal: Target
) -> Trace:
    """Goes from stations (heights at_mm, ascending) to poses near them, a cacheful at a time."""
    leaps = []
    for first in range(0, len(nearest), HEIGHTS_AT_ONCE):
        some = slice(first, first + HEIGHTS_AT_ONCE)
        leaps.append(_leapt(problem, stations, at_mm, nearest[some], goal.take(some)))
    return joined(leaps)


def _leapt(problem: Problem, stations: Trace, at_mm: Array, nearest: Index, goal: Target) -> Trace:
    """Each pose in one step from its station, foretold by the speeds of some stations around.

    Checked as every step of a trace is; those that fail are traced.
    """
    state, known = stations.state.take(nearest), stations.rates.take(nearest)
    begin = Target(np.zeros(len(nearest)), at_mm[nearest])
    around = _around(nearest, len(at_mm))
    past = [(at_mm[k], stations.rates.by_held[:, k]) for k in (*around, nearest)]
    step = predicted(tuple(past), goal.held_mm)
    found = landed(problem, state, known, step, goal, begin)
    reached, hard = np.ones(len(nearest)), np.flatnonzero(~found.good)
    if hard.size:
        there = begin.take(hard), goal.take(hard)
        start = state.take(hard), known.take(hard)
        stop = trace(problem, start[0], *there, first_step=1.0, known=start[1])
        found.state.put(hard, stop.state)
        found.rates.put(hard, stop.rates)
        reached[hard] = stop.reached
    return Trace(found.state, reached, found.rates)


def _around(nearest: Index, count: int) -> list[Index]:
    """The stations beside each nearest one, up to SPEEDS - 1 of them, inside at the ends."""
    speeds = min(SPEEDS, count)
    first = np.clip(nearest - speeds // 2, 0, count - speeds)
    beside = [first + k for k in range(speeds - 1)]
    return [np.where(k >= nearest, k + 1, k) for k in beside]


def _nearest(sorted_at: Array, wanted: Array) -> Index:
    """Indices of the nearest of some ascending numbers."""
    right = np.clip(np.searchsorted(sorted_at, wanted), 1, max(len(sorted_at) - 1, 1))
    right = np.minimum(right, len(sorted_at) - 1)
    left = np.maximum(right - 1, 0)
    closer = np.abs(wanted - sorted_at[left]) <= np.abs(sorted_at[right] - wanted)
    return np.asarray(np.where(closer, left, right))
