"""One pose with its rows' slopes inverted, once for all inputs and hard points."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from linkview.errors import LinkageLocked
from linkview.geometry import Array, Index
from linkview.kinematics.axle import (
    axle_poses,
    beam_joints,
    beam_linkage,
    corner_poses,
    corner_poses_damper_held,
)
from linkview.kinematics.closure import Joint, State
from linkview.kinematics.corner import CornerLinkage, held_joints, linkage_of
from linkview.kinematics.nearby import PoseList
from linkview.model.parts import Axle, Corner, Hold


@dataclass(frozen=True, eq=False)
class Factored:
    """A corner at one pose with its rows' slopes inverted, once; n = 1 in `state`.

    inverse: J^-1 (6P, 6P). The slopes of a sound linkage are well conditioned, and a product is
    done at once where scipy's lu_solve took 12 ms to share six rows among threads.
    """

    built: CornerLinkage
    used: Index
    state: State
    slide_mm: float
    inverse: Array
    beam: bool = False

    def joints(self, corner: Corner, kept: Corner) -> list[Joint]:
        """`held_joints`, or a beam axle's with both heights asked of it."""
        joints = held_joints(corner, kept)
        return beam_joints(corner, joints) if self.beam else joints

    def along(self, right: Array) -> Array:
        """J^-1 @ right, (6P, K)."""
        return np.asarray(self.inverse @ right)


def factored(corner: Corner, rack_mm: float, travel_mm: float) -> Factored:
    """Solves one pose (wheel height as given) and factors its slopes. Raises LinkageLocked."""
    poses = corner_poses(corner, np.array([rack_mm]), np.array([travel_mm]))
    return _reached(corner, poses, rack_mm, travel_mm)


def factored_damper_held(corner: Corner, rack_mm: float, travel_mm: float) -> Factored:
    """The same with the damper as long as it is at that travel with the rack centred."""
    poses = corner_poses_damper_held(corner, np.array([rack_mm]), np.array([travel_mm]))
    return _reached(corner, poses, rack_mm, travel_mm)


def _reached(corner: Corner, poses: PoseList, rack_mm: float, travel_mm: float) -> Factored:
    if not poses.solved[0]:
        raise LinkageLocked(
            f"{corner.axle} {corner.side.value}: rack {rack_mm:+.1f} mm, travel {travel_mm:+.1f} "
            "mm is beyond reach, so nothing can be said of its sensitivity"
        )
    return _factored(linkage_of(corner), poses, rack_mm)


def factored_on_axle(axle: Axle, rack_mm: float, travel_mm: Array) -> tuple[Factored, Factored]:
    """Both sides at one pose of a whole axle, left and right; travel_mm (2,).

    A beam axle's input besides its own wheel's height is the other's, in the place of the rack.
    """
    if not axle.left.layout.level:
        left, right = (
            factored(c, rack_mm, float(t)) for c, t in zip(axle.corners, travel_mm, strict=True)
        )
        return left, right
    poses = axle_poses(axle, rack_mm, *travel_mm)
    if not poses.solved[0]:
        raise LinkageLocked(f"{axle.name} axle: beyond reach, so nothing can be said of it")
    pair = zip(axle.corners, poses.corners, travel_mm[::-1], strict=True)
    left, right = (replace(_factored(beam_linkage(c), p, float(t)), beam=True) for c, p, t in pair)
    return left, right


def _factored(built: CornerLinkage, poses: PoseList, slide_mm: float) -> Factored:
    state = built.state_of(poses.poses)
    problem = built.problem(Hold.WHEEL_HEIGHT)
    rows = built.linkage.rows(state, np.array([slide_mm]))
    inverse = np.asarray(np.linalg.inv(rows.slope[problem.used, :, 0]), dtype=float)
    return Factored(built, problem.used, state, slide_mm, inverse)
