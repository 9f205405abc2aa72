"""Where arms, rods and struts stand in a pose with its derivatives, from their ends."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from linkview.geometry import Array, numbers, smallest_turn, unit
from linkview.kinematics.sensitivity import Perturbed, move_of
from linkview.model.parts import Corner


def with_members(posed: Perturbed, kept: Corner) -> Perturbed:
    """The same with arms, rods and struts, whose poses follow from their ends (see `part_poses`).

    kept: whose sizes they have; their points there are where they stood at the reference.
    """
    layout, poses = posed.corner.layout, dict(posed.poses)
    many = len(posed.rack_mm)

    def was(name: str) -> Array:
        return np.broadcast_to(numbers(kept.points[name]), (many, 3))

    for name, rod in {**layout.rods, **layout.spans}.items():
        if rod.inner in posed.corner.points and rod.outer in posed.corner.points:
            poses[name] = _carried_by(was, posed, rod.inner, rod.outer)
    for name, strut in layout.struts.items():
        poses[name] = _carried_by(was, posed, strut.top, strut.lower)
    for name, arm in layout.arms.items():
        names = (*arm.pivots, arm.ball)
        before, now = _frame(*(was(n) for n in names)), _frame(*(posed.point(n) for n in names))
        turn = now @ np.swapaxes(before, -1, -2)
        poses[name] = move_of(turn, was(names[0]), posed.point(names[0]))
    return replace(posed, poses=poses)


def _carried_by(was: Callable[[str], Array], posed: Perturbed, at: str, to: str) -> Array:
    """The move of a straight member that turns the shortest way and stays at one end."""
    before, now = was(to) - was(at), posed.point(to) - posed.point(at)
    return move_of(smallest_turn(unit(before), unit(now)), was(at), posed.point(at))


def _frame(a: Array, b: Array, c: Array) -> Array:
    """Axes (K, 3, 3) fixed to three points (K, 3)."""
    x = unit(b - a)
    z = unit(np.cross(x, c - a))
    return np.stack([x, np.cross(z, x), z], axis=-1)
