"""A whole axle at any inputs: each wheel's own travel, heave and roll, beam axles."""

from __future__ import annotations

import numpy as np
import pytest
from shipped import axle_of_model

from linkview.geometry import length
from linkview.kinematics.axle import axle_poses, corner_poses, roll_twist, travels_of
from linkview.kinematics.sweep import sweep_corner
from linkview.model.parts import Hold


def test_scattered_inputs_give_the_poses_of_the_grid(front_axle):
    rack, travel = np.linspace(-60.0, 60.0, 7), np.linspace(-50.0, 50.0, 5)
    grid = sweep_corner(front_axle.left, rack, travel, Hold.WHEEL_HEIGHT)
    r, t = (x.ravel() for x in np.meshgrid(rack, travel, indexing="ij"))
    poses = corner_poses(front_axle.left, r, t)
    assert poses.solved.all()
    for name in ("knuckle", "lower_arm", "tie_rod"):
        off = poses.pose(name) - grid.pose(name).reshape(-1, 4, 4)
        assert np.abs(off).max() < 1e-8  # mm, rad
    for which in ("travel_twist", "rack_twist", "screw_twist"):
        off = getattr(poses, which) - getattr(grid, which).reshape(-1, 6)
        assert np.abs(off).max() < 1e-9


def test_a_mirrored_axle_mirrors_its_poses(front_axle):
    """right(rack, travel) is left(-rack, travel) mirrored: swapped travels and rack swap sides."""
    rack, a, b = np.array([-40.0, 25.0]), np.array([30.0, -20.0]), np.array([-10.0, 45.0])
    one, two = axle_poses(front_axle, rack, a, b), axle_poses(front_axle, -rack, b, a)
    assert one.solved.all()
    flip = np.array([1.0, -1.0, 1.0])
    for name in ("tie_rod_outer", "lower_ball_joint", "strut_lower"):
        assert np.abs(one.left.point(name) - flip * two.right.point(name)).max() < 1e-9


def test_out_of_reach_is_not_a_number_and_leaves_the_others_alone(front_axle):
    poses = axle_poses(front_axle, [0.0, 400.0], 10.0, 0.0)
    assert poses.solved.tolist() == [True, False]
    assert np.isfinite(poses.left.wheel_centre[0]).all()
    assert np.isnan(poses.left.wheel_centre[1]).all()


def test_heave_and_roll_are_the_travels_of_a_tilted_plane(front_axle):
    left, right = travels_of(front_axle, 10.0, 2.0)
    y = front_axle.left.points["wheel_centre"][1]
    assert left == pytest.approx(10.0 - y * np.tan(np.radians(2.0)))
    assert left + right == pytest.approx(20.0)
    assert left < right  # leaning to the right presses the right wheel in


@pytest.mark.parametrize("name", ["four_link_axle", "three_link_axle", "lever_axle"])
def test_a_beam_axle_rolls_on_its_links(name):
    axle = axle_of_model(name)
    left, right = travels_of(axle, np.array([0.0, 10.0, -20.0]), np.array([3.0, -2.0, 1.0]))
    poses = axle_poses(axle, 0.0, left, right)
    assert poses.solved.all()
    assert np.abs(poses.left.pose("knuckle") - poses.right.pose("knuckle")).max() < 1e-9
    for side, travel in zip(poses.corners, (left, right), strict=True):
        rise = side.wheel_centre[:, 2] - side.corner.points["wheel_centre"][2]
        assert np.abs(rise - travel).max() < 1e-9  # mm
        for rod in axle.left.layout.rods.values():
            now = length(side.point(rod.outer) - side.point(rod.inner))
            assert np.abs(now - side.corner.distance_mm(rod.inner, rod.outer)).max() < 1e-9


def test_the_roll_twist_is_that_of_neighbouring_poses():
    axle = axle_of_model("three_link_axle")
    h = np.degrees(1e-4)
    poses = axle_poses(axle, 0.0, *travels_of(axle, 0.0, np.array([0.0, h, -h])))
    moved = poses.left.wheel_centre
    rate = (moved[1] - moved[2]) / 2e-4
    assert np.abs(rate - roll_twist(poses.left)[0, :3]).max() < 1e-5  # mm/rad, h squared
