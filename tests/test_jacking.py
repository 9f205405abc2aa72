"""Tyres on the ground while steering, and what it does to ride height and wheel loads."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import minimize
from shipped import MODELS, car_of
from test_sensitivity import moved

from linkview.alignment import jacking as jacking_file
from linkview.alignment.assumed import assumed_for
from linkview.alignment.corner import align_corner
from linkview.alignment.jacking import Jacking, steering_jacking
from linkview.alignment.jacking_slopes import Moving, jacking_slopes
from linkview.alignment.on_ground import steer_on_ground
from linkview.alignment.posed import at_ride_height, damper_length_mm, motion_ratio
from linkview.errors import LinkviewError
from linkview.export.summary import jacking_lines
from linkview.geometry import Array, unit
from linkview.kinematics.assemble import build_car
from linkview.kinematics.axle import axle_poses
from linkview.kinematics.sensitivity import Coordinate, Sizes
from linkview.kinematics.sweep import pose_at
from linkview.model.parts import Car, Hold, Side
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


def ride(car: Car) -> dict[str, Array]:
    """At ride height, (4,) each: what every wheel's spring carries, stiffness, spring and more."""
    reads = [
        align_corner(at_ride_height(c), assumed_for(axle, car))
        for axle in car.axles.values()
        for c in axle.corners
    ]

    def of(name: str) -> Array:
        return np.array([getattr(r, name)[0, 0] for r in reads])

    names = ("spring_length_mm", "wheel_rate_n_per_mm", "half_track_change_mm_per_mm")
    out = {name: of(name) for name in (*names, "wheelbase_change_mm_per_mm", "contact_centre_mm")}
    return out | {"load_n": of("spring_force_n") * of("motion_ratio")}


def test_little_steer_moves_load_as_the_linear_statics_say():
    """The same by hand, linear: wheel rates at ride height, the weight that leans with the body,
    and contacts that wander in the body as the wheels steer and travel."""
    car, rack = PLANNED, 0.5
    at = ride(car)
    foot, load, rate = at["contact_centre_mm"], at["load_n"], at["wheel_rate_n_per_mm"]
    weight, high = load.sum(), car.cg_height_mm
    ground = steer_on_ground(car, car.axles["front"], [0.0, rack])
    wander = np.zeros((4, 3))
    for k, side in enumerate(Side):
        wander[k] = ground.contact_mm[side][1] - ground.contact_mm[side][0]
    out = np.array([1.0, -1.0, 1.0, -1.0])
    # Of the contacts, per mm of compression; the contact climbs as the wheel does, near enough.
    aside = out * at["half_track_change_mm_per_mm"]
    along = np.array([1.0, 1.0, -1.0, -1.0]) * at["wheelbase_change_mm_per_mm"]
    modes = np.column_stack([np.ones(4), foot[:, 1], -foot[:, 0]])
    # Dampers held, a wheel carries other than straight ahead as its motion ratio has changed.
    held = np.zeros(4)
    for k, posed in enumerate((ground.left, ground.right)):
        held[k] = load[k] * np.diff(motion_ratio(posed))[0] / motion_ratio(posed)[0]
    # rows: force, moment about x, moment about y; columns: loads, then heave, roll, pitch
    by_load = np.array([np.ones(4), foot[:, 1], -foot[:, 0]])
    by_pressing = by_load * rate + load * np.array([0.0 * aside, aside, -along])
    # A sloping road also pushes sideways, along the way the contact wanders as the wheel travels,
    # and a pitched one meets the tyre a little ahead.
    by_slope = np.column_stack([np.zeros(4), -load * aside, load * along])
    radius = np.array([c.wheel.loaded_radius_mm for a in car.axles.values() for c in a.corners])
    lean = np.diag([0.0, weight * high, weight * high - load @ radius])
    steered = by_pressing @ -wander[:, 2] + by_load @ held
    steered += [0.0, load @ wander[:, 1], -load @ wander[:, 0]]
    plane = np.linalg.solve(by_pressing @ modes - by_load @ by_slope - lean, steered)
    by_hand = rate * (-wander[:, 2] - modes @ plane) + held + by_slope @ plane
    jacking = steering_jacking(car, "front", [-rack, rack])
    # Half the difference to both sides: what is of second order in the steer falls out, and so
    # does heave, which is even.
    load_n = np.diff(jacking.load_n, axis=0)[0] / 2.0
    assert np.abs(by_hand).min() > 2.0  # N: something to see
    assert load_n == pytest.approx(by_hand - by_hand @ np.ones(4) / 4.0, rel=0.01)


def least_energy(car: Car, rack_mm: float) -> tuple[Array, Array]:
    """Travels and wheel loads (4,) at which springs, bar and weight have the least energy with
    four contacts in one plane; by SciPy, from lengths and heights alone."""
    at = ride(car)
    load, foot = at["load_n"], at["contact_centre_mm"]
    weight = load.sum()
    cg = load @ foot / weight + [0.0, 0.0, car.cg_height_mm]
    names = list(car.axles)

    def stood(x: Array) -> tuple[Array, Array]:
        """Energy over weight (n,), mm, and contact heights over the first (n, 3); x (n, 6)."""
        up = unit(np.column_stack([x[:, 4:] / 1000.0, np.ones(len(x))]))
        energy, height = np.zeros(len(x)), np.zeros((len(x), 4))
        for a, name in enumerate(names):
            axle = car.axles[name]
            rack = rack_mm if name == "front" else 0.0
            poses = axle_poses(axle, rack, x[:, 2 * a], x[:, 2 * a + 1])
            turned = []
            for k, posed in enumerate(poses.corners):
                corner, n = posed.corner, posed.spin_axis
                spring = corner.damper.spring
                before = damper_length_mm(at_ride_height(corner))[0, 0]
                long = at["spring_length_mm"][2 * a + k] + damper_length_mm(posed) - before
                short = np.maximum(spring.free_length_mm - long, 0.0)
                energy += 0.5 * spring.rate_n_per_mm * short**2
                down = unit(up - (up * n).sum(axis=1, keepdims=True) * n)
                touch = posed.wheel_centre - corner.wheel.loaded_radius_mm * down
                height[:, 2 * a + k] = (touch * up).sum(axis=1)
                if corner.bar_rate_n_mm_per_deg:
                    # The lever's turn about y, the bar's own axis, from its pose.
                    pose = posed.poses["bar_lever"]
                    turned.append(np.arctan2(pose[:, 0, 2], pose[:, 0, 0]))
            if turned:
                twist = np.degrees(turned[0] - turned[1])
                energy += 0.5 * axle.left.bar_rate_n_mm_per_deg * twist * np.radians(twist)
        return energy / weight + up @ cg - height[:, 0], height[:, 1:] - height[:, :1]

    met: dict[bytes, tuple[Array, Array]] = {}

    def slopes(x: Array) -> tuple[Array, Array]:
        if x.tobytes() not in met:
            met[x.tobytes()] = measured(x)
        return met[x.tobytes()]

    def measured(x: Array) -> tuple[Array, Array]:
        step = 1e-3 * np.eye(6)
        energy, height = stood(np.vstack([x + step, x - step]))
        return (energy[:6] - energy[6:]) / 2e-3, (height[:6] - height[6:]).T / 2e-3

    least = minimize(
        lambda x: float(stood(x[None])[0][0]),
        np.zeros(6),
        jac=lambda x: slopes(x)[0],
        method="SLSQP",
        constraints={
            "type": "eq",
            "fun": lambda x: stood(x[None])[1][0],
            "jac": lambda x: slopes(x)[1],
        },
        options={"ftol": 1e-11, "maxiter": 200},
    )
    assert least.success
    # Lagrange: each contact's push is what holds its height.
    over_first = np.linalg.lstsq(slopes(least.x)[1].T, slopes(least.x)[0])[0] * weight
    return least.x[:4], np.array([weight - over_first.sum(), *over_first])


def on_a_beam() -> Car:
    """A strut front with an anti-roll bar on a rear axle whose two wheels are one part."""
    front, rear = car_of("strut_with_bar"), car_of("four_link_axle")
    return replace(front, axles={**front.axles, **rear.axles})


@pytest.mark.parametrize("car_from", [lambda: PLANNED, on_a_beam], ids=["planned", "bar_beam"])
def test_the_car_rests_where_springs_bar_and_weight_have_least_energy(
    car_from: Callable[[], Car],
):
    car = car_from()
    rack = -0.8 * car.axles["front"].left.rack.working_mm
    jacking = steering_jacking(car, "front", [rack])
    travel_mm, pushes = least_energy(car, rack)
    assert jacking.travel_mm[0] == pytest.approx(travel_mm, abs=0.01)  # mm, SLSQP's own
    assert np.abs(jacking.load_n[0]).max() > 50.0
    assert jacking.load_n[0] == pytest.approx(pushes - ride(car)["load_n"], abs=0.5)  # N


@pytest.mark.parametrize(
    ("car_from", "axle", "side", "points"),
    [
        (lambda: PLANNED, "front", None, [("tie_rod_outer", 0)]),
        (lambda: PLANNED, "rear", None, [("upper_rear_outer", 2)]),
        (on_a_beam, "front", None, [("drop_link_inner", 1)]),
        (on_a_beam, "rear", Side.LEFT, [("damper_upper", 2), ("wheel_centre", 2)]),
    ],
    ids=["front", "rear", "bar", "beam"],
)
def test_what_a_millimetre_does_to_loads_against_cars_built_anew(
    monkeypatch, car_from, axle, side, points
):
    """Five-point differences over 0.2 mm, rest found to a millionth of a micrometre."""
    monkeypatch.setattr(jacking_file, "AT_REST_MM", 1e-9)
    car, rack, step = car_from(), -25.0, 5e-2
    coordinates = [Coordinate(*p) for p in points]
    moving = Moving(axle, side, coordinates, Sizes.FOLLOW)
    found = jacking_slopes(car, "front", rack, moving)
    here = steering_jacking(car, "front", [rack])
    assert found.load_n == pytest.approx(here.load_n[0], abs=1e-6)
    assert found.rise_mm == pytest.approx(here.rise_mm[0], abs=1e-9)
    assert found.pushed_mm == pytest.approx(here.pushed_mm[0], abs=1e-9)
    assert found.lean_deg == pytest.approx([here.roll_deg[0], here.pitch_deg[0]], abs=1e-9)

    def read(c: Coordinate, by: float) -> Array:
        jack = steering_jacking(with_point(car, axle, side, c, by), "front", [rack])
        leans = jack.roll_deg[0], jack.pitch_deg[0]
        each = jack.load_n, jack.rise_mm, jack.travel_mm, jack.pushed_mm
        return np.array([*np.concatenate([x[0] for x in each]), *leans])

    slopes = (found.load_slopes, found.rise_slopes, found.travel_slopes)
    slopes = (*slopes, found.pushed_slopes, found.lean_slopes)
    for k, c in enumerate(coordinates):
        a, b, d, e = (read(c, s * step) for s in (1, -1, 2, -2))
        want = (8.0 * (a - b) - (d - e)) / (12.0 * step)
        got = np.concatenate([x[k] for x in slopes])
        for one in (slice(0, 4), slice(4, 8), slice(8, 12), slice(12, 16), slice(16, 18)):
            # Slopes under 0.01 N/mm and 1e-4 mm/mm are lost in the differences' own rounding.
            largest = max(np.abs(want[one]).max(), 1e-2 if one.start == 0 else 1e-4)
            assert np.abs(got[one] - want[one]).max() < 1e-6 * largest, (c.words, one)


def with_point(car: Car, name: str, side: Side | None, c: Coordinate, by: float) -> Car:
    """A point elsewhere: on both sides alike, or on one and wherever the axle as a whole has it."""
    axle = car.axles[name]
    left = moved(axle.left, c, by)
    right = axle.right
    if side is None:
        right = moved(axle.right, c, -by if c.axis == 1 else by)
    elif c.point in axle.left.layout.shared:
        right = moved(axle.right, c, by)
    elif c.point == "wheel_centre" and axle.left.layout.level:
        right = moved(axle.right, replace(c, point="other_wheel_centre"), by)
    return replace(car, axles={**car.axles, name: replace(axle, left=left, right=right)})


def test_lock_to_the_other_side_is_the_mirror_and_forces_balance():
    car = PLANNED
    jacking = steering_jacking(car, "front", [-60.0, 0.0, 60.0])
    assert np.abs(jacking.load_n.sum(axis=1)).max() < 1e-3  # N
    assert np.abs(jacking.load_n[1]).max() < 1e-3
    assert jacking.load_n[0, [1, 0, 3, 2]] == pytest.approx(jacking.load_n[2], abs=1e-3)
    assert jacking.roll_deg[0] == pytest.approx(-jacking.roll_deg[2], abs=1e-6)
    assert jacking.pitch_deg[0] == pytest.approx(jacking.pitch_deg[2], abs=1e-6)
    pushed = jacking.of(jacking.pushed_mm, "front", Side.LEFT)
    other = jacking.of(jacking.pushed_mm, "front", Side.RIGHT)
    assert np.sign(jacking.shift_n("front")[0]) == np.sign(pushed[0] - other[0])


def test_what_has_no_equilibrium_is_blank_with_its_reason():
    car = PLANNED
    front = car.axles["front"]
    short = replace(front.left.damper, max_length_mm=damper_max(front.left) + 1.0)
    corners = {"left": replace(front.left, damper=short), "right": front.right}
    held = replace(car, axles={**car.axles, "front": replace(front, **corners)})
    jacking: Jacking = steering_jacking(held, "front", [60.0, 5.0, 200.0])
    assert "front left damper is at its end" in jacking.reasons[0]
    assert jacking.reasons[1] == ""
    assert "out of reach" in jacking.reasons[2]
    assert np.isfinite(jacking.load_n).all(axis=1).tolist() == [False, True, False]


def damper_max(corner) -> float:
    return float(damper_length_mm(at_ride_height(corner))[0, 0])


def test_what_is_missing_is_said():
    with pytest.raises(LinkviewError, match="needs both axles"):
        steering_jacking(car_of("strut_with_bar"), "front", [10.0])
    car = PLANNED
    rear = car.axles["rear"]
    bare = {s.value: replace(c, damper=None) for s, c in zip(Side, rear.corners, strict=True)}
    without = replace(car, axles={**car.axles, "rear": replace(rear, **bare)})
    with pytest.raises(LinkviewError, match=r"axle\.rear.*no wheel loads"):
        steering_jacking(without, "front", [10.0])
    loose = replace(rear.left.damper, spring=replace(rear.left.damper.spring, ride_length_mm=260.0))
    hung = {s.value: replace(c, damper=loose) for s, c in zip(Side, rear.corners, strict=True)}
    without = replace(car, axles={**car.axles, "rear": replace(rear, **hung)})
    with pytest.raises(LinkviewError, match=r"axle\.rear: the left spring carries no load"):
        steering_jacking(without, "front", [10.0])
    said = "\n".join(jacking_lines(without))
    assert said.startswith("steering jacking: not found, axle.rear: the left spring carries no")
    with pytest.raises(ValueError, match="finite"):
        steering_jacking(car, "front", [np.nan])
