"""Steering jacking: how the car rises and how load shifts between its four wheels.

Rigid-body statics: with the dampers' lengths kept, steering pushes the contact centres down in the
body by u (or lifts them). On its springs the body then settles: at wheel i it rises b_i, a plane
over the four wheels, and the wheel is pressed in by u_i - b_i, so that its load changes by
K (u - b). The three equations of rest (no vertical force, no moments left over) give the plane.
K is linear: wheel rates at ride height on the diagonal, each axle's anti-roll bar between its two
wheels. No tyre spring, no friction, no shift of the centre of gravity.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from linkview.alignment.assumed import assumed_for
from linkview.alignment.corner import CornerAlignment, align_corner
from linkview.alignment.on_ground import steer_on_ground
from linkview.alignment.posed import at_ride_height
from linkview.errors import LinkviewError
from linkview.geometry import Array
from linkview.model.layout import WHEEL_CENTRE
from linkview.model.parts import Axle, Car, Side
from linkview.units import to_deg, to_rad


@dataclass(frozen=True, eq=False)
class Jacking:
    """n racks of one axle. rack_mm (n,). All changes since straight ahead at ride height.

    wheels: (axle name, side) in the order of the last axis. pushed_mm (n, 4): how far steering
    pushes each contact centre down in the body, dampers kept. rise_mm (n, 4): of the body over each
    wheel, on its springs. load_n (n, 4): change of each wheel's load. roll_deg: + leans to the
    right; pitch_deg: + nose down.
    """

    rack_mm: Array
    wheels: tuple[tuple[str, Side], ...]
    pushed_mm: Array
    rise_mm: Array
    load_n: Array
    roll_deg: Array
    pitch_deg: Array

    def of(self, values: Array, axle: str, side: Side) -> Array:
        """One wheel's column (n,)."""
        return np.asarray(values[:, self.wheels.index((axle, side))])

    def shift_n(self, axle: str) -> Array:
        """Load gained by an axle's left wheel over its right one, halved, (n,)."""
        left, right = (self.of(self.load_n, axle, side) for side in Side)
        return np.asarray((left - right) / 2.0)


def steering_jacking(car: Car, steered: str, rack_mm: ArrayLike) -> Jacking:
    """What steering an axle does to ride height and wheel loads.

    Raises LinkviewError, saying what is missing, unless both axles give their springs.
    """
    axles = list(car.axles.values())
    rates = stiffness_n_per_mm(car)
    rack = np.atleast_1d(np.asarray(rack_mm, dtype=float))
    ground = steer_on_ground(car, car.axles[steered], rack)
    wheels = tuple((axle.name, side) for axle in axles for side in Side)
    pushed = np.zeros((len(rack), len(wheels)))
    start = steer_on_ground(car, car.axles[steered], 0.0).contact_mm
    for k, (name, side) in enumerate(wheels):
        if name == steered:
            pushed[:, k] = start[side][:, 2] - ground.contact_mm[side][:, 2]
    feet = [c.points[WHEEL_CENTRE] for axle in axles for c in axle.corners]
    plane = settled(pushed, rates, np.array(feet)[:, :2])
    rise = plane @ np.array([[1.0, y, -x] for x, y, _ in feet]).T
    return Jacking(
        rack_mm=rack,
        wheels=wheels,
        pushed_mm=pushed,
        rise_mm=rise,
        load_n=(pushed - rise) @ rates,
        roll_deg=to_deg(np.arctan(plane[:, 1])),
        pitch_deg=to_deg(np.arctan(plane[:, 2])),
    )


def settled(pushed_mm: Array, rates_n_per_mm: Array, feet_mm: Array) -> Array:
    """The body's heave (mm), roll and pitch (slopes) at rest, (n, 3).

    pushed_mm (n, w): as in `Jacking`; rates (w, w), symmetric; feet (w, 2): x, y of the wheels.
    The body's rise over a wheel is heave + roll y - pitch x.
    """
    modes = np.column_stack([np.ones(len(feet_mm)), feet_mm[:, 1], -feet_mm[:, 0]])
    held = modes.T @ rates_n_per_mm
    return np.asarray(np.linalg.solve(held @ modes, held @ pushed_mm.T).T)


def stiffness_n_per_mm(car: Car) -> Array:
    """K (w, w): load gained per mm that wheels are pressed in, at ride height; wheels as in
    `Jacking.wheels`."""
    axles = list(car.axles.values())
    if len(axles) < 2:
        raise LinkviewError(
            f"{car.path}: how load shifts between four wheels needs both axles; add the other one"
        )
    out = np.zeros((2 * len(axles), 2 * len(axles)))
    for k, axle in enumerate(axles):
        pair = [align_corner(at_ride_height(c), assumed_for(axle, car)) for c in axle.corners]
        for side, read in enumerate(pair):
            if "wheel_rate_n_per_mm" in read.absent:
                why = read.absent["wheel_rate_n_per_mm"]
                raise LinkviewError(f"{car.path}: axle.{axle.name}: no wheel rate, {why}")
            out[2 * k + side, 2 * k + side] = read.wheel_rate_n_per_mm[0, 0]
        out[2 * k : 2 * k + 2, 2 * k : 2 * k + 2] += bar_stiffness_n_per_mm(axle, pair)
    return out


def bar_stiffness_n_per_mm(axle: Axle, pair: list[CornerAlignment]) -> Array:
    """What the anti-roll bar adds for left and right wheel, (2, 2); zero without a rate.

    Torque k (left lever - right lever), at each wheel by virtual work with the levers' ratios.
    """
    rate = axle.left.bar_rate_n_mm_per_deg
    if rate is None:
        return np.zeros((2, 2))
    ratios = np.array([float(read.bar_ratio_deg_per_mm[0, 0]) for read in pair]) * [1.0, -1.0]
    return np.asarray(rate * np.outer(to_rad(ratios), ratios))
