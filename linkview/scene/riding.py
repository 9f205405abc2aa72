"""How pieces of the scene move: with a part, between two, or under a wheel. No meshes here."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from linkview.alignment.wheel import contact_centre
from linkview.geometry import Array, apply, apply_direction, length, rigid, turn_between, unit
from linkview.model.bodies import Anchor
from linkview.model.layouts import BODY, WHEEL
from linkview.model.parts import Corner

Poses = Mapping[str, Array]  # part -> (4, 4) move from the reference pose; the body's left out


def move_of(poses: Poses, part: str) -> Array:
    """The part's move (4, 4); the identity for the body."""
    return np.eye(4) if part == BODY else poses[part]


@dataclass(frozen=True)
class Ride:
    """Moves rigidly with one part."""

    part: str

    def at(self, poses: Poses) -> Array:
        return move_of(poses, self.part)


@dataclass(frozen=True, eq=False)
class Span:
    """Reaches from one anchor to another: turned the shortest way, stretched along itself."""

    start: Anchor
    end: Anchor

    def at(self, poses: Poses) -> Array:
        a, b = np.asarray(self.start.at), np.asarray(self.end.at)
        now_a = apply(move_of(poses, self.start.part), a)
        now_b = apply(move_of(poses, self.end.part), b)
        along = unit(b - a)
        stretch = float(length(now_b - now_a) / length(b - a))
        longer = np.eye(3) + (stretch - 1.0) * np.outer(along, along)
        linear = turn_between(b - a, now_b - now_a) @ longer
        return rigid(linear, now_a - linear @ a)


@dataclass(frozen=True, eq=False)
class Underfoot:
    """Stays level under one wheel: follows its contact centre, does not turn."""

    corner: Corner

    def at(self, poses: Poses) -> Array:
        shift = standing_at(self.corner, poses) - standing_at(self.corner, {WHEEL: np.eye(4)})
        return rigid(np.eye(3), shift)


def standing_at(corner: Corner, poses: Poses) -> Array:
    """The wheel's contact centre (3,) mm."""
    move = move_of(poses, WHEEL)
    spin = apply_direction(move, corner.wheel.spin_axis)
    centre = apply(move, corner.points["wheel_centre"])
    return contact_centre(centre, spin, corner.wheel.loaded_radius_mm)


Move = Ride | Span | Underfoot


def move_between(start: Anchor, end: Anchor) -> Ride | Span:
    """A ride where both ends sit on one part, else a span."""
    return Ride(start.part) if start.part == end.part else Span(start, end)
