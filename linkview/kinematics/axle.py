"""Both wheels of an axle at any inputs: rack and each wheel's own travel, or heave and roll.

Independent corners have only the rack in common and are solved apart. A beam axle is one linkage
with two heights asked of it. Every pose is traced from the one in which the car was measured, so it
stays on that assembly; what is not reached is NaN.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np
from numpy.typing import ArrayLike

from linkview.errors import CannotAssemble
from linkview.geometry import Array, Flags, Index, Z, turn_angle_rad
from linkview.kinematics.closure import (
    GROUND,
    SLIDE,
    Direction,
    Height,
    Joint,
    Linkage,
    Place,
    State,
)
from linkview.kinematics.corner import (
    AXLE_LEVEL,
    CornerLinkage,
    linkage_of,
)
from linkview.kinematics.nearby import PoseList, by_part
from linkview.kinematics.part_poses import fit_errors_mm, part_poses
from linkview.kinematics.reach import blocked_by
from linkview.kinematics.solve import SCALE_MM, Problem, Target, Trace, rates, trace
from linkview.kinematics.sweep import check_reference, twists_of
from linkview.model.layout import OTHER_WHEEL_CENTRE, WHEEL_CENTRE
from linkview.model.parts import Axle, Corner, Hold
from linkview.units import to_deg, to_rad

SAME_MM = 1e-6


@dataclass(frozen=True, eq=False)
class AxlePoses:
    """n poses of a whole axle. rack_mm, left_travel_mm, right_travel_mm: (n,) as asked.

    left, right: each side's parts and its twists (see `PoseList`); on a beam axle the twists are
    those with the other wheel's height kept.
    """

    axle: Axle
    rack_mm: Array
    left_travel_mm: Array
    right_travel_mm: Array
    left: PoseList
    right: PoseList

    @property
    def corners(self) -> tuple[PoseList, PoseList]:
        return self.left, self.right

    @property
    def solved(self) -> Flags:
        """(n,): both sides reached."""
        return np.asarray(self.left.solved & self.right.solved)


def travels_of(axle: Axle, heave_mm: ArrayLike, roll_deg: ArrayLike) -> tuple[Array, Array]:
    """Wheel travels, left and right, mm, of a body in heave and roll on a level road.

    heave: both wheels up in the body, + compression. roll: the body leans to its right, + (ISO
    8855, about x forward), so that the left wheel hangs out and the right one is pressed in. Of
    the plane through both wheel centres at ride height; small-roll terms of the wheels' own motion
    are left to the linkage.
    """
    left, right = (c.points[WHEEL_CENTRE][1] for c in axle.corners)
    heave, lean = np.asarray(heave_mm, dtype=float), np.tan(to_rad(roll_deg))
    return np.asarray(heave - left * lean), np.asarray(heave - right * lean)


def axle_poses(
    axle: Axle, rack_mm: ArrayLike, left_travel_mm: ArrayLike, right_travel_mm: ArrayLike
) -> AxlePoses:
    """Both sides at n sets of inputs, wheel heights as given; arrays broadcast to (n,)."""
    given = np.broadcast_arrays(
        *(
            np.atleast_1d(np.asarray(x, dtype=float))
            for x in (rack_mm, left_travel_mm, right_travel_mm)
        )
    )
    rack, left, right = (np.array(x).ravel() for x in given)
    if axle.left.layout.level:
        sides = _beam_poses(axle.left, left, right), _beam_poses(axle.right, right, left)
    else:
        sides = corner_poses(axle.left, rack, left), corner_poses(axle.right, rack, right)
    return AxlePoses(axle, rack, left, right, *sides)


def corner_poses(corner: Corner, rack_mm: Array, travel_mm: Array) -> PoseList:
    """One corner at n racks and wheel-centre heights, (n,) each."""
    built = linkage_of(corner)
    problem = built.problem(Hold.WHEEL_HEIGHT)
    check_reference(built, problem)
    none = np.zeros(len(rack_mm))
    raised, goal = Target(none, travel_mm), Target(rack_mm, travel_mm)
    up = trace(problem, built.linkage.reference(len(rack_mm)), Target(none, none), raised)
    across = trace(problem, up.state, raised, goal)
    return pose_list(built, problem, across.state, goal, up.arrived & across.arrived)


def corner_poses_from(
    corner: Corner, start: PoseList, rack_mm: Array, travel_mm: Array
) -> PoseList:
    """One corner at n racks and wheel-centre heights, each traced from a pose at hand.

    start: n poses. Raises CannotAssemble where one does not close, or is another assembly than the
    one measured: followed back to ride height it must come home.
    """
    built = linkage_of(corner)
    problem = built.problem(Hold.WHEEL_HEIGHT)
    check_reference(built, problem)
    who = f"{corner.axle} {corner.side.value}"
    for joint, off in fit_errors_mm(corner, start.poses).items():
        if not np.max(off, initial=0.0) < SAME_MM:
            words = joint.replace("_", " ")
            raise CannotAssemble(f"{who}: the start given does not close at the {words}")
    state, slide = built.state_of(start.poses), start.rack_mm
    height = built.linkage.rows(state, slide).value[problem.driven]
    here, none = Target(slide, height), np.zeros(len(slide))
    home, back = (
        built.linkage.reference(len(slide)),
        trace(problem, state, here, Target(none, none)),
    )
    off_mm = np.abs(back.state.origin - home.origin).max(axis=(0, 1))
    off_mm += SCALE_MM * np.abs(back.state.turn - home.turn).max(axis=(0, 1, 2))
    strays = np.flatnonzero(~(back.arrived & (off_mm < SAME_MM)))
    if strays.size:
        one = strays[:1]
        why = _stray(problem, back, one, here, Target(none, none))
        at = f"rack {slide[one[0]]:+.1f} mm, travel {height[one[0]]:+.1f} mm"
        raise CannotAssemble(
            f"{who}: the start given at {at} is another assembly of the same parts: {why}; start "
            "from a pose of this corner's sweep"
        )
    goal = Target(rack_mm, travel_mm)
    stop = trace(problem, state, here, goal)
    return pose_list(built, problem, stop.state, goal, stop.arrived)


def _stray(problem: Problem, back: Trace, one: Index, start: Target, goal: Target) -> str:
    """Why one traced pose is not the measured one: what it met on the way, or where it ended."""
    state = back.state.take(one)
    if not back.arrived[one[0]]:
        met = start.between(goal, back.reached).take(one)
        where = f"rack {met.slide_mm[0]:+.2f} mm, travel {met.held_mm[0]:+.1f} mm"
        return f"on the way back to ride height {blocked_by(problem, state, met).words(where)}"
    turned = float(to_deg(turn_angle_rad(state.turn[0, ..., 0])))
    home = problem.linkage.reference()
    measured = rates(problem, problem.rows(home, goal.take(one))).grip[:, 0]
    rows = np.array([problem.driven, *problem.watched])
    flipped = rows[np.sign(back.rates.grip[:, one[0]]) != np.sign(measured)]
    over = " and its tie rod over centre" if problem.toggle in flipped else ""
    return (
        f"followed back to ride height it ends with its knuckle turned {turned:.0f} deg from where "
        f"it was measured{over}"
    )


def corner_poses_damper_held(corner: Corner, rack_mm: Array, travel_mm: Array) -> PoseList:
    """The same with the damper kept, while the rack moves, as long as it is at that travel."""
    built = linkage_of(corner)
    height, damper = built.problem(Hold.WHEEL_HEIGHT), built.problem(Hold.DAMPER_LENGTH)
    check_reference(built, height)
    none = np.zeros(len(rack_mm))
    raised = Target(none, travel_mm)
    up = trace(height, built.linkage.reference(len(rack_mm)), Target(none, none), raised)
    held = built.linkage.rows(up.state, none).value[damper.driven]
    across = trace(damper, up.state, Target(none, held), Target(rack_mm, held))
    rows = built.linkage.rows(across.state, rack_mm)
    goal = Target(rack_mm, rows.value[height.driven])
    return pose_list(built, height, across.state, goal, up.arrived & across.arrived)


def pose_list(
    built: CornerLinkage, problem: Problem, state: State, at: Target, reached: Flags
) -> PoseList:
    """Poses and twists of n states; `problem` is the one with the wheel's height driven."""
    poses = part_poses(built.corner, state, at.slide_mm)
    known = rates(problem, problem.rows(state, at))
    twists = twists_of(built, Hold.WHEEL_HEIGHT, poses, known)
    twists[:, ~reached] = np.nan
    for part in poses:
        poses[part] = np.where(reached[:, None, None], poses[part], np.nan)
    travel, rack, screw = twists[..., :6]
    each = [by_part(built, some) for some in twists[:2]]
    return PoseList(built.corner, at.slide_mm, poses, reached, travel, rack, screw, *each)


def _beam_poses(corner: Corner, own_mm: Array, other_mm: Array) -> PoseList:
    """A beam axle at n heights of its own wheel and the other."""
    built = beam_linkage(corner)
    problem = built.problem(Hold.WHEEL_HEIGHT)
    none, goal = np.zeros(len(own_mm)), Target(other_mm, own_mm)
    stop = trace(problem, built.linkage.reference(len(own_mm)), Target(none, none), goal)
    return pose_list(built, problem, stop.state, goal, stop.arrived)


def beam_linkage(corner: Corner) -> CornerLinkage:
    """A beam axle with two heights asked of it: the other wheel's is the slide input."""
    given = linkage_of(corner)
    linkage = Linkage(list(given.linkage.origins), beam_joints(corner, given.linkage.joints), Z)
    return replace(given, linkage=linkage)


def beam_joints(corner: Corner, joints: Sequence[Joint]) -> list[Joint]:
    """The joints with the other wheel's height held by the slide input."""
    other = corner.points[OTHER_WHEEL_CENTRE]
    both = Height(AXLE_LEVEL, Place(SLIDE, other), Place(0, other), Direction(GROUND, Z), 0.0)
    return [both if j.name == AXLE_LEVEL else j for j in joints]


class Rolling(Protocol):
    """Poses of a beam axle with the twists by its own wheel's height and by the other's."""

    @property
    def corner(self) -> Corner: ...
    @property
    def travel_twist(self) -> Array: ...
    @property
    def rack_twist(self) -> Array: ...


def roll_twist(poses: Rolling) -> Array:
    """A beam axle's twist (n, 6) per radian of roll of the body to its right, mean height kept.

    travel_twist lifts this wheel, rack_twist (the slide input) the other.
    """
    points = poses.corner.points
    own, other = (points[p][..., 1, None] for p in (WHEEL_CENTRE, OTHER_WHEEL_CENTRE))
    return np.asarray(-own * poses.travel_twist - other * poses.rack_twist)
