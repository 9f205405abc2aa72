"""Every reading of one corner, on any set of poses with their velocities.

The same formulas serve a sweep, single poses and, with complex numbers (see geometry.py), the
derivatives by hard point.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from linkview.alignment import steering, travel, wheel
from linkview.alignment.assumed import Assumed
from linkview.alignment.posed import (
    Travelling,
    at_ride_height,
    contact,
    damper_and_height_rate,
    damper_length_mm,
    has_damper,
    moment_arm_mm,
    motion_ratio,
    point_bend,
    point_rate,
    split,
    steering_axis,
    toggle_deg,
    trail_and_scrub_mm,
)
from linkview.geometry import (
    Array,
    Flags,
    apply_direction,
    arctan2,
    cross,
    dot,
    numbers,
    perpendicular,
    unit,
)
from linkview.model.layout import BODY, KNUCKLE
from linkview.model.layouts import BAR_LEVER
from linkview.model.parts import Corner
from linkview.units import to_deg

# Roll centre and swing arms run to extremes near lock, where they mean nothing: shown only up to
# this much steer of the wheel (common practice; ours to choose).
STRAIGHT_ENOUGH_DEG = 10.0

STEERING = (
    "steer_rate_deg_per_mm",
    "caster_deg",
    "steering_axis_inclination_deg",
    "trail_mm",
    "scrub_radius_mm",
    "toggle_deg",
    "steer_jacking_mm_per_mm",
    "rack_force_n_per_n",
)
NO_AXIS = tuple(name for name in STEERING if name != "steer_rate_deg_per_mm")
DAMPER = ("motion_ratio", "motion_ratio_change_per_mm")
SPRING = ("spring_length_mm", "spring_force_n", "wheel_rate_n_per_mm", "ride_frequency_hz")
BAR = ("bar_lever_deg", "bar_ratio_deg_per_mm")
NOT_STEERED = "the wheel is not steered"


class Readable(Travelling, Protocol):
    """Poses with all three twists; what every reading of a corner is made of."""

    @property
    def travel_twist(self) -> Array: ...
    @property
    def rack_twist(self) -> Array: ...


@dataclass(frozen=True, eq=False)
class Ride:
    """What later poses are compared with, at ride height, rack centred; (), or (n,) by pose.

    moment_arm_mm: the tie rod's lever about the steering axis, 0 without one. damper_mm: its
    length, motion_ratio: MR there; NaN without a damper.
    """

    moment_arm_mm: Array
    damper_mm: Array
    motion_ratio: Array


def ride_of(corner: Corner) -> Ride:
    """The corner as measured."""
    return ride_from(at_ride_height(corner))


def ride_from(posed: Readable) -> Ride:
    """From poses that stand at ride height, rack centred."""
    corner, none = posed.corner, np.full(posed.spin_axis.shape[:-1], np.nan)
    sprung = has_damper(corner)
    axis = corner.layout.steering_axis is not None or sprung
    steered = corner.layout.tie_rod is not None and axis
    return Ride(
        moment_arm_mm(posed) if steered else np.zeros(()),
        damper_length_mm(posed) if sprung else none,
        motion_ratio(posed) if sprung else none,
    )


def read_corner(
    posed: Readable, bends: Mapping[str, Array], ride: Ride, assumed: Assumed
) -> tuple[dict[str, Array], dict[str, str]]:
    """Every reading by its name in `quantities.py`, (...) as the poses; and why others are absent.

    bends: part -> second derivative of its twist along travel; needed where there is a damper.
    Gauge caster is not among them: it needs poses of its own.
    """
    absent: dict[str, str] = {}
    readings = {**_stance(posed), **_rates(posed, assumed)}
    readings.update(_antis(posed, assumed, absent))
    if posed.corner.rack is None:
        absent.update(dict.fromkeys(STEERING, NOT_STEERED))
    else:
        readings.update(_steering(posed, ride, absent))
    if not has_damper(posed.corner):
        absent.update(dict.fromkeys((*DAMPER, *SPRING), "the file gives no damper points"))
    else:
        readings.update(_springing(posed, bends, ride, assumed, absent))
    if BAR_LEVER in posed.corner.layout.carried:
        readings.update(bar_levers(posed))
    else:
        absent.update(dict.fromkeys(BAR, "the file gives no anti-roll bar"))
    return readings, absent


def _stance(posed: Readable) -> dict[str, Array]:
    n, out, at = posed.spin_axis, posed.corner.side.outboard, contact(posed)
    return {
        "steer_deg": to_deg(wheel.steer_rad(n)),
        "toe_in_deg": to_deg(wheel.toe_in_rad(n, out)),
        "camber_deg": to_deg(wheel.camber_rad(n, out)),
        "camber_car_axis_deg": to_deg(wheel.camber_car_axis_rad(n, out)),
        "contact_centre_mm": at,
        "half_track_mm": out * at[..., 1],
    }


def _rates(posed: Readable, assumed: Assumed) -> dict[str, Array]:
    n, out = posed.spin_axis, posed.corner.side.outboard
    v, w = split(posed.travel_twist)
    moved = contact_centre_rate(posed, posed.travel_twist)
    swing = travel.side_view_swing_arm_mm(v, w)
    return {
        "bump_steer_deg_per_mm": to_deg(wheel.toe_in_rate(n, w, out)),
        "camber_gain_deg_per_mm": to_deg(wheel.camber_rate(n, w, out)),
        "half_track_change_mm_per_mm": out * moved[..., 1],
        "wheelbase_change_mm_per_mm": (1.0 if assumed.front else -1.0) * moved[..., 0],
        "side_view_swing_arm_mm": np.where(straight_enough(posed), swing, np.nan),
    }


def contact_centre_rate(posed: Readable, twist: Array) -> Array:
    """Velocity, along a twist, of the contact centre itself, (..., 3)."""
    v, w = split(twist)
    return wheel.contact_rate(v, w, posed.spin_axis, posed.corner.wheel.loaded_radius_mm)


def contact_point_rate(posed: Readable, twist: Array) -> Array:
    """Velocity, along a twist, of the knuckle-fixed point now at the contact centre, (..., 3)."""
    v, w = split(twist)
    return wheel.carried_rate(v, w, contact(posed) - posed.wheel_centre)


def straight_enough(posed: Readable) -> Flags:
    """Where the wheel is steered little enough for side and front view to mean something."""
    steer = np.abs(to_deg(wheel.steer_rad(posed.spin_axis)).real)
    return np.asarray(steer <= STRAIGHT_ENOUGH_DEG)


def _antis(posed: Readable, assumed: Assumed, absent: dict[str, str]) -> dict[str, Array]:
    at_ground = contact_point_rate(posed, posed.travel_twist)
    at_centre = posed.travel_twist[..., :3]
    size = assumed.cg_height_mm, assumed.wheelbase_mm
    out: dict[str, Array] = {}
    if assumed.front:
        out["anti_dive_percent"] = travel.anti_percent(at_ground, 1.0, assumed.brake_share, *size)
        absent["anti_lift_percent"] = "a rear axle's reading"
        absent["anti_squat_percent"] = "a driven rear axle's reading"
    else:
        out["anti_lift_percent"] = travel.anti_percent(at_ground, -1.0, assumed.brake_share, *size)
        absent["anti_dive_percent"] = "a front axle's reading"
        if assumed.drive_share > 0.0:
            squat = travel.anti_percent(at_centre, -1.0, assumed.drive_share, *size)
            out["anti_squat_percent"] = squat
        else:
            absent["anti_squat_percent"] = "the axle is not driven"
    shown = straight_enough(posed)
    return {name: np.where(shown, values, np.nan) for name, values in out.items()}


def _steering(posed: Readable, ride: Ride, absent: dict[str, str]) -> dict[str, Array]:
    n, out = posed.spin_axis, posed.corner.side.outboard
    rate = to_deg(wheel.steer_rate(n, posed.rack_twist[..., 3:]))
    readings = {"steer_rate_deg_per_mm": rate}
    sprung = has_damper(posed.corner)
    if posed.corner.layout.steering_axis is None and not sprung:
        why = "the layout draws no steering axis, and without damper points none can be found"
        absent.update(dict.fromkeys(NO_AXIS, why))
        return readings
    axis = steering_axis(posed)
    trail, scrub = trail_and_scrub_mm(posed)
    if posed.corner.layout.tie_rod is None:
        absent["toggle_deg"] = "the layout has no tie rod"
    else:
        readings["toggle_deg"] = toggle_deg(posed, ride.moment_arm_mm)
    if sprung:
        readings.update(_on_the_dampers(posed))
    else:
        why = "the file gives no damper points"
        absent.update({"steer_jacking_mm_per_mm": why, "rack_force_n_per_n": why})
    return readings | {
        "caster_deg": to_deg(steering.caster_rad(axis)),
        "steering_axis_inclination_deg": to_deg(steering.inclination_rad(axis, out)),
        "trail_mm": trail,
        "scrub_radius_mm": scrub,
    }


def _on_the_dampers(posed: Readable) -> dict[str, Array]:
    """What the rack does with the damper's length kept: jacking, and force by virtual work."""
    lift = contact_centre_rate(posed, posed.screw_twist)[..., 2]
    to_left = wheel.lateral(posed.spin_axis, 1.0)
    pushed = dot(to_left, contact_point_rate(posed, posed.screw_twist))
    return {"steer_jacking_mm_per_mm": lift, "rack_force_n_per_n": -pushed}


def _springing(
    posed: Readable,
    bends: Mapping[str, Array],
    ride: Ride,
    assumed: Assumed,
    absent: dict[str, str],
) -> dict[str, Array]:
    ends = posed.corner.layout.damper or ("", "")
    lower, upper = (posed.point(p) for p in ends)
    velocity = point_rate(posed, ends[1]) - point_rate(posed, ends[0])
    acceleration = point_bend(posed, bends, ends[1]) - point_bend(posed, bends, ends[0])
    bend = travel.span_curvature(upper - lower, velocity, acceleration)
    w = split(posed.travel_twist)[1]
    v2, w2 = split(bends[KNUCKLE])
    radius = posed.corner.wheel.loaded_radius_mm
    lift = wheel.contact_height_curvature(v2, w, w2, posed.spin_axis, radius)
    rates = damper_and_height_rate(posed)
    ratio = motion_ratio(posed)
    change = travel.motion_ratio_change(rates[0], bend, rates[1], lift)
    readings = {"motion_ratio": ratio, "motion_ratio_change_per_mm": change}
    damper = posed.corner.damper
    if damper is None or damper.spring is None:
        absent.update(dict.fromkeys(SPRING, "the file gives no spring"))
        return readings
    spring = damper.spring
    ride_mm: Array | float
    if spring.ride_length_mm is not None:
        ride_mm = spring.ride_length_mm
    else:
        ride_mm = travel.ride_spring_length_mm(
            assumed.sprung_kg, ride.motion_ratio, spring.rate_n_per_mm, spring.free_length_mm
        )
    now = ride_mm + damper_length_mm(posed) - ride.damper_mm
    bound, loose = now.real < spring.solid_length_mm, now.real > spring.free_length_mm
    force = travel.spring_force_n(now, spring.rate_n_per_mm, spring.free_length_mm)
    force = np.where(bound, np.nan, force)
    acting = np.where(loose, 0.0, spring.rate_n_per_mm)
    rate = travel.wheel_rate_n_per_mm(acting, force, ratio, change)
    return readings | {
        "spring_length_mm": now,
        "spring_force_n": force,
        "wheel_rate_n_per_mm": rate,
        "ride_frequency_hz": travel.ride_frequency_hz(rate, assumed.sprung_kg),
    }


def bar_levers(posed: Travelling) -> dict[str, Array]:
    """How far this side's lever has turned, about the bar's axis to the car's left."""
    points = posed.corner.points
    own = unit(numbers(points["bar_outer"]) - points["bar_inner"]) * posed.corner.side.outboard
    axis, mark = (apply_direction(posed.pose(BODY), v) for v in (own, perpendicular(own)))
    now = apply_direction(posed.pose(BAR_LEVER), perpendicular(own))
    turned = arctan2(dot(cross(axis, mark), now), dot(mark, now))
    rate = dot(posed.travel_twists[BAR_LEVER][..., 3:], axis)
    return {"bar_lever_deg": to_deg(turned), "bar_ratio_deg_per_mm": to_deg(rate)}
