"""Every part's pose from the solved ones, and how well the joints close, measured on the poses.

Rods and arms that locate one ball are not solved for; where they stand follows from their ends.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from linkview.geometry import (
    Array,
    apply,
    apply_direction,
    dot,
    length,
    rigid,
    skew,
    turn_about,
    turn_between,
    unit,
)
from linkview.kinematics.closure import State
from linkview.kinematics.corner import origin_of
from linkview.model.layout import KNUCKLE, RACK, WHEEL, Layout
from linkview.model.parts import Corner

# c I + [w], row by row, from (c, w).
_TURN = np.concatenate([np.eye(3).reshape(1, 9), skew(np.eye(3)).reshape(3, 9)])


def part_poses(corner: Corner, state: State, slide_mm: Array) -> dict[str, Array]:
    """Every moving part's rigid move (n, 4, 4) from the reference pose.

    A rod turns the shortest way (its spin between two balls is free and not modelled); an arm
    turns about its pivots; a strut's shaft stays at the top mount and follows the tube's axis.
    """
    layout, points = corner.layout, corner.points
    n = state.count
    poses: dict[str, Array] = {}
    for k, part in enumerate(layout.solved):
        turn = np.moveaxis(state.turn[k], -1, 0)
        poses[part] = turn_about(turn, origin_of(corner, part), state.origin[k].T)
    poses[WHEEL] = poses[KNUCKLE]
    still = np.broadcast_to(np.eye(4), (n, 4, 4))
    if layout.on_rack:
        assert corner.rack is not None
        poses[RACK] = rigid(np.eye(3), slide_mm[:, None] * corner.rack.axis)

    def now(name: str) -> Array:
        return apply(poses.get(layout.owner(name), still), points[name])

    for name, rod in layout.rods.items():
        a, b = now(rod.inner), now(rod.outer)
        turn = _shortest_turn(points[rod.outer] - points[rod.inner], b - a)
        poses[name] = turn_about(turn, points[rod.inner], a)
    for name, span in layout.spans.items():
        if span.inner in points and span.outer in points:
            a, b = now(span.inner), now(span.outer)
            turn = _shortest_turn(points[span.outer] - points[span.inner], b - a)
            poses[name] = turn_about(turn, points[span.inner], a)
    for name, arm in layout.arms.items():
        rear, front = (points[p] for p in arm.pivots)
        poses[name] = _hinge_turn(rear, front - rear, points[arm.ball], now(arm.ball))
    for name, strut in layout.struts.items():
        top, lower = now(strut.top), now(strut.lower)
        turn = _shortest_turn(points[strut.top] - points[strut.lower], top - lower)
        poses[name] = turn_about(turn, points[strut.top], top)
    return poses


def fit_errors_mm(corner: Corner, poses: Mapping[str, Array]) -> dict[str, Array]:
    """How far each joint is from closing, mm, measured on the poses themselves.

    For each rod and arm the difference between its length now and at the reference, for each strut
    the distance of the top mount from the tube's axis, for balls and hinges how far their points
    are apart. poses: (..., 4, 4) per part.
    """
    layout, points = corner.layout, corner.points
    eye = np.eye(4)

    def now(name: str) -> Array:
        return apply(poses.get(layout.owner(name), eye), points[name])

    out: dict[str, Array] = {}
    for name, rod in layout.rods.items():
        want = corner.distance_mm(rod.inner, rod.outer)
        out[name] = np.abs(length(now(rod.outer) - now(rod.inner)) - want)
    for name, arm in layout.arms.items():
        errors = [
            np.abs(length(now(arm.ball) - now(p)) - corner.distance_mm(p, arm.ball))
            for p in arm.pivots
        ]
        out[name] = np.maximum(*errors)
    for name, strut in layout.struts.items():
        axis = unit(points[strut.top] - points[strut.lower])
        along = apply_direction(poses[layout.owner(strut.lower)], axis)
        out[name] = length(np.cross(along, now(strut.top) - now(strut.lower)))
    for name, part, point in _shared_points(layout):
        off = length(now(point) - apply(poses[part], points[point]))
        out[name] = np.maximum(out.get(name, 0.0), off)
    for name, line in layout.lines.items():
        a, b = (now(p) for p in line.line)
        start = apply(poses.get(layout.owner(line.line[0]), eye), points[line.point])
        out[name] = length(np.cross(unit(b - a), now(line.point) - start))
    return out


def _shared_points(layout: Layout) -> list[tuple[str, str, str]]:
    """Joint, part and hard point, where a part meets a point that another one owns."""
    out = [(name, ball.part, ball.point) for name, ball in layout.balls.items()]
    return out + [(name, h.part, p) for name, h in layout.hinges.items() for p in h.pivots]


def _shortest_turn(before: Array, after: Array) -> Array:
    """`turn_between` from one direction (3,) to many (n, 3), in products of whole arrays.

    c I + [w] + w w' / (1 + c), w the cross product of the units and c their cosine; a third of a
    sweep's read-out went into the sines. Near a half turn 1 + c loses its digits.
    """
    u = unit(before)
    v = after / np.sqrt(np.einsum("ni,ni->n", after, after))[:, None]
    cw = v @ np.column_stack([u, skew(u).T])
    c, w = cw[:, 0], cw[:, 1:]
    far = c < -0.9
    out = w[:, :, None] * (w / np.where(far, 1.0, 1.0 + c)[:, None])[:, None, :]
    out.reshape(-1, 9)[:] += cw @ _TURN
    if far.any():
        out[far] = turn_between(before, after[far])
    return np.asarray(out)


def _hinge_turn(pivot: Array, hinge: Array, before: Array, after: Array) -> Array:
    """The turn about a fixed hinge line that takes one point from before to after (n, 3)."""
    axis = unit(hinge)
    a = (before - pivot) - dot(before - pivot, axis)[..., None] * axis
    r = after - pivot
    b = r - dot(r, axis)[..., None] * axis
    angle = np.arctan2(dot(np.cross(np.broadcast_to(a, b.shape), b), axis), dot(a, b))
    c, s = np.cos(angle)[..., None, None], np.sin(angle)[..., None, None]
    k = np.array([[0.0, -axis[2], axis[1]], [axis[2], 0.0, -axis[0]], [-axis[1], axis[0], 0.0]])
    turn = np.eye(3) + s * k + (1.0 - c) * (k @ k)
    return turn_about(turn, pivot, np.broadcast_to(pivot, after.shape))
