"""A corner's parts that go together two ways: which was taken, and how to choose the other."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from shipped import MODELS, axle_of_model

from linkview.alignment.assemblies import other_assembly
from linkview.alignment.posed import ride_moment_arm_mm
from linkview.app.check import check_file
from linkview.geometry import frozen
from linkview.kinematics.sweep import pose_at
from linkview.model.parts import Hold


@pytest.mark.parametrize("name", ["strut_with_bar", "double_wishbone", "push_rod"])
def test_the_other_assembly_has_the_same_parts_and_the_tie_rod_over_centre(name):
    corner = axle_of_model(name).left
    other = other_assembly(corner)
    rod = corner.layout.rods["tie_rod"]
    there = {**corner.points, rod.outer: other.tie_rod_outer}
    moved = replace(corner, points=there)
    assert moved.distance_mm(rod.inner, rod.outer) == pytest.approx(
        corner.distance_mm(rod.inner, rod.outer), abs=1e-9
    )
    for axis_point in corner.layout.steering_axis:  # and the knuckle is the same size
        a, b = (c.distance_mm(axis_point, rod.outer) for c in (corner, moved))
        assert a == pytest.approx(b, abs=1e-9)
    # Given those points the corner assembles there, with the tie rod's lever the other way round.
    pose_at(moved, 0.0, 0.0, Hold.WHEEL_HEIGHT)
    assert ride_moment_arm_mm(moved) * ride_moment_arm_mm(corner) < 0.0


def test_unsteered_corners_have_no_other():
    assert other_assembly(axle_of_model("five_link").left) is None


def test_check_says_which_was_taken():
    said = check_file(MODELS / "double_wishbone" / "double_wishbone.toml").words
    assert "taken is the way the points show" in said
    assert "tie_rod_outer near" in said


def test_at_the_toggle_there_is_only_one(front):
    p = front.points
    low, high = p["lower_ball_joint"], p["strut_top"]
    axis = (high - low) / np.linalg.norm(high - low)
    out = p["tie_rod_inner"] - low
    level = out - (out @ axis) * axis
    outer = low + 0.4 * level + ((p["tie_rod_outer"] - low) @ axis) * axis
    assert other_assembly(replace(front, points={**p, "tie_rod_outer": frozen(outer)})) is None
