"""A solid axle in roll: against its own symmetry, closed facts and poses found apart."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import fsolve
from scipy.spatial.transform import Rotation
from shipped import axle_of_model, car_of

from linkview.kinematics.axle import axle_poses, travels_of
from linkview.limits.roll import most_roll_deg, roll_grid, roll_line, roll_readings, roll_stops
from linkview.model.parts import Side

FOUR = car_of("four_link_axle")
REAR = FOUR.axles["rear"]


def test_the_grid_holds_heave_and_roll_and_ride_height():
    grid = roll_grid(REAR, FOUR)
    assert len(grid.roll_deg) == 169
    assert grid.solved.all()
    assert (np.abs(grid.roll_deg) + np.abs(grid.heave_mm) < 1e-12).sum() == 1
    assert grid.heave_mm.min() == -80.0
    assert grid.heave_mm.max() == 70.0


def test_a_symmetric_axle_rolls_the_same_both_ways():
    line = roll_line(REAR, FOUR, 11)
    assert line.roll_deg == pytest.approx(-line.roll_deg[::-1])
    assert line.steer_deg == pytest.approx(-line.steer_deg[::-1], abs=1e-9)
    assert line.sideways_mm == pytest.approx(-line.sideways_mm[::-1], abs=1e-9)
    assert line.roll_centre_height_mm == pytest.approx(line.roll_centre_height_mm[::-1])
    assert line.damper_mm[Side.LEFT] == pytest.approx(line.damper_mm[Side.RIGHT][::-1])
    # The road lies along both wheel centres: a beam keeps its camber to it, but for its own turns.
    for side, camber in line.camber_deg.items():
        assert camber == pytest.approx(np.full(11, -1.0), abs=0.005), side
    assert line.damper_mm[Side.LEFT][-1] > line.damper_mm[Side.LEFT][5]  # left hangs out


def test_roll_steer_is_where_a_general_solver_finds_the_axle():
    """SciPy's fsolve on the axle's six coordinates: four rods' lengths and both wheels' heights."""
    roll = np.array([2.0])
    left, right = travels_of(REAR, 5.0, roll)
    got = roll_readings(REAR, FOUR, left, right)
    points, rods = REAR.left.points, REAR.left.layout.rods
    centre, other = points["wheel_centre"], points["other_wheel_centre"]

    def miss(x):
        turn = Rotation.from_rotvec(x[3:])

        def now(p):
            return centre + x[:3] + turn.apply(p - centre)

        lengths = [
            np.linalg.norm(now(points[r.outer]) - points[r.inner])
            - np.linalg.norm(points[r.outer] - points[r.inner])
            for r in rods.values()
        ]
        rise = now(centre)[2] - centre[2] - left[0], now(other)[2] - other[2] - right[0]
        return [*lengths, *rise]

    x = fsolve(miss, np.zeros(6), xtol=1e-12)
    n = [Rotation.from_rotvec(x[3:]).apply(c.wheel.spin_axis.copy()) for c in REAR.corners]
    was = [c.wheel.spin_axis for c in REAR.corners]
    steer = [np.degrees(np.mean([np.arctan2(-v[0], v[1]) for v in s])) for s in (n, was)]
    assert got.steer_deg[0] == pytest.approx(steer[0] - steer[1], abs=1e-7)
    assert abs(got.steer_deg[0]) > 1e-3


def test_the_first_stop_in_roll_is_met_there_and_not_before():
    """A damper too short for the roll: at the stop its length is the allowed one."""
    damper = replace(REAR.left.damper, min_length_mm=400.0)
    corners = {
        s: replace(c, damper=damper) for s, c in zip(("left", "right"), REAR.corners, strict=True)
    }
    axle = replace(REAR, **corners)
    left, right = roll_stops(axle, FOUR)
    assert (left.name, left.side) == ("damper fully closed", Side.LEFT)
    assert (right.name, right.side) == ("damper fully closed", Side.RIGHT)
    assert left.roll_deg == pytest.approx(-right.roll_deg, abs=1e-4)
    assert 0.0 < right.roll_deg < most_roll_deg(axle)
    at = roll_readings(axle, FOUR, *travels_of(axle, 0.0, np.array([right.roll_deg])))
    assert at.damper_mm[Side.RIGHT][0] == pytest.approx(400.0, abs=1e-4)
    assert at.nearest[0] == "damper fully closed, right"
    assert abs(at.left[0]) < 1e-5
    assert "body leaning right: damper fully closed, right wheel, at roll +" in right.words


def test_where_nothing_stops_it_that_is_said():
    axle = axle_of_model("three_link_axle")
    corners = {
        s: replace(c, damper=None, joints=(), hoses=())
        for s, c in zip(("left", "right"), axle.corners, strict=True)
    }
    bare = replace(axle, **corners)
    stops = roll_stops(bare, car_of("three_link_axle"))
    assert [s.name for s in stops] == ["", ""]
    assert "no limit up to roll" in stops[0].words
    poses = axle_poses(bare, 0.0, *travels_of(bare, 0.0, np.array([stops[1].roll_deg])))
    assert poses.solved.all()
