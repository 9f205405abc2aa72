"""Limits against scipy's rotations and roots, brute force, and mirrored cars."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from conftest import axle_of, front_corner
from scipy.optimize import brentq
from scipy.spatial.transform import Rotation
from test_alignment import car_of

from linkview.errors import UnknownName
from linkview.geometry import frozen, mirrored
from linkview.kinematics.sweep import grid_of, pose_at, sweep_axle
from linkview.limits.joint_angles import clocked_use, swing_rad, tilt_rad, twist_rad
from linkview.limits.limit import Stops
from linkview.limits.readings import LimitReading, limits_of, readings
from linkview.limits.stops import first_stop
from linkview.model.parts import Axle, Corner, Hold, JointKind, JointLimit, Side

HEIGHT = Hold.WHEEL_HEIGHT
ROD_END, INNER, STUD, BEARING = (
    JointKind.ROD_END,
    JointKind.INNER_JOINT,
    JointKind.BALL_STUD,
    JointKind.BEARING,
)
# The demo car's joints: point, kind, axis, part the axis is on, member, allowed deg.
DEMO = (
    ("tie_rod_outer", ROD_END, (0, 0, 1), "knuckle", "tie_rod", 24.0),
    ("tie_rod_inner", INNER, (0, 1, 0), "rack", "tie_rod", 18.0),
    ("lower_ball_joint", STUD, (0, 0, 1), "knuckle", "lower_arm", 25.0),
    ("strut_top", BEARING, (-47.8, -71, 450), "body", "strut", 15.0),
)


def jointed(maker, *joints):
    """A maker of corners with these joints, axes given for the left side."""

    def corner(side: Side) -> Corner:
        def axis(v):
            v = np.array(v, float) / np.linalg.norm(v)
            return frozen(v if side is Side.LEFT else mirrored(v))

        limits = tuple(JointLimit(p, k, axis(a), on, m, deg) for p, k, a, on, m, deg in joints)
        return dataclasses.replace(maker(side), joints=limits)

    return corner


def axle_with(*joints, **settings) -> Axle:
    return axle_of(jointed(front_corner, *joints), "front", **settings)


def with_rack(axle: Axle, stop_mm: float) -> Axle:
    rack = dataclasses.replace(axle.left.rack, stop_mm=stop_mm, working_mm=stop_mm)
    left, right = (dataclasses.replace(c, rack=rack) for c in axle.corners)
    return dataclasses.replace(axle, left=left, right=right)


def stops_of(axle: Axle, rack, travel):
    sweep = sweep_axle(axle, np.array(rack, float), np.array(travel, float))
    return first_stop(sweep, car_of(axle))


def named(found: tuple[LimitReading, ...], side: Side, name: str) -> LimitReading:
    return next(r for r in found if r.side is side and r.name == name)


@pytest.fixture(scope="module")
def demo() -> Axle:
    return axle_with(*DEMO)


# --- angles of single joints --------------------------------------------------------------------


@pytest.mark.parametrize("deg", [0.0, 1e-7, 12.0, 89.0, 90.0])
def test_tilt_and_swing_of_a_rod_turned_by_scipy(deg):
    rod, axis = np.array([0, 350.0, 0]), np.array([0, 1.0, 0])
    turned = Rotation.from_rotvec(np.radians(deg) * np.array([0.6, 0, -0.8])).apply(rod)
    assert np.degrees(swing_rad(turned, axis)) == pytest.approx(deg, abs=1e-12)
    assert np.degrees(swing_rad(-turned, axis)) == pytest.approx(deg, abs=1e-12)
    assert np.degrees(tilt_rad(turned, axis)) == pytest.approx(90.0 - deg, abs=1e-12)


def test_rod_end_tilt_is_asin_of_the_rod_along_the_bolt():
    rng = np.random.default_rng(5)
    rod, bolt = rng.normal(size=(2, 200, 3))
    unit = np.abs(np.sum(rod * bolt, -1)) / np.linalg.norm(rod, axis=-1)
    want = np.arcsin(unit / np.linalg.norm(bolt, axis=-1))
    assert tilt_rad(rod, bolt) == pytest.approx(want, abs=1e-7)


def test_clocked_ends_share_the_best_spin_that_brute_force_finds():
    rng, limits = np.random.default_rng(11), np.radians([13.0, 20.0])
    spins = np.linspace(0, np.pi, 20_001)  # 0.009 deg apart
    for _ in range(25):
        rod = rng.normal(size=3)
        along = rod / np.linalg.norm(rod)
        bolts = [np.cross(along, rng.normal(size=3)) + 0.2 * along for _ in range(2)]
        eyes = [np.cross(along, rng.normal(size=3)) for _ in range(2)]
        eyes = [e / np.linalg.norm(e) for e in eyes]
        use = []
        for eye, bolt, limit in zip(eyes, bolts, limits, strict=True):
            spun = Rotation.from_rotvec(spins[:, None] * along).apply(eye)
            cosine = np.abs(spun @ bolt) / np.linalg.norm(bolt)
            use.append(np.arccos(np.clip(cosine, 0, 1)) / limit)
        best = np.maximum(*use).min()
        built = twist_rad(rod, tuple(eyes))
        got = clocked_use(rod, tuple(bolts), built, tuple(limits))
        assert got == pytest.approx(best, abs=1.5e-3)  # 0.0045 deg of 13 deg, twice over
        assert got <= best + 1e-9


def test_ends_clocked_40_degrees_apart_split_it_by_what_each_may_tilt():
    # Both bolts square to the rod, 40 deg of twist between them: 30 deg and 10 deg at 3 : 1.
    rod, x = np.array([0, 1.0, 0]), np.array([1.0, 0, 0])
    twisted = Rotation.from_rotvec(np.radians(40.0) * rod).apply(x)
    got = clocked_use(rod, (x, twisted), 0.0, (np.radians(30.0), np.radians(10.0)))
    assert got == pytest.approx(1.0, abs=1e-9)


# --- readings on the demo car -------------------------------------------------------------------


@pytest.mark.parametrize("side", Side)
@pytest.mark.parametrize(("rack", "travel"), [(-60.0, 40.0), (35.0, -55.0)])
def test_demo_joint_angles_from_the_poses_by_scipy(demo, side, rack, travel):
    corner = demo.left if side is Side.LEFT else demo.right
    pose = pose_at(corner, rack, travel, HEIGHT)
    flip = np.array([1.0, side.outboard, 1.0])
    upright = np.array([0, 0, 1.0])
    knuckle = Rotation.from_matrix(pose.pose("knuckle")[0, 0, :3, :3])
    arm = Rotation.from_matrix(pose.pose("lower_arm")[0, 0, :3, :3])
    outer, inner = pose.point("tie_rod_outer")[0, 0], pose.point("tie_rod_inner")[0, 0]
    rod = (outer - inner) / np.linalg.norm(outer - inner)
    lower, top = pose.point("strut_lower")[0, 0], pose.point("strut_top")[0, 0]
    strut = (top - lower) / np.linalg.norm(top - lower)
    was = np.array([-47.8, -71, 450]) * flip

    def between(a, b):
        return Rotation.align_vectors([a], [b])[0].magnitude()

    want = {
        "tie_rod_outer": np.arcsin(abs(rod @ knuckle.apply(upright))),
        "tie_rod_inner": between(rod, np.array([0, side.outboard, 0])),
        "lower_ball_joint": between(knuckle.apply(upright), arm.apply(upright)),
        "strut_top": between(strut, was / np.linalg.norm(was)),
    }
    limits = {x.point: x for x in limits_of(corner, demo, car_of(demo)) if x.unit == "deg"}
    for joint in corner.joints:
        limit = next(
            x
            for x in limits_of(corner, demo, car_of(demo))
            if x.point == joint.point and "toggle" not in x.name
        )
        got = limit.measure(pose)[0, 0]
        assert got == pytest.approx(np.degrees(want[joint.point]), abs=1e-9), limit.name
        assert limit.margin(got) == pytest.approx(joint.max_deg - got)
    assert limits["tie_rod_outer"].name == "tie rod toggle angle"  # and no more than these five
    assert len(limits) == 4


def test_the_bolt_turns_with_its_part(demo):
    # On the knuckle the bolt leans over with it at lock; on the body it would stand still.
    lock = pose_at(demo.left, -70.0, 0.0, HEIGHT)
    fixed = ("tie_rod_outer", ROD_END, (0, 0, 1), "body", "tie_rod", 24.0)
    readings_ = [
        limits_of(axle.left, axle, car_of(axle))[0].measure(lock)[0, 0]
        for axle in (demo, axle_with(fixed))
    ]
    assert abs(readings_[0] - readings_[1]) > 1.0


def test_driveshaft_angles_and_plunge_both_ways(rear_axle):
    sweep = sweep_axle(rear_axle, np.zeros(1), np.array([-110.0, 0.0, 80.0]))
    found = readings(sweep, car_of(rear_axle))
    for side, corner in zip(Side, sweep.corners, strict=True):
        shaft = corner.point("cv_outer")[0] - corner.point("cv_inner")[0]
        size = np.linalg.norm(shaft, axis=-1)
        inner = np.degrees(np.arccos(np.abs(shaft[:, 1]) / size))
        spin = np.abs(np.sum(shaft * corner.spin_axis[0], -1)) / size
        got = named(found, side, "inner CV angle")
        assert got.value[0] == pytest.approx(inner, abs=1e-6)
        assert got.margin[0] == pytest.approx(20.0 - inner, abs=1e-6)
        outer = named(found, side, "outer CV angle")
        assert outer.value[0] == pytest.approx(np.degrees(np.arccos(spin)), abs=1e-6)
        plunge = size - size[1]  # the nominal length is that at ride height
        apart = named(found, side, "driveshaft pulled apart")
        pushed = named(found, side, "driveshaft pushed in")
        assert apart.margin[0] == pytest.approx(22.0 - plunge, abs=1e-9)
        assert pushed.margin[0] == pytest.approx(22.0 + plunge, abs=1e-9)
        assert pushed.normalised[0] == pytest.approx(1.0 + plunge / 22.0, abs=1e-9)


def test_damper_spring_and_rack_margins(front_axle):
    sweep = sweep_axle(front_axle, np.array([-75.0, 0, 75.0]), np.array([-70.0, 0, 60.0]))
    found = readings(sweep, car_of(front_axle))
    left = sweep.left
    damper = np.linalg.norm(left.point("strut_top") - left.point("strut_lower"), axis=-1)
    assert named(found, Side.LEFT, "damper fully closed").margin == pytest.approx(damper - 398)
    assert named(found, Side.LEFT, "damper fully open").margin == pytest.approx(524 - damper)
    bound, loose = (named(found, Side.LEFT, f"spring {n}") for n in ("coil bound", "loose"))
    assert bound.margin + loose.margin == pytest.approx(180.0 - 88.0)
    assert np.diff(bound.value, axis=1) == pytest.approx(np.diff(damper, axis=1))
    assert named(found, Side.RIGHT, "rack stop").margin[:, 0] == pytest.approx([0, 75, 0])
    assert {r.stops for r in found if "loose" in r.name} == {Stops.NOTHING}


def test_a_mirrored_rack_gives_mirrored_margins(demo):
    sweep = sweep_axle(demo, *grid_of(demo, rack_count=7, travel_count=5))
    found = readings(sweep, car_of(demo))
    left = [r for r in found if r.side is Side.LEFT]
    right = [r for r in found if r.side is Side.RIGHT]
    assert len(left) == len(right) == 10
    for a, b in zip(left, right, strict=True):
        assert (a.name, a.allowed) == (b.name, b.allowed)
        assert a.margin == pytest.approx(b.margin[::-1], abs=1e-7), a.name


def test_two_rod_ends_on_one_rod_are_also_tested_together():
    ends = (
        ("tie_rod_outer", ROD_END, (0, 0, 1), "knuckle", "tie_rod", 14.0),
        ("tie_rod_inner", ROD_END, (0.6, 0, 1), "rack", "tie_rod", 14.0),
    )
    axle = axle_with(*ends)
    sweep = sweep_axle(axle, np.array([-60.0, 0, 60]), np.array([-40.0, 0, 40]))
    found = readings(sweep, car_of(axle))
    both = named(found, Side.LEFT, "tie rod rod ends clocked together")
    apart = [
        named(found, Side.LEFT, f"tie rod {end} rod end misalignment") for end in ("outer", "inner")
    ]
    least = np.maximum(*(100.0 * r.value / 14.0 for r in apart))
    # At ride height each eye was set square to its bolt; sharing one spin can only cost.
    assert both.value[1, 1] == pytest.approx(least[1, 1], abs=1e-9)
    assert (both.value >= least - 1e-9).all()
    assert (both.value[[0, 2]] > least[[0, 2]] + 0.1).any()


def test_a_joint_where_nothing_swings_is_refused_by_name():
    axle = axle_with(("tie_rod_outer", ROD_END, (0, 0, 1), "knuckle", "tie_rood", 12.0))
    with pytest.raises(
        UnknownName, match=r"joints.tie_rod_outer: no part swings at 'tie_rood'; did"
    ):
        limits_of(axle.left, axle, car_of(axle))


# --- what comes first ---------------------------------------------------------------------------


def reading_at(axle: Axle, side: Side, name: str, rack: float, travel: float) -> float:
    corner = axle.left if side is Side.LEFT else axle.right
    limit = next(x for x in limits_of(corner, axle, car_of(axle)) if x.name == name)
    return float(limit.margin(limit.measure(pose_at(corner, rack, travel, HEIGHT)))[0, 0])


def test_the_demo_cars_toggle_stops_both_locks_where_scipy_finds_it(demo):
    found = stops_of(demo, *grid_of(demo, rack_count=11, travel_count=5))
    name = "tie rod toggle angle"
    want = brentq(lambda r: reading_at(demo, Side.LEFT, name, r, 0.0), -74.0, -60.0, xtol=1e-9)
    left, right = found.ride.left, found.ride.right
    assert (left.name, left.sides, left.value) == (name, (Side.LEFT,), 25.0)
    assert (right.name, right.sides) == (name, (Side.RIGHT,))
    assert left.rack_mm == pytest.approx(want, abs=0.01)
    assert right.rack_mm == pytest.approx(-want, abs=0.01)
    words = f"left lock: tie rod toggle angle at 25.0 deg, left wheel, rack {want:+.1f} mm"
    assert words in found.words
    assert found.already == ()


def test_a_plain_rod_end_stops_the_axle_in_droop_and_the_toggle_at_ride_height():
    # Turned left, in droop it is the RIGHT wheel's rod end that binds: both sides are looked at.
    joints = (("tie_rod_outer", ROD_END, (0, 0, 1), "knuckle", "tie_rod", 12.0),)
    axle = axle_with(*joints)
    droop, ride, bump = stops_of(axle, np.linspace(-75, 75, 11), [-60, 0, 50]).rows
    name = "tie rod outer rod end misalignment"
    for stop, side, ends in (
        (droop.left, Side.RIGHT, (-70.0, 0.0)),
        (droop.right, Side.LEFT, (0.0, 70.0)),
    ):
        want = brentq(lambda r, s=side: reading_at(axle, s, name, r, -60.0), *ends, xtol=1e-9)
        assert (stop.name, stop.sides) == (name, (side,))
        assert stop.rack_mm == pytest.approx(want, abs=0.01)
        assert stop.what.startswith("tie rod outer rod end misalignment at 12.0 deg, ")
    assert ride.left.name == bump.left.name == "tie rod toggle angle"


def test_with_the_damper_held_the_stop_is_found_along_that_path(demo):
    axle = dataclasses.replace(demo, hold=Hold.DAMPER_LENGTH)
    found = stops_of(axle, np.linspace(-75, 75, 11), [-30.0, 0.0]).rows[0]
    limit = next(x for x in limits_of(axle.left, axle, car_of(axle)) if "toggle" in x.name)

    def margin(rack):
        pose = pose_at(axle.left, rack, -30.0, Hold.DAMPER_LENGTH)
        return float(limit.margin(limit.measure(pose))[0, 0])

    assert found.left.name == "tie rod toggle angle"
    assert found.left.rack_mm == pytest.approx(brentq(margin, -74.0, -60.0), abs=0.01)


def test_no_limit_is_met_inside_the_first_stop_and_one_is_beyond_it(demo):
    # Brute force: margins on a fine rack grid, both sides.
    found = stops_of(demo, np.linspace(-75, 75, 11), [-40.0, 0.0, 40.0])
    for row in found.rows:
        for stop in (row.left, row.right):
            rack = np.linspace(0.0, stop.rack_mm - np.sign(stop.rack_mm) * 0.02, 60)
            rack = np.append(rack, stop.rack_mm + np.sign(stop.rack_mm) * 0.02)
            order = np.argsort(rack)
            sweep = sweep_axle(demo, rack[order], np.array([row.travel_mm]))
            least = np.full(len(rack), np.inf)
            for r in readings(sweep, car_of(demo)):
                if r.stops is Stops.MOTION and r.name != "edge of reach":
                    least[order] = np.fmin(least[order], r.margin[:, 0])
            assert (least[:-1] > 0).all()
            assert least[-1] < 0


def test_the_safe_rack_keeps_every_limit_and_a_little_more_does_not(demo):
    travel = np.linspace(-70, 55, 6)
    travel[3] = 0.0
    found = stops_of(demo, np.linspace(-75, 75, 11), travel)
    inside = travel[travel <= found.bump.travel_mm] if found.bump else travel
    for rack, good in ((found.safe_rack_mm, True), (found.safe_rack_mm + 0.11, False)):
        sweep = sweep_axle(demo, np.array([-rack, 0.0, rack]), inside)
        worst = min(
            r.margin.min() for r in readings(sweep, car_of(demo)) if r.stops is Stops.MOTION
        )
        assert bool(worst > 0) is good
    assert any(f"{found.safe_rack_mm:.1f} mm each way" in line for line in found.words)


def test_bump_and_loose_springs_where_scipy_finds_them(demo):
    found = stops_of(demo, [-10.0, 0.0, 10.0], [-70, -35, 0, 30, 60])
    for stop, name, ends in (
        (found.bump, "spring coil bound", (30.0, 60.0)),
        (found.spring_loose, "spring loose", (-70.0, 0.0)),
    ):
        want = brentq(lambda t, n=name: reading_at(demo, Side.LEFT, n, 0.0, t), *ends, xtol=1e-9)
        assert stop.name == name
        assert stop.sides == (Side.LEFT, Side.RIGHT)
        assert stop.travel_mm == pytest.approx(want, abs=0.01)
        assert stop.rack_mm == 0.0
    assert any(
        line.startswith("bump: spring coil bound at 88.0 mm, left and right wheels")
        for line in found.words
    )
    assert any(line.startswith("springs loose from travel -") for line in found.words)


def test_rear_axle_stops_along_travel_alone(rear_axle):
    found = stops_of(rear_axle, [0.0], [-110, -50, 0, 40, 80])
    assert found.rows == ()
    assert found.ride is None
    assert found.safe_rack_mm is None
    assert found.bump.name == "spring coil bound"
    assert not any("lock" in line for line in found.words)
    assert "droop: no limit in the grid" in found.words


def test_a_travel_out_of_reach_is_named_as_such(rear_axle):
    found = stops_of(rear_axle, [0.0], [-600, -300, 0])
    droop = found.droop
    assert droop.name != "edge of reach"  # the driveshaft or damper comes long before
    bare = dataclasses.replace(
        rear_axle,
        left=dataclasses.replace(rear_axle.left, damper=None, driveshaft=None),
        right=dataclasses.replace(rear_axle.right, damper=None, driveshaft=None),
    )
    droop = stops_of(bare, [0.0], [-600, -300, 0]).droop
    assert droop.name == "edge of reach"
    assert droop.point.endswith("at full reach")
    assert stops_of(bare, [0.0], [-600, -300, 0]).spring_loose is None
    assert -600 < droop.travel_mm < -110
    pose_at(bare.left, 0.0, droop.travel_mm + 0.01, HEIGHT)  # is still reached
    sweep = sweep_axle(bare, np.zeros(1), np.array([droop.travel_mm - 0.01]))
    assert not sweep.left.solved.any()


def test_a_limit_exceeded_at_ride_height_is_said_first_and_leaves_no_safe_rack():
    # The demo's inner joint stands at 4.08 deg: 23, 364 and -12 mm give atan(25.9 / 364).
    axle = axle_with(("tie_rod_inner", INNER, (0, 1, 0), "rack", "tie_rod", 4.0))
    found = stops_of(axle, [-30, 0, 30], [-10, 0, 10])
    (stop,) = found.already
    assert stop.sides == (Side.LEFT, Side.RIGHT)
    assert stop.value == pytest.approx(np.degrees(np.arctan2(np.hypot(23, 12), 364)), abs=1e-9)
    assert found.words[0] == (
        "ALREADY EXCEEDED at ride height: tie rod inner joint angle at 4.1 deg, "
        "left and right wheels"
    )
    assert found.safe_rack_mm is None
    assert found.words[3].startswith("no safe rack setting: tie rod inner joint angle is exceeded")


def test_a_spring_loose_at_ride_height_is_said_though_it_stops_nothing():
    def corner(side: Side) -> Corner:
        one = front_corner(side)
        spring = dataclasses.replace(one.damper.spring, ride_length_mm=181.0)
        return dataclasses.replace(one, damper=dataclasses.replace(one.damper, spring=spring))

    found = stops_of(axle_of(corner, "front"), [-30, 0, 30], [-10, 0, 10])
    assert found.words[0].startswith("ALREADY EXCEEDED at ride height: spring loose at 181.0 mm")
    assert found.safe_rack_mm == 30.0  # the grid's own end


def test_one_tighter_joint_on_the_right_stops_both_ways():
    axle = axle_with()
    tight = JointLimit("tie_rod_inner", INNER, frozen([0, -1, 0]), "rack", "tie_rod", 6.0)
    axle = dataclasses.replace(
        axle, right=dataclasses.replace(axle.right, joints=(tight,)), symmetric=False
    )
    found = stops_of(axle, np.linspace(-75, 75, 11), [0.0])
    for stop, ends in ((found.ride.left, (-75.0, 0.0)), (found.ride.right, (0.0, 75.0))):
        want = brentq(
            lambda r: reading_at(axle, Side.RIGHT, "tie rod inner joint angle", r, 0.0), *ends
        )
        assert stop.sides == (Side.RIGHT,)
        assert stop.rack_mm == pytest.approx(want, abs=0.01)


def test_a_limit_between_the_last_pose_and_the_edge_of_reach_is_not_missed(demo):
    # Racks 0 and 120 only: the row ends over centre before 120, and the toggle limit before that.
    axle = with_rack(demo, 130.0)
    found = stops_of(axle, [-120.0, 0.0, 120.0], [0.0])
    assert found.ride.left.name == "tie rod toggle angle"
    fine = stops_of(axle, np.linspace(-75, 75, 31), [0.0]).ride.left
    assert found.ride.left.rack_mm == pytest.approx(fine.rack_mm, abs=0.01)


def test_without_a_toggle_limit_the_edge_of_reach_stops_it():
    axle = with_rack(axle_with(min_toggle_deg=None), 130.0)
    rack = np.linspace(-120, 120, 13)
    sweep = sweep_axle(axle, rack, np.zeros(1))
    found = first_stop(sweep, car_of(axle))
    stop = found.ride.left
    assert found.safe_rack_mm is None  # over centre is no place to stop
    assert "no min_toggle_angle" in found.words[2]
    edge = min(abs(e.rack_mm) for c in sweep.corners for e in c.edges if e.rack_mm < 0)
    assert (stop.name, stop.point) == ("edge of reach", "tie rod over centre")
    assert abs(stop.rack_mm) == pytest.approx(edge, abs=0.01)
    left = named(readings(sweep, car_of(axle)), Side.LEFT, "edge of reach")
    solved = sweep.left.solved[:, 0] & (rack < 0)
    end = next(e.rack_mm for e in sweep.left.edges if e.rack_mm < 0)
    assert left.margin[solved, 0] == pytest.approx(rack[solved] - end)
    assert (left.margin[solved, 0] > 0).all()


def test_a_grid_without_ride_height_is_refused(demo):
    with pytest.raises(ValueError, match="needs a pose at rack 0 and travel 0"):
        stops_of(demo, [-10.0, 10.0], [0.0])
