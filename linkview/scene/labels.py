"""Where labels go on a picture: near what they name, never over each other. Plain numpy.

box      (left, top, right, bottom) in pixels, y downward
anchor   the pixel a label points at
leader   the straight line from a box's nearest edge point to its anchor
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from linkview.geometry import Array, Flags
from linkview.scene.camera import Frame

_RINGS_PX = (16.0, 34.0, 56.0, 84.0, 118.0, 160.0, 210.0, 270.0)
_BEARINGS = 28
_ROUNDS = 4
_NEAREST = 100  # boxes tried first
# Costs in pixels of leader: what a label would rather be moved than do.
_HIDES, _CROSSES, _COVERS_ANCHOR, _STRUCK_THROUGH = 340.0, 150.0, 260.0, 180.0


def place_labels(
    anchors: Array,
    sizes: Array,
    *,
    frame: Frame,
    taken: Sequence[Frame] = (),
    busy: Flags | None = None,
    apart_px: float = 6.0,
) -> Array:
    """Boxes (n, 4) for labels of sizes (n, 2) at anchors (n, 2); NaN for one with no room left.

    No two boxes come nearer than apart_px, none leaves the frame or touches a taken one. busy
    (height, width): pixels that a box should rather not hide. Anchors outside the frame, or NaN,
    get no label.
    """
    anchors, sizes = np.asarray(anchors, dtype=float), np.asarray(sizes, dtype=float)
    count = len(anchors)
    boxes = np.full((count, 4), np.nan)
    with np.errstate(invalid="ignore"):
        seen = np.array([_inside(np.array([*a, *a]), frame) for a in anchors], dtype=bool)
    hidden = _running_sum(busy)
    blocked = np.array(taken, dtype=float).reshape(-1, 4)
    for _ in range(_ROUNDS):
        for k in np.flatnonzero(seen):
            others = np.flatnonzero(seen & (np.arange(count) != k))
            stand = others[np.isfinite(boxes[others, 0])]
            fresh = _candidates(anchors[k], sizes[k], frame)
            free = _clear_of(fresh, np.concatenate([blocked, boxes[stand]]), apart_px)
            placed = anchors[stand], boxes[stand], anchors[others], hidden
            boxes[k] = _cheapest(fresh[free], anchors[k], placed)
    return boxes


def _cheapest(
    fresh: Array, anchor: Array, placed: tuple[Array, Array, Array, Array | None]
) -> Array:
    """The box of least cost, the first of equals; NaN of none.

    A leader's length is the least that a box costs: those with longer ones than the best of the
    nearest need not be looked at.
    """
    if not len(fresh):
        return np.full(4, np.nan)
    reach = np.linalg.norm(leader_start(fresh, anchor) - anchor, axis=1)
    near = np.sort(np.argsort(reach, kind="stable")[:_NEAREST])
    most = _cost(fresh[near], anchor, *placed).min()
    fresh = fresh[reach <= most]
    return np.asarray(fresh[int(np.argmin(_cost(fresh, anchor, *placed)))])


def leader_start(box: Array, anchor: Array) -> Array:
    """The place (..., 2) on a box's edge nearest to its anchor."""
    box, anchor = np.asarray(box, dtype=float), np.asarray(anchor, dtype=float)
    return np.clip(anchor, box[..., :2], box[..., 2:])


def overlapping(boxes: Array) -> list[tuple[int, int]]:
    """Every two boxes that share area; NaN boxes are not on the picture."""
    out = []
    there = [int(k) for k in np.flatnonzero(np.isfinite(boxes).all(axis=1))]
    for i, j in combinations(there, 2):
        a, b = boxes[i], boxes[j]
        if min(a[2], b[2]) > max(a[0], b[0]) and min(a[3], b[3]) > max(a[1], b[1]):
            out.append((i, j))
    return out


def _inside(box: Array, frame: Frame) -> bool:
    return bool(
        box[0] >= frame[0] and box[1] >= frame[1] and box[2] <= frame[2] and box[3] <= frame[3]
    )


def _candidates(anchor: Array, size: Array, frame: Frame) -> Array:
    """Boxes (m, 4) on rings round the anchor, then a grid over the whole frame."""
    bearing = np.linspace(0.0, 2.0 * np.pi, _BEARINGS, endpoint=False)
    out = np.stack([np.cos(bearing), np.sin(bearing)], -1)
    rings = [anchor + out * (size / 2.0 + r) for r in _RINGS_PX]
    xs = np.arange(frame[0] + size[0] / 2.0, frame[2] - size[0] / 2.0 + 1.0, 24.0)
    ys = np.arange(frame[1] + size[1] / 2.0, frame[3] - size[1] / 2.0 + 1.0, 12.0)
    grid = np.stack(np.meshgrid(xs, ys), -1).reshape(-1, 2)
    middle = np.concatenate([*rings, grid])
    boxes = np.round(np.concatenate([middle - size / 2.0, middle + size / 2.0], axis=1))
    left, top, right, bottom = frame
    good = (boxes[:, 0] >= left) & (boxes[:, 1] >= top)
    good &= (boxes[:, 2] <= right) & (boxes[:, 3] <= bottom)
    return boxes[good]


def _clear_of(boxes: Array, others: Array, apart: float) -> Flags:
    a, b = boxes[:, None], others[None]
    hit = (np.minimum(a[..., 2], b[..., 2]) + apart > np.maximum(a[..., 0], b[..., 0])) & (
        np.minimum(a[..., 3], b[..., 3]) + apart > np.maximum(a[..., 1], b[..., 1])
    )
    return np.asarray(~hit.any(axis=1))


def _cost(
    fresh: Array,
    anchor: Array,
    stand_anchors: Array,
    stand_boxes: Array,
    other_anchors: Array,
    hidden: Array | None,
) -> Array:
    start = leader_start(fresh, anchor)
    cost = np.linalg.norm(start - anchor, axis=1)
    near = cost < 9.0
    cost = cost + 200.0 * near
    leaders = stand_anchors, leader_start(stand_boxes, stand_anchors)  # (k, 2) each
    mine = start[:, None], np.broadcast_to(anchor, start.shape)[:, None]
    cost = cost + _CROSSES * _segments_cross(*mine, *leaders).sum(axis=1)
    cost = cost + _STRUCK_THROUGH * _through_box(*mine, stand_boxes).sum(axis=1)
    for corner in ([0, 1, 2, 3], [2, 1, 0, 3]):
        diagonal = fresh[:, None, corner]
        struck = _segments_cross(diagonal[..., :2], diagonal[..., 2:], *leaders)
        cost = cost + _STRUCK_THROUGH * struck.sum(axis=1)
    x, y = other_anchors[:, 0], other_anchors[:, 1]
    left, top, right, bottom = (fresh[:, k, None] for k in range(4))
    cover = (left - 6 < x) & (x < right + 6) & (top - 6 < y) & (y < bottom + 6)
    cost = cost + _COVERS_ANCHOR * cover.sum(axis=1)
    if hidden is not None:
        cost = cost + _HIDES * _share(fresh, hidden)
    return np.asarray(cost)


def _cross(u: Array, v: Array) -> Array:
    return np.asarray(u[..., 0] * v[..., 1] - u[..., 1] * v[..., 0])


def _segments_cross(p: Array, q: Array, a: Array, b: Array) -> Flags:
    """Whether segments p-q (..., 2) cross segments a-b, both broadcast."""
    one = _cross(q - p, a - p) * _cross(q - p, b - p)
    two = _cross(b - a, p - a) * _cross(b - a, q - a)
    return np.asarray((one < 0.0) & (two < 0.0))


def _through_box(start: Array, anchor: Array, boxes: Array) -> Flags:
    """Whether leaders start (m, 1, 2) - anchor cross boxes (k, 4), by either diagonal: (m, k)."""
    down = _segments_cross(start, anchor, boxes[:, :2], boxes[:, 2:])
    up = _segments_cross(start, anchor, boxes[:, [0, 3]], boxes[:, [2, 1]])
    return np.asarray(down | up)


def _running_sum(busy: Flags | None) -> Array | None:
    if busy is None:
        return None
    return np.pad(np.cumsum(np.cumsum(busy.astype(float), axis=0), axis=1), ((1, 0), (1, 0)))


def _share(boxes: Array, hidden: Array) -> Array:
    """The share of each box that is busy, 0 to 1."""
    top_row, top_column = hidden.shape[0] - 1, hidden.shape[1] - 1
    x: NDArray[np.intp] = np.clip(boxes[:, [0, 2]], 0, top_column).astype(np.intp)
    y: NDArray[np.intp] = np.clip(boxes[:, [1, 3]], 0, top_row).astype(np.intp)
    inner = (
        hidden[y[:, 1], x[:, 1]]
        - hidden[y[:, 0], x[:, 1]]
        - hidden[y[:, 1], x[:, 0]]
        + hidden[y[:, 0], x[:, 0]]
    )
    area = np.maximum((x[:, 1] - x[:, 0]) * (y[:, 1] - y[:, 0]), 1)
    return np.asarray(inner / area)
