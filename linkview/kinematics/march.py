"""Filling a grid of steer and travel from its middle outward, and finding where each row ends."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from linkview.geometry import Array, Flags, Index
from linkview.kinematics.closure import State, cross, wrapped
from linkview.kinematics.landing import landed
from linkview.kinematics.reach import Block, blocks_at
from linkview.kinematics.solve import (
    Problem,
    Rates,
    Target,
    Trace,
    trace,
)

# Rows of the grid carried outward together, so that one column's derivatives stay in the cache.
ROWS_AT_ONCE = 300
# Columns, besides the last, whose speeds foretell the next.
BEHIND = 3


@dataclass(frozen=True)
class Edge:
    """Where a row of the grid ends: rack_mm reached at this travel, and the joints that end it.

    toggle: the tie rod lines up with the steering axis there; False: the parts reach no further.
    """

    travel_mm: float
    rack_mm: float
    joints: tuple[str, ...]
    toggle: bool

    @property
    def words(self) -> str:
        """For a builder: 'tie rod goes over centre at rack -70.63 mm (travel +0.0 mm)'."""
        where = f"rack {self.rack_mm:+.2f} mm (travel {self.travel_mm:+.1f} mm)"
        return Block(self.joints, self.toggle).words(where)


@dataclass(frozen=True, eq=False)
class Grid:
    """A filled grid of S*T poses, rack-major, with their rates; NaN beyond the edge of reach.

    solved: (S, T). ends: by (travel index, way), way -1 or +1 along the rack.
    """

    state: State
    rates: Rates
    solved: Flags
    ends: Mapping[tuple[int, int], Edge]


@dataclass(frozen=True, eq=False)
class _Front:
    """The outermost poses of the rays still going; a ray is one row of the grid, one way.

    ray (n,): which. state, rates: there. past: rack and d(pose)/d(rack) of the last columns, this
    one last.
    """

    ray: Index
    state: State
    rates: Rates
    past: tuple[tuple[Array, Array], ...]

    def take(self, which: Flags) -> _Front:
        if which.all():
            return self
        past = tuple((rack[which], speed[:, which]) for rack, speed in self.past)
        return _Front(self.ray[which], self.state.take(which), self.rates.take(which), past)


@dataclass(frozen=True, eq=False)
class _Stop:
    """Rays that reach no further: which (n,), the rack reached, the pose there."""

    ray: Index
    rack_mm: Array
    state: State


def fill(problem: Problem, line: Trace, rack_mm: Array, travel_mm: Array, held_mm: Array) -> Grid:
    """Every pose of rack (S,) x travel (T,), outward from the rack's centre.

    line: the T poses with the rack centred, with this problem's rates. held_mm (T,): the driven
    row's value on each row. Where Newton from the speeds of the last columns will not do, the row
    is traced in ever smaller steps, to go on where it can and to end, with its Edge, where it
    cannot.
    """
    racks, back = np.unique(rack_mm, return_inverse=True)
    across, many = len(travel_mm), len(racks) * len(travel_mm)
    # Repeated from the line for their shapes alone, then blanked.
    nowhere = np.zeros(many, dtype=int)
    state, known = line.state.take(nowhere), line.rates.take(nowhere)
    for array in (state.turn, state.origin, known.by_slide, known.by_held, known.grip):
        array[:] = np.nan
    ends: dict[tuple[int, int], Edge] = {}
    alive = np.flatnonzero(line.arrived)
    for centre in np.flatnonzero(racks == 0.0):
        state.put(centre * across + alive, line.state.take(alive))
        known.put(centre * across + alive, line.rates.take(alive))
    for first in range(0, len(alive), ROWS_AT_ONCE):
        rows = alive[first : first + ROWS_AT_ONCE]
        blocks = _march(problem, line, rows, racks, held_mm, (state, known))
        ends |= {
            (j, way): Edge(float(travel_mm[j]), rack, block.joints, block.toggle)
            for (j, way), (rack, block) in blocks.items()
        }
    if not np.array_equal(racks, rack_mm):
        order = (back[:, None] * across + np.arange(across)).ravel()
        state, known = state.take(order), known.take(order)
    solved = np.isfinite(state.origin[0, 0]).reshape(len(rack_mm), across)
    return Grid(state, known, solved, ends)


def _march(
    problem: Problem,
    line: Trace,
    rows: Index,
    racks: Array,
    held_mm: Array,
    into: tuple[State, Rates],
) -> dict[tuple[int, int], tuple[float, Block]]:
    """Fills these rows of the grid both ways at once; returns where and why each one ended."""
    ways = (-1, 1)
    outward = [np.flatnonzero(racks * way > 0.0)[::way] for way in ways]
    row = np.tile(rows, 2)
    way_of = np.repeat([0, 1], len(rows))
    signs = np.sign(line.rates.grip[:, row])
    here = line.rates.take(row)
    front = _Front(
        np.arange(len(row)), line.state.take(row), here, ((np.zeros(len(row)), here.by_slide),)
    )
    stops: list[_Stop] = []
    for step in range(max(w.size for w in outward)):
        front = front.take(np.array([step < w.size for w in outward])[way_of[front.ray]])
        column = np.array([w[min(step, w.size - 1)] if w.size else 0 for w in outward])
        column = column[way_of[front.ray]]
        goal = Target(racks[column], held_mm[row[front.ray]])
        front, good, stopped = _outward(problem, front, goal, signs[:, front.ray])
        if stopped is not None:
            stops.append(stopped)
        if not front.ray.size:
            break
        flat = column[good] * len(held_mm) + row[front.ray]
        into[0].put(flat, front.state)
        into[1].put(flat, front.rates)
    return _ends(problem, stops, row, np.array(ways)[way_of], held_mm)


def _outward(
    problem: Problem, front: _Front, goal: Target, signs: Array
) -> tuple[_Front, Flags, _Stop | None]:
    """One column further out.

    Returns the front there, which rays made it, and where the others stopped.
    """
    start = front.past[-1][0]
    begin = Target(start, goal.held_mm)
    step = predicted(front.past, goal.slide_mm)
    found = landed(problem, front.state, front.rates, step, goal, begin)
    state, known, good = found.state, found.rates, found.good
    stopped = None
    if not good.all():
        hard = np.flatnonzero(~good)
        stop = trace(problem, front.state.take(hard), begin.take(hard), goal.take(hard))
        state.put(hard, stop.state)
        known.put(hard, stop.rates)
        good[hard] = stop.arrived
        lost = ~stop.arrived
        if lost.any():
            reached = begin.take(hard).between(goal.take(hard), stop.reached).slide_mm
            stopped = _Stop(front.ray[hard[lost]], reached[lost], stop.state.take(lost))
    past = (*front.past[-BEHIND:], (goal.slide_mm, known.by_slide))
    return _Front(front.ray, state, known, past).take(good), good, stopped


def predicted(past: tuple[tuple[Array, Array], ...], at: Array) -> Array:
    """The step to another input (n,) from the last of some: the speeds there, carried on.

    past: inputs (n,) and speeds (6P, n) of some poses on the way. Simpson's rule on the polynomial
    through them. Turns do not add up like vectors: half of the cross product of the speeds is the
    next term (Magnus).
    """
    last = past[-1][0]
    away = at - last
    inputs = [x for x, _ in past]
    middle, end = _weights(inputs, last + 0.5 * away), _weights(inputs, at)
    middle *= 4.0
    middle += end
    middle[-1] += 1.0
    middle *= away / 6.0
    step = middle[0] * past[0][1]
    for weight, (_, speed) in zip(middle[1:], past[1:], strict=True):
        step += weight * speed
    if len(past) > 1:
        spins = [_spin(speed) for _, speed in past]
        then = sum(weight * spin for weight, spin in zip(end, spins, strict=True))
        bent = cross(wrapped(spins[-1]), wrapped(np.asarray(then)))
        bent *= away**2 / 12.0
        _spin(step)[:] -= bent
    return np.asarray(step)


def _spin(twist: Array) -> Array:
    """The turns (P, 3, n) of twists (6P, n), as a view."""
    return twist.reshape(-1, 2, 3, twist.shape[-1])[:, 1]


def _weights(inputs: list[Array], at: Array) -> Array:
    """Lagrange's weights (k, n) of values at k inputs (n,) for the polynomial's value at `at`."""
    out = np.ones((len(inputs), len(at)))
    for k, x in enumerate(inputs):
        for m, other in enumerate(inputs):
            if m != k:
                out[k] *= (at - other) / (x - other)
    return out


def _ends(
    problem: Problem,
    stops: list[_Stop],
    row: Index,
    way: Index,
    held_mm: Array,
) -> dict[tuple[int, int], tuple[float, Block]]:
    """By (travel index, way): the rack reached, and which joints end it."""
    if not stops:
        return {}
    ray = np.concatenate([s.ray for s in stops])
    rack = np.concatenate([s.rack_mm for s in stops])
    state = State(
        np.concatenate([s.state.turn for s in stops], axis=-1),
        np.concatenate([s.state.origin for s in stops], axis=-1),
    )
    blocks = blocks_at(problem, state, Target(rack, held_mm[row[ray]]))
    keys = zip(row[ray].tolist(), way[ray].tolist(), strict=True)
    return {key: (float(x), block) for key, x, block in zip(keys, rack, blocks, strict=True)}
