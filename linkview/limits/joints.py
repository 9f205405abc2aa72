"""Limits of rod ends, ball joints and bearings, measured on poses."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from linkview.alignment.posed import Travelling, at_ride_height
from linkview.errors import UnknownName, near_miss
from linkview.geometry import Array, apply_direction, unit
from linkview.kinematics.cell_motion import Motion
from linkview.kinematics.nearby import Posed
from linkview.limits.joint_angles import clocked_use, swing_rad, tilt_rad, twist_rad
from linkview.limits.limit import Limit, spoken
from linkview.model.layout import Layout, Rod
from linkview.model.parts import Corner, JointKind, JointLimit
from linkview.units import to_deg, to_rad

KIND_WORDS = {
    JointKind.ROD_END: "rod end misalignment",
    JointKind.INNER_JOINT: "joint angle",
    JointKind.BALL_STUD: "ball stud angle",
    JointKind.BEARING: "bearing angle",
}


def joint_limits(corner: Corner) -> Iterator[Limit]:
    """One limit per joint of the file."""
    for joint in corner.joints:
        yield Limit(
            corner.side,
            f"{spoken(joint.point)} {KIND_WORDS[joint.kind]}",
            joint.point,
            "deg",
            joint.max_deg,
            False,
            joint.max_deg,
            _measured(corner.layout, joint),
            drift=_drift(corner, joint),
            against=_bearing(corner.layout, joint) if joint.kind is JointKind.BEARING else None,
        )


def _measured(layout: Layout, joint: JointLimit) -> Callable[[Posed], Array]:
    """Angle in degrees of one joint; its axis turns with the part it is fixed to.

    A ball stud is measured against its housing, the stud turning with axis_part and the housing
    with the member. Straight is how the two were made: along each other at ride height, and if they
    were kept while the corner changed, at the ride height before that.
    """
    if joint.kind is JointKind.BALL_STUD:
        member = member_of(layout, joint)
        return lambda posed: to_deg(
            swing_rad(
                apply_direction(posed.pose(member), joint.housing_axis), axis_now(posed, joint)
            )
        )
    angle = tilt_rad if joint.kind is JointKind.ROD_END else swing_rad
    inner, outer = _ends(layout, member_of(layout, joint))
    return lambda posed: to_deg(
        angle(posed.point(outer) - posed.point(inner), axis_now(posed, joint))
    )


def _bearing(layout: Layout, joint: JointLimit) -> Callable[[Travelling], Callable[[Posed], Array]]:
    """A bearing's axis is the strut's own line at ride height, so it goes with the points."""
    lower, top = _ends(layout, member_of(layout, joint))

    def against(ride: Travelling) -> Callable[[Posed], Array]:
        axis = unit(ride.point(top) - ride.point(lower))
        return lambda posed: to_deg(swing_rad(posed.point(top) - posed.point(lower), axis))

    return against


def _drift(corner: Corner, joint: JointLimit) -> Callable[[Motion], Array]:
    """The angle of two lines changes by no more than both turn together."""
    member = member_of(corner.layout, joint)
    if joint.kind is JointKind.BALL_STUD:
        return lambda cell: to_deg(cell.turn_of(member) + cell.turn_of(joint.axis_part))
    inner, outer = _ends(corner.layout, member)
    return lambda cell: to_deg(cell.swing_of(inner, outer) + cell.turn_of(joint.axis_part))


def axis_now(posed: Posed, joint: JointLimit) -> Array:
    """The joint's axis (..., 3) as it stands at each pose."""
    return apply_direction(posed.pose(joint.axis_part), joint.axis)


def member_of(layout: Layout, joint: JointLimit) -> str:
    """The part that swings in a joint. Raises UnknownName where nothing is joined there."""
    if joint.member in layout.parts:
        return joint.member
    for name, span in layout.spans.items():
        if joint.point in (span.inner, span.outer):
            return name
    fix = near_miss(joint.member, layout.parts)
    raise UnknownName(f"joints.{joint.point}: no part swings at '{joint.member}'; {fix}")


def _ends(layout: Layout, member: str) -> tuple[str, str]:
    """The two hard points a member's own direction runs through."""
    for rods in (layout.rods, layout.spans):
        if member in rods:
            return rods[member].inner, rods[member].outer
    if member in layout.struts:
        return layout.struts[member].lower, layout.struts[member].top
    straight = (*layout.rods, *layout.struts, *layout.spans)
    raise UnknownName(
        f"joints: '{member}' has no direction of its own; {near_miss(member, straight)}"
    )


def clocked_rod_limits(corner: Corner) -> Iterator[Limit]:
    """Rods with a rod end at both ends: the ends share one spin, so they are tested together.

    Taken as built the usual way: each eye set square to its own bolt at ride height, then locked.
    """
    ends = {j.point: j for j in corner.joints if j.kind is JointKind.ROD_END}
    for name, rod in corner.layout.rods.items():
        if rod.inner in ends and rod.outer in ends:
            against = _clocked(rod, (ends[rod.inner], ends[rod.outer]))
            yield Limit(
                corner.side,
                f"{spoken(name)} rod ends clocked together",
                rod.outer,
                "% of allowed",
                100.0,
                False,
                100.0,
                against(at_ride_height(corner)),
                against=against,
            )


def _clocked(
    rod: Rod, pair: tuple[JointLimit, JointLimit]
) -> Callable[[Travelling], Callable[[Posed], Array]]:
    allowed = float(to_rad(pair[0].max_deg)), float(to_rad(pair[1].max_deg))

    def seen(posed: Posed) -> tuple[Array, tuple[Array, Array]]:
        along = posed.point(rod.outer) - posed.point(rod.inner)
        return along, (axis_now(posed, pair[0]), axis_now(posed, pair[1]))

    def against(ride: Travelling) -> Callable[[Posed], Array]:
        built = twist_rad(*seen(ride)).ravel()  # one for all poses, or one for each

        def use(posed: Posed) -> Array:
            return 100.0 * clocked_use(*seen(posed), built, allowed)

        return use

    return against
