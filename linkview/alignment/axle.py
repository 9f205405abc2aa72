"""An axle's alignment over a sweep: both corners, what they make together, and both locks."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from linkview.alignment import steering, travel, wheel
from linkview.alignment.assumed import Assumed, assumed_for
from linkview.alignment.corner import CornerAlignment, align_seen, align_seen_alone
from linkview.alignment.locks import LockSummary, lock_summaries
from linkview.alignment.on_road import Seen, seen
from linkview.alignment.posed import at_ride_height, contact, has_damper, steering_axis
from linkview.alignment.readings import Readable, contact_point_rate, straight_enough
from linkview.geometry import Array, frozen, magnitude
from linkview.kinematics.axle import axle_poses, roll_twist
from linkview.kinematics.sweep import AxleSweep
from linkview.model.parts import Axle, Car
from linkview.units import to_deg, to_rad


@dataclass(frozen=True, eq=False)
class AxleAlignment:
    """Readings of an axle over S racks (mm) by T travels (mm), (S, T) each.

    pivot_distance_mm: between the steering axes at the ground, ride height, straight ahead; None
    where nothing steers. locks: both, right lock first; empty where nothing steers. assumed: the
    brake and drive split, CG height and masses behind the load readings. held: what the sweep
    kept while steering, in words. Meanings and formulas: `quantities.QUANTITIES`.
    """

    axle: Axle
    rack_mm: Array
    travel_mm: Array
    left: CornerAlignment
    right: CornerAlignment
    track_mm: Array
    track_change_mm_per_mm: Array
    roll_centre_height_mm: Array
    roll_centre_y_mm: Array
    inner_steer_deg: Array
    outer_steer_deg: Array
    ackermann_inner_deg: Array
    percent_ackermann: Array
    pivot_distance_mm: float | None
    locks: tuple[LockSummary, ...]
    assumed: Assumed

    @property
    def corners(self) -> tuple[CornerAlignment, CornerAlignment]:
        return self.left, self.right

    @property
    def held(self) -> str:
        return self.axle.hold.words


def align(sweep: AxleSweep, car: Car) -> AxleAlignment:
    """Every alignment reading of a swept axle of this car."""
    found = align_without_locks(sweep, car)
    ratio = _ackermann_ratio(found.pivot_distance_mm, car)
    return replace(found, locks=lock_summaries(sweep.axle, car, ratio))


def align_without_locks(sweep: AxleSweep, car: Car) -> AxleAlignment:
    """The same with `locks` left empty: they take most of the time where few poses are read."""
    return _aligned(sweep, car, align_seen)


def align_poses(sweep: AxleSweep, car: Car) -> AxleAlignment:
    """The same without the gauge caster either: what the swept poses alone say."""
    return _aligned(sweep, car, align_seen_alone)


def _aligned(
    sweep: AxleSweep, car: Car, each: Callable[[Seen, Assumed], CornerAlignment]
) -> AxleAlignment:
    assumed = assumed_for(sweep.axle, car)
    both = seen(sweep, car)
    on_left, on_right = (side.posed for side in both)
    left, right = (each(side, assumed) for side in both)
    shown = straight_enough(on_left) & straight_enough(on_right)
    y, height = _roll_centre(sweep, on_left, on_right)
    apart = pivot_distance_mm(sweep.axle)
    ratio = _ackermann_ratio(apart, car)
    inner, outer, true, percent = _ackermann(on_left, on_right, ratio)
    return AxleAlignment(
        axle=sweep.axle,
        rack_mm=frozen(sweep.left.rack_mm),
        travel_mm=frozen(sweep.left.travel_mm),
        left=left,
        right=right,
        track_mm=frozen(left.half_track_mm + right.half_track_mm),
        track_change_mm_per_mm=frozen(
            left.half_track_change_mm_per_mm + right.half_track_change_mm_per_mm
        ),
        roll_centre_height_mm=frozen(np.where(shown, height, np.nan)),
        roll_centre_y_mm=frozen(np.where(shown, y, np.nan)),
        inner_steer_deg=frozen(inner),
        outer_steer_deg=frozen(outer),
        ackermann_inner_deg=frozen(true),
        percent_ackermann=frozen(percent),
        pivot_distance_mm=apart,
        locks=(),
        assumed=assumed,
    )


def _ackermann_ratio(apart_mm: float | None, car: Car) -> float | None:
    """Distance between the steering axes at the ground over the wheelbase; None if unsteered."""
    return None if apart_mm is None else apart_mm / car.wheelbase_mm


def _roll_centre(sweep: AxleSweep, left: Readable, right: Readable) -> tuple[Array, Array]:
    """Roll centre's y and height over the ground, (S, T) each."""
    if sweep.axle.left.layout.level:
        across = np.broadcast_to(sweep.left.travel_mm, sweep.left.solved.shape).ravel()
        both = axle_poses(sweep.axle, 0.0, across, across)
        y, z = travel.front_view_centre(both.left.wheel_centre, roll_twist(both.left))
        ground = 0.5 * (contact(both.left) + contact(both.right))[..., 2]
        shape = sweep.left.solved.shape
        return y.reshape(shape), (z - ground).reshape(shape)
    return travel.roll_centre(
        contact(left),
        contact_point_rate(left, left.travel_twist),
        contact(right),
        contact_point_rate(right, right.travel_twist),
    )


def pivot_distance_mm(axle: Axle) -> float | None:
    """Between the steering axes at the ground, ride height, straight ahead; None if unsteered."""
    if any(
        c.rack is None or (c.layout.steering_axis is None and not has_damper(c))
        for c in axle.corners
    ):
        return None
    left, right = (at_ride_height(corner) for corner in axle.corners)
    ground = contact(left)[..., 2], contact(right)[..., 2]
    return float(
        steering.foot_distance_mm(steering_axis(left), steering_axis(right), *ground)[0, 0]
    )


def _ackermann(
    left: Readable, right: Readable, ratio: float | None
) -> tuple[Array, Array, Array, Array]:
    """Inner and outer steer, the true inner, degrees, and percent; NaN where nothing steers."""
    if ratio is None:
        blank = np.full(left.spin_axis.shape[:-1], np.nan)
        return blank, blank, blank, blank
    return ackermann(left.spin_axis, right.spin_axis, ratio)


def ackermann(
    left_axis: Array, right_axis: Array, ratio: Array | float
) -> tuple[Array, Array, Array, Array]:
    """Inner and outer steer, the true inner, degrees, and percent, from both spin axes (..., 3).

    ratio: distance between the steering axes at the ground over the wheelbase.
    """
    left, right = wheel.steer_rad(left_axis), wheel.steer_rad(right_axis)
    to_left = (left + right).real > 0.0
    inner = magnitude(np.where(to_left, left, right))
    outer = magnitude(np.where(to_left, right, left))
    small = np.minimum(inner, outer).real < to_rad(1.0)
    true = np.where(small, np.nan, steering.true_inner_rad(np.where(small, 1.0, outer), ratio))
    percent = steering.percent_ackermann(inner, outer, ratio)
    return to_deg(inner), to_deg(outer), to_deg(true), percent
