"""How every joint's misfit changes as the parts move: its value and first and second rates.

The joints themselves are evaluated, one by one, from the places and speeds of their points; no
matrix of slopes is needed. Complex numbers pass through, so that a part i h carries a derivative
along (`geometry.py`), of joints whose own points move too.

Per-pose arrays run along the last axis: vectors are (3, n), a part's twist is (6, n): its origin's
shift, then its turn, per unit of the input.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from linkview.geometry import Array
from linkview.kinematics.closure import (
    GROUND,
    SLIDE,
    Direction,
    Height,
    Linkage,
    Place,
    Rod,
    Square,
    State,
    heights_of,
)


@dataclass(frozen=True, eq=False)
class Moving:
    """Where the parts are and how they go on.

    origins: of each part at the reference, (3,) or (3, n) where the points themselves differ from
    pose to pose. state: n poses. twist, bend (6P, n): first and second derivatives along the way.
    slide_mm (n,): the rack; slide_rate: its speed. slide_axis (3,).
    """

    origins: tuple[Array, ...]
    state: State
    twist: Array
    bend: Array
    slide_mm: Array
    slide_rate: float
    slide_axis: Array

    def place(self, what: Place) -> tuple[Array, Array, Array]:
        """A point's place, speed and acceleration, (3, n) each."""
        at = column(what.at)
        if what.part == GROUND:
            return at, np.zeros((3, 1)), np.zeros((3, 1))
        if what.part == SLIDE:
            axis = self.slide_axis[:, None]
            return at + axis * self.slide_mm, axis * self.slide_rate, np.zeros((3, 1))
        k = what.part
        arm = turned(self.state.turn[k], at - column(self.origins[k]))
        v, w, v2, w2 = self._speeds(k)
        once = cross(w, arm)
        return self.state.origin[k] + arm, v + once, v2 + cross(w2, arm) + cross(w, once)

    def direction(self, what: Direction) -> tuple[Array, Array, Array]:
        """A direction fixed to a part, its speed and acceleration, (3, n) each."""
        along = column(what.along)
        if what.part < 0:
            return along, np.zeros((3, 1)), np.zeros((3, 1))
        now = turned(self.state.turn[what.part], along)
        _, w, _, w2 = self._speeds(what.part)
        once = cross(w, now)
        return now, once, cross(w2, now) + cross(w, once)

    def _speeds(self, k: int) -> tuple[Array, Array, Array, Array]:
        first, second = self.twist[6 * k : 6 * k + 6], self.bend[6 * k : 6 * k + 6]
        return first[:3], first[3:], second[:3], second[3:]


@dataclass(frozen=True, eq=False)
class RowMotion:
    """Value, rate and second rate of every row, (m, n) each, in the linkage's order."""

    value: Array
    rate: Array
    second: Array


def row_motion(linkage_joints: tuple[Rod | Height | Square, ...], moving: Moving) -> RowMotion:
    """All rows along a way. The joints are simple ones, in the linkage's order."""
    n = moving.state.count
    found = [_one(joint, moving) for joint in linkage_joints]
    stacked = [np.stack([np.broadcast_to(row[k], (n,)) for row in found]) for k in range(3)]
    return RowMotion(*stacked)


def simple_joints(linkage: Linkage) -> tuple[Rod | Height | Square, ...]:
    """A linkage's joints one row each, in the order of its rows."""
    return in_row_order(linkage.joints)


def in_row_order(joints: tuple[object, ...]) -> tuple[Rod | Height | Square, ...]:
    """Joints one row each: rods first, then heights and sliders, then squares."""
    rods = [j for j in joints if isinstance(j, Rod)]
    heights = [h for j in joints for h in heights_of(j)]
    squares = [j for j in joints if isinstance(j, Square)]
    return (*rods, *heights, *squares)


def second_rates(linkage: Linkage, state: State, slide_mm: Array, twist: Array) -> Array:
    """Each row's second derivative along a way with these twists (6P, n) and no accelerations.

    The rack stands still. (m, n); on a way that keeps the rows, slope @ bend = -this.
    """
    moving = Moving(
        tuple(linkage.origins),
        state,
        twist,
        np.zeros_like(twist),
        slide_mm,
        0.0,
        linkage.slide_axis,
    )
    return row_motion(simple_joints(linkage), moving).second


def _one(joint: Rod | Height | Square, moving: Moving) -> tuple[Array, Array, Array]:
    """One row's value, rate and second rate, (n,) or (1,)."""
    if isinstance(joint, Square):
        u, w = moving.direction(joint.u), moving.direction(joint.w)
        rate = _sum(u[1], w[0]) + _sum(u[0], w[1])
        second = _sum(u[2], w[0]) + 2.0 * _sum(u[1], w[1]) + _sum(u[0], w[2])
        return _sum(u[0], w[0]) - joint.cosine, rate, second
    a, b = moving.place(joint.a), moving.place(joint.b)
    span, speed, bend = (q - p for p, q in zip(a, b, strict=True))
    if isinstance(joint, Rod):
        size = joint.length_mm
        value = (_sum(span, span) - size**2) / (2.0 * size)
        return value, _sum(span, speed) / size, (_sum(speed, speed) + _sum(span, bend)) / size
    n = moving.direction(joint.normal)
    rate = _sum(n[1], span) + _sum(n[0], speed)
    second = _sum(n[2], span) + 2.0 * _sum(n[1], speed) + _sum(n[0], bend)
    return _sum(n[0], span) - joint.value_mm, rate, second


def column(v: Array) -> Array:
    """(3,) or (n, 3) -> (3, 1) or (3, n)."""
    return v[:, None] if v.ndim == 1 else v.T


def turned(turn: Array, v: Array) -> Array:
    """Rotations (3, 3, n) on vectors (3, 1 or n)."""
    return np.asarray((turn * v[None]).sum(axis=1))


def cross(a: Array, b: Array) -> Array:
    """Cross products of (3, n) vectors."""
    return np.stack(
        [a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]]
    )


def _sum(a: Array, b: Array) -> Array:
    return np.asarray((a * b).sum(axis=0))
