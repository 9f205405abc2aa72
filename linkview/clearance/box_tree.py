"""A mesh's triangles in nested boxes turned to lie along them, searched for many poses at once.

The tree is a list of levels. Triangles are ordered by halving along the longest side, so node `i`
of a level of block size s covers the ordered triangles i*s to i*s + s: no pointers, and one numpy
call handles a whole level for all poses. Every node looks out from one of its own corners, so what
is read there is the distance of a real surface point. Turned boxes are thin on a smooth surface:
of a 20,480-triangle ball against a tyre they leave 24 triangles a pose, bounding spheres 920.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from linkview.geometry import Array, frozen, length

_FAN = 4
_TOP = 8  # nodes on the first level looked at, at most
_ROUNDING_MM = 1e-9
_AT_ONCE = 400_000  # node-row couples kept together before the rows are split in two

Rows = NDArray[np.intp]


@dataclass(frozen=True, eq=False)
class Nodes:
    """k nodes: eye (k, 3) a mesh corner; axes (k, 3, 3) rows; low, high (k, 3) along the axes.

    reach (k,): the farthest point of the node from its eye, mm.
    """

    eye: Array
    axes: Array
    low: Array
    high: Array
    reach: Array

    def steepest_fall(self, node: Rows, gradient: Array) -> Array:
        """The least of gradient.(q - eye) over each node's box: (m,), (m, 3) -> (m,)."""
        along = np.einsum("mij,mj->mi", self.axes[node], gradient)
        return np.asarray(np.minimum(along * self.low[node], along * self.high[node]).sum(axis=1))


# (rows (m,), nodes, node (m,)) -> the distance at each node's eye, and a bound below the distance
# anywhere in the node, both (m,).
Bounds = Callable[[Rows, Nodes, Rows], tuple[Array, Array]]


@dataclass(frozen=True, eq=False)
class BoxTree:
    """order: triangle of each leaf; levels: coarse to fine, the last one single triangles."""

    order: Rows
    levels: tuple[Nodes, ...]


def build(triangles: Array) -> BoxTree:
    """The tree of triangles (f, 3, 3), f >= 1."""
    count = len(triangles)
    size = 1
    while size < count:
        size *= 2
    order = np.arange(size) % count
    middles = triangles.mean(axis=1)
    block = size
    while block > 1:
        order = _halve(order.reshape(-1, block), middles).reshape(-1)
        block //= 2
    levels = []
    block = 1
    while True:
        levels.append(_nodes(triangles[order].reshape(size // block, -1, 3)))
        if size // block <= _TOP:
            break
        block *= _FAN
    return BoxTree(order, tuple(reversed(levels)))


def _halve(blocks: Rows, middles: Array) -> Rows:
    """Every block sorted along its own longest side."""
    points = middles[blocks]
    longest = np.argmax(np.ptp(points, axis=1), axis=1)
    along = np.take_along_axis(points, longest[:, None, None], axis=2)[..., 0]
    return np.take_along_axis(blocks, np.argsort(along, axis=1, kind="stable"), axis=1)


def _nodes(corners: Array) -> Nodes:
    """Boxes along the principal directions of the corners (k, c, 3) of each node."""
    middle = 0.5 * (corners.min(axis=1) + corners.max(axis=1))
    nearest = np.argmin(length(corners - middle[:, None]), axis=1)
    eye = corners[np.arange(len(corners)), nearest]
    spread = corners - corners.mean(axis=1, keepdims=True)
    _, columns = np.linalg.eigh(np.einsum("kci,kcj->kij", spread, spread))
    axes = np.swapaxes(columns, 1, 2)
    along = np.einsum("kij,kcj->kci", axes, corners - eye[:, None])
    reach = length(corners - eye[:, None]).max(axis=1)
    return Nodes(
        frozen(eye),
        frozen(axes),
        frozen(along.min(axis=1)),
        frozen(along.max(axis=1)),
        frozen(reach),
    )


def near_triangles(tree: BoxTree, pose_of_row: Rows, bounds: Bounds) -> tuple[Rows, Rows]:
    """All (row, triangle) couples that can hold a pose's least distance.

    pose_of_row (m,), ascending: rows of one pose (the segments of one tube) compete. Every
    couple left out is no better than a surface point of a couple that is kept.
    """
    best = np.full(int(pose_of_row.max()) + 1, np.inf)
    return _descend(tree, np.arange(len(pose_of_row)), pose_of_row, best, bounds)


def _descend(
    tree: BoxTree, rows: Rows, pose_of_row: Rows, best: Array, bounds: Bounds
) -> tuple[Rows, Rows]:
    top = len(tree.levels[0].reach)
    live, node = np.repeat(rows, top), np.tile(np.arange(top), len(rows))
    for level, nodes in enumerate(tree.levels):
        if level:
            live, node = np.repeat(live, _FAN), (node[:, None] * _FAN + np.arange(_FAN)).ravel()
        if len(live) > _AT_ONCE and len(rows) > 1:
            half = len(rows) // 2
            first = _descend(tree, rows[:half], pose_of_row, best, bounds)
            second = _descend(tree, rows[half:], pose_of_row, best, bounds)
            return np.concatenate([first[0], second[0]]), np.concatenate([first[1], second[1]])
        here, lower = bounds(live, nodes, node)
        pose = pose_of_row[live]
        np.minimum.at(best, pose, here)
        keep = lower <= best[pose] + _ROUNDING_MM
        live, node = live[keep], node[keep]
    return live, tree.order[node]
