"""Alignment of many cars alike but for their hard points, over a grid of rack and travel.

`spread_batch` is a plain function from a batch of cars to their figures: what runs here runs as
well on another core or machine, and the cars of a batch depend on its number and seed alone.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from linkview.alignment import travel
from linkview.alignment.assumed import Assumed, assumed_for
from linkview.alignment.axle import ackermann
from linkview.alignment.posed import contact, has_damper, steering_axis
from linkview.alignment.readings import (
    Ride,
    contact_centre_rate,
    contact_point_rate,
    read_corner,
    ride_from,
    straight_enough,
)
from linkview.alignment.sensitivity import ACKERMANN
from linkview.alignment.steering import foot_distance_mm
from linkview.geometry import Array, Flags
from linkview.kinematics.cars import CarPoses, Cars, grips
from linkview.kinematics.closure import State
from linkview.kinematics.solve import Problem
from linkview.kinematics.sweep import CornerSweep, sweep_corner
from linkview.model.layout import OTHER_WHEEL_CENTRE, WHEEL_CENTRE
from linkview.model.parts import Axle, Car, Corner, Hold, Side
from linkview.tuning.draws import drawn_shifts
from linkview.tuning.gauge import gauge_caster_deg

Key = tuple[Side | None, str]


@dataclass(frozen=True, eq=False)
class Guide:
    """One corner's nominal poses, to lead cars near it: states and inverses by (rack, travel)."""

    sweep: CornerSweep
    hold: Hold

    @staticmethod
    def of(corner: Corner, rack_mm: Array, travel_mm: Array, hold: Hold) -> Guide:
        """rack_mm (S,), travel_mm (T,). Raises as a sweep does."""
        return Guide(sweep_corner(corner, rack_mm, travel_mm, hold), hold)

    def poses(self, cars: Cars) -> Iterator[tuple[int, int, CarPoses | None]]:
        """Cars at every pose of the grid: rack index, travel index; None where the nominal car does
        not reach.

        Travel by travel, the rack centred first, as with the damper held that pose says its length.
        """
        sweep, linkage = self.sweep, cars.nominal.linkage
        for j, height in enumerate(sweep.travel_mm):
            held = np.full(cars.count, float(height))
            if self.hold is Hold.DAMPER_LENGTH:
                middle = int(np.argmin(np.abs(sweep.rack_mm)))
                state, _ = self._brought(cars, cars.height, middle, j, held)
                held = cars.values(state, 0.0, [cars.problem.driven])[0]
            for i, rack in enumerate(sweep.rack_mm):
                if not sweep.solved[i, j]:
                    yield i, j, None
                    continue
                state, closed = self._brought(cars, cars.problem, i, j, held)
                slope = linkage.rows(self._state(cars, i, j), np.array([rack])).slope[..., 0]
                signs = grips(cars.nominal, cars.height, slope)
                yield i, j, cars.read(state, closed, float(rack), signs)

    def _state(self, cars: Cars, i: int, j: int) -> State:
        poses = {p: self.sweep.poses[p][i, j][None] for p in cars.nominal.parts}
        return cars.nominal.state_of(poses)

    def _brought(
        self, cars: Cars, problem: Problem, i: int, j: int, held: Array
    ) -> tuple[State, Flags]:
        base, rack = self._state(cars, i, j), float(self.sweep.rack_mm[i])
        slope = cars.nominal.linkage.rows(base, np.array([rack])).slope[problem.used, :, 0]
        inverse = np.asarray(np.linalg.inv(slope), dtype=float)
        return cars.brought(problem, cars.start(base), inverse, rack, held)


@dataclass(frozen=True, eq=False)
class Batch:
    """So many cars of one axle. sigma: by side, one sigma (3,) mm of each hard point, independent
    from point to point and from side to side. number and seed name the cars; rack_mm (S,) and
    travel_mm (T,) the poses; keep: whether every car's readings are wanted, not only their spread.
    What a caster gauge reads, at ride height, is told with them where the wheel's height is held.
    """

    axle: Axle
    car: Car
    sigma: Mapping[Side, Mapping[str, Array]]
    seed: int
    number: int
    count: int
    rack_mm: Array
    travel_mm: Array
    hold: Hold
    keep: bool

    def work(self) -> Spread:
        return spread_batch(self)

    def decided_by(self) -> str:
        """All that decides the batch's figures but its number."""
        corners = [
            (c.side.value, c.layout.name, sorted((n, p.tolist()) for n, p in c.points.items()),
             c.wheel.spin_axis.tolist(), c.wheel.loaded_radius_mm, c.wheel.on_floor,
             repr(c.damper),
             None if c.rack is None else c.rack.axis.tolist())
            for c in self.axle.corners
        ]  # fmt: skip
        sigma = [
            (s.value, sorted((n, v.tolist()) for n, v in by.items()))
            for s, by in self.sigma.items()
        ]
        car = self.car
        masses = car.wheelbase_mm, car.mass_kg, car.cg_height_mm, car.front_weight_fraction
        rest = self.seed, self.rack_mm.tolist(), self.travel_mm.tolist(), self.hold.value
        return repr(
            (corners, sigma, masses, car.front_brake_fraction, rest, self.keep, "track change")
        )


@dataclass(frozen=True, eq=False)
class Spread:
    """What a batch of cars gives. By key, (S, T) each: how many cars read something, and the sums
    of their differences from the nominal car and of the squares; nominal: its own readings.
    each: (n, S, T) readings of every car, where they were to be kept.
    """

    count: int
    nominal: Mapping[Key, Array]
    reached: Mapping[Key, Array]
    total: Mapping[Key, Array]
    squares: Mapping[Key, Array]
    each: Mapping[Key, Array]


def spread_batch(batch: Batch) -> Spread:
    """Reads every car of the batch, and the nominal one, at every pose."""
    shape = len(batch.rack_mm), len(batch.travel_mm)
    nominal: dict[Key, Array] = {}
    sums: tuple[dict[Key, Array], dict[Key, Array], dict[Key, Array]] = ({}, {}, {})
    each: dict[Key, Array] = {}
    points = {corner.side: drawn_points(batch, corner) for corner in batch.axle.corners}
    for i, j, read in _read(batch, points):
        for key, values in read.items():
            if key not in nominal:
                nominal[key] = np.full(shape, np.nan)
                for some in sums:
                    some[key] = np.zeros(shape)
                if batch.keep:
                    each[key] = np.full((batch.count, *shape), np.nan)
            nominal[key][i, j] = values[0]
            off = values[1:] - values[0]
            fine = np.isfinite(off)
            sums[0][key][i, j] = fine.sum()
            sums[1][key][i, j] = off[fine].sum()
            sums[2][key][i, j] = (off[fine] ** 2).sum()
            if batch.keep:
                each[key][:, i, j] = values[1:]
    return Spread(batch.count, nominal, sums[0], sums[1], sums[2], each)


def read_cars(
    batch: Batch, points: Mapping[Side, Mapping[str, Array]]
) -> dict[Key, dict[tuple[int, int], Array]]:
    """Every reading of cars that somebody laid down, points (n, 3) by side, by pose (rack's and
    travel's number), (n,).
    """
    out: dict[Key, dict[tuple[int, int], Array]] = {}
    for i, j, read in _read(batch, points):
        for key, values in read.items():
            out.setdefault(key, {})[i, j] = values
    return out


def _read(
    batch: Batch, points: Mapping[Side, Mapping[str, Array]]
) -> Iterator[tuple[int, int, dict[Key, Array]]]:
    """Both sides' and the axle's readings (n,), pose by pose."""
    lines = [_Line.of(batch, corner, points[corner.side]) for corner in batch.axle.corners]
    apart = _apart(lines)
    middle = int(np.argmin(np.abs(batch.rack_mm))), int(np.argmin(np.abs(batch.travel_mm)))
    gauge = _gauge(batch, lines)
    for left, right in zip(*(line.poses() for line in lines), strict=True):
        i, j = left[:2]
        read: dict[Key, Array] = {}
        for line, (_, _, posed) in zip(lines, (left, right), strict=True):
            if posed is not None:
                found = read_corner(posed, posed.bends, line.ride, line.assumed)[0]
                side = line.corner.side
                read |= {(side, n): np.asarray(v) for n, v in found.items() if np.ndim(v) == 1}
        if left[2] is not None and right[2] is not None:
            read |= _axle_readings(left[2], right[2], apart, batch.car.wheelbase_mm)
        yield i, j, read | (gauge if (i, j) == middle else {})


def drawn_points(batch: Batch, corner: Corner) -> dict[str, Array]:
    """The batch's cars' hard points (n + 1, 3): the nominal car first, then n drawn (normal)."""
    off = drawn_shifts(corner, batch.sigma, (batch.seed, batch.number), batch.count)
    none = np.zeros((1, 3))
    return {name: corner.points[name] + np.vstack([none, by]) for name, by in off.items()}


@dataclass(frozen=True, eq=False)
class _Line:
    """One side of a batch: its cars, and their ride height."""

    corner: Corner
    cars: Cars
    guide: Guide
    at_ride: CarPoses
    ride: Ride
    assumed: Assumed

    @staticmethod
    def of(batch: Batch, corner: Corner, points: Mapping[str, Array]) -> _Line:
        cars = Cars(corner, points, batch.hold)
        still = Guide.of(corner, np.zeros(1), np.zeros(1), Hold.WHEEL_HEIGHT)
        (_, _, at_ride), *_ = still.poses(cars)
        assert at_ride is not None
        guide = Guide.of(corner, batch.rack_mm, batch.travel_mm, batch.hold)
        assumed = assumed_for(batch.axle, batch.car)
        return _Line(corner, cars, guide, at_ride, ride_from(at_ride), assumed)

    def poses(self) -> Iterator[tuple[int, int, CarPoses | None]]:
        return self.guide.poses(self.cars)


def _gauge(batch: Batch, lines: list[_Line]) -> dict[Key, Array]:
    """Gauge caster of both wheels (n,), where single cars are asked about."""
    out: dict[Key, Array] = {}
    for line in lines if batch.keep and batch.hold is Hold.WHEEL_HEIGHT else ():
        found = gauge_caster_deg(line.corner, line.cars) if line.corner.rack else None
        if found is not None:
            out[line.corner.side, "gauge_caster_deg"] = found
    return out


def _apart(lines: list[_Line]) -> Array | None:
    """Between the steering axes at the ground, ride height (n,); None where nothing steers."""
    corner = lines[0].corner
    drawn = corner.layout.steering_axis is not None or has_damper(corner)
    if corner.rack is None or not drawn:
        return None
    axes = [steering_axis(line.at_ride) for line in lines]
    feet = [contact(line.at_ride)[..., 2] for line in lines]
    return np.asarray(foot_distance_mm(axes[0], axes[1], feet[0], feet[1]))


def _axle_readings(
    left: CarPoses, right: CarPoses, apart: Array | None, wheelbase_mm: float
) -> dict[Key, Array]:
    ground = contact(left), contact(right)
    wander = [contact_centre_rate(c, c.travel_twist)[..., 1] for c in (left, right)]
    out: dict[Key, Array] = {
        (None, "track_mm"): ground[0][..., 1] - ground[1][..., 1],
        (None, "track_change_mm_per_mm"): wander[0] - wander[1],
    }
    if left.corner.layout.level:
        y, z = travel.front_view_centre(left.wheel_centre, _rolling(left))
        middle = 0.5 * (ground[0] + ground[1])[..., 2]
        return out | {(None, "roll_centre_y_mm"): y, (None, "roll_centre_height_mm"): z - middle}
    rates = [contact_point_rate(c, c.travel_twist) for c in (left, right)]
    y, height = travel.roll_centre(ground[0], rates[0], ground[1], rates[1])
    shown = straight_enough(left) & straight_enough(right)
    out[None, "roll_centre_y_mm"] = np.where(shown, y, np.nan)
    out[None, "roll_centre_height_mm"] = np.where(shown, height, np.nan)
    if apart is not None:
        found = ackermann(left.spin_axis, right.spin_axis, apart / wheelbase_mm)
        out |= {(None, name): values for name, values in zip(ACKERMANN, found, strict=True)}
    return out


def _rolling(posed: CarPoses) -> Array:
    """A beam axle's twist (n, 6) per radian of roll to the right, mean height kept; as `roll_twist`
    has it of single cars."""
    own, other = (posed.corner.points[p][:, 1:2] for p in (WHEEL_CENTRE, OTHER_WHEEL_CENTRE))
    alone = posed.travel_twist - posed.other_twist
    return np.asarray(-own * alone - other * posed.other_twist)
