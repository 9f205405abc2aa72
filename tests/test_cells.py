"""Bounds over whole cells of inputs, attacked with exact poses anywhere inside them.

Truth: poses solved one by one at random inputs of the cell, by the solver alone; what is attacked
are the closed-form bounds, which never see those poses.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from conftest import front_corner, rear_corner
from shipped import axle_of_model

from linkview.geometry import apply, length
from linkview.kinematics.cell_motion import Motion
from linkview.kinematics.cell_rows import farthest
from linkview.kinematics.cells import Inputs, inside, reach_of
from linkview.kinematics.nearby import Nearby
from linkview.kinematics.part_poses import part_poses
from linkview.kinematics.solve import Target, trace
from linkview.kinematics.sweep import sweep_corner
from linkview.limits.joints import joint_limits
from linkview.model.layouts import BODY, KNUCKLE, RACK, WHEEL
from linkview.model.parts import Hold, JointKind, JointLimit

TRIES = 400  # poses thrown at each set of cells
# A centre link that a short stud keeps from tilting: cells must be smaller to be bounded.
SMALLER = {"steering_box": 0.25}


def shipped_corner(name):
    """A maker of a shipped layout's left corner."""

    def make():
        return axle_of_model(name).left

    make.__name__ = name
    return make


# Every layout, and so every kind of joint: two to five parts solved for together, beam axles.
LAYOUTS = (
    "double_wishbone",
    "push_rod",
    "pull_rod",
    "strut_with_bar",
    "steering_box",
    "free_layout",
    "semi_trailing_arm",
    "trailing_arm",
    "twin_link_strut",
    "four_link_axle",
    "three_link_axle",
    "lever_axle",
)


def corners_and_holds():
    return [
        (front_corner, Hold.WHEEL_HEIGHT),
        (front_corner, Hold.DAMPER_LENGTH),
        (rear_corner, Hold.WHEEL_HEIGHT),
        (shipped_corner("push_rod"), Hold.DAMPER_LENGTH),
        *((shipped_corner(name), Hold.WHEEL_HEIGHT) for name in LAYOUTS),
    ]


class Attack:
    """Cells round grid poses of one corner, and exact poses at random places inside them."""

    def __init__(self, make, hold, *, half_mm: float, seed: int) -> None:
        rng = np.random.default_rng(seed)
        corner = make()
        most = 0.96 * corner.rack.stop_mm if corner.rack else 0.0
        rack = np.linspace(-most, most, 9 if most else 1)
        travel = np.linspace(corner.travel.droop_mm, corner.travel.bump_mm, 9)
        sweep = sweep_corner(corner, rack, travel, hold)
        self.corner, self.near = corner, Nearby(sweep)
        i, j = (a.astype(np.intp) for a in np.nonzero(sweep.solved))
        state, start = self.near.start(i, j)
        half = np.full(len(i), half_mm * SMALLER.get(corner.layout.name, 1.0))
        inputs = Inputs(start.slide_mm, start.held_mm, half * (corner.rack is not None), half)
        problem = self.near.as_held
        reach = reach_of(problem, state, inputs)
        # Random inputs of random sure cells, corners and edges of the cell among them.
        self.cell = rng.choice(np.flatnonzero(reach.sure), TRIES)
        share = rng.uniform(-1, 1, (TRIES, 2))
        share[: TRIES // 4] = np.sign(share[: TRIES // 4])
        self.way = share * inputs.half[self.cell]
        goal = Target(
            start.slide_mm[self.cell] + self.way[:, 0], start.held_mm[self.cell] + self.way[:, 1]
        )
        stop = trace(problem, state.take(self.cell), start.take(self.cell), goal)
        self.arrived = stop.arrived
        self.middle, self.there, self.reach = state, stop.state, reach
        self.motion = Motion(corner, inputs, reach, part_poses(corner, state, inputs.rack_mm))
        self.poses = part_poses(corner, stop.state, goal.slide_mm)


@pytest.mark.parametrize(("make", "hold"), corners_and_holds())
@pytest.mark.parametrize("half_mm", [0.5, 2.0])
def test_every_pose_of_a_sure_cell_exists_and_is_the_one_bounded(make, hold, half_mm):
    # A sure cell holds no dead point, so every pose in it can be traced to from its middle.
    attack = Attack(make, hold, half_mm=half_mm, seed=1)
    assert attack.reach.sure.mean() > 0.3
    assert attack.arrived.all()
    reach = attack.reach
    home = attack.middle.take(attack.cell)
    assert inside(reach.take(attack.cell), home, attack.way, attack.there).all()


@pytest.mark.parametrize(("make", "hold"), corners_and_holds())
@pytest.mark.parametrize("half_mm", [0.5, 2.0])
def test_no_point_of_any_part_leaves_its_bound(make, hold, half_mm):
    attack = Attack(make, hold, half_mm=half_mm, seed=2)
    rng = np.random.default_rng(3)
    corner = attack.corner
    for part in (BODY, *attack.poses):
        at = corner.points["wheel_centre"] + rng.normal(size=(6, 3)) * 200.0
        spots = attack.motion.spots(part, at)
        now = spots.now[attack.cell]
        straight = np.einsum("nkij,nj->nki", spots.by[attack.cell], attack.way)
        there = (
            apply(attack.poses[part][:, None], at)
            if part != BODY
            else np.broadcast_to(at, now.shape)
        )
        miss = length(there - now - straight)
        assert (miss <= spots.slack[attack.cell] + 1e-7).all(), part
        assert np.isfinite(spots.slack[attack.cell]).all()
        if part in (KNUCKLE, WHEEL, RACK, *corner.layout.arms):
            # ... and the bound is of use: second order, so small beside the motion itself.
            most = farthest(spots.by, attack.motion.inputs.half).max()
            assert np.median(spots.slack[attack.cell]) <= 0.6 * most + 1e-6, part


@pytest.mark.parametrize(("make", "hold"), corners_and_holds())
def test_no_part_turns_further_than_said(make, hold):
    attack = Attack(make, hold, half_mm=2.0, seed=4)
    for part, pose in attack.poses.items():
        home = attack.motion.poses[part][attack.cell]
        turned = np.einsum("nij,nkj->nik", pose[:, :3, :3], home[:, :3, :3])
        chord = np.sqrt(np.square(turned - np.eye(3)).sum(axis=(1, 2)) / 8)
        angle = 2 * np.arcsin(np.minimum(chord, 1))
        assert (angle <= attack.motion.turn_of(part)[attack.cell] + 1e-9).all(), part


def test_joint_angles_stay_within_their_drift():
    attack = Attack(front_corner, Hold.WHEEL_HEIGHT, half_mm=2.0, seed=5)
    kinds = {
        "tie_rod_outer": (JointKind.ROD_END, np.array([0.0, 0, 1])),
        "tie_rod_inner": (JointKind.INNER_JOINT, np.array([0.0, 1, 0])),
        "lower_ball_joint": (JointKind.BALL_STUD, np.array([0.0, 0, 1])),
    }
    layout = attack.corner.layout
    joints = tuple(
        JointLimit(p, kind, axis, layout.owner(p), layout.member_at(p) or p, 20.0)
        for p, (kind, axis) in kinds.items()
    )
    near = attack.near
    for limit in joint_limits(replace(attack.corner, joints=joints)):
        inputs = attack.motion.inputs
        n = len(inputs.rack_mm)
        middle = limit.measure(near.posed(attack.middle, inputs.rack_mm, np.ones(n, bool)))
        rack = inputs.rack_mm[attack.cell] + attack.way[:, 0]
        there = limit.measure(near.posed(attack.there, rack, np.ones(TRIES, bool)))
        assert limit.drift is not None
        drift = limit.drift(attack.motion)[attack.cell]
        assert (np.abs(there - middle[attack.cell]) <= drift + 1e-7).all(), limit.name
        assert np.median(drift) < 15.0


def test_a_pose_of_another_assembly_is_not_inside():
    attack = Attack(front_corner, Hold.WHEEL_HEIGHT, half_mm=0.5, seed=6)
    reach, home = attack.reach, attack.middle
    which = np.flatnonzero(reach.sure)
    taken = reach.take(which)
    home = home.take(which)
    still = np.zeros((len(which), 2))
    assert inside(taken, home, still, home).all()
    step = np.zeros((6, len(which)))
    step[5] = 0.2
    assert not inside(taken, home, still, home.stepped(step)).any()
