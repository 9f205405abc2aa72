"""Travel readings against closed forms, energy, and poses solved close by."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from conftest import axle_of, front_corner, rear_corner, spin_axis
from test_alignment import aligned, car_of

from linkview.alignment import travel
from linkview.alignment.assumed import assumed_for
from linkview.alignment.posed import damper_and_height_rate
from linkview.alignment.readings import STRAIGHT_ENOUGH_DEG, contact_point_rate
from linkview.geometry import frozen, mirrored
from linkview.kinematics.sweep import sweep_corner
from linkview.model.parts import Corner, Hold, Side, Travel

HEIGHT = Hold.WHEEL_HEIGHT
LINKS = ("lower_lateral", "lower_front", "toe_link", "upper_rear", "upper_front")


def five_rods(side: Side, ends: dict[str, tuple], centre) -> Corner:
    """A five-link corner with an upright wheel from (inner, outer) points of its rods."""
    model = rear_corner(side)
    points = {"wheel_centre": frozen(centre)}
    for name, (inner, outer) in ends.items():
        points[f"{name}_inner"], points[f"{name}_outer"] = frozen(inner), frozen(outer)
    if side is Side.RIGHT:
        points = {k: frozen(mirrored(p)) for k, p in points.items()}
    wheel = dataclasses.replace(
        model.wheel,
        centre=points["wheel_centre"],
        spin_axis=frozen(spin_axis(side, camber_deg=0.0, toe_in_deg=0.0)),
        loaded_radius_mm=300.0,
    )
    return dataclasses.replace(
        model,
        points=points,
        wheel=wheel,
        damper=None,
        driveshaft=None,
        travel=Travel(-60, 60),
    )


def front_view_arms(low_in, low_out, up_in, up_out):
    """Two arms hinged square to the front view, (y, z) each: a flat four-bar with its toe link."""

    def corner(side: Side) -> Corner:
        ends = {
            "lower_lateral": ([-150, *low_in], [0, *low_out]),
            "lower_front": ([150, *low_in], [0, *low_out]),
            "upper_rear": ([-150, *up_in], [0, *up_out]),
            "upper_front": ([150, *up_in], [0, *up_out]),
            "toe_link": ([-100, *low_in], [-100, *low_out]),
        }
        return five_rods(side, ends, [0, 780, 300])

    return corner


def side_view_arms(low_in, low_out, up_in, up_out):
    """Two trailing arms hinged square to the side view, (x, z) each, before a wheel at x = 0."""

    def corner(side: Side) -> Corner:
        def at(xz, y):
            return [xz[0], y, xz[1]]

        ends = {
            "lower_lateral": (at(low_in, 500), at(low_out, 600)),
            "lower_front": (at(low_in, 700), at(low_out, 600)),
            "upper_rear": (at(up_in, 500), at(up_out, 600)),
            "upper_front": (at(up_in, 700), at(up_out, 600)),
            "toe_link": (at(low_in, 680), at(low_out, 680)),
        }
        return five_rods(side, ends, [0, 780, 300])

    return corner


def meet(a, b, c, d):
    """Where the lines a-b and c-d cross, by determinants."""
    (ax, ay), (bx, by), (cx, cy), (dx, dy) = a, b, c, d
    one, two = ax * by - ay * bx, cx * dy - cy * dx
    down = (ax - bx) * (cy - dy) - (ay - by) * (cx - dx)
    return np.array([one * (cx - dx) - two * (ax - bx), one * (cy - dy) - two * (ay - by)]) / down


# --- closed forms -------------------------------------------------------------------------------


def test_equal_parallel_arms_keep_the_knuckle_upright():
    # Truth: a parallelogram. The arms swing, the wheel cannot lean or steer.
    corner = front_view_arms((400, 200), (700, 180), (400, 420), (700, 400))
    got = aligned(axle_of(corner, "front"), [0], [-60, -20, 0, 30, 60])
    for name in ("camber_deg", "steer_deg", "camber_gain_deg_per_mm", "bump_steer_deg_per_mm"):
        assert got.left.__dict__[name] == pytest.approx(0.0, abs=1e-9), name
    # The wheel goes where every arm end goes: dy/dz = -(rise of the arm) / (its run), outboard.
    drop = 20.0 - np.array([-60, -20, 0, 30, 60])
    run = np.sqrt(300.0**2 + 20.0**2 - drop**2)
    assert got.left.half_track_change_mm_per_mm[0] == pytest.approx(drop / run, abs=1e-9)
    # Parallel arms: the roll centre is where the parallel through each contact meets the middle.
    half = got.left.half_track_mm[0]
    assert got.roll_centre_height_mm[0] == pytest.approx(-half * -drop / run, abs=1e-6)


def test_level_parallel_arms_have_no_roll_centre():
    # At ride height both wheels rise straight up: the two normals lie on one line.
    corner = front_view_arms((400, 200), (700, 200), (400, 400), (700, 400))
    got = aligned(axle_of(corner, "front"), [0], [0])
    assert np.isnan(got.roll_centre_height_mm).all()


ARMS = (400, 215), (700, 180), (430, 390), (690, 420)


def test_roll_centre_and_camber_gain_by_compass():
    # Front view: the arms' lines meet in the instant centre; contact to there, at the middle.
    got = aligned(axle_of(front_view_arms(*ARMS), "front"), [0], [-1e-9, 0, 30])
    y, z = meet(*ARMS)
    half = 780.0
    height = z * half / (half - y)  # from (half, 0) through (y, z) to y = 0
    assert got.roll_centre_height_mm[0, 1] == pytest.approx(height, rel=1e-9)
    assert got.roll_centre_y_mm[0, 1] == pytest.approx(0.0, abs=1e-9)
    # The wheel swings about the instant centre: one mm of rise turns it by 1 / distance.
    gain = np.degrees(1.0 / (y - half))
    assert got.left.camber_gain_deg_per_mm[0, 1] == pytest.approx(gain, rel=1e-9)
    assert got.left.half_track_change_mm_per_mm[0, 1] == pytest.approx(z / (half - y), rel=1e-9)


def test_roll_centre_of_unequal_sides_is_off_the_middle():
    # Bare function: instant centres at (-500, 150) and (300, 60), contacts at +-750.
    left, right = np.array([0, 750.0, 0]), np.array([0, -750.0, 0])

    def about(contact, y, z):
        r = contact - np.array([0, y, z])
        v = np.array([0, -r[2], r[1]])
        return v / v[2]

    y, height = travel.roll_centre(
        left, about(left, -500.0, 150.0), right, about(right, 300.0, 60.0)
    )
    want = meet((750, 0), (-500, 150), (-750, 0), (300, 60))
    assert (y, height) == pytest.approx(tuple(want), rel=1e-12)


SIDE = (900, 320), (20, 200), (950, 480), (10, 430)


@pytest.mark.parametrize("name", ["front", "rear"])
def test_side_view_centre_and_antis_by_compass(name):
    # Side view: the arms meet at (x, z) ahead of the wheel, whose contact is at (0, 0).
    axle = axle_of(side_view_arms(*SIDE), name)
    got = aligned(axle, [0], [0]).left
    x, z = meet(*SIDE)
    # The upright wheel's contact centre stays under its centre, which swings about (x, z).
    longer = (1.0 if name == "rear" else -1.0) * (z - 300.0) / x
    assert got.wheelbase_change_mm_per_mm[0, 0] == pytest.approx(longer, rel=1e-9)
    assert got.side_view_swing_arm_mm[0, 0] == pytest.approx(x, rel=1e-9)
    # Textbook: share x tan(angle from the contact, or the wheel centre, to the centre) / (h / L).
    lever = 2650.0 / 470.0 * 100.0
    if name == "front":  # the centre lies ahead and above: it pulls the nose down
        assert got.anti_dive_percent[0, 0] == pytest.approx(-0.64 * z / x * lever, rel=1e-9)
        assert got.absent.keys() >= {"anti_lift_percent", "anti_squat_percent"}
    else:
        assert got.anti_lift_percent[0, 0] == pytest.approx(0.36 * z / x * lever, rel=1e-9)
        squat = (z - 300.0) / x * lever
        assert got.anti_squat_percent[0, 0] == pytest.approx(squat, rel=1e-9)


def test_full_anti_dive_leaves_the_springs_alone():
    # Statics: a wheel braked with share p lifts its axle by p F tan, the load change is F h / L.
    slope = (470.0 / 2650.0) / 0.64
    got = travel.anti_percent(np.array([slope, 0.0, 1.0]), 1.0, 0.64, 470.0, 2650.0)
    assert got == pytest.approx(100.0, abs=1e-12)


def test_the_assumptions_are_carried_with_the_numbers(front_axle, rear_axle):
    car = car_of(front_axle, rear_axle)
    front, rear = assumed_for(front_axle, car), assumed_for(rear_axle, car)
    assert (front.brake_share, front.drive_share) == (0.64, 0.0)
    assert (rear.brake_share, rear.drive_share) == (pytest.approx(0.36), 1.0)
    assert front.sprung_kg == pytest.approx(1280 * 0.52 / 2 - 42)
    assert any("470 mm" in line for line in rear.words)
    assert any("64%" in line for line in front.words)
    rigid = dataclasses.replace(rear_axle, driven=False)
    got = aligned(rigid, [0], [0]).left
    assert got.absent["anti_squat_percent"] == "the axle is not driven"


def test_front_and_side_view_readings_are_not_shown_near_lock(front_axle):
    got = aligned(front_axle, [-70, -5, 0, 5, 70], [0])
    steered = np.abs(got.left.steer_deg) > STRAIGHT_ENOUGH_DEG
    assert steered[:, 0].tolist() == [True, False, False, False, True]
    for values in (
        got.roll_centre_height_mm,
        got.roll_centre_y_mm,
        got.left.side_view_swing_arm_mm,
        got.left.anti_dive_percent,
    ):
        assert (np.isnan(values) == steered).all()


# --- every rate against poses solved close by ---------------------------------------------------


@pytest.mark.parametrize("side", Side)
@pytest.mark.parametrize(("maker", "racks"), [(front_corner, [-55, 0, 30]), (rear_corner, [0])])
def test_rates_agree_with_poses_solved_close_by(maker, racks, side):
    name, h = ("front" if maker is front_corner else "rear"), 0.05
    middle = np.array([-45.0, 0.0, 40.0])
    near = np.sort(np.concatenate([middle - h, middle, middle + h]))
    got = aligned(axle_of(maker, name), racks, near)
    corner = got.left if side is Side.LEFT else got.right
    low, at, high = (slice(k, None, 3) for k in range(3))

    def differenced(values):
        return (values[:, high] - values[:, low]) / (2 * h)

    contact = corner.contact_centre_mm
    rise = differenced(contact[..., 2])
    longer = 1.0 if name == "front" else -1.0
    # Central differences: h^2 / 6 of the third derivative (under 1e-5 per mm^2) is below 1e-8;
    # the solver's 1e-10 over 0.1 mm adds 1e-9. In degrees and mm alike.
    for exact, read in (
        (corner.bump_steer_deg_per_mm, differenced(corner.toe_in_deg)),
        (corner.camber_gain_deg_per_mm, differenced(corner.camber_deg)),
        (corner.half_track_change_mm_per_mm, differenced(corner.half_track_mm)),
        (corner.wheelbase_change_mm_per_mm, longer * differenced(contact[..., 0])),
        (corner.motion_ratio, -differenced(corner.spring_length_mm) / rise),
        (corner.motion_ratio_change_per_mm, differenced(corner.motion_ratio) / rise),
    ):
        assert np.isfinite(read).all()
        assert exact[:, at] == pytest.approx(read, abs=2e-7)
    track = differenced(got.track_mm)
    assert got.track_change_mm_per_mm[:, at] == pytest.approx(track, abs=2e-7)


# --- springs ------------------------------------------------------------------------------------


@pytest.mark.parametrize(("maker", "name"), [(front_corner, "front"), (rear_corner, "rear")])
def test_the_wheel_does_the_work_that_the_spring_stores(maker, name):
    # Energy: the integral of F MR over the contact's rise is k/2 of the compressions squared.
    got = aligned(axle_of(maker, name), [0], np.linspace(-30, 30, 61)).left
    z, force = got.contact_centre_mm[0, :, 2], got.spring_force_n[0] * got.motion_ratio[0]
    rate, free = (85.0, 180.0) if name == "front" else (60.0, 200.0)
    squeezed = free - got.spring_length_mm[0]
    assert (squeezed > 0).all()
    stored = rate / 2 * (squeezed[-1] ** 2 - squeezed[0] ** 2)
    # Trapezoids of 1 mm: F'' h^2 / 12 over 60 mm is well under 1e-5 of the whole.
    assert np.trapezoid(force, z) == pytest.approx(stored, rel=1e-5)
    # And wheel rate is the slope of the wheel's force (central differences of 1 mm).
    slope = np.gradient(force, z)[1:-1]
    assert got.wheel_rate_n_per_mm[0, 1:-1] == pytest.approx(slope, rel=1e-4)


def test_the_spring_carries_its_corner_at_ride_height(front_axle, rear_axle):
    for axle, fraction, unsprung in ((front_axle, 0.52, 42.0), (rear_axle, 0.48, 42.0)):
        got = aligned(axle, [0], [0]).left
        load = (1280 * fraction / 2 - unsprung) * 9.80665
        assert got.spring_force_n[0, 0] * got.motion_ratio[0, 0] == pytest.approx(load, rel=1e-9)


def test_a_given_ride_length_is_kept(front_axle):
    def given(side: Side) -> Corner:
        corner = front_corner(side)
        spring = dataclasses.replace(corner.damper.spring, ride_length_mm=150.0)
        return dataclasses.replace(corner, damper=dataclasses.replace(corner.damper, spring=spring))

    got = aligned(axle_of(given, "front"), [0], [0]).left
    assert got.spring_length_mm[0, 0] == pytest.approx(150.0, abs=1e-9)
    assert got.spring_force_n[0, 0] == pytest.approx(85.0 * 30.0, abs=1e-6)


def test_loose_springs_carry_nothing_and_bound_ones_read_nothing(front_axle):
    got = aligned(front_axle, [0], [-60, 0, 60]).left
    assert got.spring_length_mm[0, 0] > 180.0
    assert got.spring_force_n[0, 0] == got.wheel_rate_n_per_mm[0, 0] == 0.0
    assert np.isnan(got.ride_frequency_hz[0, 0])
    assert got.spring_length_mm[0, 2] < 88.0
    assert np.isnan(got.spring_force_n[0, 2])
    assert np.isnan(got.wheel_rate_n_per_mm[0, 2])


def test_wheel_rate_of_a_plain_lever():
    # Textbook equation: wheel rate = k (b / c)^2 for a spring at b on a lever of length c.
    ratio = 300.0 / 400.0
    assert travel.wheel_rate_n_per_mm(80.0, 0.0, ratio, 0.0) == pytest.approx(45.0)


def test_one_hertz_is_248_5_mm_of_deflection():
    # f = sqrt(g / deflection) / 2 pi (from memory): 248.5 mm is 1 Hz.
    load_n, mass = 9.80665 * 300.0, 300.0
    assert travel.ride_frequency_hz(load_n / 248.5, mass) == pytest.approx(1.0, abs=5e-4)


def test_without_damper_points_the_spring_readings_are_absent_with_a_reason():
    axle = axle_of(front_view_arms(*ARMS), "front")
    got = aligned(axle, [0], [0]).left
    assert got.absent["motion_ratio"] == "the file gives no damper points"
    assert np.isnan(got.wheel_rate_n_per_mm).all()


def test_without_a_spring_the_motion_ratio_still_stands():
    def plain(side: Side) -> Corner:
        corner = front_corner(side)
        return dataclasses.replace(corner, damper=dataclasses.replace(corner.damper, spring=None))

    got = aligned(axle_of(plain, "front"), [0], [0]).left
    assert np.isfinite(got.motion_ratio).all()
    assert got.absent["wheel_rate_n_per_mm"] == "the file gives no spring"


def test_the_contact_rises_as_much_as_the_knuckle_fixed_point_there(front):
    # Why the motion ratio is the same by virtual work: the wheel may roll, not climb.

    sweep = sweep_corner(front, np.array([-60.0, 0.0, 45.0]), np.array([-40.0, 30.0]), HEIGHT)
    _, rise = damper_and_height_rate(sweep)
    assert contact_point_rate(sweep, sweep.travel_twist)[..., 2] == pytest.approx(rise, abs=1e-12)
