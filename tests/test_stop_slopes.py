"""Where limits are met, by hard point, against cars built anew from their points and met again.

Five-point differences over 4 um. Limits are met to rounding here, not to the tenth of a micrometre
that stops are told to, so that the differences are good to some 1e-8 of a slope.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace

import numpy as np
import pytest
from shipped import MODELS, car_of
from test_sensitivity import STEP_MM, five_points, moved

from linkview.geometry import Array
from linkview.kinematics.assemble import build_car, rebuilder
from linkview.kinematics.kept import corner_with
from linkview.kinematics.sensitivity import Coordinate, Sizes, coordinates_of
from linkview.kinematics.sweep import pose_at
from linkview.limits import crossings
from linkview.limits.joints import joint_limits
from linkview.limits.readings import limits_of
from linkview.limits.report import REACH
from linkview.limits.sensitivity import StopSlopes, limit_slopes, stop_slopes, travel_stop_slopes
from linkview.model.parts import Corner, Hold, JointKind, Side
from linkview.model.read import read_file

AGREE = 1e-6  # of the largest slope of that stop
DEMO = read_file(MODELS / "demo_coupe" / "demo_coupe.toml")
Met = dict[tuple[str, bool], float]


@pytest.fixture(autouse=True)
def _met_to_rounding(monkeypatch):
    monkeypatch.setattr(crossings, "CLOSE_ENOUGH_MM", 1e-8)


def places(found: tuple[StopSlopes, ...]) -> Met:
    at = {"rack": lambda s: s.rack_mm, "travel": lambda s: s.travel_mm}
    return {(s.words, at[s.met_along](s) > 0.0): at[s.met_along](s) for s in found}


def check(
    found: tuple[StopSlopes, ...],
    coordinates: tuple[Coordinate, ...],
    again: Callable[[Coordinate, float], Met],
    some: Array,
) -> None:
    """Each stop's slope by some coordinates against where it is met again."""
    for k in some.tolist():
        ends = {by: again(coordinates[k], by) for by in (STEP_MM * s for s in (1, -1, 2, -2))}
        for s in found:
            key = s.words, (s.rack_mm or s.travel_mm) > 0.0
            off = five_points(lambda by, key=key, ends=ends: ends[by][key]) - s.slopes[k]
            assert abs(off) < AGREE * np.abs(s.slopes).max(), (key, coordinates[k].words)


def rebuilt(axle: str) -> Callable[[Coordinate, float], Corner]:
    """The demo car's left corner, built anew from its file with a point elsewhere."""
    cars = rebuilder(DEMO, "as_found")

    def build(c: Coordinate, by: float) -> Corner:
        return cars.corner(axle, Side.LEFT, {c.point: by * np.eye(3)[c.axis]})

    return build


def tight(corner: Corner, at: Mapping[str, float]) -> Corner:
    """Joints allowed no more than `at` (deg by point); the tie rod with a rod end at each end."""
    joints = tuple(
        replace(
            j,
            max_deg=at.get(j.point, j.max_deg),
            kind=JointKind.ROD_END if j.point == "tie_rod_inner" else j.kind,
            axis=np.array([0.6, 0.0, 0.8]) if j.point == "tie_rod_inner" else j.axis,
        )
        for j in corner.joints
    )
    return replace(corner, joints=joints)


HELD = [
    (Sizes.FOLLOW, Hold.WHEEL_HEIGHT),
    (Sizes.KEPT, Hold.WHEEL_HEIGHT),
    (Sizes.FOLLOW, Hold.TYRES_ON_GROUND),
]


@pytest.mark.parametrize(("sizes", "hold"), HELD)
def test_racks_where_joints_are_at_their_limit(sizes, hold):
    """Each joint is allowed no more than it has at rack 40 mm, so that all are met on the way."""
    car = car_of("demo_coupe")
    axle = replace(car.axles["front"], hold=hold)
    there = pose_at(axle.left, 40.0, 5.0, Hold.WHEEL_HEIGHT)
    open_ = tight(axle.left, {})
    allowed = {x.point: float(x.measure(there)[0, 0]) for x in joint_limits(open_)}
    corner = tight(axle.left, allowed)
    coordinates = coordinates_of(corner, sizes)
    build = rebuilt("front")

    def again(c: Coordinate, by: float) -> Met:
        if sizes is Sizes.FOLLOW:
            other = tight(build(c, by), allowed)
        else:
            other = corner_with(corner, {c.point: moved(corner, c, by).points[c.point]})
        return places(stop_slopes(other, axle, car, 5.0, (), sizes))

    found = stop_slopes(corner, axle, car, 5.0, coordinates, sizes)
    assert [abs(s.rack_mm) for s in found] == sorted(abs(s.rack_mm) for s in found)
    names = {s.name for s in found}
    assert {"tie rod rod ends clocked together", "strut top bearing angle"} < names
    assert len(names) >= 5
    assert any("ball stud" in name for name in names)
    some = np.random.default_rng(5).permutation(len(coordinates))
    check(found, coordinates, again, some[: 1 if hold.keeps_damper else 2])


def test_travels_where_limits_are_met():
    """The rear of the demo car, its joints, springs and driveshafts short of room."""
    car = car_of("demo_coupe")
    axle = car.axles["rear"]
    there = pose_at(axle.left, 0.0, 30.0, Hold.WHEEL_HEIGHT)
    allowed = {x.point: 0.8 * float(x.measure(there)[0, 0]) for x in joint_limits(axle.left)}

    def short(corner: Corner) -> Corner:
        shaft = replace(corner.driveshaft, nominal_length_mm=None, plunge_each_way_mm=0.4)
        spring = replace(corner.damper.spring, ride_length_mm=None)
        spring = replace(spring, solid_length_mm=spring.free_length_mm - 80.0)
        damper = replace(corner.damper, spring=spring)
        return replace(tight(corner, allowed), driveshaft=shaft, damper=damper)

    corner, build = short(axle.left), rebuilt("rear")
    coordinates = coordinates_of(corner, Sizes.FOLLOW)
    found = travel_stop_slopes(corner, axle, car, coordinates, Sizes.FOLLOW)
    names = {s.name for s in found}
    assert any("clocked" in name for name in names)
    assert any("driveshaft" in name for name in names)
    assert {"spring loose", "spring coil bound"} <= names

    def again(c: Coordinate, by: float) -> Met:
        return places(travel_stop_slopes(short(build(c, by)), axle, car, (), Sizes.FOLLOW))

    some = np.random.default_rng(2).permutation(len(coordinates))[:2]
    check(found, coordinates, again, some)


@pytest.mark.parametrize(("sizes", "hold"), [*HELD, (Sizes.KEPT, Hold.DAMPER_LENGTH)])
def test_rack_where_the_tie_rod_goes_over_centre(sizes, hold):
    """The demo's trap, which meets its edge of reach at -68.559 (by a solve written apart)."""
    car = build_car(DEMO, "over_centre_trap")
    axle = replace(car.axles["front"], hold=hold)
    corner = axle.left

    def edges(one: Corner, coordinates: tuple[Coordinate, ...] = ()) -> tuple[StopSlopes, ...]:
        found = stop_slopes(one, axle, car, 8.0 * hold.keeps_damper, coordinates, sizes)
        return tuple(s for s in found if s.name == REACH)

    coordinates = coordinates_of(corner, sizes)
    found = edges(corner, coordinates)
    assert [s.words for s in found] == ["tie rod over centre"]
    if hold is Hold.WHEEL_HEIGHT:
        assert found[0].rack_mm == pytest.approx(-68.559, abs=0.001)

    def again(c: Coordinate, by: float) -> Met:
        other = moved(corner, c, by)
        if sizes is Sizes.KEPT:
            other = corner_with(corner, {c.point: other.points[c.point]})
        return places(edges(other))

    check(found, coordinates, again, np.random.default_rng(1).permutation(len(coordinates))[:2])


@pytest.mark.parametrize("name", ["five_link", "push_rod"])
def test_travels_where_the_linkage_reaches_no_further(name):
    """A fold: there the pose's own slopes are infinite, the travel's are not."""
    car = car_of(name)
    axle = next(iter(car.axles.values()))
    far = replace(axle.left.travel, droop_mm=-230.0, bump_mm=360.0)

    def edges(one: Corner, coordinates: tuple[Coordinate, ...] = ()) -> tuple[StopSlopes, ...]:
        long = replace(one, travel=far, joints=(), damper=None)
        found = travel_stop_slopes(long, axle, car, coordinates, Sizes.FOLLOW)
        return tuple(s for s in found if s.name == REACH)

    coordinates = coordinates_of(axle.left, Sizes.FOLLOW)
    found = edges(axle.left, coordinates)
    assert len(found) == 2
    assert any("at full reach" in s.words for s in found)

    def again(c: Coordinate, by: float) -> Met:
        return places(edges(moved(axle.left, c, by)))

    check(found, coordinates, again, np.random.default_rng(4).permutation(len(coordinates))[:2])


@pytest.mark.parametrize(("sizes", "hold"), HELD)
def test_how_near_each_limit_is_at_a_pose(sizes, hold):
    """Joint angles, lengths and toggle where the corner stands; and the rack's way, by no point."""
    car = car_of("demo_coupe")
    axle = replace(car.axles["front"], hold=hold)
    corner, pose = axle.left, (-35.0, 10.0)
    coordinates = coordinates_of(corner, sizes)
    found = limit_slopes(corner, axle, car, pose, coordinates, sizes)
    (rack,) = (x for x in found if x.slopes is None)
    assert rack.name == "rack stop"
    assert rack.value == pytest.approx(35.0)
    assert "no hard point moves it" in rack.why
    told = [x for x in found if x.slopes is not None]
    assert {"damper fully closed", "spring loose", "strut top bearing angle"} < {
        x.name for x in told
    }
    build = rebuilt("front")

    def again(c: Coordinate, by: float) -> Array:
        if sizes is Sizes.FOLLOW:
            other = build(c, by)
        else:
            other = corner_with(corner, {c.point: moved(corner, c, by).points[c.point]})
        there = pose_at(other, *pose, hold)
        values = {x.name: x.measure(there)[0, 0] for x in limits_of(other, axle, car)}
        return np.array([values[x.name] for x in told])

    for k in np.random.default_rng(8).permutation(len(coordinates))[:2].tolist():
        want = five_points(lambda by, k=k: again(coordinates[k], by))
        for x, one in zip(told, want, strict=True):
            # What hardly moves, 1e-4 deg or mm per mm, is lost in the differences' rounding.
            largest = max(np.abs(x.slopes).max(), 1e-4)
            assert abs(x.slopes[k] - one) < AGREE * largest, (x.name, coordinates[k].words)


def test_a_steering_box_names_the_tie_rod_and_says_where_no_slope_can_be():
    """One way the tie rod goes over centre. The other way, at 130 mm, the pitman arm's own length,
    both arms and the centre link come in line at once: a corner of the reach, not a slope.
    """
    car = car_of("steering_box")
    axle = car.axles["front"]
    wide = replace(axle.left, rack=replace(axle.left.rack, stop_mm=160.0), joints=())

    def edges(one: Corner, coordinates: tuple[Coordinate, ...] = ()) -> tuple[StopSlopes, ...]:
        found = stop_slopes(one, axle, car, 0.0, coordinates, Sizes.FOLLOW)
        return tuple(s for s in found if s.name == REACH)

    coordinates = coordinates_of(wide, Sizes.FOLLOW)
    over, in_line = edges(wide, coordinates)
    assert over.words == "tie rod over centre"
    assert in_line.words.endswith("at full reach")
    assert in_line.rack_mm == pytest.approx(130.0, abs=0.01)
    assert in_line.slopes is None
    assert "several meet" in in_line.why

    def again(c: Coordinate, by: float) -> Met:
        return places(edges(moved(wide, c, by))[:1])

    check(
        (over,), coordinates, again, np.array([coordinates.index(Coordinate("tie_rod_outer", 0))])
    )
