"""Thousands of random linkages of every layout: what must hold for each, whatever its points.

Each is a shipped model with every hard point moved by up to 15 mm. Those that make no sense (a dead
point at ride height) are refused and counted; all others are asked.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation
from shipped import NAMES, axle_of_model, car_of

from linkview.alignment.axle import align
from linkview.alignment.posed import damper_length_mm, has_damper
from linkview.errors import CannotAssemble
from linkview.geometry import frozen, mirrored
from linkview.kinematics.corner import linkage_of
from linkview.kinematics.solve import TOLERANCE_MM, Target, newton
from linkview.kinematics.sweep import pose_at, sweep_axle, sweep_corner
from linkview.model.layout import OTHER_WHEEL_CENTRE
from linkview.model.parts import Corner, Hold

LAYOUT_MODELS = tuple(n for n in NAMES if n != "demo_coupe")
EACH = 170  # of fourteen models: over two thousand linkages


def with_points(corner: Corner, points: dict[str, np.ndarray]) -> Corner:
    placed = {name: frozen(p) for name, p in points.items()}
    return replace(
        corner, points=placed, wheel=replace(corner.wheel, centre=placed["wheel_centre"])
    )


def jogged(corner: Corner, rng: np.random.Generator) -> Corner:
    points = {n: p + rng.uniform(-15.0, 15.0, 3) for n, p in corner.points.items()}
    if OTHER_WHEEL_CENTRE in points:
        points[OTHER_WHEEL_CENTRE] = mirrored(points["wheel_centre"])
    return with_points(corner, points)


@pytest.mark.parametrize("name", LAYOUT_MODELS)
def test_random_linkages_solve_finite_tight_and_in_few_steps(name):
    given = axle_of_model(name).left
    rng = np.random.default_rng(sum(map(ord, name)))
    asked = refused = 0
    for _ in range(EACH):
        corner = jogged(given, rng)
        try:
            built = linkage_of(corner)
            problem = built.problem(Hold.WHEEL_HEIGHT)
            rack = np.array([-4.0, 0.0, 4.0]) if corner.rack is not None else np.zeros(3)
            goal = Target(rack, np.array([3.0, -3.0, 2.0]))
            found = newton(problem, built.linkage.reference(3), goal)
        except CannotAssemble:
            refused += 1
            continue
        if not found.solved.all():  # near its edge of reach: a trace goes there in steps
            refused += 1
            continue
        asked += 1
        # Apart: a pose may be finite and wrong, or right and late.
        assert np.isfinite(found.state.origin).all()
        assert np.isfinite(found.state.turn).all()
        assert found.residual_mm.max() <= TOLERANCE_MM
        assert found.iterations <= 5
        turn = np.moveaxis(found.state.turn, -1, 0)
        square = turn @ turn.swapaxes(-1, -2)
        assert np.abs(square - np.eye(3)).max() < 1e-12
    assert asked > 0.9 * EACH, (asked, refused)


@pytest.mark.parametrize("name", LAYOUT_MODELS)
def test_there_and_back_ends_where_it_began(name):
    corner = axle_of_model(name).left
    built = linkage_of(corner)
    problem = built.problem(Hold.WHEEL_HEIGHT)
    rack = 5.0 if corner.rack is not None else 0.0
    there = newton(problem, built.linkage.reference(), Target(np.array([rack]), np.array([7.0])))
    back = newton(problem, there.state, Target(np.zeros(1), np.zeros(1)))
    assert there.solved.all()
    assert np.abs(back.state.origin - built.linkage.reference().origin).max() < 1e-8
    assert np.abs(back.state.turn - built.linkage.reference().turn).max() < 1e-10


@pytest.mark.parametrize("name", LAYOUT_MODELS)
def test_shifting_the_whole_car_changes_no_reading_but_places(name):
    """Fore and aft and up: nothing may change that is measured within the axle."""
    car = car_of(name)
    axle = axle_of_model(name)
    by = np.array([137.0, 0.0, -41.0])
    shifted = replace(
        axle,
        left=with_points(axle.left, {n: p + by for n, p in axle.left.points.items()}),
        right=with_points(axle.right, {n: p + by for n, p in axle.right.points.items()}),
    )
    rack = np.array([-15.0, 0.0, 15.0]) if axle.left.rack is not None else np.zeros(1)
    travel = np.array([-20.0, 0.0, 20.0])
    one, two = (align(sweep_axle(a, rack, travel), car) for a in (axle, shifted))
    for reading in (
        "camber_deg",
        "toe_in_deg",
        "caster_deg",
        "trail_mm",
        "scrub_radius_mm",
        "bump_steer_deg_per_mm",
        "motion_ratio",
        "wheel_rate_n_per_mm",
        "toggle_deg",
        "side_view_swing_arm_mm",
        "bar_ratio_deg_per_mm",
    ):
        a, b = (getattr(x.left, reading) for x in (one, two))
        assert b == pytest.approx(a, rel=1e-7, abs=1e-7, nan_ok=True), reading
    for reading in ("track_mm", "roll_centre_height_mm", "percent_ackermann"):
        a, b = (getattr(x, reading) for x in (one, two))
        assert b == pytest.approx(a, rel=1e-6, abs=1e-6, nan_ok=True), reading


@pytest.mark.parametrize("name", LAYOUT_MODELS)
def test_turning_the_whole_car_about_the_vertical_turns_its_poses_along(name):
    """Yaw: heights stay, so the same travel gives the same shape, turned."""
    given = axle_of_model(name).left
    yaw = Rotation.from_rotvec([0.0, 0.0, 0.3]).as_matrix()
    turned = with_points(given, {n: yaw @ p for n, p in given.points.items()})
    if given.rack is not None:
        turned = replace(turned, rack=replace(given.rack, axis=frozen(yaw @ given.rack.axis)))
    rack = np.array([0.0, 12.0]) if given.rack is not None else np.zeros(1)
    travel = np.array([-15.0, 0.0, 18.0])
    one, two = (sweep_corner(c, rack, travel, Hold.WHEEL_HEIGHT) for c in (given, turned))
    for point in given.points:
        assert np.abs(one.point(point) @ yaw.T - two.point(point)).max() < 1e-8  # mm


@pytest.mark.parametrize("name", LAYOUT_MODELS)
def test_motion_ratio_and_wheel_rate_keep_the_energy(name):
    """Virtual work: the spring's energy over a millimetre of travel is the wheel force's work.

    Energy 1/2 k c^2 of the spring at three heights; its slope against the contact's height is
    F MR, its second slope the wheel rate. Differences over 0.2 mm: good to 1e-5 of themselves.
    """
    car, axle = car_of(name), axle_of_model(name)
    corner = axle.left
    if not has_damper(corner) or corner.damper is None or corner.damper.spring is None:
        pytest.skip("no spring in this model")
    h = 0.1
    sweep = sweep_axle(axle, np.zeros(1), np.array([-h, 0.0, h]))
    read = align(sweep, car).left
    spring = corner.damper.spring
    squeezed = spring.free_length_mm - read.spring_length_mm[0]
    assert (squeezed > 0.0).all()
    energy = 0.5 * spring.rate_n_per_mm * squeezed**2
    z = read.contact_centre_mm[0, :, 2]
    slopes = np.diff(energy) / np.diff(z)
    force = float(read.spring_force_n[0, 1] * read.motion_ratio[0, 1])
    assert (energy[2] - energy[0]) / (z[2] - z[0]) == pytest.approx(force, rel=1e-5)
    rate = (slopes[1] - slopes[0]) / ((z[2] - z[0]) / 2.0)
    assert rate == pytest.approx(float(read.wheel_rate_n_per_mm[0, 1]), rel=1e-4)
    pose = pose_at(corner, 0.0, h, Hold.WHEEL_HEIGHT)
    assert damper_length_mm(pose)[0, 0] == pytest.approx(
        damper_length_mm(sweep.left)[0, 2], abs=1e-9
    )
