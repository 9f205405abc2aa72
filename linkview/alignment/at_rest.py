"""An axle on its springs: what its wheels carry, by virtual work, at any rack, travels and road.

Rigid bodies and frictionless tyres: the road pushes on each contact centre along its own normal.
When a wheel's travel changes by dq, the road's pushes N and the springs' forces F do no work
together: sum N d(contact's height over the road)/dq = sum F (-d(length)/dq) + T d(twist)/dq, T the
torque with which the bar resists. Where a beam carries both wheels, each travel moves both contacts
and both springs.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import TypeAlias

import numpy as np

from linkview.alignment import travel, wheel
from linkview.alignment.assumed import assumed_for
from linkview.alignment.posed import (
    Travelling,
    at_ride_height,
    contact,
    damper_length_mm,
    has_damper,
    point_rate,
    split,
    spring_length_mm,
)
from linkview.alignment.readings import bar_levers
from linkview.errors import LinkviewError
from linkview.geometry import Array, dot, unit
from linkview.kinematics.axle import axle_poses
from linkview.kinematics.nearby import PoseList
from linkview.kinematics.sensitivity import Perturbed
from linkview.model.layouts import BAR_LEVER
from linkview.model.parts import Axle, Car, Corner, Damper, Side, Spring
from linkview.units import to_rad

Riding: TypeAlias = PoseList | Perturbed


@dataclass(frozen=True, eq=False)
class Carried:
    """n poses of an axle on its springs; the last axis but those of vectors is left, right.

    contact_mm (n, 2, 3): contact centres in the body, on a road with the normal asked for.
    load_n (n, 2): what the road presses each wheel with for its spring and the bar; unsprung
    weight comes on top. spring_mm, damper_mm (n, 2): lengths.
    """

    contact_mm: Array
    load_n: Array
    spring_mm: Array
    damper_mm: Array


@dataclass(frozen=True, eq=False)
class AxleOnSprings:
    """An axle on its springs, left and right.

    over_damper_mm: how much longer each spring is than the damper that it sits on, or beside with
    the same travel; (1,) each, or complex with one for each of n poses.
    """

    axle: Axle
    springs: tuple[Spring, Spring]
    over_damper_mm: tuple[Array, Array]

    def carried(self, rack_mm: Array, travel_mm: Array, road_up: Array) -> Carried:
        """At n racks (n,), wheel travels (n, 2) and road normals in the body (n, 3).

        NaN where a pose is out of reach.
        """
        poses = axle_poses(self.axle, rack_mm, *travel_mm.T)
        return self.carried_by(poses.corners, road_up)

    def carried_by(self, pair: tuple[Riding, Riding], road_up: Array) -> Carried:
        """With both sides' poses at hand, complex ones too (see geometry.py)."""
        axle = self.axle
        damper = [damper_length_mm(p) for p in pair]
        long = [ride + d for ride, d in zip(self.over_damper_mm, damper, strict=True)]
        force = [
            travel.spring_force_n(x, s.rate_n_per_mm, s.free_length_mm)
            for x, s in zip(long, self.springs, strict=True)
        ]
        at = [contact_on(p, road_up) for p in pair]
        torque = self._bar_torque_n_mm(pair)
        lift, work = np.zeros((2, len(road_up), 2, 2), dtype=np.result_type(*at, road_up))
        for moved, felt, posed in _moving(axle, pair):
            v, w = split(posed.travel_twist)
            fixed = wheel.carried_rate(v, w, at[felt] - posed.wheel_centre)
            # The contact centre is the wheel's lowest point over the road: it climbs as the
            # knuckle-fixed point there does.
            lift[:, moved, felt] = dot(fixed, road_up)
            work[:, moved, felt] = -force[felt] * _damper_rate(posed)
            if torque is not None:
                turn = to_rad(bar_levers(posed)["bar_ratio_deg_per_mm"])
                work[:, moved, felt] += torque * turn * (1.0, -1.0)[felt]
        load = np.full((len(road_up), 2), np.nan, dtype=lift.dtype)
        good = np.isfinite(lift).all(axis=(1, 2)) & np.isfinite(work).all(axis=(1, 2))
        load[good] = np.linalg.solve(lift[good], work[good].sum(axis=-1)[..., None])[..., 0]
        return Carried(
            np.stack(at, axis=1), load, np.stack(long, axis=-1), np.stack(damper, axis=-1)
        )

    def _bar_torque_n_mm(self, pair: tuple[Riding, Riding]) -> Array | None:
        """With which the bar resists its left lever, (n,); None without a bar or its rate."""
        rate = self.axle.left.bar_rate_n_mm_per_deg
        if rate is None or BAR_LEVER not in self.axle.left.layout.carried:
            return None
        left, right = (bar_levers(p)["bar_lever_deg"] for p in pair)
        return np.asarray(rate * (left - right))


def on_springs(car: Car) -> list[AxleOnSprings]:
    """Every axle of a car on its springs. Raises LinkviewError, saying what is missing."""
    return [
        springs_at(car, axle, (at_ride_height(axle.left), at_ride_height(axle.right)))
        for axle in car.axles.values()
    ]


def springs_at(car: Car, axle: Axle, ride: tuple[Travelling, Travelling]) -> AxleOnSprings:
    """One axle with its poses at ride height; raises as `on_springs` does."""
    sprung_kg = assumed_for(axle, car).sprung_kg
    first, second = (_damper(car, corner).spring for corner in axle.corners)
    if first is None or second is None:
        raise LinkviewError(
            f"{car.path}: axle.{axle.name}: no wheel loads, the file gives no spring; "
            f"add [axle.{axle.name}.damper.spring]"
        )
    left, right = (
        np.asarray(spring_length_mm(p, s, sprung_kg) - damper_length_mm(p)).ravel()
        for p, s in zip(ride, (first, second), strict=True)
    )
    return AxleOnSprings(axle, (first, second), (left, right))


def _damper(car: Car, corner: Corner) -> Damper:
    if corner.damper is None or not has_damper(corner):
        raise LinkviewError(
            f"{car.path}: axle.{corner.axle}: no wheel loads, the file gives no damper points"
        )
    return corner.damper


def contact_on(posed: Travelling, road_up: Array) -> Array:
    """Contact centres (n, 3) on a road with the normals (n, 3): down the wheel's steepest line."""
    n, radius = posed.spin_axis, posed.corner.wheel.loaded_radius_mm
    return posed.wheel_centre - radius * unit(road_up - dot(road_up, n)[:, None] * n)


def _moving(axle: Axle, pair: tuple[Riding, Riding]) -> Iterator[tuple[int, int, Riding]]:
    """(wheel that travels, wheel that feels it, the latter's poses with twists by that travel)."""
    for k, posed in enumerate(pair):
        yield k, k, posed
        if axle.left.layout.level:
            by_other = replace(
                posed, travel_twist=posed.rack_twist, travel_twists=posed.rack_twists
            )
            yield 1 - k, k, by_other


def _damper_rate(posed: Travelling) -> Array:
    """d(damper length) per travel, (n,)."""
    lower, upper = posed.corner.layout.damper or ("", "")
    return travel.span_rate(
        posed.point(upper) - posed.point(lower),
        point_rate(posed, upper) - point_rate(posed, lower),
    )


def measured_contacts_mm(axle: Axle) -> Array:
    """As measured, left and right, (2, 3)."""
    return np.stack([contact(at_ride_height(c))[0, 0] for c in axle.corners])


def side_names(axles: list[AxleOnSprings]) -> tuple[tuple[str, Side], ...]:
    """(axle name, side) of every wheel, in the order of the statics."""
    return tuple((a.axle.name, side) for a in axles for side in Side)
