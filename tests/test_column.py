"""Steering wheel, column joints and rack."""

from __future__ import annotations

import numpy as np
import pytest
from shipped import axle_of_model

from linkview.alignment.column import steering_wheel, through_joint
from linkview.geometry import frozen
from linkview.model.parts import ColumnJoint, Rack


def test_one_universal_joint_is_the_textbook_equation():
    """tan(out) = cos(angle) tan(in); at 30 deg the ratio swings 1.1547 to 0.8660 (textbook)."""
    joint = ColumnJoint(30.0)
    turn = np.linspace(-80.0, 80.0, 33)
    out = through_joint(joint, turn)
    assert np.tan(np.radians(out)) == pytest.approx(
        np.cos(np.radians(30.0)) * np.tan(np.radians(turn))
    )
    h = 1e-4
    for at, ratio in ((0.0, 0.8660), (90.0, 1.1547)):
        slope = (through_joint(joint, at + h) - through_joint(joint, at - h)) / (2 * h)
        assert slope == pytest.approx(ratio, abs=1e-4)
    assert through_joint(joint, 720.0) == pytest.approx(720.0)  # whole turns are kept


def test_two_equal_joints_with_crossed_forks_cancel():
    column = (ColumnJoint(24.0, 10.0), ColumnJoint(24.0))
    lag = float(np.degrees(np.arctan(np.cos(np.radians(24.0)) * np.tan(np.radians(10.0)))))
    square = (column[0], ColumnJoint(24.0, lag + 90.0))
    rack = Rack(frozen([0, 1, 0]), 70.0, 65.0, 46.0, square)
    got = steering_wheel(rack, np.linspace(-70.0, 70.0, 29))
    assert got.wheel_deg == pytest.approx(got.pinion_deg, abs=1e-9)
    assert got.pinion_per_wheel == pytest.approx(np.ones(29), abs=1e-12)


def test_turns_lock_to_lock_and_the_way_back_through_the_column():
    rack = axle_of_model("strut_with_bar").left.rack
    at = np.linspace(-70.0, 70.0, 57)
    got = steering_wheel(rack, at)
    assert got.turns_lock_to_lock == pytest.approx(2.0 * 70.0 / 46.0, abs=0.15)
    turn = got.wheel_deg
    for joint in rack.column:
        turn = through_joint(joint, turn)
    assert turn == pytest.approx(got.pinion_deg, abs=1e-9)
    slope = np.gradient(got.pinion_deg, got.wheel_deg, edge_order=2)
    assert got.pinion_per_wheel == pytest.approx(slope, abs=0.02)
    assert got.wheel_deg[28] == pytest.approx(0.0, abs=1e-12)


def test_without_mm_per_turn_it_says_so(front):
    with pytest.raises(ValueError, match="mm_per_turn"):
        steering_wheel(front.rack, 0.0)
