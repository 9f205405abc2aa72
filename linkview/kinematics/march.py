"""Filling a grid of steer and travel from its middle outward, and finding where each row ends."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from linkview.geometry import Array
from linkview.kinematics.closure import State
from linkview.kinematics.solve import (
    Problem,
    Target,
    blocked_by,
    newton,
    trace,
)


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
        who = " and ".join(j.replace("_", " ") for j in self.joints) or "the linkage"
        return (
            f"{who} goes over centre at {where}" if self.toggle else f"{who} at full reach, {where}"
        )


@dataclass(frozen=True, eq=False)
class Grid:
    """A filled grid: state (S*T poses, rack-major), solved (S, T), ends by (travel index, way)."""

    state: State
    solved: Array
    ends: Mapping[tuple[int, int], Edge]


@dataclass(frozen=True, eq=False)
class _Column:
    """Poses of the rows still alive, one step further out. ray: which row; rack_mm (n,) each."""

    ray: Array
    rack_mm: Array
    state: State

    def keep(self, good: Array) -> _Column:
        return _Column(self.ray[good], self.rack_mm[good], self.state.take(good))


def fill(
    problem: Problem, line: State, alive: Array, rack_mm: Array, travel_mm: Array, held: Array
) -> Grid:
    """Every pose of rack (S,) x travel (T,), outward from the rack's centre.

    line: the T poses with the rack centred; alive (T,): which of them exist. held (T,): the driven
    row's value on each row. Rows are marched both ways at once. Where Newton from the parabola
    through the last three columns will not do, the row is traced in ever smaller steps, to go on
    where it can and to end, with its Edge, where it cannot.
    """
    shape = (len(rack_mm), len(travel_mm))
    turn = np.full((*line.turn.shape[:-1], *shape), np.nan)
    origin = np.full((*line.origin.shape[:-1], *shape), np.nan)
    centred = np.flatnonzero(rack_mm == 0.0)
    turn[..., centred, :] = np.where(alive, line.turn, np.nan)[..., None, :]
    origin[..., centred, :] = np.where(alive, line.origin, np.nan)[..., None, :]
    ways = [np.flatnonzero(rack_mm * way > 0.0) for way in (-1, 1)]
    ways = [w[np.argsort(np.abs(rack_mm[w]), kind="stable")] for w in ways]
    rays = [(j, w) for w in (0, 1) for j in np.flatnonzero(alive) if ways[w].size]
    row = np.array([j for j, _ in rays], dtype=int)
    side = np.array([w for _, w in rays], dtype=int)
    past = [_Column(np.arange(len(rays)), np.zeros(len(rays)), line.take(row))]
    for step in range(max((w.size for w in ways), default=0)):
        going = np.array([step < ways[side[r]].size for r in past[-1].ray], dtype=bool)
        past = [c.keep(going) for c in past]
        ray = past[-1].ray
        column = np.array([ways[w][step] for w in side[ray]], dtype=int)
        good, state = _next(problem, past, rack_mm[column], held[row[ray]])
        past = [c.keep(good) for c in past[-2:]]
        past.append(_Column(ray[good], rack_mm[column][good], state.take(good)))
        turn[..., column[good], row[ray[good]]] = past[-1].state.turn
        origin[..., column[good], row[ray[good]]] = past[-1].state.origin
        if not good.any():
            break
    flat = State(turn.reshape(*turn.shape[:-2], -1), origin.reshape(*origin.shape[:-2], -1))
    solved = _on_one_branch(problem, line, flat, rack_mm, held, np.isfinite(origin[0, 0]))
    lost = np.flatnonzero(~solved.ravel())
    flat.turn[..., lost] = flat.origin[..., lost] = np.nan
    return Grid(flat, solved, _ends(problem, line, flat, solved, rack_mm, travel_mm, held, alive))


def _next(
    problem: Problem, past: list[_Column], rack_mm: Array, held: Array
) -> tuple[Array, State]:
    """One column further out: which rows made it, and their poses."""
    last = past[-1]
    start, goal = Target(last.rack_mm, held), Target(rack_mm, held)
    if len(past) < 3:
        stop = trace(problem, last.state, start, goal)
        return stop.arrived, stop.state
    found = newton(problem, _extrapolated(past, rack_mm), goal, most_iterations=4)
    good, state = found.solved, found.state
    hard = np.flatnonzero(~good)
    if hard.size:
        stop = trace(problem, last.state.take(hard), start.take(hard), goal.take(hard))
        state.turn[..., hard], state.origin[..., hard] = stop.state.turn, stop.state.origin
        good = good.copy()
        good[hard] = stop.arrived
    return good, state


def _extrapolated(past: list[_Column], rack_mm: Array) -> State:
    """The parabola through three columns, continued; the turn is made a rotation again."""
    x = [c.rack_mm for c in past]
    weight = [np.ones_like(rack_mm) for _ in past]
    for k in range(3):
        for m in range(3):
            if m != k:
                weight[k] *= (rack_mm - x[m]) / (x[k] - x[m])
    turn = sum(w * c.state.turn for w, c in zip(weight, past, strict=True))
    origin = sum(w * c.state.origin for w, c in zip(weight, past, strict=True))
    return State(_nearest_rotation(np.asarray(turn)), np.asarray(origin))


def _nearest_rotation(turn: Array) -> Array:
    """Newton's polar iteration, R (3 - R'R) / 2, on pose-last (P, 3, 3, n)."""
    for _ in range(3):
        square = np.einsum("pkin,pkjn->pijn", turn, turn)
        turn = 1.5 * turn - 0.5 * np.einsum("pikn,pkjn->pijn", turn, square)
    return turn


def _on_one_branch(
    problem: Problem, line: State, grid: State, rack_mm: Array, held: Array, solved: Array
) -> Array:
    """solved (S, T) without the poses whose watched signs differ from the rack-centred pose's,
    nor those further out on the same row: they were reached through a dead point."""
    first = problem.signs(problem.rows(line, Target(np.zeros(line.count), held)))
    slide, drive = (a.ravel() for a in np.meshgrid(rack_mm, held, indexing="ij"))
    good = np.flatnonzero(solved.ravel())
    signs = problem.signs(problem.rows(grid.take(good), Target(slide[good], drive[good])))
    same = solved.copy()
    same.ravel()[good] = (signs == first[:, good % solved.shape[1]]).all(axis=0)
    for i in np.argsort(np.abs(rack_mm), kind="stable"):
        inner = np.flatnonzero(
            (rack_mm * rack_mm[i] > 0.0) & (np.abs(rack_mm) < np.abs(rack_mm[i]))
        )
        if inner.size:
            same[i] &= same[inner[np.argmax(np.abs(rack_mm[inner]))]]
    return same


def _ends(
    problem: Problem,
    line: State,
    grid: State,
    solved: Array,
    rack_mm: Array,
    travel_mm: Array,
    held: Array,
    alive: Array,
) -> dict[tuple[int, int], Edge]:
    """For each row and way that ends inside the grid: exactly where, and through which joints."""
    keys, start, goal, turn, origin = [], [], [], [], []
    for way in (-1, 1):
        columns = np.flatnonzero(rack_mm * way > 0.0)
        columns = columns[np.argsort(np.abs(rack_mm[columns]))]
        for j in np.flatnonzero(alive):
            out = [i for i in columns if not solved[i, j]]
            if not out:
                continue
            inner = [i for i in columns if solved[i, j]]
            at = inner[-1] * solved.shape[1] + j if inner else j
            source = grid if inner else line
            keys.append((int(j), way))
            start.append(rack_mm[inner[-1]] if inner else 0.0)
            goal.append(rack_mm[out[0]])
            turn.append(source.turn[..., at])
            origin.append(source.origin[..., at])
    if not keys:
        return {}
    drive = held[[j for j, _ in keys]]
    begin, end = Target(np.array(start), drive), Target(np.array(goal), drive)
    stop = trace(problem, State(np.stack(turn, -1), np.stack(origin, -1)), begin, end)
    rack = begin.between(end, stop.reached).slide_mm
    out_edges = {}
    for k, (j, way) in enumerate(keys):
        at_k = Target(rack[[k]], drive[[k]])
        block = blocked_by(problem, stop.state.take(np.array([k])), at_k)
        out_edges[j, way] = Edge(float(travel_mm[j]), float(rack[k]), block.joints, block.toggle)
    return out_edges
