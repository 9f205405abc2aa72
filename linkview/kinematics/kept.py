"""A corner put together again with a few points elsewhere and every part kept: its reference pose.

What a slot does: the top mount slides, links and knuckle keep their sizes, the wheel stays at its
height and the rack centred; camber, caster and toe follow.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from linkview.errors import CannotAssemble
from linkview.geometry import (
    Array,
    apply,
    apply_direction,
    frozen,
    turn_about,
    turn_between,
    unit,
)
from linkview.kinematics.corner import WHEEL_HEIGHT, linkage_of
from linkview.kinematics.part_poses import part_poses
from linkview.kinematics.solve import Target, newton
from linkview.model.layouts import KNUCKLE
from linkview.model.parts import Corner, Hold, JointKind, JointLimit

STEPS = 8  # small moves one after the other, so that it stays the same assembly


def corner_with(corner: Corner, moved: Mapping[str, Array]) -> Corner:
    """The corner re-assembled with body-side points at new places (3,) mm.

    Raises CannotAssemble where the parts then do not go together.
    """
    state = linkage_of(corner).linkage.reference()
    for step in range(1, STEPS + 1):
        places = {
            name: frozen(p if name not in moved else p + step / STEPS * (moved[name] - p))
            for name, p in corner.points.items()
        }
        problem = linkage_of(replace(corner, points=places), corner).problem(Hold.WHEEL_HEIGHT)
        found = newton(problem, state, Target(np.zeros(1), np.zeros(1)), most_iterations=20)
        if not found.solved[0]:
            raise CannotAssemble(
                f"{corner.axle} axle: with {', '.join(moved)} moved the parts do not go together "
                f"({WHEEL_HEIGHT} held)"
            )
        state = found.state
    moves = {part: m[0] for part, m in part_poses(corner, state, np.zeros(1)).items()}
    owner, solved = corner.layout.owner, corner.layout.solved
    points = {
        name: frozen(apply(moves[owner(name)], p) if owner(name) in solved else moved.get(name, p))
        for name, p in corner.points.items()
    }
    # Arms, rods and struts where they now are: their ends may have moved on the body.
    moves |= member_moves(corner, points)
    axis = frozen(unit(apply_direction(moves[KNUCKLE], corner.wheel.spin_axis)))
    wheel = replace(corner.wheel, centre=points["wheel_centre"], spin_axis=axis, on_floor=False)
    joints = tuple(_carried(j, corner, points, moves) for j in corner.joints)
    return replace(corner, points=points, wheel=wheel, joints=joints)


def _carried(
    joint: JointLimit, corner: Corner, points: Mapping[str, Array], moves: Mapping[str, Array]
) -> JointLimit:
    """A joint whose axis turns with its part, or is the strut's own line where that now is."""
    if joint.kind is JointKind.BEARING:
        strut = corner.layout.struts[joint.member]
        return replace(joint, axis=frozen(unit(points[strut.top] - points[strut.lower])))
    housing = joint.housing
    if joint.kind is JointKind.BALL_STUD and joint.member in moves:
        housing = frozen(apply_direction(moves[joint.member], joint.housing_axis))
    if joint.axis_part in corner.layout.solved:
        axis = frozen(apply_direction(moves[joint.axis_part], joint.axis))
        return replace(joint, axis=axis, housing=housing)
    return replace(joint, housing=housing)


def member_moves(before: Corner, after: Mapping[str, Array]) -> dict[str, Array]:
    """How arms, rods, struts and spans (4, 4) went from a corner's points to where these now are.

    A straight one turns the shortest way (its spin is free), an arm with its pivots and ball.
    """
    layout, was = before.layout, before.points
    ends = {n: (r.inner, r.outer) for n, r in {**layout.rods, **layout.spans}.items()}
    ends |= {n: (s.top, s.lower) for n, s in layout.struts.items()}
    out = {}
    for name, (at, to) in ends.items():
        if at in was and to in was:
            turn = turn_between(was[to] - was[at], after[to] - after[at])
            out[name] = turn_about(turn, was[at], after[at])
    for name, arm in layout.arms.items():
        names = (*arm.pivots, arm.ball)
        turn = _frame(after, names) @ _frame(was, names).T
        out[name] = turn_about(turn, was[names[0]], after[names[0]])
    return out


def _frame(points: Mapping[str, Array], names: tuple[str, str, str]) -> Array:
    """Axes (3, 3) fixed to three points."""
    a, b, c = (points[n] for n in names)
    x, z = unit(b - a), unit(np.cross(b - a, c - a))
    return np.stack([x, np.cross(z, x), z], axis=1)
