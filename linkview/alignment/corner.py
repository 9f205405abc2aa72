"""One corner's alignment over a sweep: a friendly shell around the bare functions."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from linkview.alignment import steering, wheel
from linkview.alignment.assumed import Assumed
from linkview.alignment.on_road import Seen, in_the_body
from linkview.alignment.posed import has_damper
from linkview.alignment.readings import NOT_STEERED, read_corner, ride_of
from linkview.geometry import Array, Index, frozen
from linkview.kinematics.nearby import Nearby
from linkview.kinematics.sweep import CornerSweep
from linkview.model.parts import Side
from linkview.units import to_deg, to_rad

GAUGE_STEER_DEG = 20.0
NO_GAUGE = frozen(np.full(1, np.nan))


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
    steer_jacking_mm_per_mm: Array
    rack_force_n_per_n: Array
    bar_lever_deg: Array
    bar_ratio_deg_per_mm: Array
    spring_length_mm: Array
    spring_force_n: Array
    wheel_rate_n_per_mm: Array
    ride_frequency_hz: Array
    absent: Mapping[str, str]


def align_corner(sweep: CornerSweep, assumed: Assumed) -> CornerAlignment:
    """All readings of one corner. assumed: the axle's share of mass, braking and drive."""
    return align_seen(in_the_body(sweep), assumed)


def align_seen(seen: Seen, assumed: Assumed) -> CornerAlignment:
    """The same of a sweep seen in the body or on the road."""
    steered = seen.sweep.corner.rack is not None
    return _aligned(seen, assumed, _gauge_caster_deg(seen) if steered else NO_GAUGE)


def align_seen_alone(seen: Seen, assumed: Assumed) -> CornerAlignment:
    """The same but for gauge_caster_deg, all NaN: it needs other poses than those swept, and half
    of the time where these are few.
    """
    return _aligned(seen, assumed, NO_GAUGE)


def _aligned(seen: Seen, assumed: Assumed, gauge: Array) -> CornerAlignment:
    sweep = seen.sweep
    bends: Mapping[str, Array] = {}
    if has_damper(sweep.corner):
        bends = seen.turned(Nearby(sweep).curvature())
    readings, absent = read_corner(seen.posed, bends, ride_of(sweep.corner), assumed)
    if sweep.corner.rack is None:
        absent["gauge_caster_deg"] = NOT_STEERED
    else:
        readings["gauge_caster_deg"] = np.broadcast_to(gauge, sweep.solved.shape)
    blank = np.full(sweep.solved.shape, np.nan)
    readings.update(dict.fromkeys(absent, blank))
    fields = {name: frozen(values) for name, values in readings.items()}
    return CornerAlignment(side=sweep.corner.side, absent=absent, **fields)


def _gauge_caster_deg(seen: Seen) -> Array:
    """Per travel (T,), from exact poses at 20 deg of steer each way; NaN where out of the grid."""
    left, right = (_camber_at_steer_deg(seen, s) for s in (GAUGE_STEER_DEG, -GAUGE_STEER_DEG))
    return seen.sweep.corner.side.outboard * steering.gauge_caster_deg(left, right)


def _camber_at_steer_deg(seen: Seen, steer_deg: float) -> Array:
    """Camber (T,) in the exact poses in which the wheel is steered so; NaN where none is."""
    sweep = seen.sweep
    camber = np.full(len(sweep.travel_mm), np.nan)
    row, _, n = steered_by(seen, steer_deg)
    camber[row] = to_deg(wheel.camber_rad(n, sweep.corner.side.outboard))
    return camber


def steered_by(seen: Seen, steer_deg: float) -> tuple[Index, Array, Array]:
    """The travels (k,) at which the wheel can be steered so, the racks there, and the exact
    spin axes (k, 3).

    Found between two grid poses, then by Newton on the rack with the exact d(steer)/d(rack).
    """
    sweep = seen.sweep
    ahead = wheel.steer_rad(seen.posed.spin_axis) - to_rad(steer_deg)
    crosses = ahead[:-1] * ahead[1:] <= 0.0
    row = np.flatnonzero(crosses.any(axis=0))
    if not row.size:
        return row, np.zeros(0), np.zeros((0, 3))
    low = np.argmax(crosses[:, row], axis=0)
    a, b = ahead[low, row], ahead[low + 1, row]
    ends = sweep.rack_mm[low], sweep.rack_mm[low + 1]
    share = np.where(a == b, 0.0, a / np.where(a == b, 1.0, a - b))
    rack = ends[0] + share * (ends[1] - ends[0])
    poses = seen.at_rack(low, row, rack)
    for _ in range(6):
        off = wheel.steer_rad(poses.spin_axis) - to_rad(steer_deg)
        if not np.any(np.abs(off) > 1e-12):
            break
        rack = rack - off / wheel.steer_rate(poses.spin_axis, poses.rack_twist[:, 3:])
        rack = np.clip(rack, np.minimum(*ends), np.maximum(*ends))
        poses = seen.at_rack(low, row, rack)
    return row, rack, poses.spin_axis
