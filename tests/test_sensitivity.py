"""Slopes by hard point against finite differences of the whole chain: points, solve, readings.

Five-point differences over 4 um; their own error is h^4 and rounding / h, some 1e-9 of a slope.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from shipped import axle_of_model, car_of

from linkview.alignment import wheel
from linkview.alignment.assumed import assumed_for
from linkview.alignment.axle import align_poses, align_without_locks
from linkview.alignment.corner import align_corner
from linkview.alignment.quantities import QUANTITIES
from linkview.alignment.sensitivity import corner_sensitivity, sensitivities
from linkview.errors import LinkageLocked, UnknownName
from linkview.geometry import apply_direction, frozen
from linkview.kinematics.corner import linkage_of
from linkview.kinematics.part_poses import part_poses
from linkview.kinematics.sensitivity import Coordinate, Sizes, coordinates_of
from linkview.kinematics.solve import Target, newton
from linkview.kinematics.sweep import pose_at, sweep_axle, sweep_corner
from linkview.model.parts import Corner, Hold, Side

STEP_MM = 1e-3
AGREE = 1e-6  # of the largest slope of that reading


def moved(corner: Corner, c: Coordinate, by: float) -> Corner:
    at = corner.points[c.point].copy()
    at[c.axis] += by
    return corner.measured_at({**corner.points, c.point: frozen(at)})


def five_points(read) -> np.ndarray:
    a, b, c, d = (read(s * STEP_MM) for s in (1, -1, 2, -2))
    return (8.0 * (a - b) - (c - d)) / (12.0 * STEP_MM)


@pytest.mark.parametrize(
    ("name", "rack", "travel"),
    [
        ("demo_coupe", 20.0, 15.0),
        ("demo_coupe", 3.0, -25.0),
        ("twin_link_strut", 10.0, -20.0),
        ("double_wishbone", -30.0, 20.0),
        ("push_rod", -8.0, 12.0),
        ("pull_rod", 4.0, -9.0),
        ("steering_box", 5.0, 10.0),
        ("strut_with_bar", 2.0, 5.0),
        ("five_link", 0.0, 30.0),
        ("semi_trailing_arm", 0.0, 10.0),
        ("four_link_axle", 0.0, -15.0),
        ("free_layout", 0.0, 20.0),
    ],
)
def test_every_reading_of_every_layout_against_finite_differences(name, rack, travel):
    car = car_of(name)
    axle = next(iter(car.axles.values()))
    corner, assumed = axle.left, assumed_for(axle, car)
    coordinates = coordinates_of(corner, Sizes.FOLLOW)
    rng = np.random.default_rng(7)
    some = [coordinates[k] for k in rng.permutation(len(coordinates))[:7]]
    some = [c for c in some if c.point != "other_wheel_centre"]
    values, slopes = corner_sensitivity(corner, assumed, rack, travel, some, Sizes.FOLLOW)

    def read(one: Corner) -> dict[str, np.ndarray]:
        got = align_corner(pose_at(one, rack, travel, Hold.WHEEL_HEIGHT), assumed)
        return {q: getattr(got, q)[0, 0] for q in values}

    here = read(corner)
    whole = corner_sensitivity(corner, assumed, rack, travel, coordinates, Sizes.FOLLOW)[1]
    for k, c in enumerate(some):
        ends = [read(moved(corner, c, s * STEP_MM)) for s in (1, -1, 2, -2)]
        for q, slope in slopes.items():
            if not np.isfinite(here[q]).all():
                continue
            assert values[q] == pytest.approx(here[q], rel=1e-11, abs=1e-8), q
            a, b, d, e = (end[q] for end in ends)
            differenced = (8.0 * (a - b) - (d - e)) / (12.0 * STEP_MM)
            largest = max(np.abs(whole[q]).max(), 1e-9)
            assert np.abs(slope[k] - differenced).max() < AGREE * largest, (q, c.words)


def test_a_bracket_moved_with_parts_kept_against_reassembly(front):
    """Camber and toe of the corner put together anew with its old parts, one bracket elsewhere."""
    coordinates = coordinates_of(front, Sizes.KEPT)
    assert {c.point for c in coordinates} == {
        "strut_top",
        "lower_arm_rear_pivot",
        "lower_arm_front_pivot",
        "tie_rod_inner",
    }
    assumed = assumed_for(axle_of_model("strut_with_bar"), car_of("strut_with_bar"))
    slopes = corner_sensitivity(front, assumed, 0.0, 0.0, coordinates, Sizes.KEPT)[1]

    def camber_and_toe(c: Coordinate, by: float) -> np.ndarray:
        other = replace(front, points=moved(front, c, by).points)
        built = linkage_of(other, front)
        none = Target(np.zeros(1), np.zeros(1))
        found = newton(built.problem(Hold.WHEEL_HEIGHT), built.linkage.reference(), none)
        assert found.solved[0]
        knuckle = part_poses(front, found.state, np.zeros(1))["knuckle"][0]
        n = apply_direction(knuckle, front.wheel.spin_axis)
        return np.degrees([wheel.camber_rad(n, 1.0), wheel.toe_in_rad(n, 1.0)])

    for k, c in enumerate(coordinates):
        want = five_points(lambda by, c=c: camber_and_toe(c, by))
        got = np.array([slopes["camber_deg"][k], slopes["toe_in_deg"][k]])
        assert got == pytest.approx(want, abs=1e-8), c.words  # deg/mm


def test_axle_readings_move_with_both_sides():
    """Track, roll centre and Ackermann of a symmetric car: the mirror's point moves too."""
    car = car_of("double_wishbone")
    axle = car.axles["front"]
    for rack in (0.0, 30.0):
        (table,) = sensitivities(axle, car, rack, 10.0, Sizes.FOLLOW)
        names = [n for side, n in table.slopes if side is None]
        assert "track_mm" in names
        straight = {"roll_centre_height_mm", "track_change_mm_per_mm"}
        turned = {"inner_steer_deg", "ackermann_inner_deg", "percent_ackermann"}
        assert (straight if rack == 0.0 else turned) < set(names)
        for k in (4, 7, 12, 20):
            c = table.coordinates[k]

            def read(by: float, c=c, rack=rack, names=names) -> np.ndarray:
                left = moved(axle.left, c, by)
                right = moved(axle.right, c, -by if c.axis == 1 else by)
                other = replace(axle, left=left, right=right)
                got = align_poses(sweep_axle(other, np.array([rack]), np.array([10.0])), car)
                return np.array([getattr(got, n)[0, 0] for n in names])

            want = five_points(read)
            got = np.array([table.slopes[None, n][k] for n in names])
            assert got == pytest.approx(want, rel=1e-6, abs=1e-6), c.words


def test_where_wheels_only_go_up_there_is_no_roll_centre_to_have_slopes():
    car = car_of("trailing_arm")
    (table,) = sensitivities(car.axles["rear"], car, 0.0, 0.0, Sizes.KEPT)
    assert np.isnan(table.values[None, "roll_centre_height_mm"])
    assert np.isfinite(table.slopes[None, "track_mm"]).all()


def test_ranking_puts_the_strongest_first():
    car = car_of("double_wishbone")
    axle = car.axles["front"]
    (table,) = sensitivities(axle, car, 0.0, 0.0, Sizes.KEPT)
    ranked = table.ranked("toe_in_deg", axle.left.side)
    sizes = [abs(slope) for _, slope in ranked]
    assert sizes == sorted(sizes, reverse=True)
    assert ranked[0][0] == Coordinate("tie_rod_inner", 1)  # the rack's end, sideways: plain toe
    with pytest.raises(UnknownName, match="did you mean 'toe_in_deg'"):
        table.ranked("toe_in", axle.left.side)


def test_beyond_reach_is_an_error_that_says_where(front):
    assumed = assumed_for(axle_of_model("strut_with_bar"), car_of("strut_with_bar"))
    with pytest.raises(LinkageLocked, match=r"rack \+400.0 mm"):
        corner_sensitivity(front, assumed, 400.0, 0.0, [Coordinate("strut_top", 0)], Sizes.FOLLOW)


@pytest.mark.parametrize(
    "c", [Coordinate("lateral_rod_inner", 1), Coordinate("wheel_centre", 2)], ids=lambda c: c.point
)
def test_points_of_a_whole_axle_move_both_sides(c):
    """A beam axle's link: track, roll centre and the other wheel follow; per side, its own points.

    The other side's corner has this side's wheel centre too.
    """
    car = car_of("three_link_axle")
    axle = car.axles["rear"]
    assert not axle.symmetric
    tables = sensitivities(axle, car, 0.0, 12.0, Sizes.FOLLOW)
    assert [t.side for t in tables] == [axle.left.side, axle.right.side]
    k = tables[0].coordinates.index(c)
    there = c if c.point != "wheel_centre" else replace(c, point="other_wheel_centre")
    names = [name for side, name in tables[0].slopes if side is None]
    assert {"roll_centre_height_mm", "roll_centre_y_mm", "track_change_mm_per_mm"} < set(names)

    def read(by: float) -> np.ndarray:
        other = replace(axle, left=moved(axle.left, c, by), right=moved(axle.right, there, by))
        got = align_poses(sweep_axle(other, np.zeros(1), np.array([12.0])), car)
        whole = [getattr(got, name)[0, 0] for name in names]
        return np.array([*whole, got.left.contact_centre_mm[0, 0, 1]])

    want = five_points(read)
    got = [tables[0].slopes[None, name][k] for name in names]
    got.append(tables[0].slopes[axle.left.side, "contact_centre_mm"][k, 1])
    assert got == pytest.approx(want, rel=1e-6, abs=1e-7)


def test_gauge_caster_against_finite_differences():
    car = car_of("double_wishbone")
    axle = car.axles["front"]
    (table,) = sensitivities(axle, car, 15.0, 10.0, Sizes.FOLLOW)
    side, rack = axle.left.side, np.linspace(-70.0, 70.0, 15)
    slopes = table.slopes[side, "gauge_caster_deg"]
    for k in (1, 8, 13, 22):
        c = table.coordinates[k]

        def read(by: float, c=c) -> np.ndarray:
            other = moved(axle.left, c, by)
            sweep = sweep_corner(other, rack, np.array([10.0]), Hold.WHEEL_HEIGHT)
            return np.array([align_corner(sweep, assumed_for(axle, car)).gauge_caster_deg[0, 0]])

        assert slopes[k] == pytest.approx(five_points(read)[0], rel=1e-6, abs=1e-8), c.words


@pytest.mark.parametrize(
    ("name", "axle", "hold", "rack", "side"),
    [
        ("demo_coupe", "front", Hold.TYRES_ON_GROUND, 25.0, Side.LEFT),
        ("twin_link_strut", "front", Hold.TYRES_ON_GROUND, 10.0, None),
        ("push_rod", "front", Hold.DAMPER_LENGTH, 4.0, None),
    ],
)
def test_every_reading_as_held_while_steering(name, axle, hold, rack, side):
    """Dampers kept, and tyres on a road the body leans over: cars built anew, swept and read."""
    car = car_of(name)
    whole = replace(car.axles[axle], hold=hold, symmetric=side is None)
    tables = sensitivities(whole, car, rack, 12.0, Sizes.FOLLOW)
    table = next(t for t in tables if t.side is side)
    keys = [k for k, v in table.values.items() if np.isfinite(v).all()]
    told = {n for _, n in keys} | {n for _, n in table.absent}
    assert told == {q.name for q in QUANTITIES}  # a slope of each, or words why there is none
    shared = whole.left.layout.shared
    stop = whole.left.rack.stop_mm
    racks = np.unique([-stop, 0.0, rack, stop])
    middle = int(np.argmin(np.abs(racks - rack)))

    def read(c: Coordinate, by: float) -> np.ndarray:
        left = moved(whole.left, c, by)
        right = whole.right
        if side is None or c.point in shared:
            right = moved(right, c, -by if c.axis == 1 and c.point not in shared else by)
        other = replace(whole, left=left, right=right)
        got = align_without_locks(sweep_axle(other, racks, np.array([12.0])), car)
        out = [
            np.ravel(getattr(got if of is None else getattr(got, of.value), n)[middle, 0])
            for of, n in keys
        ]
        return np.concatenate(out)

    nothing = read(Coordinate("wheel_centre", 0), 0.0)
    values = np.concatenate([np.ravel(table.values[k]) for k in keys])
    assert values == pytest.approx(nothing, rel=1e-8, abs=1e-8)
    largest = np.concatenate(
        [np.full(table.values[k].size, np.abs(table.slopes[k]).max()) for k in keys]
    )
    # What no coordinate moves is rounding of the differences: 1e-11 of the reading, mm or deg.
    largest = np.maximum(largest, 1e-5 * np.maximum(np.abs(values), 0.1))
    names = [n for of, n in keys for _ in range(table.values[of, n].size)]
    some = np.random.default_rng(3).permutation(len(table.coordinates))[:1].tolist()
    some.append(table.coordinates.index(Coordinate("wheel_centre", 2)))
    for k in some:
        c = table.coordinates[k]
        want = five_points(lambda by, c=c: read(c, by))
        got = np.concatenate([np.ravel(table.slopes[key][k]) for key in keys])
        off = np.abs(got - want) / largest
        assert off.max() < AGREE, (c.words, names[int(np.argmax(off))])
