"""A grid of places for every actor, packed small, and how far off the way between its poses is.

A page draws a pose by mixing the four grid poses round it: shift and quaternion each by the same
weights, the quaternion made unit again. `halfway_errors` does the very same here, on the packed
numbers, and compares with the solver half-way between all of them.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from linkview.export.actors import Actor, Places
from linkview.geometry import Array, Flags, frozen
from linkview.kinematics.sweep import AxleSweep, grid_of, sweep_axle
from linkview.model.parts import Axle

SHIFT_UNIT_MM, TURN_UNIT, STRETCH_UNIT = 0.01, 1.0 / 32767.0, 1e-4
OUT_OF_REACH = -32768  # in place of a shift
WITHIN_MM = 0.2
_SPLIT_OVER_MM = 0.11  # by one input alone; both together stay within WITHIN_MM
_START, _MOST_POSES = (25, 21), 6500

Packed = NDArray[np.int16]


@dataclass(frozen=True, eq=False)
class PoseGrid:
    """packed: actor name -> (S, T, 8): shift from its frame's origin, quaternion, stretch - 1.

    shut: (S - 1, T - 1) cells that are not to be drawn in: beyond reach at a corner, or so near
    its edge that mixing is not true to WITHIN_MM. largest_error_mm: in all other cells.
    worst: whose.
    """

    sweep: AxleSweep
    packed: Mapping[str, Packed]
    shut: Flags
    largest_error_mm: float
    worst: str

    @property
    def rack_mm(self) -> Array:
        return self.sweep.left.rack_mm

    @property
    def travel_mm(self) -> Array:
        return self.sweep.left.travel_mm

    @property
    def open_halfway(self) -> Flags:
        """(2S - 1, 2T - 1): the grid's poses and those half-way that a drawn cell touches."""
        shape = 2 * len(self.rack_mm) - 1, 2 * len(self.travel_mm) - 1
        return np.asarray(~_touching(self.shut, shape))

    @property
    def words(self) -> str:
        """What the page states."""
        return (
            f"Between the {len(self.rack_mm)} x {len(self.travel_mm)} solved poses no part is "
            f"drawn more than {self.largest_error_mm:.2f} mm off where the solver puts it "
            f"(compared half-way between all of them; the farthest: {self.worst})."
        )


def pose_grid(axle: Axle, actors: Sequence[Actor]) -> PoseGrid:
    """Splits the grid where parts move fast, until every part keeps within WITHIN_MM.

    Near full reach parts move ever faster; the cells still not true there are shut.
    """
    rack, travel = grid_of(axle, rack_count=_START[0], travel_count=_START[1])
    while True:
        sweep = sweep_axle(axle, rack, travel)
        packed = packed_places(sweep, actors)
        errors, who = halfway_errors(sweep, actors, packed)
        split_rack = _over(errors[1::2, ::2], 1)
        split_travel = _over(errors[::2, 1::2], 0)
        more = (len(rack) + split_rack.sum()) * (len(travel) + split_travel.sum())
        if not (split_rack.any() or split_travel.any()) or more > _MOST_POSES:
            break
        rack, travel = _split(rack, split_rack), _split(travel, split_travel)
    shut = _shut(sweep, errors)
    open_to = np.isfinite(errors) & ~_touching(shut, errors.shape)
    if not open_to.any():
        return PoseGrid(sweep, packed, shut, 0.0, "none")
    at = np.unravel_index(int(np.argmax(np.where(open_to, errors, -1.0))), errors.shape)
    return PoseGrid(sweep, packed, shut, float(errors[at]), actors[int(who[at])].name)


def _over(errors: Array, axis: int) -> Flags:
    if errors.size == 0:
        return np.zeros(errors.shape[1 - axis], dtype=bool)
    worst = np.where(np.isfinite(errors), errors, 0.0).max(axis=axis)
    return np.asarray(worst > _SPLIT_OVER_MM)


def _split(at: Array, where: Flags) -> Array:
    return np.sort(np.concatenate([at, 0.5 * (at[1:] + at[:-1])[where]]))


def _shut(sweep: AxleSweep, errors: Array) -> Flags:
    """Cells with a corner out of reach or a half-way pose that is off or cannot be compared."""
    solved = sweep.left.solved & sweep.right.solved
    bad = ~(errors <= WITHIN_MM)
    bad[::2, ::2] = ~solved
    rows, columns = ((max(n - 1, 1)) for n in solved.shape)
    shut = np.zeros((rows, columns), dtype=bool)
    for i in range(min(3, errors.shape[0])):
        for j in range(min(3, errors.shape[1])):
            shut |= bad[i:, j:][::2, ::2][:rows, :columns]
    return shut


def _touching(shut: Flags, shape: tuple[int, ...]) -> Flags:
    """Which half-way poses belong to shut cells alone."""
    open_near = np.zeros(shape, dtype=bool)
    for i, j in np.argwhere(~shut):
        open_near[2 * i : 2 * i + 3, 2 * j : 2 * j + 3] = True
    return ~open_near


def packed_places(sweep: AxleSweep, actors: Sequence[Actor]) -> dict[str, Packed]:
    """Every moving actor's places over a sweep as 16-bit numbers."""
    by_side = {c.corner.side: c for c in sweep.corners}
    return {a.name: packed_of(a, a.places(by_side[a.side].poses)) for a in actors if not a.still}


def packed_of(actor: Actor, places: Places) -> Packed:
    shift = (places.shift - actor.frame[:3, 3]) / SHIFT_UNIT_MM
    turn = places.turn / TURN_UNIT
    stretch = (places.stretch[..., None] - 1.0) / STRETCH_UNIT
    whole = np.concatenate([shift, turn, stretch], axis=-1)
    known = np.isfinite(whole).all(axis=-1, keepdims=True)
    if known.any() and np.nanmax(np.abs(whole)) > 32767:
        raise ValueError(f"{actor.name} moves further than the page's numbers hold")
    return np.where(known, np.rint(np.where(known, whole, 0.0)), OUT_OF_REACH).astype(np.int16)


def unpacked(actor: Actor, packed: NDArray[np.float64]) -> Places:
    """The same back, for mixed numbers too; the quaternion is made unit."""
    turn = packed[..., 3:7]
    return Places(
        frozen(packed[..., :3] * SHIFT_UNIT_MM + actor.frame[:3, 3]),
        frozen(turn / np.linalg.norm(turn, axis=-1, keepdims=True)),
        frozen(packed[..., 7] * STRETCH_UNIT + 1.0),
    )


def halfway_errors(
    sweep: AxleSweep, actors: Sequence[Actor], packed: Mapping[str, Packed]
) -> tuple[Array, NDArray[np.intp]]:
    """(2S - 1, 2T - 1): how far, mm, the farthest corner of any actor's box is off there.

    NaN where the way between the grid's poses, or the pose itself, is out of reach. Second: the
    index of that actor.
    """
    rack, travel = halved(sweep.left.rack_mm), halved(sweep.left.travel_mm)
    exact = {c.corner.side: c for c in sweep_axle(sweep.axle, rack, travel).corners}
    errors = np.full((len(rack), len(travel)), -1.0)
    who = np.zeros(errors.shape, dtype=np.intp)
    for k, actor in enumerate(actors):
        if actor.still:
            continue
        grid = packed[actor.name].astype(float)
        grid[packed[actor.name][..., 0] == OUT_OF_REACH] = np.nan
        for axis in (0, 1):
            grid = with_halves(grid, axis)
        there = np.isfinite(grid).all(axis=-1) & exact[actor.side].solved
        poses = {part: moves[there] for part, moves in exact[actor.side].poses.items()}
        off = np.full(errors.shape, np.nan)
        if there.any():
            shown = unpacked(actor, grid[there]).apply(actor.reach)
            true = actor.places(poses).apply(actor.reach)
            off[there] = np.linalg.norm(shown - true, axis=-1).max(axis=-1)
        who = np.where(off > errors, k, who)
        errors = np.maximum(errors, off)  # NaN stays
    return errors, who


def halved(at: Array) -> Array:
    """Values with their middles between them."""
    middle = 0.5 * (at[1:] + at[:-1])
    out = np.empty(2 * len(at) - 1)
    out[::2], out[1::2] = at, middle
    return out


def with_halves(grid: Array, axis: int) -> Array:
    """Numbers over a grid with the means of neighbours between them, along one axis."""
    first = np.moveaxis(grid, axis, 0)
    out = np.empty((2 * len(first) - 1, *first.shape[1:]))
    out[::2], out[1::2] = first, 0.5 * (first[1:] + first[:-1])
    return np.moveaxis(out, 0, axis)
