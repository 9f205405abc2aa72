"""Tyres on the ground as an axle's hold: readings square to a road that both tyres stand on."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import fsolve
from scipy.spatial.transform import Rotation
from shipped import MODELS, car_of

from linkview.alignment.axle import align
from linkview.alignment.on_ground import steer_on_ground
from linkview.alignment.on_road import seen
from linkview.alignment.posed import at_ride_height, contact
from linkview.alignment.quantities import QUANTITIES, Of
from linkview.kinematics.assemble import build_car
from linkview.kinematics.axle import travels_of
from linkview.kinematics.sweep import AxleSweep, sweep_axle, sweep_corner
from linkview.model.parts import Hold, Side
from linkview.model.read import read_file

CAR = build_car(read_file(MODELS / "demo_coupe" / "demo_coupe.toml"), "planned")
RACK = np.array([-60.0, -40.0, -20.0, 0.0, 20.0, 40.0, 60.0])
TRAVEL = np.array([-30.0, 0.0, 40.0])


def read(hold, car=CAR, rack=RACK, travel=TRAVEL):
    axle = replace(car.axles["front"], hold=hold)
    return align(sweep_axle(axle, rack, travel), car)


@pytest.fixture(scope="module")
def on_road():
    return read(Hold.TYRES_ON_GROUND)


@pytest.mark.parametrize("name", ["strut", "strut_with_bar", "push_rod", "steering_box"])
def test_with_the_rack_centred_every_hold_reads_the_same(name):
    """Travel is a level heave; holds differ only in what steering does."""
    car = CAR if name == "strut" else car_of(name)
    one, other = (read(h, car) for h in (Hold.DAMPER_LENGTH, Hold.TYRES_ON_GROUND))
    assert other.held == "tyres on the ground, damper lengths held while steering"
    for q in QUANTITIES:
        if q.name in ("gauge_caster_deg", "steer_rate_deg_per_mm", "contact_centre_mm"):
            continue
        pairs = [(one, other)] if q.of is Of.AXLE else [(one.left, other.left)]
        for a, b in pairs:
            centred, there = getattr(a, q.name)[3], getattr(b, q.name)[3]
            assert there == pytest.approx(centred, rel=1e-9, abs=1e-9, nan_ok=True), q.name


def test_the_body_is_where_a_general_solver_finds_it(on_road):
    """SciPy's fsolve on heave, roll and pitch: three points to be at the height of the road.

    The tyre's lowest point is found as that of a circle, over a fine angle, not by its formula.
    """
    axle = replace(CAR.axles["front"], hold=Hold.TYRES_ON_GROUND)
    sweep = sweep_axle(axle, RACK, TRAVEL)
    rear = CAR.axles["rear"].left
    foot = np.array([rear.points["wheel_centre"][0], 0.0, 0.0])
    foot[2] = rear.points["wheel_centre"][2] - rear.wheel.loaded_radius_mm * np.sqrt(
        1.0 - rear.wheel.spin_axis[2] ** 2
    )

    def lowest(turn, lift, corner, i, j):
        centre = turn.apply(corner.wheel_centre[i, j]) + np.array([0.0, 0.0, lift])
        n = turn.apply(corner.spin_axis[i, j])
        return centre[2] - corner.corner.wheel.loaded_radius_mm * np.sqrt(1.0 - n[2] ** 2)

    def lows(x, i, j):
        turn = Rotation.from_euler("xy", x[1:])
        raised = foot + np.array([0.0, 0.0, heave[j]])
        return np.array(
            [
                lowest(turn, x[0], sweep.left, i, j),
                lowest(turn, x[0], sweep.right, i, j),
                turn.apply(raised)[2] + x[0],
            ]
        )

    def level(i, j):
        """The body's turn that brings the three points to one height, that of the road at z = 0."""
        x = fsolve(lambda x: lows(x, i, j), np.zeros(3), xtol=1e-11)
        return Rotation.from_euler("xy", x[1:])

    start = lowest(Rotation.identity(), 0.0, sweep.left, 3, 1)
    heave = [lowest(Rotation.identity(), 0.0, sweep.left, 3, j) - start for j in range(3)]
    for i, j in ((0, 1), (5, 2), (6, 0)):
        turn = level(3, j).inv() * level(i, j)  # since straight ahead at that travel
        for side, got in zip(sweep.corners, on_road.corners, strict=True):
            n = turn.apply(side.spin_axis[i, j])
            camber = -side.corner.side.outboard * np.degrees(np.arcsin(n[2]))
            assert got.camber_deg[i, j] == pytest.approx(camber, abs=1e-5)  # deg; yaw


def test_a_leaning_body_stands_on_the_road_at_each_sides_own_travel():
    """SciPy's fsolve for the road under the body as it leans straight ahead, and then for the move
    of the steered body that brings both tyres and the other axle's contact line back onto it."""
    front = replace(CAR.axles["front"], hold=Hold.TYRES_ON_GROUND)
    heave, roll = np.array([-5.0, 5.0]), np.array([-1.0, 2.5])
    sides = zip(front.corners, travels_of(front, heave, roll), strict=True)
    sweep = AxleSweep(front, *(sweep_corner(c, RACK, t, front.hold) for c, t in sides))
    got, moved = align(sweep, CAR), [side.posed for side in seen(sweep, CAR)]
    rear = CAR.axles["rear"].left
    foot = np.array([rear.points["wheel_centre"][0], 0.0, 0.0])
    foot[2] = rear.points["wheel_centre"][2] - rear.wheel.loaded_radius_mm * np.sqrt(
        1.0 - rear.wheel.spin_axis[2] ** 2
    )

    def heights(up, turn, shift, i, j, other, sides=sweep.corners):
        """Of both tyres' lowest points along a normal, and of the other axle's middle."""
        out = []
        for side in sides:
            centre = turn.apply(side.wheel_centre[i, j]) + shift
            across = turn.apply(side.spin_axis[i, j]) @ up
            radius = side.corner.wheel.loaded_radius_mm
            out.append(centre @ up - radius * np.sqrt(1.0 - across**2))
        return np.array([*out, (turn.apply(other) + shift) @ up])

    def normal(x):
        up = np.array([x[0], x[1], 1.0])
        return up / np.linalg.norm(up)

    still = Rotation.identity(), np.zeros(3)
    for j in (0, 1):
        middle = np.mean([c.contact_centre_mm[3, j, 2] for c in got.corners])
        at_ride = np.mean([contact(at_ride_height(c))[0, 0, 2] for c in front.corners])
        other = foot + np.array([0.0, 0.0, middle - at_ride])
        road = fsolve(
            lambda x, j=j, other=other: heights(normal(x), *still, 3, j, other) - x[2],
            np.zeros(3),
            xtol=1e-12,
        )
        lean = np.degrees(np.arctan(normal(road)[1] / normal(road)[2]))
        assert lean == pytest.approx(roll[j], abs=0.2)  # the wheels' planes move as well
        for i in (0, 5):
            x = fsolve(
                lambda x, i=i, j=j, road=road, other=other: (
                    heights(
                        normal(road),
                        Rotation.from_euler("xy", x[1:]),
                        np.array([0.0, 0.0, x[0]]),
                        i,
                        j,
                        other,
                    )
                    - road[2]
                ),
                np.zeros(3),
                xtol=1e-12,
            )
            tyres = heights(normal(road), *still, i, j, other, moved)[:2]
            assert tyres == pytest.approx(road[2], abs=1e-6)  # mm
            turn = Rotation.from_euler("xy", x[1:])
            for side, read_side in zip(sweep.corners, got.corners, strict=True):
                n = turn.apply(side.spin_axis[i, j])
                camber = -side.corner.side.outboard * np.degrees(np.arcsin(n[2]))
                in_the_body = -side.corner.side.outboard * np.degrees(
                    np.arcsin(side.spin_axis[i, j, 2])
                )
                assert abs(camber - in_the_body) > 0.05
                # Off by the yaw that this turn has and the smallest has not.
                assert read_side.camber_deg[i, j] == pytest.approx(camber, abs=1e-3)


def test_it_is_what_the_scripted_way_finds(on_road):
    ground = steer_on_ground(CAR, CAR.axles["front"], RACK)
    for side, got in zip(Side, on_road.corners, strict=True):
        assert got.camber_deg[:, 1] == pytest.approx(ground.camber_deg[side], abs=1e-9)
        assert got.steer_deg[:, 1] == pytest.approx(ground.steer_deg[side], abs=1e-9)
    # Along the road's own normal straight ahead: the floor on which the car was measured tilts.
    middle = 0.5 * sum(c.contact_centre_mm[:, 1] for c in on_road.corners)
    height = middle @ ground.road_up[3]
    assert np.abs(height - height[3]).max() < 1e-4  # mm, second order of that tilt


def test_camber_at_lock_is_not_that_of_the_body(on_road):
    """At lock the demo's body leans and pitches: so much of camber its own floor would hide."""
    body = read(Hold.DAMPER_LENGTH)
    off = on_road.left.camber_deg[0, 1] - body.left.camber_deg[0, 1]
    ground = steer_on_ground(CAR, CAR.axles["front"], RACK[0])
    heading = np.radians(on_road.left.steer_deg[0, 1])
    lean = ground.roll_deg[0] * np.cos(heading) + ground.pitch_deg[0] * np.sin(heading)
    assert off == pytest.approx(-lean, abs=0.01)  # small angles


def test_the_steer_rate_has_the_bodys_own_turn(on_road):
    h = 1e-3
    for i, k in ((0, -60.0), (4, 20.0)):
        near = read(Hold.TYRES_ON_GROUND, rack=np.array([k - h, k, k + h]))
        for side in ("left", "right"):
            steer = getattr(near, side).steer_deg[:, 1]
            rate = getattr(on_road, side).steer_rate_deg_per_mm[i, 1]
            assert rate == pytest.approx((steer[2] - steer[0]) / (2.0 * h), rel=1e-7)


def test_the_knuckles_own_rate_by_rack_is_that_of_neighbouring_poses():
    h = 1e-3
    axle = replace(CAR.axles["front"], hold=Hold.TYRES_ON_GROUND)
    poses = seen(sweep_axle(axle, np.array([35.0 - h, 35.0, 35.0 + h]), TRAVEL), CAR)[0].posed
    rate = (poses.wheel_centre[2] - poses.wheel_centre[0]) / (2.0 * h)
    assert poses.rack_twist[1, :, :3] == pytest.approx(rate, abs=1e-7)


def test_a_mirrored_rack_mirrors_the_readings(on_road):
    for name in ("camber_deg", "trail_mm", "scrub_radius_mm", "caster_deg", "gauge_caster_deg"):
        left, right = (getattr(c, name) for c in on_road.corners)
        assert left == pytest.approx(right[::-1], abs=1e-8)
    assert on_road.locks[0].leading.camber_deg == pytest.approx(
        on_road.locks[1].leading.camber_deg, abs=1e-8
    )


def test_beyond_reach_stays_blank():
    got = read(Hold.TYRES_ON_GROUND, rack=np.array([-120.0, 0.0, 120.0]))
    assert np.isnan(got.left.camber_deg[0]).all()
    assert np.isfinite(got.left.camber_deg[1]).all()
