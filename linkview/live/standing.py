"""What else stands on the stage at a pose: the joints' axes with what they allow, other axles."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from linkview.export.actors import Actor
from linkview.geometry import Array, apply_direction
from linkview.kinematics.sweep import AxleSweep, CornerSweep
from linkview.limits.joints import axis_now, joint_limits, member_of
from linkview.live.moving import Inputs, clamped, swept_at
from linkview.live.pose_words import places_json
from linkview.model.parts import Axle, Car, JointKind, JointLimit

Json = dict[str, Any]


def joints_json(sweep: AxleSweep) -> dict[str, list[Json]]:
    """By side, every joint of the file at a sweep of one pose.

    at (3) mm; axis (3) unit: the bolt's, or the way the middle of the allowed cone points; member
    (3) unit: where the part that swings in it points; allowed and used in degrees, used None where
    out of reach.
    """
    return {c.corner.side.value: _corner_joints(c) for c in sweep.corners}


def _corner_joints(corner: CornerSweep) -> list[Json]:
    out = []
    for joint, limit in zip(corner.corner.joints, joint_limits(corner.corner), strict=True):
        at, axis = corner.point(joint.point), axis_now(corner, joint)
        member = _member_now(corner, joint)
        used = float(limit.measure(corner).ravel()[0])
        one = [np.asarray(v).reshape(-1, 3)[0] for v in (at, axis, member)]
        if not all(np.isfinite(v).all() for v in one):
            continue
        out.append(
            {
                "point": joint.point,
                "kind": joint.kind.name.lower(),
                "words": limit.name,
                "at": [round(float(v), 3) for v in one[0]],
                "axis": [round(float(v), 6) for v in one[1]],
                "member": [round(float(v), 6) for v in one[2]],
                "allowed": round(joint.max_deg, 3),
                "used": round(used, 3) if np.isfinite(used) else None,
            }
        )
    return out


def _member_now(corner: CornerSweep, joint: JointLimit) -> Array:
    """A direction of the part that swings: away from the joint, or a ball's housing axis."""
    layout = corner.corner.layout
    member = member_of(layout, joint)
    if joint.kind is JointKind.BALL_STUD:
        return apply_direction(corner.pose(member), joint.housing_axis)
    for spans in (layout.rods, layout.spans):
        if member in spans:
            ends = spans[member].inner, spans[member].outer
            break
    else:
        ends = layout.struts[member].lower, layout.struts[member].top
    far = ends[1] if joint.point == ends[0] else ends[0]
    way = corner.point(far) - corner.point(joint.point)
    return np.asarray(way / np.linalg.norm(way, axis=-1, keepdims=True))


def others_json(
    car: Car, but: str, inputs: Inputs, actors: Mapping[str, tuple[Actor, ...]]
) -> dict[str, Json | None]:
    """Where the actors of every other axle stand, its wheels following travel and roll as far as
    they can; None where that is out of reach. actors: by axle.
    """
    out: dict[str, Json | None] = {}
    for name, axle in car.axles.items():
        if name != but and name in actors:
            out[name] = _other(axle, inputs, actors[name])
    return out


def _other(axle: Axle, inputs: Inputs, actors: tuple[Actor, ...]) -> Json | None:
    along = clamped(axle, Inputs(0.0, inputs.travel_mm, inputs.roll_deg))
    sweep = swept_at(axle, [along])
    if not (sweep.left.solved.all() and sweep.right.solved.all()):
        return None
    return places_json(actors, {c.corner.side: c for c in sweep.corners})
