"""A corner's layout and hard points as a linkage, and its parts' poses from a solved knuckle.

Only the knuckle is solved for. Rods and arms that locate one ball are distances; where they stand
follows from their ends afterwards.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from linkview.errors import CannotAssemble
from linkview.geometry import (
    Array,
    Z,
    apply,
    dot,
    length,
    rigid,
    skew,
    turn_about,
    turn_between,
    unit,
)
from linkview.kinematics.closure import (
    GROUND,
    SLIDE,
    Direction,
    Height,
    Joint,
    Linkage,
    Place,
    Rod,
    Slider,
    State,
)
from linkview.kinematics.solve import Problem
from linkview.model.layouts import BODY, KNUCKLE, RACK, WHEEL
from linkview.model.parts import Corner, Hold

WHEEL_HEIGHT, DAMPER = "wheel height", "damper length"
_PART = {BODY: GROUND, RACK: SLIDE, KNUCKLE: 0}


@dataclass(frozen=True, eq=False)
class CornerLinkage:
    """One corner compiled: the linkage has all joints plus a row for each thing that can be held.

    damper_mm: reference length of the damper, None where the file gives no damper.
    """

    corner: Corner
    linkage: Linkage
    damper_mm: float | None

    def problem(self, hold: Hold) -> Problem:
        """The rows to solve with this thing driven, and the tie rod's toggle watched."""
        height, damper = self._row(WHEEL_HEIGHT), self._row(DAMPER)
        if hold is Hold.DAMPER_LENGTH and damper is None:
            raise CannotAssemble(
                f"{self.corner.axle} axle: hold = 'damper_length' needs the damper's two points"
            )
        extra = {height, damper}
        joints = [i for i in range(self.linkage.row_count) if i not in extra]
        driven = height if hold is Hold.WHEEL_HEIGHT else damper
        assert driven is not None
        if not self.corner.layout.tie_rod or height is None or damper is None:
            return Problem(self.linkage, driven, np.array([*joints, driven]))
        # With the damper's length held, the steering axis stands still and the tie rod alone
        # holds the turn about it: that determinant is the toggle, whatever the sweep holds.
        other = damper if hold is Hold.WHEEL_HEIGHT else height
        return Problem(self.linkage, driven, np.array([*joints, driven]), (other,), damper)

    def held_for_damper(self, damper_mm: Array) -> Array:
        """The driven row's value that makes the damper this long, mm."""
        assert self.damper_mm is not None
        return np.asarray((damper_mm**2 - self.damper_mm**2) / (2.0 * self.damper_mm))

    def damper_slope(self, knuckle: Array) -> Array:
        """d(damper length)/d(knuckle) at moves (n, 4, 4): (n, 6), times a twist gives mm per unit.

        A twist is the wheel centre's shift, then the turn.
        """
        layout, points = self.corner.layout, self.corner.points
        assert layout.damper is not None
        a, b = (points[p] for p in layout.damper)
        if layout.owner(layout.damper[0]) == KNUCKLE:
            a, b = b, a
        now = apply(knuckle, b)
        along = unit(now - a)
        return np.hstack([along, np.cross(now - apply(knuckle, points["wheel_centre"]), along)])

    def _row(self, name: str) -> int | None:
        names = self.linkage.row_names
        return names.index(name) if name in names else None


def linkage_of(corner: Corner, lengths_of: Corner | None = None) -> CornerLinkage:
    """Compiles a corner.

    lengths_of: take rod and arm lengths from another corner (parts kept while points move);
    then the corner's own points are a start, not a solution.
    """
    kept = lengths_of or corner
    layout, points = corner.layout, corner.points

    def place(name: str) -> Place:
        return Place(_PART[layout.owner(name)], points[name])

    joints: list[Joint] = []
    for name, rod in layout.rods.items():
        joints.append(
            Rod(name, place(rod.inner), place(rod.outer), kept.distance_mm(rod.inner, rod.outer))
        )
    for name, arm in layout.arms.items():
        for pivot in arm.pivots:
            joints.append(
                Rod(name, place(pivot), place(arm.ball), kept.distance_mm(pivot, arm.ball))
            )
    for name, strut in layout.struts.items():
        # The tube's axis is a line on the knuckle: it keeps the direction it has there.
        axis = kept.points[strut.top] - kept.points[strut.lower]
        joints.append(Slider(name, place(strut.lower), axis, place(strut.top)))
    damper_mm = None
    if layout.damper and all(p in points for p in layout.damper):
        lower, upper = layout.damper
        damper_mm = kept.distance_mm(lower, upper)
        joints.append(Rod(DAMPER, place(lower), place(upper), damper_mm))
    centre = points["wheel_centre"]
    joints.append(
        Height(WHEEL_HEIGHT, Place(GROUND, centre), Place(0, centre), Direction(GROUND, Z), 0.0)
    )
    for joint in joints:
        if isinstance(joint, Rod) and not joint.length_mm > 0.0:
            raise CannotAssemble(
                f"{corner.axle} axle: {joint.name} has no length, both its ends are at the same "
                "point; check its hard points"
            )
    rack = corner.rack.axis if corner.rack else None
    return CornerLinkage(corner, Linkage([centre], joints, rack), damper_mm)


def part_poses(corner: Corner, state: State, slide_mm: Array) -> dict[str, Array]:
    """Every moving part's rigid move (n, 4, 4) from the reference pose.

    A rod turns the shortest way (its spin between two balls is free and not modelled); an arm
    turns about its pivots; a strut's shaft stays at the top mount and follows the tube's axis.
    """
    layout, points = corner.layout, corner.points
    n = state.count
    knuckle = turn_about(
        np.moveaxis(state.turn[0], -1, 0), points["wheel_centre"], state.origin[0].T
    )
    poses = {KNUCKLE: knuckle, WHEEL: knuckle}
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
            turn = turn_between(points[span.outer] - points[span.inner], b - a)
            poses[name] = turn_about(turn, points[span.inner], a)
    for name, arm in layout.arms.items():
        rear, front = (points[p] for p in arm.pivots)
        poses[name] = _hinge_turn(rear, front - rear, points[arm.ball], now(arm.ball))
    for name, strut in layout.struts.items():
        top, lower = points[strut.top], now(strut.lower)
        turn = _shortest_turn(top - points[strut.lower], top - lower)
        poses[name] = turn_about(turn, top, np.broadcast_to(top, (n, 3)))
    return poses


def fit_errors_mm(corner: Corner, poses: Mapping[str, Array]) -> dict[str, Array]:
    """How far each joint is from closing, mm, measured on the poses themselves.

    For each rod and arm the difference between its length now and at the reference, for each strut
    the distance of the top mount from the tube's axis. poses: (..., 4, 4) per part.
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
        along = np.einsum("...ij,j->...i", poses[KNUCKLE][..., :3, :3], axis)
        out[name] = length(np.cross(along, points[strut.top] - now(strut.lower)))
    return out


def _shortest_turn(before: Array, after: Array) -> Array:
    """`turn_between` from one direction (3,) to many (n, 3), in products of whole arrays.

    c I + [w] + w w' / (1 + c), w the cross product of the units and c their cosine; a third of a
    sweep's read-out went into the sines. Near a half turn 1 + c loses its digits.
    """
    u, v = unit(before), unit(after)
    c, w = v @ u, v @ skew(u).T
    far = c < -0.9
    out = w[:, :, None] * (w / np.where(far, 1.0, 1.0 + c)[:, None])[:, None, :]
    out += np.tensordot(w, skew(np.eye(3)), axes=1)
    out.reshape(-1, 9)[:, ::4] += c[:, None]
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
