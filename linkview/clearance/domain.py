"""The rack x travel rectangle of one corner in cells, each solved once and shared by all pairs.

A cell counts as *out* when some limit is broken throughout it (the limit's value at the middle and
its drift over the cell say so), or when it can only be reached through cells that are out. Nothing
else is left away: a cell that straddles a limit is kept, which is on the safe side. A limit already
broken at ride height, or whose drift is not known, takes no part, for the same reason. So do the
other wheel's limits: it hangs on the same rack, and where it cannot follow, this one does not get
either; but that depends on its own travel, so it is left out: the domain is wider than the car's.

Cells too near the edge of reach to be bounded are split down to 1 / 2**ROOMY of the rectangle's
sides; the strip of those that remain is reported with every answer.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from linkview.geometry import Array, Flags, Index
from linkview.kinematics.cell_motion import Motion
from linkview.kinematics.cells import Inputs, Reach, inside, reach_of
from linkview.kinematics.closure import State
from linkview.kinematics.nearby import Nearby
from linkview.kinematics.solve import Target, newton, trace
from linkview.kinematics.sweep import CornerSweep
from linkview.limits.limit import Limit, Stops
from linkview.model.layout import BODY
from linkview.model.parts import Hold

FIRST_CELLS = 16  # along each side that is not a single position
FINEST = 13  # a side is never cut into more than 2 ** FINEST
ROOMY = 9  # ... and into no more than 2 ** ROOMY to find what can be bounded at all
_NOWHERE = -1

_Key = tuple[int, int, int, int]  # depth on each side, place on each side


@dataclass(frozen=True, eq=False)
class _Batch:
    """n cells. depth, place (n, 2): the place among 2**depth per side, rack then held value.

    allowed: the middle keeps every limit. out: no pose of the cell does.
    """

    depth: Index
    place: Index
    state: State
    solved: Flags
    reach: Reach
    poses: dict[str, Array]
    allowed: Flags
    out: Flags


def domain_of(sweep: CornerSweep, limits: Sequence[Limit]) -> Domain | None:
    """The domain of a sweep, or None where nothing can be said between its poses.

    Bounded is every linkage, but for arms whose pivots stand on a part that moves, and for one so
    near a dead point that no cell, however small, is sure to be reached.
    """
    layout = sweep.corner.layout
    pivots = [p for arm in layout.arms.values() for p in arm.pivots]
    if not all(layout.owner(p) == BODY for p in pivots):
        return None
    domain = Domain(sweep, limits)
    return domain if domain.all.reach.sure[domain.leaves].any() else None


class Domain:
    """All cells made so far; a cell is known by its row in them."""

    def __init__(self, sweep: CornerSweep, limits: Sequence[Limit]) -> None:
        self.sweep = sweep
        self.near = Nearby(sweep)
        self.problem = self.near.as_held
        self.low, self.span = self._rectangle()
        self.limits, self.broken = self._limits_that_count(limits)
        self._rows: dict[_Key, int] = {}
        depth = np.where(self.span > 0.0, int(np.log2(FIRST_CELLS)), 0)
        grid = np.stack(np.meshgrid(*(np.arange(2**d) for d in depth), indexing="ij"), axis=-1)
        places = grid.reshape(-1, 2)
        self.all = self._made(np.tile(depth, (len(places), 1)), places, None)
        self._note(0, self.all)
        self.leaves, self.beyond = self._roomy()

    # -- what pairs ask ---------------------------------------------------------------------------

    def inputs(self, cells: Index) -> Inputs:
        return self._inputs(self.all.depth[cells], self.all.place[cells])

    def motion(self, cells: Index) -> Motion:
        poses = {part: p[cells] for part, p in self.all.poses.items()}
        return Motion(self.sweep.corner, self.inputs(cells), self.all.reach.take(cells), poses)

    def can_split(self, cells: Index) -> Flags:
        """(n, 2): along the rack, along the held value."""
        return np.asarray((self.all.depth[cells] < FINEST) & (self.span > 0.0))

    def split(self, cells: Index, cuts: Index) -> list[Index]:
        """The parts of each cell, 2**cuts (n, 2) per side, rack then held."""
        wanted: list[list[_Key]] = []
        fresh: dict[_Key, int] = {}
        places = zip(
            self.all.depth[cells].tolist(),
            self.all.place[cells].tolist(),
            cuts.tolist(),
            cells.tolist(),
            strict=True,
        )
        for (d0, d1), (p0, p1), (c0, c1), parent in places:
            mine = [
                (d0 + c0, d1 + c1, i, j)
                for i in range(p0 << c0, (p0 + 1) << c0)
                for j in range(p1 << c1, (p1 + 1) << c1)
            ]
            wanted.append(mine)
            fresh |= {key: parent for key in mine if key not in self._rows and key not in fresh}
        if fresh:
            keys = np.array(list(fresh))
            made = self._made(keys[:, :2], keys[:, 2:], np.array(list(fresh.values())))
            start = len(self.all.solved)
            self.all = _joined(self.all, made)
            self._note(start, made)
        return [np.array([self._rows[key] for key in mine]) for mine in wanted]

    def share(self, cells: Index) -> float:
        """Their part of the rectangle's area."""
        used = self.span > 0.0
        return float(np.sum(0.5 ** self.all.depth[cells][:, used].sum(axis=1)))

    @cached_property
    def allowed_on_grid(self) -> Flags:
        """(S, T): which poses of the sweep keep every limit that counts."""
        allowed = self.sweep.solved.copy()
        for limit in self.limits:
            with np.errstate(invalid="ignore"):
                allowed &= limit.margin(limit.measure(self.sweep)) >= 0.0
        return allowed

    def place(self, cell: int) -> tuple[float, float]:
        """Rack and travel, mm, of a cell's middle; travel is the wheel centre's, rack centred."""
        inputs = self.inputs(np.array([cell]))
        return float(inputs.rack_mm[0]), float(self._travel(inputs.held_mm)[0])

    def boxes(self, cells: Index) -> Array:
        """(n, 4): rack from, to, travel from, to, mm."""
        i = self.inputs(cells)
        ends = [i.held_mm - i.half_held_mm, i.held_mm + i.half_held_mm]
        return np.stack(
            [
                i.rack_mm - i.half_rack_mm,
                i.rack_mm + i.half_rack_mm,
                *(self._travel(e) for e in ends),
            ],
            axis=1,
        )

    def _travel(self, held_mm: Array) -> Array:
        """By straight lines between the grid's travels where the damper's length is held."""
        if self.sweep.hold is Hold.WHEEL_HEIGHT:
            return held_mm
        middle = int(np.argmin(np.abs(self.sweep.rack_mm)))
        j = np.flatnonzero(self.sweep.solved[middle])
        held = self.near.held_at(np.full(len(j), middle), j)
        order = np.argsort(held)
        return np.interp(held_mm, held[order], self.sweep.travel_mm[j][order])

    # -- making cells -----------------------------------------------------------------------------

    def _rectangle(self) -> tuple[Array, Array]:
        sweep = self.sweep
        rack = sweep.corner.rack
        ends = [0.0, 0.0] if rack is None else [-rack.stop_mm, rack.stop_mm]
        middle = int(np.argmin(np.abs(sweep.rack_mm)))
        j = np.flatnonzero(sweep.solved[middle])
        held = self.near.held_at(np.full(len(j), middle), j)
        low = np.array([ends[0], float(held.min())])
        return low, np.array([ends[1], float(held.max())]) - low

    def _limits_that_count(
        self, limits: Sequence[Limit]
    ) -> tuple[tuple[Limit, ...], tuple[Limit, ...]]:
        i = np.array([int(np.argmin(np.abs(self.sweep.rack_mm)))])
        j = np.array([int(np.argmin(np.abs(self.sweep.travel_mm)))])
        ride = self.near.at_rack(i, j, self.sweep.rack_mm[i])
        stopping = [x for x in limits if x.stops is not Stops.NOTHING and x.drift is not None]
        kept = [x for x in stopping if float(x.margin(x.measure(ride))[0]) > 0.0]
        return tuple(kept), tuple(x for x in stopping if x not in kept)

    def _inputs(self, depth: Index, place: Index) -> Inputs:
        size = self.span / 2.0**depth
        middle = self.low + (place + 0.5) * size
        return Inputs(middle[:, 0], middle[:, 1], 0.5 * size[:, 0], 0.5 * size[:, 1])

    def _made(self, depth: Index, place: Index, parent: Index | None) -> _Batch:
        inputs = self._inputs(depth, place)
        state, solved = self._solved(inputs, parent)
        reach = reach_of(self.problem, state, inputs).where(solved)
        posed = self.near.posed(state, inputs.rack_mm, solved)
        motion = Motion(self.sweep.corner, inputs, reach, posed.poses)
        allowed, out = solved.copy(), np.zeros(len(solved), dtype=bool)
        for limit in self.limits:
            assert limit.drift is not None
            margin = limit.margin(limit.measure(posed))
            with np.errstate(invalid="ignore"):
                allowed &= margin >= 0.0
                out |= solved & (margin + limit.drift(motion) < 0.0)
        return _Batch(depth, place, state, solved, reach, dict(posed.poses), allowed, out)

    def _solved(self, inputs: Inputs, parent: Index | None) -> tuple[State, Flags]:
        """Newton from a sure parent, checked to lie in its bounds; else traced from the grid."""
        n = len(inputs.rack_mm)
        state = self.near.linkage.reference(n)
        todo = np.ones(n, dtype=bool)
        target = Target(inputs.rack_mm, inputs.held_mm)
        if parent is not None:
            home, reach = self.all.state.take(parent), self.all.reach.take(parent)
            was = self.inputs(parent)
            way = np.stack([inputs.rack_mm - was.rack_mm, inputs.held_mm - was.held_mm], axis=1)
            sure = np.flatnonzero(reach.sure)
            if sure.size:
                begin, reach = home.take(sure), reach.take(sure)
                step = np.einsum("nij,nj->in", reach.by, way[sure])
                found = newton(self.problem, begin.stepped(step), target.take(sure))
                good = found.solved & inside(reach, begin, way[sure], found.state)
                state.put(sure[good], found.state.take(good))
                todo[sure[good]] = False
        rest = np.flatnonzero(todo)
        if rest.size:
            i, j = self.near.nearest(inputs.rack_mm[rest], inputs.held_mm[rest])
            from_, start = self.near.start(i, j)
            stop = trace(self.problem, from_, start, target.take(rest))
            state.put(rest, stop.state)
            todo[rest[stop.arrived]] = False
        return state, ~todo

    def _note(self, start: int, made: _Batch) -> None:
        keys = np.hstack([made.depth, made.place]).tolist()
        for k, (a, b, i, j) in enumerate(keys):
            self._rows[a, b, i, j] = start + k

    # -- which cells there are ---------------------------------------------------------------------

    def _roomy(self) -> tuple[Index, Index]:
        """Cells to start from, and those beyond the limits or the edge of reach.

        A cell that cannot be bounded is split while its middle has a pose, or while it touches one
        that is sure. What then touches no sure cell could only be reached through the strip of
        those that do.
        """
        leaves = np.arange(len(self.all.solved))
        while True:
            open_ = ~self.all.reach.sure[leaves] & ~self.all.out[leaves]
            open_ &= self.all.solved[leaves] | self._touching(leaves, self.all.reach.sure[leaves])
            room = (self.all.depth[leaves] < ROOMY) & (self.span > 0.0)
            cut = open_ & room.any(axis=1)
            if not cut.any():
                break
            parts = self.split(leaves[cut], room[cut].astype(np.intp))
            leaves = np.concatenate([leaves[~cut], *parts])
        kept = ~self.all.out[leaves] & (self.all.reach.sure[leaves] | open_)
        gone, leaves = leaves[~kept], leaves[kept]
        if not leaves.size:
            return leaves, gone
        met = self._reached(leaves)
        return leaves[met], np.concatenate([gone, leaves[~met]])

    def _raster(self, cells: Index) -> tuple[Index, Index]:
        """Rows into `cells` on a grid of the finest of them, _NOWHERE elsewhere; and its depth."""
        top = self.all.depth[cells].max(axis=0)
        raster = np.full(2**top, _NOWHERE)
        shift = top - self.all.depth[cells]
        low, high = self.all.place[cells] << shift, (self.all.place[cells] + 1) << shift
        boxes = zip(low.tolist(), high.tolist(), strict=True)
        for k, ((i0, j0), (i1, j1)) in enumerate(boxes):
            raster[i0:i1, j0:j1] = k
        return raster, top

    def _touching(self, cells: Index, chosen: Flags) -> Flags:
        """Which cells touch a chosen one, at a corner counting too."""
        raster, _ = self._raster(cells)
        near = _grown(np.append(chosen, False)[raster])
        out = np.zeros(len(cells) + 1, dtype=bool)
        out[np.unique(raster[near])] = True
        return out[:-1]

    def _reached(self, leaves: Index) -> Flags:
        """Which leaves connect to ride height without crossing a cell that is out."""
        raster, top = self._raster(leaves)
        open_ = raster != _NOWHERE
        seen = np.zeros(raster.shape, dtype=bool)
        seen[self._ride_place(top)] = True
        while True:
            grown = _grown(seen) & open_
            if (grown == seen).all():
                break
            seen = grown
        met = np.zeros(len(leaves), dtype=bool)
        met[np.unique(raster[seen & open_])] = True
        return met

    def _ride_place(self, top: Index) -> tuple[int, int]:
        i = int(np.argmin(np.abs(self.sweep.rack_mm)))
        j = int(np.argmin(np.abs(self.sweep.travel_mm)))
        held = float(self.near.held_at(np.array([i]), np.array([j]))[0])
        at = np.array([self.sweep.rack_mm[i], held]) - self.low
        size = np.where(self.span > 0.0, self.span, 1.0) / 2.0**top
        place = np.clip(np.floor(at / size), 0, 2**top - 1).astype(int)
        return int(place[0]), int(place[1])


def _grown(seen: Flags) -> Flags:
    """Every place beside a seen one, corners too."""
    out = seen.copy()
    out[1:] |= seen[:-1]
    out[:-1] |= seen[1:]
    wide = out.copy()
    wide[:, 1:] |= out[:, :-1]
    wide[:, :-1] |= out[:, 1:]
    return wide


def _joined(a: _Batch, b: _Batch) -> _Batch:
    def rows(x: NDArray, y: NDArray) -> NDArray:  # type: ignore[type-arg]
        return np.concatenate([x, y])

    state = State(
        np.concatenate([a.state.turn, b.state.turn], axis=-1),
        np.concatenate([a.state.origin, b.state.origin], axis=-1),
    )
    return _Batch(
        rows(a.depth, b.depth),
        rows(a.place, b.place),
        state,
        rows(a.solved, b.solved),
        a.reach.joined(b.reach),
        {part: rows(p, b.poses[part]) for part, p in a.poses.items()},
        rows(a.allowed, b.allowed),
        rows(a.out, b.out),
    )
