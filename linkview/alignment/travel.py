"""Instant centres, anti-dive and springing from velocities per travel: bare functions on arrays.

Velocities (..., 3) are mm per mm of wheel travel, of points fixed to the knuckle unless said.
x forward, y left, z up.
"""

from __future__ import annotations

import numpy as np

from linkview.geometry import Array, cross, dot, length
from linkview.units import STANDARD_GRAVITY_M_S2

# Two front-view normals closer to parallel than this (radians) meet nowhere worth naming.
PARALLEL_RAD = 1e-6


def roll_centre(
    left: Array, left_velocity: Array, right: Array, right_velocity: Array
) -> tuple[Array, Array]:
    """Front-view roll centre: (y, height over the line through both contact centres), mm.

    left, right: contact centres (..., 3), with the velocities of the knuckle-fixed points there.
    The roll centre is where the normals to those velocities meet; NaN where they are parallel.
    """
    dl, dr = left_velocity[..., 1:], right_velocity[..., 1:]
    det = dl[..., 0] * dr[..., 1] - dl[..., 1] * dr[..., 0]
    parallel = np.abs(det) < PARALLEL_RAD * length(dl) * length(dr)
    det = np.where(parallel, np.nan, det)
    cl, cr = dot(dl, left[..., 1:]), dot(dr, right[..., 1:])
    with np.errstate(invalid="ignore"):  # complex numbers over NaN
        y = (cl * dr[..., 1] - cr * dl[..., 1]) / det
        z = (dl[..., 0] * cr - dr[..., 0] * cl) / det
    ground = left[..., 1:] - right[..., 1:]
    across = ground[..., 0] * (z - right[..., 2]) - ground[..., 1] * (y - right[..., 1])
    return np.asarray(y), np.asarray(across / length(ground))


def front_view_centre(point: Array, twist: Array) -> tuple[Array, Array]:
    """Where a part stands still in front view, (y, z) mm, for a twist (..., 6) of its `point`.

    A beam axle's roll centre, for its twist in roll: there a side force does not roll the body.
    """
    turn = twist[..., 3]
    return point[..., 1] - twist[..., 2] / turn, point[..., 2] + twist[..., 1] / turn


def side_view_swing_arm_mm(v: Array, w: Array) -> Array:
    """Horizontal distance from the wheel centre to its side-view instant centre, + centre ahead.

    v: the wheel centre's velocity, w: the turn rate, rad/mm. No turn in side view gives infinity.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(v[..., 2] / w[..., 1])


def anti_percent(
    velocity: Array, sense: float, share: float, cg_height_mm: float, wheelbase_mm: float
) -> Array:
    """How much of an axle's load change its linkage carries past the springs, percent.

    velocity: of the point where the longitudinal force acts on the knuckle: the knuckle-fixed
    contact point with an outboard brake, the wheel centre with halfshaft drive or inboard brake.
    share: of the whole force taken by this axle. By virtual work, share x (dx/dz) / (h / L) x 100.
    sense: +1 anti-dive in front; -1 anti-lift under braking and anti-squat under drive, rear.
    """
    slope = velocity[..., 0] / velocity[..., 2]
    return np.asarray(100.0 * sense * share * slope * wheelbase_mm / cg_height_mm)


# --- springing -------------------------------------------------------------------------------


def span_rate(span: Array, velocity: Array) -> Array:
    """d(distance between two points), mm per unit of input; velocity: that of the span."""
    return np.asarray(dot(span, velocity) / length(span))


def span_curvature(span: Array, velocity: Array, acceleration: Array) -> Array:
    """Second derivative of that distance."""
    rate = span_rate(span, velocity)
    return np.asarray((dot(velocity, velocity) + dot(span, acceleration) - rate**2) / length(span))


def carried_acceleration(v2: Array, w: Array, w2: Array, arm: Array) -> Array:
    """Second derivative of a knuckle-fixed point's place; v2, w2 derivatives of v, w."""
    return np.asarray(v2 + cross(w2, arm) + cross(w, cross(w, arm)))


def motion_ratio_change(
    length_rate: Array, length_curve: Array, height_rate: Array, height_curve: Array
) -> Array:
    """d(MR)/dz, 1/mm, for MR = -length' / z', all derivatives per wheel travel."""
    slope = length_curve * height_rate - length_rate * height_curve
    return np.asarray(-slope / height_rate**3)


def spring_force_n(length_mm: Array, rate_n_per_mm: float, free_length_mm: float) -> Array:
    """Compression positive; 0 where the spring is loose."""
    return np.maximum(rate_n_per_mm * (free_length_mm - length_mm), 0.0)


def wheel_rate_n_per_mm(
    rate_n_per_mm: Array, force_n: Array, motion_ratio: Array, change_per_mm: Array
) -> Array:
    """k MR^2 + F dMR/dz, at the contact centre; the tyre's own spring is not in it."""
    return np.asarray(rate_n_per_mm * motion_ratio**2 + force_n * change_per_mm)


def ride_frequency_hz(rate_n_per_mm: Array, sprung_kg: float) -> Array:
    """Of the corner's sprung mass on its wheel rate; NaN where the rate is not positive."""
    stiff = np.where(rate_n_per_mm.real > 0.0, rate_n_per_mm, np.nan)
    return np.asarray(np.sqrt(1000.0 * stiff / sprung_kg) / (2.0 * np.pi))


def sprung_kg(mass_kg: float, axle_fraction: float, unsprung_kg: float) -> float:
    """One corner's sprung mass: half the axle's share less what the wheel carries itself."""
    return mass_kg * axle_fraction / 2.0 - unsprung_kg


def ride_spring_length_mm(
    sprung_mass_kg: float, ride_motion_ratio: Array, rate_n_per_mm: float, free_length_mm: float
) -> Array:
    """The spring's length that carries the corner at ride height: its force is load / MR."""
    load_n = sprung_mass_kg * STANDARD_GRAVITY_M_S2
    return np.asarray(free_length_mm - load_n / (ride_motion_ratio * rate_n_per_mm))
