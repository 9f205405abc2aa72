"""The least signed distance from a revolved piece to segments, triangles or another solid's skin.

Branch and bound, all poses at once. For a patch with middle p, hull corners v and half-size R:

    D(q) >= D(p) + g.(q - p) - pull * R^2 / (2 rho_min)       and       D(q) >= D(p) - R

The first holds because D is convex in (u, rho) with support g, and rho itself leaves its tangent
by at most R^2 / (2 rho) at any radius rho met on the way. The linear part is least at a corner, so
a patch is dropped when its bound cannot beat the best value by more than the tolerance. The bound
closes with R^2, so few patches stay alive; the second form takes over on the axis. The answer is a
value found on the patch, never less than the truth and at most the tolerance above it; inside the
core, where it is a bound on the depth only, at most 0.1 mm above.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol, Self

import numpy as np
from numpy.typing import NDArray

from linkview.clearance.revolved import Piece
from linkview.geometry import Array, length

Rows = NDArray[np.intp]
# Inside the core the value only bounds the depth, so it need not be fine; with 0.005 mm two
# wheel-sized solids pushed into each other took 280 ms a pose.
DEPTH_TOLERANCE_MM = 0.1
_AT_ONCE = 200_000  # patches bounded together; more are done half after half


class Patches(Protocol):
    """Pieces of a surface, `pose` (m,) saying which pose each belongs to."""

    @property
    def pose(self) -> Rows:
        """(m,) row of the pose."""

    def middles(self) -> Array:
        """(m, 3) a point on each patch."""

    def hulls(self) -> Array:
        """(m, k, 3) corners whose convex hull holds the patch."""

    def on_patch(self, corner: Rows) -> Array:
        """(m, 3) a point on each patch at or near hull corner `corner` (m,)."""

    def kept(self, which: NDArray[np.bool_] | slice) -> Self:
        """The chosen ones."""

    def halved(self) -> Self:
        """Twice as many, each half the size."""


@dataclass
class Least:
    """The best so far: value (n,) mm, at (n, 3) on the patch. Filled in place."""

    value: Array
    at: Array

    @classmethod
    def none_yet(cls, poses: int) -> Least:
        return cls(np.full(poses, np.inf), np.full((poses, 3), np.nan))

    def offer(self, pose: Rows, value: Array, at: Array) -> None:
        np.minimum.at(self.value, pose, value)
        won = value == self.value[pose]
        self.at[pose[won]] = at[won]


def search(
    pieces: Sequence[Piece], patches: Patches, shrink_mm: float, tolerance_mm: float, found: Least
) -> None:
    """Lower `found` to the least distance from any piece to the patches, less shrink_mm.

    All pieces are searched in step, so that a far one is dropped before it is searched finely.
    """
    live = [(piece, patches) for piece in pieces]
    while live:
        bounds = [_bounded(piece, some, shrink_mm, found) for piece, some in live]
        finer = []
        for (piece, some), lower in zip(live, bounds, strict=True):
            best = found.value[some.pose]
            deep = best + shrink_mm < -piece.rounding_mm
            aim = best - np.where(deep, DEPTH_TOLERANCE_MM, tolerance_mm)
            some = some.kept(lower < aim)
            while len(some.pose) > _AT_ONCE:
                part = some.kept(slice(0, _AT_ONCE // 2)).halved()
                search([piece], part, shrink_mm, tolerance_mm, found)
                some = some.kept(slice(_AT_ONCE // 2, None))
            if len(some.pose):
                finer.append((piece, some.halved()))
        live = finer


def _bounded(piece: Piece, patches: Patches, shrink_mm: float, found: Least) -> Array:
    """A bound (m,) below the distance on each patch; what is seen on the way goes to `found`."""
    pose, middle, hull = patches.pose, patches.middles(), patches.hulls()
    value, gradient, pull = piece.distance(middle)
    spread = hull - middle[:, None]
    slope = np.einsum("mki,mi->mk", spread, gradient)
    corner = np.argmin(slope, axis=1)
    there = patches.on_patch(corner)
    found.offer(pose, value - shrink_mm, middle)
    found.offer(pose, piece.distance(there)[0] - shrink_mm, there)
    reach = np.sqrt(np.einsum("mki,mki->mk", spread, spread).max(axis=1))
    fall = slope[np.arange(len(corner)), corner]
    return np.asarray(value - shrink_mm + piece.bound(middle, fall, reach, pull))


@dataclass(frozen=True, eq=False)
class Simplices:
    """Segments or triangles: corners (m, 2 or 3, 3) in the piece's frame."""

    pose: Rows
    corners: Array

    def middles(self) -> Array:
        return np.asarray(self.corners.mean(axis=1))

    def hulls(self) -> Array:
        return self.corners

    def on_patch(self, corner: Rows) -> Array:
        return self.corners[np.arange(len(corner)), corner]

    def kept(self, which: NDArray[np.bool_] | slice) -> Simplices:
        return Simplices(self.pose[which], self.corners[which])

    def halved(self) -> Simplices:
        """Cut across the longest edge."""
        rows = np.arange(len(self.pose))
        count = self.corners.shape[1]
        ends = [(0, 1)] if count == 2 else [(0, 1), (1, 2), (2, 0)]
        sizes = np.stack([length(self.corners[:, i] - self.corners[:, j]) for i, j in ends], axis=1)
        i, j = np.array(ends)[np.argmax(sizes, axis=1)].T
        middle = 0.5 * (self.corners[rows, i] + self.corners[rows, j])
        first, second = self.corners.copy(), self.corners.copy()
        first[rows, i], second[rows, j] = middle, middle
        return Simplices(np.concatenate([self.pose] * 2), np.concatenate([first, second]))


# Which side of the patch's middle each hull corner is on: chord ends, then the tangents' meeting.
_SIDE = np.array([-1.0, -1.0, 1.0, 1.0, 0.0, 0.0])


@dataclass(frozen=True, eq=False)
class Rings:
    """Patches of a surface of revolution.

    ends (m, 2, 2): (u, rho) of the two ends of the meridian edge; angle, half (m,) rad: middle
    and half-width about the axis; move (n, 4, 4): own frame -> the piece's frame, per pose.
    """

    pose: Rows
    ends: Array
    angle: Array
    half: Array
    move: Array

    def _placed(self, u: Array, rho: Array, angle: Array) -> Array:
        """Points (m, k, 3) in the piece's frame from (m, k) own coordinates."""
        own = np.stack([u, rho * np.cos(angle), rho * np.sin(angle)], axis=-1)
        move = self.move[self.pose]
        turned = np.einsum("mij,mkj->mki", move[:, :3, :3], own)
        return np.asarray(turned + move[:, None, :3, 3])

    def middles(self) -> Array:
        u, rho = np.split(self.ends.mean(axis=1), 2, axis=1)
        return np.asarray(self._placed(u, rho, self.angle[:, None])[:, 0])

    def hulls(self) -> Array:
        """Four corners of the chord and two where the tangents at them meet."""
        u = np.concatenate([self.ends[:, :, 0]] * 3, axis=1)
        rho, out = self.ends[:, :, 1], self.ends[:, :, 1] / np.cos(self.half)[:, None]
        turn = self.half[:, None] * _SIDE
        return self._placed(u, np.concatenate([rho, rho, out], axis=1), self.angle[:, None] + turn)

    def on_patch(self, corner: Rows) -> Array:
        u, rho = np.split(self.ends[np.arange(len(corner)), corner % 2], 2, axis=1)
        angle = self.angle + _SIDE[corner] * self.half
        return np.asarray(self._placed(u, rho, angle[:, None])[:, 0])

    def kept(self, which: NDArray[np.bool_] | slice) -> Rings:
        return Rings(
            self.pose[which], self.ends[which], self.angle[which], self.half[which], self.move
        )

    def halved(self) -> Rings:
        long = length(self.ends[:, 1] - self.ends[:, 0])
        turn = long < 2.0 * self.half * self.ends[:, :, 1].max(axis=1)
        middle = self.ends.mean(axis=1)
        first, second = self.ends.copy(), self.ends.copy()
        first[~turn, 1], second[~turn, 0] = middle[~turn], middle[~turn]
        half = np.where(turn, 0.5 * self.half, self.half)
        step = np.where(turn, half, 0.0)
        return Rings(
            np.concatenate([self.pose] * 2),
            np.concatenate([first, second]),
            np.concatenate([self.angle - step, self.angle + step]),
            np.concatenate([half, half]),
            self.move,
        )


def rings_of(piece: Piece, move: Array) -> Rings:
    """The core polygon of a piece turned about its axis, in 16 sectors, for moves (n, 4, 4)."""
    a = piece.corners
    b = np.roll(a, -1, axis=0)
    off_axis = (a[:, 1] >= 0) & (b[:, 1] >= 0) & ((a[:, 1] > 0) | (b[:, 1] > 0) | (len(a) < 3))
    # An edge that crosses the axis (a doubled piece's flat end) is kept from the axis outward.
    crosses = a[:, 1] * b[:, 1] < 0
    edges = [np.stack([p, q]) for p, q in zip(a[off_axis], b[off_axis], strict=True)]
    for p, q in zip(a[crosses], b[crosses], strict=True):
        foot = p + (q - p) * (p[1] / (p[1] - q[1]))
        edges.append(np.stack([foot * [1.0, 0.0], p if p[1] > 0 else q]))
    sectors, poses = 16, len(move)
    half = np.pi / sectors
    ends = np.repeat(np.array(edges), sectors, axis=0)
    angle = np.tile(np.arange(sectors) * 2.0 * half, len(edges))
    count = len(ends)
    return Rings(
        np.repeat(np.arange(poses), count),
        np.tile(ends, (poses, 1, 1)),
        np.tile(angle, poses),
        np.full(poses * count, half),
        move,
    )
