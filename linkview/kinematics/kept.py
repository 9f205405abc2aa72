"""A corner put together again with a few points elsewhere and every part kept: its reference pose.

What a slot does: the top mount slides, links and knuckle keep their sizes, the wheel stays at its
height and the rack centred; camber, caster and toe follow.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from linkview.errors import CannotAssemble
from linkview.geometry import Array, apply, apply_direction, frozen, unit
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
    knuckle = part_poses(corner, state, np.zeros(1))[KNUCKLE][0]
    on_knuckle = (*corner.layout.on_knuckle, "wheel_centre")
    points = {
        name: frozen(apply(knuckle, p) if name in on_knuckle else moved.get(name, p))
        for name, p in corner.points.items()
    }
    axis = frozen(unit(apply_direction(knuckle, corner.wheel.spin_axis)))
    wheel = replace(corner.wheel, centre=points["wheel_centre"], spin_axis=axis)
    joints = tuple(_carried(j, corner, points, knuckle) for j in corner.joints)
    return replace(corner, points=points, wheel=wheel, joints=joints)


def _carried(
    joint: JointLimit, corner: Corner, points: Mapping[str, Array], knuckle: Array
) -> JointLimit:
    """A joint whose axis turns with the knuckle, or is the strut's own line where that now is."""
    if joint.kind is JointKind.BEARING:
        strut = corner.layout.struts[joint.member]
        return replace(joint, axis=frozen(unit(points[strut.top] - points[strut.lower])))
    if joint.axis_part == KNUCKLE:
        return replace(joint, axis=frozen(apply_direction(knuckle, joint.axis)))
    return joint
