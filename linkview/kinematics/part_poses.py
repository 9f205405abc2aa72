"""Every part's pose from the solved ones, and how well the joints close, measured on the poses.

Rods and arms that locate one ball are not solved for; where they stand follows from their ends.
What is worked out runs along the poses, (..., n), and is turned over into (n, 4, 4) at the end.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np

from linkview.geometry import (
    Array,
    cross,
    perpendicular,
    skew,
    turn_between,
    unit,
)
from linkview.kinematics.closure import State
from linkview.kinematics.corner import origin_of
from linkview.model.layout import BODY, KNUCKLE, RACK, WHEEL, Layout
from linkview.model.parts import Corner

_ONES = np.ones(4)


def part_poses(corner: Corner, state: State, slide_mm: Array) -> dict[str, Array]:
    """Every moving part's rigid move (n, 4, 4) from the reference pose.

    A rod turns the shortest way (its spin between two balls is free and not modelled); an arm
    turns about its pivots; a strut's shaft stays at the top mount and follows the tube's axis.
    """
    poses = room_for_poses(corner, state.count)
    put_part_poses(corner, state, slide_mm, poses)
    return poses


def room_for_poses(corner: Corner, count: int) -> dict[str, Array]:
    """An empty (count, 4, 4) for every moving part; the wheel's is the knuckle's own."""
    layout = corner.layout
    looking = [name for name, *_ in _looking(corner)]
    ties = [name for name in looking if name not in layout.struts]
    names = [*layout.solved, WHEEL, *([RACK] if layout.on_rack else []), *ties, *layout.arms]
    room = {name: np.empty((count, 4, 4)) for name in [*names, *layout.struts] if name != WHEEL}
    return {name: room[KNUCKLE if name == WHEEL else name] for name in [*names, *layout.struts]}


def put_part_poses(
    corner: Corner, state: State, slide_mm: Array, into: Mapping[str, Array]
) -> None:
    """Writes `part_poses` into (n, 4, 4) of each part, in place."""
    layout, points = corner.layout, corner.points
    moves = np.zeros((16, state.count))  # a part's (4, 4), row by row
    moves[15] = 1.0
    square = moves.reshape(4, 4, -1)
    for k, part in enumerate(layout.solved):
        square[:3, :3] = state.turn[k]
        square[:3, 3] = state.origin[k] - _turned(state.turn[k], origin_of(corner, part))
        into[part].reshape(-1, 16)[:] = moves.T
    if layout.on_rack:
        assert corner.rack is not None
        into[RACK][:] = np.eye(4)
        into[RACK][:, :3, 3] = slide_mm[:, None] * corner.rack.axis

    def now(name: str) -> Array:
        """Where a hard point is, (3, n) or (3, 1)."""
        owner, at = layout.owner(name), points[name]
        if owner == BODY:
            return at[:, None]
        if owner == RACK:
            assert corner.rack is not None
            return at[:, None] + corner.rack.axis[:, None] * slide_mm
        k = layout.solved.index(owner)
        arm = at - origin_of(corner, owner)
        return np.asarray(state.origin[k] + _turned(state.turn[k], arm))

    for name, arm in layout.arms.items():
        rear, front = (points[p] for p in arm.pivots)
        into[name].reshape(-1, 16)[:] = _hinged(rear, front - rear, points[arm.ball], now(arm.ball))
    for name, base, tip, pivot in _looking(corner):
        ends = {end: now(end) for end in (base, tip)}
        square[:3, :3] = _shortest_turn(points[tip] - points[base], ends[tip] - ends[base])
        square[:3, 3] = ends[pivot] - _turned(square[:3, :3], points[pivot])
        into[name].reshape(-1, 16)[:] = moves.T


def _looking(corner: Corner) -> list[tuple[str, str, str, str]]:
    """Parts that look along two points: name, from, to, and the one that they stand at."""
    layout, points = corner.layout, corner.points
    rods = [(name, rod.inner, rod.outer, rod.inner) for name, rod in layout.rods.items()]
    for name, span in layout.spans.items():
        if span.inner in points and span.outer in points:
            rods.append((name, span.inner, span.outer, span.inner))
    return rods + [(name, s.lower, s.top, s.top) for name, s in layout.struts.items()]


def fit_errors_mm(corner: Corner, poses: Mapping[str, Array]) -> dict[str, Array]:
    """How far each joint is from closing, mm, measured on the poses themselves.

    For each rod and arm the difference between its length now and at the reference, for each strut
    the distance of the top mount from the tube's axis, for balls and hinges how far their points
    are apart. poses: (..., 4, 4) per part.
    """
    layout, points = corner.layout, corner.points
    shape = poses[KNUCKLE].shape[:-2]

    def moved(part: str, at: Array, scale: float = 1.0) -> Array:
        """A point (scale 1) or a direction (scale 0) of a part, now: (..., 4), as those two end."""
        full = np.append(at, scale)
        if part not in poses:
            return full
        return np.asarray((poses[part].reshape(-1, 4) @ full).reshape(*shape, 4))

    def now(name: str) -> Array:
        return moved(layout.owner(name), points[name])

    out: dict[str, Array] = {}
    for name, rod in layout.rods.items():
        want = corner.distance_mm(rod.inner, rod.outer)
        out[name] = np.abs(_size(now(rod.outer) - now(rod.inner)) - want)
    for name, arm in layout.arms.items():
        ball = now(arm.ball)
        errors = [
            np.abs(_size(ball - now(p)) - corner.distance_mm(p, arm.ball)) for p in arm.pivots
        ]
        out[name] = np.maximum(*errors)
    for name, strut in layout.struts.items():
        part, axis = layout.owner(strut.lower), points[strut.top] - points[strut.lower]
        out[name] = _beside(moved, part, axis, now(strut.top) - now(strut.lower))
    for name, part, point in _shared_points(layout):
        off = _size(now(point) - moved(part, points[point]))
        out[name] = np.maximum(out.get(name, 0.0), off)
    for name, line in layout.lines.items():
        first, second = line.line
        part, axis = layout.owner(first), points[second] - points[first]
        out[name] = _beside(moved, part, axis, now(line.point) - moved(part, points[line.point]))
    return {name: np.broadcast_to(off, shape) for name, off in out.items()}


def _beside(
    moved: Callable[[str, Array, float], Array], part: str, axis: Array, way: Array
) -> Array:
    """How far a way (..., 4) leads aside from an axis (3,) fixed to a part."""
    first = perpendicular(axis)
    second = cross(unit(axis), first)
    return np.hypot(*((moved(part, normal, 0.0) * way) @ _ONES for normal in (first, second)))


def _size(way: Array) -> Array:
    """The length of (..., 4), the last of which is zero."""
    return np.asarray(np.sqrt((way * way) @ _ONES))


def _shared_points(layout: Layout) -> list[tuple[str, str, str]]:
    """Joint, part and hard point, where a part meets a point that another one owns."""
    out = [(name, ball.part, ball.point) for name, ball in layout.balls.items()]
    return out + [(name, h.part, p) for name, h in layout.hinges.items() for p in h.pivots]


def _shortest_turn(before: Array, after: Array) -> Array:
    """`turn_between` from one direction (3,) to many (3, n): (3, 3, n).

    c I + [w] + w w' / (1 + c), w the cross product of the units and c their cosine; a third of a
    sweep's read-out went into the sines. Near a half turn 1 + c loses its digits.
    """
    u = unit(before)
    v = after / np.sqrt(_dot(after, after))
    c, w = u @ v, skew(u) @ v
    far = c < -0.9
    share = 1.0 / np.where(far, 1.0, 1.0 + c)
    out = np.empty((3, 3, *c.shape))
    for i in range(3):
        np.multiply(w[i] * share, w, out=out[i])
        out[i, i] += c
    for i, j, k in ((0, 1, 2), (1, 2, 0), (2, 0, 1)):
        out[i, j] -= w[k]
        out[j, i] += w[k]
    if far.any():
        out[..., far] = np.moveaxis(turn_between(before, after[:, far].T), 0, -1)
    return out


def _hinged(pivot: Array, hinge: Array, before: Array, after: Array) -> Array:
    """The move (n, 16), row by row, about a fixed hinge line that takes a point to after (3, n).

    1 + s [k] + (1 - c) [k][k] with k along the hinge; the sine and cosine, times the square of the
    point's distance from it, are scalar products of where the point is and constants.
    """
    k = unit(hinge)
    out = before - pivot - ((before - pivot) @ k) * k
    both = np.stack([cross(k, out), out]) @ (after - pivot[:, None])
    both /= np.sqrt(_dot(both, both))
    skewed = skew(k)
    parts = np.zeros((3, 4, 4))
    parts[:, :3, :3] = skewed, -skewed @ skewed, np.eye(3) + skewed @ skewed
    parts[:, :3, 3] = -parts[:, :3, :3] @ pivot
    parts[2, :3, 3] += pivot
    parts[2, 3, 3] = 1.0
    flat = parts.reshape(3, 16)
    return np.asarray(both.T @ flat[:2] + flat[2])


def _turned(turn: Array, v: Array) -> Array:
    """A vector (3,) after the turns (3, 3, n): (3, n)."""
    return np.asarray(v @ turn)


def _dot(a: Array, b: Array) -> Array:
    """Scalar products of (k, n) arrays: (n,)."""
    return np.asarray(np.einsum("in,in->n", a, b))
