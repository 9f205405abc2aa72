"""What is reported of an axle besides its readings, by hard point, against cars built anew."""

from __future__ import annotations

import csv
from dataclasses import replace

import numpy as np
import pytest
from shipped import car_of
from test_sensitivity import AGREE, five_points, moved

from linkview.alignment.axle import align, pivot_distance_mm
from linkview.alignment.column import steering_wheel
from linkview.alignment.moved_axle import MovedAxle
from linkview.alignment.other_slopes import other_slopes, places_by_point
from linkview.alignment.quantities import QUANTITIES
from linkview.app.point_slopes import point_slopes
from linkview.kinematics.sensitivity import Coordinate, Sizes, coordinates_of
from linkview.kinematics.sweep import pose_at, sweep_axle
from linkview.limits.readings import limits_of
from linkview.model.parts import Axle, Hold, Side


@pytest.mark.parametrize("hold", [Hold.WHEEL_HEIGHT, Hold.TYRES_ON_GROUND])
def test_ratio_steering_axes_and_where_trail_reverses(hold, monkeypatch):
    from linkview.alignment import locks

    monkeypatch.setattr(locks, "ROUNDS", 7)  # so that differences are of what is told, not steps
    car = car_of("demo_coupe")
    rack = replace(car.axles["front"].left.rack, mm_per_turn=52.0)
    given = car.axles["front"]
    axle = replace(
        given,
        hold=hold,
        left=replace(given.left, rack=rack),
        right=replace(given.right, rack=rack),
    )
    coordinates = coordinates_of(axle.left, Sizes.FOLLOW)
    found = other_slopes(MovedAxle(axle, car, coordinates, Sizes.FOLLOW, None))
    told = {(x.label, x.side): x for x in found}
    assert told.pop(("turns lock to lock", None)).slopes is None
    assert len(told) == 4  # both wheels' trail reverses

    def read(other: Axle) -> np.ndarray:
        got = align(sweep_axle(other, np.zeros(1), np.zeros(1)), car)
        wheel = steering_wheel(other.left.rack, [0.0])
        steer = np.mean([abs(c.steer_rate_deg_per_mm[0, 0]) for c in got.corners])
        ratio = 360.0 / other.left.rack.mm_per_turn / wheel.pinion_per_wheel[0] / steer
        values = {"steering ratio straight ahead": ratio}
        values["distance between the steering axes at the ground"] = pivot_distance_mm(other)
        for one in (w for lock in got.locks for w in (lock.leading, lock.other)):
            if one.trail_reverses_at_rack_mm is not None:
                values[one.side] = one.trail_reverses_at_rack_mm
        return np.array([values[side or label] for label, side in told])

    def again(c: Coordinate, by: float) -> np.ndarray:
        right = moved(axle.right, c, -by if c.axis == 1 else by)
        return read(replace(axle, left=moved(axle.left, c, by), right=right))

    assert [x.value for x in told.values()] == pytest.approx(read(axle), rel=1e-7)
    for k in np.random.default_rng(1).permutation(len(coordinates))[:2].tolist():
        want = five_points(lambda by, k=k: again(coordinates[k], by))
        for x, one in zip(told.values(), want, strict=True):
            assert abs(x.slopes[k] - one) < AGREE * np.abs(x.slopes).max(), x.label


def test_where_every_point_is():
    car = car_of("push_rod")
    axle = replace(next(iter(car.axles.values())), hold=Hold.DAMPER_LENGTH)
    coordinates = coordinates_of(axle.left, Sizes.FOLLOW)
    moving = MovedAxle(axle, car, coordinates, Sizes.FOLLOW, None)
    places = places_by_point(moving, 5.0, -10.0)
    assert {p for _, p in places} == set(axle.left.points)
    k = coordinates.index(Coordinate("lower_ball_joint", 2))
    want = five_points(
        lambda by: np.array(
            [
                pose_at(moved(axle.left, coordinates[k], by), 5.0, -10.0, axle.hold).point(p)[0, 0]
                for _, p in places
            ]
        )
    )
    got = np.array([slopes[k] for _, slopes in places.values()])
    assert np.abs(got - want).max() < AGREE  # mm/mm


@pytest.mark.parametrize("name", ["steering_box", "four_link_axle"])
def test_the_table_has_a_slope_or_a_reason_for_all_that_is_reported(name, tmp_path):
    car = car_of(name)
    found = point_slopes(car, 4.0, 3.0, Sizes.FOLLOW)
    found.write(tmp_path / "all.csv")
    with (tmp_path / "all.csv").open(encoding="utf-8-sig") as file:
        rows = list(csv.DictReader(file))
    told = {r["reading"] for r in rows if r["change per mm"] or r["why there is none"]}
    assert all(bool(r["change per mm"]) != bool(r["why there is none"]) for r in rows)
    for q in QUANTITIES:
        labels = [f"{q.label} {part}" for part in q.parts] or [q.label]
        assert set(labels) <= told
    axle = next(iter(car.axles.values()))
    for limit in limits_of(axle.left, axle, car):
        assert any(label.startswith(f"{limit.name} (limit") for label in told)
    assert {f"place of {p.replace('_', ' ')}, z" for p in axle.left.points} <= told
    assert any("no slope: " in line for line in found.lines)
    assert any("solid axle in roll" in line for line in found.lines) == (name == "four_link_axle")
    sides = {r["of"] for r in rows} - {"axle", "car"}
    assert sides <= {side.value for side in Side}
