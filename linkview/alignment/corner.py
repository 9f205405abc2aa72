"""One corner's alignment over a sweep: a friendly shell around the bare functions."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from linkview.alignment import steering, travel, wheel
from linkview.alignment.assumed import Assumed
from linkview.alignment.posed import (
    at_ride_height,
    contact,
    damper_and_height_rate,
    damper_length_mm,
    has_damper,
    motion_ratio,
    point_bend,
    point_rate,
    ride_moment_arm_mm,
    ride_spring_length_mm,
    split,
    steering_axis,
    toggle_deg,
    trail_and_scrub_mm,
)
from linkview.geometry import Array, Flags, frozen
from linkview.kinematics.nearby import Nearby
from linkview.kinematics.sweep import CornerSweep
from linkview.model.layout import KNUCKLE
from linkview.model.parts import Side
from linkview.units import to_deg, to_rad

# Roll centre and swing arms run to extremes near lock, where they mean nothing: shown only up to
# this much steer of the wheel (common practice; ours to choose).
STRAIGHT_ENOUGH_DEG = 10.0
GAUGE_STEER_DEG = 20.0


@dataclass(frozen=True, eq=False)
class CornerAlignment:
    """Readings of one corner, (S, T) each: S racks by T travels; contact_centre_mm (S, T, 3).

    gauge_caster_deg is the same along the rack. NaN where a pose was not reached or a reading
    means nothing. absent: quantity name -> why this corner has none at all (the array is all NaN).
    Meanings, signs and formulas: `quantities.QUANTITIES`.
    """

    side: Side
    steer_deg: Array
    toe_in_deg: Array
    camber_deg: Array
    camber_car_axis_deg: Array
    contact_centre_mm: Array
    half_track_mm: Array
    steer_rate_deg_per_mm: Array
    caster_deg: Array
    steering_axis_inclination_deg: Array
    trail_mm: Array
    scrub_radius_mm: Array
    toggle_deg: Array
    gauge_caster_deg: Array
    bump_steer_deg_per_mm: Array
    camber_gain_deg_per_mm: Array
    half_track_change_mm_per_mm: Array
    wheelbase_change_mm_per_mm: Array
    side_view_swing_arm_mm: Array
    anti_dive_percent: Array
    anti_lift_percent: Array
    anti_squat_percent: Array
    motion_ratio: Array
    motion_ratio_change_per_mm: Array
    spring_length_mm: Array
    spring_force_n: Array
    wheel_rate_n_per_mm: Array
    ride_frequency_hz: Array
    absent: Mapping[str, str]


STEERING = (
    "steer_rate_deg_per_mm",
    "caster_deg",
    "steering_axis_inclination_deg",
    "trail_mm",
    "scrub_radius_mm",
    "toggle_deg",
    "gauge_caster_deg",
)
DAMPER = ("motion_ratio", "motion_ratio_change_per_mm")
SPRING = ("spring_length_mm", "spring_force_n", "wheel_rate_n_per_mm", "ride_frequency_hz")


def align_corner(sweep: CornerSweep, assumed: Assumed) -> CornerAlignment:
    """All readings of one corner. assumed: the axle's share of mass, braking and drive."""
    absent: dict[str, str] = {}
    readings = {**_stance(sweep), **_rates(sweep, assumed)}
    readings.update(_antis(sweep, assumed, absent))
    if sweep.corner.rack is None:
        absent.update(dict.fromkeys(STEERING, "the wheel is not steered"))
    else:
        readings.update(_steering(sweep, absent))
    if not has_damper(sweep.corner):
        absent.update(dict.fromkeys((*DAMPER, *SPRING), "the file gives no damper points"))
    else:
        readings.update(_springing(sweep, assumed, absent))
    blank = np.full(sweep.solved.shape, np.nan)
    readings.update(dict.fromkeys(absent, blank))
    fields = {name: frozen(values) for name, values in readings.items()}
    return CornerAlignment(side=sweep.corner.side, absent=absent, **fields)


# --- groups of readings -----------------------------------------------------------------------


def _stance(sweep: CornerSweep) -> dict[str, Array]:
    n, out, at = sweep.spin_axis, sweep.corner.side.outboard, contact(sweep)
    return {
        "steer_deg": to_deg(wheel.steer_rad(n)),
        "toe_in_deg": to_deg(wheel.toe_in_rad(n, out)),
        "camber_deg": to_deg(wheel.camber_rad(n, out)),
        "camber_car_axis_deg": to_deg(wheel.camber_car_axis_rad(n, out)),
        "contact_centre_mm": at,
        "half_track_mm": out * at[..., 1],
    }


def _rates(sweep: CornerSweep, assumed: Assumed) -> dict[str, Array]:
    n, out = sweep.spin_axis, sweep.corner.side.outboard
    v, w = split(sweep.travel_twist)
    moved = wheel.contact_rate(v, w, n, sweep.corner.wheel.loaded_radius_mm)
    swing = travel.side_view_swing_arm_mm(v, w)
    return {
        "bump_steer_deg_per_mm": to_deg(wheel.toe_in_rate(n, w, out)),
        "camber_gain_deg_per_mm": to_deg(wheel.camber_rate(n, w, out)),
        "half_track_change_mm_per_mm": out * moved[..., 1],
        "wheelbase_change_mm_per_mm": (1.0 if assumed.front else -1.0) * moved[..., 0],
        "side_view_swing_arm_mm": np.where(straight_enough(sweep), swing, np.nan),
    }


def contact_point_rate(sweep: CornerSweep) -> Array:
    """Velocity per wheel travel of the knuckle-fixed point now at the contact centre, (S, T, 3)."""
    v, w = split(sweep.travel_twist)
    return wheel.carried_rate(v, w, contact(sweep) - sweep.wheel_centre)


def straight_enough(sweep: CornerSweep) -> Flags:
    """Where the wheel is steered little enough for side and front view to mean something."""
    steer = np.abs(to_deg(wheel.steer_rad(sweep.spin_axis)))
    return np.asarray(steer <= STRAIGHT_ENOUGH_DEG)


def _antis(sweep: CornerSweep, assumed: Assumed, absent: dict[str, str]) -> dict[str, Array]:
    at_ground, at_centre = contact_point_rate(sweep), sweep.travel_twist[..., :3]
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
    shown = straight_enough(sweep)
    return {name: np.where(shown, values, np.nan) for name, values in out.items()}


def _steering(sweep: CornerSweep, absent: dict[str, str]) -> dict[str, Array]:
    n, out = sweep.spin_axis, sweep.corner.side.outboard
    rate = to_deg(wheel.steer_rate(n, sweep.rack_twist[..., 3:]))
    gauge = np.broadcast_to(_gauge_caster_deg(sweep), sweep.solved.shape)
    readings = {"steer_rate_deg_per_mm": rate, "gauge_caster_deg": gauge}
    if sweep.corner.layout.steering_axis is None and not has_damper(sweep.corner):
        why = "the layout draws no steering axis, and without damper points none can be found"
        absent.update({name: why for name in STEERING if name not in readings})
        return readings
    axis = steering_axis(sweep)
    trail, scrub = trail_and_scrub_mm(sweep)
    if sweep.corner.layout.tie_rod is None:
        absent["toggle_deg"] = "the layout has no tie rod"
    else:
        readings["toggle_deg"] = toggle_deg(sweep, ride_moment_arm_mm(sweep.corner))
    return readings | {
        "caster_deg": to_deg(steering.caster_rad(axis)),
        "steering_axis_inclination_deg": to_deg(steering.inclination_rad(axis, out)),
        "trail_mm": trail,
        "scrub_radius_mm": scrub,
    }


def _gauge_caster_deg(sweep: CornerSweep) -> Array:
    """Per travel (T,), from exact poses at 20 deg of steer each way; NaN where out of the grid."""
    left, right = (_camber_at_steer_deg(sweep, s) for s in (GAUGE_STEER_DEG, -GAUGE_STEER_DEG))
    return sweep.corner.side.outboard * steering.gauge_caster_deg(left, right)


def _camber_at_steer_deg(sweep: CornerSweep, steer_deg: float) -> Array:
    """Camber (T,) in the exact poses in which the wheel is steered so; NaN where none is.

    Found between two grid poses, then by Newton on the rack with the exact d(steer)/d(rack).
    """
    camber = np.full(len(sweep.travel_mm), np.nan)
    ahead = wheel.steer_rad(sweep.spin_axis) - to_rad(steer_deg)
    crosses = ahead[:-1] * ahead[1:] <= 0.0
    row = np.flatnonzero(crosses.any(axis=0))
    if not row.size:
        return camber
    low = np.argmax(crosses[:, row], axis=0)
    a, b = ahead[low, row], ahead[low + 1, row]
    ends = sweep.rack_mm[low], sweep.rack_mm[low + 1]
    share = np.where(a == b, 0.0, a / np.where(a == b, 1.0, a - b))
    rack, near = ends[0] + share * (ends[1] - ends[0]), Nearby(sweep)
    poses = near.at_rack(low, row, rack)
    for _ in range(6):
        off = wheel.steer_rad(poses.spin_axis) - to_rad(steer_deg)
        if not np.any(np.abs(off) > 1e-12):
            break
        rack = rack - off / wheel.steer_rate(poses.spin_axis, poses.rack_twist[:, 3:])
        rack = np.clip(rack, np.minimum(*ends), np.maximum(*ends))
        poses = near.at_rack(low, row, rack)
    camber[row] = to_deg(wheel.camber_rad(poses.spin_axis, sweep.corner.side.outboard))
    return camber


def _springing(sweep: CornerSweep, assumed: Assumed, absent: dict[str, str]) -> dict[str, Array]:
    curvature = Nearby(sweep).curvature()
    parts = sweep.corner.layout.solved
    bends = {part: curvature[..., 6 * k : 6 * k + 6] for k, part in enumerate(parts)}
    ends = sweep.corner.layout.damper or ("", "")
    lower, upper = (sweep.point(p) for p in ends)
    velocity = point_rate(sweep, ends[1]) - point_rate(sweep, ends[0])
    acceleration = point_bend(sweep, bends, ends[1]) - point_bend(sweep, bends, ends[0])
    bend = travel.span_curvature(upper - lower, velocity, acceleration)
    w = split(sweep.travel_twist)[1]
    v2, w2 = split(bends[KNUCKLE])
    radius = sweep.corner.wheel.loaded_radius_mm
    lift = wheel.contact_height_curvature(v2, w, w2, sweep.spin_axis, radius)
    rates = damper_and_height_rate(sweep)
    ratio = motion_ratio(sweep)
    change = travel.motion_ratio_change(rates[0], bend, rates[1], lift)
    readings = {"motion_ratio": ratio, "motion_ratio_change_per_mm": change}
    damper = sweep.corner.damper
    if damper is None or damper.spring is None:
        absent.update(dict.fromkeys(SPRING, "the file gives no spring"))
        return readings
    spring = damper.spring
    ride_mm = ride_spring_length_mm(sweep.corner, spring, assumed.sprung_kg)
    now = ride_mm + damper_length_mm(sweep) - damper_length_mm(at_ride_height(sweep.corner))
    bound, loose = now < spring.solid_length_mm, now > spring.free_length_mm
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
