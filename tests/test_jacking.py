"""Tyres on the ground while steering, and what it does to ride height and wheel loads."""

from __future__ import annotations

import numpy as np
import pytest
from shipped import MODELS, car_of

from linkview.alignment.assumed import assumed_for
from linkview.alignment.corner import align_corner
from linkview.alignment.jacking import (
    bar_stiffness_n_per_mm,
    settled,
    steering_jacking,
    stiffness_n_per_mm,
)
from linkview.alignment.on_ground import steer_on_ground
from linkview.alignment.posed import at_ride_height, damper_length_mm
from linkview.errors import LinkviewError
from linkview.kinematics.assemble import build_car
from linkview.kinematics.sweep import pose_at
from linkview.model.parts import Hold, Side
from linkview.model.read import read_file

PLANNED = build_car(read_file(MODELS / "demo_coupe" / "demo_coupe.toml"), "planned")


def test_both_contacts_and_the_other_axle_lie_in_the_road():
    car = PLANNED
    ground = steer_on_ground(car, car.axles["front"], [-70.0, -30.0, 0.0, 30.0, 70.0])
    rear = [c.points["wheel_centre"] for c in car.axles["rear"].corners]
    assert rear[0][0] == pytest.approx(-2650.0)
    left, right = ground.contact_mm[Side.LEFT], ground.contact_mm[Side.RIGHT]
    assert np.abs(((left - right) * ground.road_up).sum(axis=1)).max() < 1e-9
    for poses in (ground.left, ground.right):
        assert np.ptp(damper_length_mm(poses)) < 1e-9  # mm
    straight = 2
    assert ground.rise_mm[straight] == pytest.approx(0.0, abs=1e-9)
    assert ground.roll_deg[straight] == pytest.approx(0.0, abs=1e-9)
    # Left and right lock are each other's mirror: the same rise, the opposite lean.
    assert ground.rise_mm[0] == pytest.approx(ground.rise_mm[-1], abs=1e-6)
    assert ground.roll_deg[0] == pytest.approx(-ground.roll_deg[-1], abs=1e-9)


def test_the_damper_held_drops_the_wheel_at_left_lock():
    """A separate solve of the planned car (quoted with the definitions): 21 mm at left lock."""
    corner = PLANNED.axles["front"].left
    lock = pose_at(corner, -70.0, 0.0, Hold.DAMPER_LENGTH)
    drop = corner.points["wheel_centre"][2] - lock.wheel_centre[0, 0, 2]
    assert drop == pytest.approx(21.0, abs=0.5)  # mm, quoted to a millimetre


def test_the_body_leans_toward_the_wheel_that_is_lifted():
    """At left lock the left wheel is pushed down more or less than the right; the road's slope and
    the lean have one sign, and the mean of both pushes is the rise over the axle."""
    car = PLANNED
    ground = steer_on_ground(car, car.axles["front"], [-70.0])
    left, right = (ground.contact_mm[s][0] for s in Side)
    slope = (left[2] - right[2]) / (left[1] - right[1])
    # The road higher on the left, seen from the body, is a body leaning to its left.
    assert ground.roll_deg[0] == pytest.approx(
        -np.degrees(np.arctan(slope)), rel=0.05
    )  # the contacts' own x
    on_the_middle = left[2] + slope * (0.0 - left[1])
    assert ground.rise_mm[0] == pytest.approx(-on_the_middle + 0.0, abs=0.5)


def test_one_corner_pushed_on_four_equal_springs_shifts_a_quarter_each():
    """Closed form: a square car, wheel pushed down by d: warp takes a quarter of k d each."""
    feet = np.array([[1.0, 1.0], [1.0, -1.0], [-1.0, 1.0], [-1.0, -1.0]]) * 1000.0
    k, d = 30.0, 8.0
    pushed = np.array([[d, 0.0, 0.0, 0.0]])
    plane = settled(pushed, k * np.eye(4), feet)
    assert plane[0, 0] == pytest.approx(d / 4.0)
    rise = plane @ np.column_stack([np.ones(4), feet[:, 1], -feet[:, 0]]).T
    load = (pushed - rise) * k
    assert load[0] == pytest.approx(np.array([1.0, -1.0, -1.0, 1.0]) * k * d / 4.0)


def test_loads_are_at_rest_and_shift_to_the_pushed_wheel():
    car = PLANNED
    jacking = steering_jacking(car, "front", [-60.0, 0.0, 60.0])
    feet = np.array([c.points["wheel_centre"] for a in car.axles.values() for c in a.corners])
    assert np.abs(jacking.load_n.sum(axis=1)).max() < 1e-8  # N
    for lever in (feet[:, 0], feet[:, 1]):
        assert np.abs(jacking.load_n @ lever).max() < 1e-5  # N mm
    assert np.abs(jacking.load_n[1]).max() < 1e-9
    assert jacking.shift_n("front")[0] == pytest.approx(-jacking.shift_n("front")[2], rel=1e-6)
    pushed = jacking.of(jacking.pushed_mm, "front", Side.LEFT)
    other = jacking.of(jacking.pushed_mm, "front", Side.RIGHT)
    assert np.sign(jacking.shift_n("front")[0]) == np.sign(pushed[0] - other[0])


def test_the_bar_adds_to_the_warp_alone():
    """Both wheels pressed in alike do not twist the bar."""
    car = car_of("strut_with_bar")
    axle = car.axles["front"]
    pair = [align_corner(at_ride_height(c), assumed_for(axle, car)) for c in axle.corners]
    bar = bar_stiffness_n_per_mm(axle, pair)
    assert bar @ [1.0, 1.0] == pytest.approx([0.0, 0.0], abs=1e-9)
    # Energy: wheels d up and d down twist the bar by 2 d ratio; 1/2 T twist = 1/2 d F d.
    ratio = float(pair[0].bar_ratio_deg_per_mm[0, 0])
    twist = 2.0 * ratio
    energy = 0.5 * axle.left.bar_rate_n_mm_per_deg * twist * np.radians(twist)
    assert 0.5 * np.array([1.0, -1.0]) @ bar @ [1.0, -1.0] == pytest.approx(energy)


def test_what_is_missing_is_said():
    with pytest.raises(LinkviewError, match="needs both axles"):
        stiffness_n_per_mm(car_of("strut_with_bar"))
