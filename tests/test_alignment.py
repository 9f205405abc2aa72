"""Wheel and steering readings against figures, formulas and rotations from elsewhere.

"Separate solve": the demo corner's figures were found by another program of the same definitions.
"""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest
from conftest import axle_of, front_corner, rear_corner, spin_axis
from scipy.optimize import brentq
from scipy.spatial.transform import Rotation

from linkview.alignment import steering, wheel
from linkview.alignment.axle import AxleAlignment, align
from linkview.alignment.corner import CornerAlignment
from linkview.alignment.posed import contact, steering_axis, trail_and_scrub_mm
from linkview.alignment.quantities import BY_NAME, QUANTITIES, Of
from linkview.alignment.readings import STEERING
from linkview.kinematics.sweep import grid_of, pose_at, sweep_axle, sweep_corner
from linkview.model.layouts import STRUT, Rod
from linkview.model.parts import Axle, Car, Hold, Side

HEIGHT, DAMPER = Hold.WHEEL_HEIGHT, Hold.DAMPER_LENGTH


def car_of(*axles: Axle, **settings) -> Car:
    given = {
        "wheelbase_mm": 2650.0,
        "mass_kg": 1280.0,
        "cg_height_mm": 470.0,
        "front_weight_fraction": 0.52,
        "front_brake_fraction": 0.64,
        **settings,
    }
    return Car(
        "demo",
        Path("demo.toml"),
        "as_found",
        "",
        measured_state="",
        axles={a.name: a for a in axles},
        **given,
    )


def aligned(axle: Axle, rack, travel, **settings) -> AxleAlignment:
    return align(sweep_axle(axle, np.array(rack, float), np.array(travel, float)), car_of(axle))


@pytest.fixture(scope="module")
def front_lock(front_axle) -> AxleAlignment:
    """Left lock, straight ahead, right lock; ride height only."""
    return aligned(front_axle, [-70, 0, 70], [0])


@pytest.fixture(scope="module")
def front_grid(front_axle) -> AxleAlignment:
    rack, travel = grid_of(front_axle, rack_count=21, travel_count=9)
    return aligned(front_axle, rack, travel)


# --- the wheel -----------------------------------------------------------------------------------


@pytest.mark.parametrize(("steer", "about_car"), [(0, 5.0), (20, 5.319), (40, 6.515)])
@pytest.mark.parametrize("side", Side)
def test_camber_about_the_car_axis_reads_more_once_steered(side, steer, about_car):
    # Values recomputed from the definition, to their last digit; the wheel turned by scipy.
    out = side.outboard
    lean = Rotation.from_euler("x", -out * 5.0, degrees=True)
    n = (Rotation.from_euler("z", steer, degrees=True) * lean).apply([0, 1, 0])
    assert np.degrees(wheel.camber_rad(n, out)) == pytest.approx(5.0, abs=1e-12)
    assert np.degrees(wheel.camber_car_axis_rad(n, out)) == pytest.approx(about_car, abs=5e-4)
    assert np.degrees(wheel.steer_rad(n)) == pytest.approx(steer, abs=1e-12)
    assert np.degrees(wheel.toe_in_rad(n, out)) == pytest.approx(-out * steer, abs=1e-12)


def test_the_contact_centre_is_the_lowest_point_of_the_wheels_circle():
    # Second route: try every point of the circle, turned about the spin axis by scipy.
    n = spin_axis(Side.LEFT, camber_deg=-7.0, toe_in_deg=-35.0)
    spoke = np.cross(n, [1.0, 0, 0]) / np.linalg.norm(np.cross(n, [1.0, 0, 0]))
    turns = np.linspace(0, 2 * np.pi, 100_001)[:, None] * n
    rim = 300.0 * Rotation.from_rotvec(turns).apply(spoke)
    lowest = rim[np.argmin(rim[:, 2])]
    # A step of 6e-5 rad on 300 mm: 0.02 mm along the circle.
    assert wheel.contact_centre(np.zeros(3), n, 300.0) == pytest.approx(lowest, abs=0.02)


@pytest.mark.parametrize("side", Side)
def test_rates_of_a_turning_wheel_agree_with_small_turns(side):
    n0 = spin_axis(side, camber_deg=-4.0, toe_in_deg=12.0)
    v, w, out, h = np.array([0.1, -0.2, 1.0]), np.array([2e-3, -5e-3, 4e-3]), side.outboard, 1e-3
    turned = [Rotation.from_rotvec(s * h * w).apply(n0) for s in (-1, 1)]

    def differenced(reading):
        return (reading(turned[1]) - reading(turned[0])) / (2 * h)

    # Central difference over 2e-3: (h w)^2 / 6, about 1e-11 of the value.
    assert wheel.steer_rate(n0, w) == pytest.approx(differenced(wheel.steer_rad), rel=1e-8)
    assert wheel.toe_in_rate(n0, w, out) == pytest.approx(
        differenced(lambda n: wheel.toe_in_rad(n, out)), rel=1e-8
    )
    assert wheel.camber_rate(n0, w, out) == pytest.approx(
        differenced(lambda n: wheel.camber_rad(n, out)), rel=1e-8
    )
    foot = [wheel.contact_centre(s * h * v, n, 310.0) for s, n in zip((-1, 1), turned, strict=True)]
    assert wheel.contact_rate(v, w, n0, 310.0) == pytest.approx(
        (foot[1] - foot[0]) / (2 * h), abs=1e-8
    )


# --- the steering axis ---------------------------------------------------------------------------


def test_caster_and_inclination_of_a_leaning_axis():
    # Top rearward and inboard by plain right triangles: 100 back, 200 in, 1000 up.
    for out in (1.0, -1.0):
        axis = steering.drawn_axis(np.zeros(3), np.array([-100.0, -out * 200.0, 1000.0]))
        assert np.tan(steering.caster_rad(axis)) == pytest.approx(0.1)
        assert np.tan(steering.inclination_rad(axis, out)) == pytest.approx(0.2)


def test_the_screw_axis_of_a_known_turn_is_found_whichever_way_it_turns():
    point, along = np.array([10.0, 700.0, 200.0]), np.array([-0.1, -0.2, 1.0])
    along /= np.linalg.norm(along)
    centre = np.array([0.0, 780.0, 310.0])
    for rate in (0.02, -0.02):
        v = rate * np.cross(along, centre - point) + 0.3 * along  # slides along itself too
        axis = steering.screw_axis(centre, np.concatenate([v, rate * along]))
        assert axis.direction == pytest.approx(along, abs=1e-12)
        assert np.cross(axis.point - point, along) == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize(
    ("inner", "toggle"),
    [
        ([0, -100, 50], 0.0),  # rod along the arm, through the axis: over centre
        ([-100, 100, 7], 90.0),  # square to the arm
        ([100, 100, 7], -90.0),  # square, but pushing the other way
        ([-100, 0, 0], 45.0),  # and 180 - 45:
        ([-100, 200, 0], 45.0),
    ],
)
def test_toggle_angle_by_set_square(inner, toggle):
    # The axis is upright through the origin, the outer joint 100 mm to the left of it.
    axis = steering.drawn_axis(np.array([0, 0, -5.0]), np.array([0, 0, 400.0]))
    got = steering.toggle_rad(axis, np.array([0, 100.0, 0]), np.array(inner, float), 1.0)
    assert np.degrees(got) == pytest.approx(toggle, abs=1e-12)


def test_two_lower_links_meeting_in_one_joint_give_the_single_joints_numbers():
    # The layout draws no steering axis, so trail and scrub come from the screw axis.
    twin = dataclasses.replace(
        STRUT,
        name="twin_link_strut",
        on_knuckle=(*STRUT.on_knuckle, "second_outer"),
        arms={},
        rods={
            **STRUT.rods,
            "rear_link": Rod("lower_arm_rear_pivot", "lower_ball_joint"),
            "front_link": Rod("lower_arm_front_pivot", "second_outer"),
        },
        steering_axis=None,
    )

    def twin_corner(side: Side):
        one = front_corner(side)
        points = {**one.points, "second_outer": one.points["lower_ball_joint"]}
        return dataclasses.replace(one, layout=twin, points=points)

    grid = [-70, -35, 0, 35, 70], [-40, 0, 40]
    ours, single = (aligned(axle_of(c, "front"), *grid) for c in (twin_corner, front_corner))
    for name in (*STEERING, "gauge_caster_deg", "camber_deg", "steer_deg"):
        got, want = getattr(ours.left, name), getattr(single.left, name)
        assert np.isfinite(got).all(), name
        assert got == pytest.approx(want, abs=1e-6), name  # mm and deg, solver tolerance
    assert ours.percent_ackermann == pytest.approx(single.percent_ackermann, abs=1e-6, nan_ok=True)


def test_drawn_axis_and_screw_axis_agree_with_the_damper_held(front):
    # Ball joint and top mount stand still while the rack moves: the motion is a turn about them.
    for hold in Hold:
        lock = pose_at(front, -70.0, 0.0, hold)
        screw = steering.screw_axis(lock.wheel_centre, lock.screw_twist)
        drawn = steering_axis(lock)
        assert screw.direction == pytest.approx(drawn.direction, abs=1e-9)
        assert np.cross(screw.point - drawn.point, drawn.direction) == pytest.approx(0, abs=1e-6)


def test_scrub_at_left_lock_depends_on_what_is_held(front):
    # Separate solve: 34.4 mm with the damper held, 24.7 with the wheel height held.
    lock = pose_at(front, -70.0, 0.0, HEIGHT)
    aside = wheel.lateral(lock.spin_axis, 1.0)

    def scrub(twist):
        axis = steering.screw_axis(lock.wheel_centre, twist)
        return float(steering.scrub_radius_mm(axis, contact(lock), aside)[0, 0])

    assert scrub(lock.screw_twist) == pytest.approx(34.4, abs=0.05)
    assert float(trail_and_scrub_mm(lock)[1][0, 0]) == pytest.approx(34.4, abs=0.05)
    assert scrub(lock.rack_twist) == pytest.approx(24.7, abs=0.05)


# --- the demo car's figures ----------------------------------------------------------------------


def test_left_lock_of_the_demo_car(front_lock):
    # Separate solve, rack -70: leading wheel +8.5 deg (car axis +14.7) and 93 mm, the other -47 mm.
    left, right = front_lock.left, front_lock.right
    assert left.steer_deg[0, 0] > 50.0
    assert left.camber_deg[0, 0] == pytest.approx(8.5, abs=0.05)
    assert left.camber_car_axis_deg[0, 0] == pytest.approx(14.7, abs=0.05)
    assert left.trail_mm[0, 0] == pytest.approx(93, abs=0.5)
    assert right.trail_mm[0, 0] == pytest.approx(-47, abs=0.5)


def test_the_lock_summary_leads_with_the_wheel_on_the_side_steered_to(front_lock):
    right, left = front_lock.locks
    assert (left.toward, left.leading.side, left.rack_mm) == (Side.LEFT, Side.LEFT, -70.0)
    assert (right.toward, right.leading.side, right.rack_mm) == (Side.RIGHT, Side.RIGHT, 70.0)
    for lock in (left, right):
        assert lock.leading.camber_deg == pytest.approx(8.5, abs=0.05)
        assert lock.leading.trail_mm == pytest.approx(93, abs=0.5)
        assert lock.other.trail_mm == pytest.approx(-47, abs=0.5)
        assert lock.leading.trail_reverses_at_rack_mm is None
        assert lock.percent_ackermann == pytest.approx(front_lock.percent_ackermann[0, 0])
    assert left.words.startswith("left lock, rack -70.0 mm: leading (left) wheel 55.3 deg, camber")
    assert "trail +93 mm" in left.words


def test_the_other_wheels_trail_is_nothing_where_it_is_said_to_reverse(front_axle, front_lock):
    rack = front_lock.locks[1].other.trail_reverses_at_rack_mm
    trail, _ = trail_and_scrub_mm(pose_at(front_axle.right, rack, 0.0, HEIGHT))
    assert trail[0, 0] == pytest.approx(0.0, abs=1e-3)  # mm; the rack is good to 1e-5


def test_a_lock_out_of_reach_says_how_far_it_got():
    axle = axle_of(front_corner, "front")
    short = front_corner().rack
    wide = dataclasses.replace(short, working_mm=140.0, stop_mm=150.0)
    axle = dataclasses.replace(
        axle,
        left=dataclasses.replace(axle.left, rack=wide),
        right=dataclasses.replace(axle.right, rack=wide),
    )
    lock = aligned(axle, [-10, 0, 10], [0]).locks[1]
    assert not lock.reached
    assert -140.0 < lock.rack_mm < -70.0
    assert "the working rack is not reached" in lock.words


def test_gauge_caster_is_not_the_axis_caster(front_lock, front_grid):
    # Separate solve: 6.78 against 7.00; both sides the same.
    ride = int(np.argmin(np.abs(front_grid.travel_mm)))
    for corner in front_grid.corners:
        assert corner.caster_deg[10, ride] == pytest.approx(7.00, abs=0.005)
        assert corner.gauge_caster_deg[10, ride] == pytest.approx(6.78, abs=0.005)
    assert front_lock.left.gauge_caster_deg[1, 0] == pytest.approx(6.78, abs=0.005)


@pytest.mark.parametrize("side", Side)
def test_gauge_caster_from_poses_found_by_scipy(front_axle, front_grid, side):
    corner = front_axle.left if side is Side.LEFT else front_axle.right
    travel, camber = float(front_grid.travel_mm[-1]), []
    for steer_deg in (20.0, -20.0):

        def off(rack, steer_deg=steer_deg):
            n = pose_at(corner, rack, travel, HEIGHT).spin_axis[0, 0]
            return np.degrees(np.arctan2(-n[0], n[1])) - steer_deg

        n = pose_at(corner, brentq(off, -45.0, 45.0, xtol=1e-10), travel, HEIGHT).spin_axis[0, 0]
        camber.append(-side.outboard * np.degrees(np.arcsin(n[2])))
    want = side.outboard * (camber[0] - camber[1]) / (2 * np.sin(np.radians(20.0)))
    got = front_grid.left if side is Side.LEFT else front_grid.right
    assert got.gauge_caster_deg[0, -1] == pytest.approx(want, abs=1e-8)  # deg, root tolerance


def test_a_grid_that_never_reaches_20_degrees_has_no_gauge_caster(front_axle):
    assert np.isnan(aligned(front_axle, [-5, 0, 5], [0]).left.gauge_caster_deg).all()


def test_left_lock_with_the_damper_held_drops_the_wheel_21_mm(front):
    # Separate solve.
    lock = pose_at(front, -70.0, 0.0, DAMPER)
    assert lock.wheel_centre[0, 0, 2] - 310.0 == pytest.approx(-21.0, abs=0.5)


# --- Ackermann -----------------------------------------------------------------------------------


def test_ackermann_worked_example():
    # Textbook example: wheelbase 280, pivots 140 cm, outer 30 deg: cot(inner) 1.232, 39.065 deg.
    inner = steering.true_inner_rad(np.radians(30.0), 140.0 / 280.0)
    assert 1.0 / np.tan(inner) == pytest.approx(1.232, abs=5e-4)
    assert np.degrees(inner) == pytest.approx(39.065, abs=5e-4)


def test_percent_ackermann_is_100_when_true_0_when_parallel_and_may_be_negative():
    ratio, outer = 0.5, np.radians([30.0, 30.0, 30.0, 64.0, 0.9])
    true = steering.true_inner_rad(outer, ratio)
    assert np.degrees(true[3]) > 90.0  # acot goes on past a right angle
    inner = np.array([true[0], outer[1], np.radians(28.0), true[3], true[4]])
    got = steering.percent_ackermann(inner, outer, ratio)
    assert got[[0, 1, 3]] == pytest.approx([100.0, 0.0, 100.0], abs=1e-9)
    assert got[2] == pytest.approx(-100 * 2.0 / (39.0648 - 30.0), rel=1e-3)
    assert np.isnan(got[4])


def test_ackermann_of_the_demo_car_from_its_own_steer_angles(front_axle, front_lock):
    # By hand: lines through ball joint and top mount meet each wheel's ground.
    p = front_axle.left.points
    low, top = p["lower_ball_joint"], p["strut_top"]
    ground = front_lock.left.contact_centre_mm[1, 0, 2]
    foot = low + (ground - low[2]) / (top[2] - low[2]) * (top - low)
    assert front_lock.pivot_distance_mm == pytest.approx(2 * foot[1], abs=1e-9)
    for i, (inner, outer) in ((0, ("left", "right")), (2, ("right", "left"))):
        a, b = (abs(getattr(front_lock, s).steer_deg[i, 0]) for s in (inner, outer))
        cot = 1 / np.tan(np.radians(b)) - 2 * foot[1] / 2650.0
        true = np.degrees(np.arctan2(1.0, cot))
        want = 100 * (a - b) / (true - b)
        assert front_lock.percent_ackermann[i, 0] == pytest.approx(want, abs=1e-9)
        assert front_lock.ackermann_inner_deg[i, 0] == pytest.approx(true, abs=1e-9)
        assert front_lock.inner_steer_deg[i, 0] == a > b == front_lock.outer_steer_deg[i, 0]
    assert np.isnan(front_lock.percent_ackermann[1, 0])


# --- the shell -----------------------------------------------------------------------------------


def test_steer_rate_agrees_with_poses_solved_close_by(front_axle):
    for hold in (Hold.WHEEL_HEIGHT, Hold.DAMPER_LENGTH):  # on the road: see test_on_road.py
        axle = dataclasses.replace(front_axle, hold=hold)
        got = aligned(axle, [-40, 0, 40], [-30, 20]).left.steer_rate_deg_per_mm
        h = 0.05
        for i, rack in enumerate((-40.0, 0.0, 40.0)):
            near = sweep_corner(axle.left, np.array([rack - h, rack + h]), [-30.0, 20.0], hold)
            steer = np.degrees(wheel.steer_rad(near.spin_axis))
            # deg/mm; the third derivative times h^2 / 6 is about 1e-7.
            assert got[i] == pytest.approx((steer[1] - steer[0]) / (2 * h), abs=1e-6)


def test_a_mirrored_rack_gives_mirrored_readings(front_grid):
    for quantity in QUANTITIES:
        if quantity.of is Of.AXLE:
            continue
        left, right = (getattr(c, quantity.name) for c in front_grid.corners)
        right = right[::-1]
        if quantity.name in ("steer_deg", "steer_jacking_mm_per_mm"):
            right = -right
        if quantity.parts:
            right = right * [1, -1, 1]
        assert left == pytest.approx(right, abs=1e-6, nan_ok=True), quantity.name


def test_moving_the_datum_changes_no_reading_but_the_place():
    shift = np.array([-1300.0, 0.0, 45.0])

    def moved(side: Side):
        one = front_corner(side)
        points = {name: p + shift for name, p in one.points.items()}
        centre = dataclasses.replace(one.wheel, centre=points["wheel_centre"])
        return dataclasses.replace(one, points=points, wheel=centre)

    grid = [-60, 0, 60], [-30, 0, 30]
    here, there = (aligned(axle_of(c, "front"), *grid) for c in (front_corner, moved))
    for quantity in QUANTITIES:
        one, other = here, there
        if quantity.of is Of.CORNER:
            one, other = here.right, there.right
        got = getattr(other, quantity.name)
        got = got - shift if quantity.parts else got
        assert getattr(one, quantity.name) == pytest.approx(got, rel=1e-6, abs=1e-6, nan_ok=True)


def test_an_unsteered_axle_has_no_steering_readings_and_says_why(rear_axle):
    rear = aligned(rear_axle, [0], [-30, 0, 30])
    for name in (*STEERING, "gauge_caster_deg"):
        assert rear.left.absent[name] == "the wheel is not steered"
        assert np.isnan(getattr(rear.left, name)).all()
    assert rear.locks == ()
    assert rear.pivot_distance_mm is None
    assert np.isnan(rear.percent_ackermann).all()


def test_every_reading_stands_in_the_table_once_and_nothing_else_does():
    def arrays(kind):
        return {f.name for f in dataclasses.fields(kind) if f.type == "Array"}

    corner = {q.name for q in QUANTITIES if q.of is Of.CORNER}
    axle = {q.name for q in QUANTITIES if q.of is Of.AXLE}
    assert len(BY_NAME) == len(QUANTITIES)
    assert corner == arrays(CornerAlignment)
    assert axle == arrays(AxleAlignment) - {"rack_mm", "travel_mm"}
    for q in QUANTITIES:  # a name that carries its unit carries the right one
        for ending, unit in (("_deg", "deg"), ("_deg_per_mm", "deg/mm"), ("_percent", "%")):
            assert not q.name.endswith(ending) or q.unit == unit


def test_readings_are_read_only_and_all_have_the_grids_shape(front_grid):
    for quantity in QUANTITIES:
        owner = front_grid.left if quantity.of is Of.CORNER else front_grid
        values = getattr(owner, quantity.name)
        assert not values.flags.writeable
        assert values.shape == ((21, 9, 3) if quantity.parts else (21, 9)), quantity.name


@pytest.mark.parametrize("maker", [front_corner, rear_corner])
def test_a_sweep_in_which_no_pose_is_reached_reads_nan_everywhere(maker):
    axle = axle_of(maker, maker.__name__.removesuffix("_corner"))
    assert axle.left.damper is not None
    far = aligned(axle, [0, 20], [2000])
    for quantity in QUANTITIES:
        if quantity.of is Of.CORNER:
            assert np.isnan(getattr(far.left, quantity.name)).all(), quantity.name
    assert np.isnan(far.track_mm).all()


def test_poses_out_of_reach_read_nan_and_leave_their_neighbours_alone(rear):
    axle = axle_of(rear_corner, "rear")
    far = aligned(axle, [0], [0, 2000])
    assert np.isnan(far.left.camber_deg[0, 1])
    assert far.left.camber_deg[0, 0] == pytest.approx(-1.5)
    assert np.isnan(far.track_mm[0, 1])
