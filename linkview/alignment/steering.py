"""The steering axis and what follows from it: bare functions on arrays.

An axis is a point (..., 3) mm and a direction (..., 3), unit, pointing up. Angles in radians.
outboard: +1 left wheel, -1 right. Definitions: ISO 8855:2011 terms, signs as the trade uses them.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from linkview.geometry import Array, arctan2, cross, dot, length, magnitude, unit

# Under this steer the quotient behind percent Ackermann is mostly static toe.
LEAST_ACKERMANN_RAD = float(np.deg2rad(1.0))


class Axis(NamedTuple):
    """A line in space: point (..., 3) mm, direction (..., 3) unit with z >= 0."""

    point: Array
    direction: Array


def drawn_axis(lower: Array, upper: Array) -> Axis:
    """Through two joints, the lower named first."""
    return Axis(lower, unit(upper - lower))


def screw_axis(wheel_centre: Array, twist: Array) -> Axis:
    """The instantaneous screw axis of a twist (..., 6): the line whose points only slide along it.

    The point given is the one nearest the wheel centre. Source: Mozzi and Chasles' theorem.
    """
    v, w = twist[..., :3], twist[..., 3:]
    with np.errstate(invalid="ignore", divide="ignore"):
        nearest = wheel_centre + cross(w, v) / dot(w, w)[..., None]
    along = unit(w)
    return Axis(nearest, np.where(along[..., 2:] < 0.0, -along, along))


def at_height(axis: Axis, z_mm: Array) -> Array:
    """Where the axis meets a horizontal plane, (..., 3); a level axis gives NaN or infinity."""
    with np.errstate(invalid="ignore", divide="ignore"):
        way = (z_mm - axis.point[..., 2]) / axis.direction[..., 2]
    return np.asarray(axis.point + way[..., None] * axis.direction)


def caster_rad(axis: Axis) -> Array:
    """Side view, + top rearward."""
    return arctan2(-axis.direction[..., 0], axis.direction[..., 2])


def inclination_rad(axis: Axis, outboard: float) -> Array:
    """Steering-axis inclination: front view, + top inboard."""
    return arctan2(-outboard * axis.direction[..., 1], axis.direction[..., 2])


def trail_mm(axis: Axis, contact: Array, heading: Array) -> Array:
    """(Axis at the ground minus contact centre) along the heading, + axis ahead."""
    return dot(at_height(axis, contact[..., 2]) - contact, heading)


def scrub_radius_mm(axis: Axis, contact: Array, lateral: Array) -> Array:
    """(Contact centre minus axis at the ground) along the lateral, + contact centre outboard."""
    return dot(contact - at_height(axis, contact[..., 2]), lateral)


# --- tie rod --------------------------------------------------------------------------------


def moment_arm_mm(axis: Axis, outer: Array, inner: Array) -> Array:
    """Signed lever of a unit pull in the tie rod about the axis, mm."""
    rod = unit(inner - outer)
    return dot(axis.direction, cross(outer - axis.point, rod))


def toggle_rad(axis: Axis, outer: Array, inner: Array, ride_arm_mm: Array | float) -> Array:
    """Angle at the outer joint between the rod and the perpendicular to the axis, in [-90, 90].

    Both are projected along the axis; of t and 180 - t the lesser. 0 = in line (over centre), 90 =
    most leverage; negative once the moment arm's sign differs from that of ride_arm_mm.
    """
    a = axis.direction
    arm, rod = outer - axis.point, inner - outer
    arm = arm - dot(arm, a)[..., None] * a
    rod = rod - dot(rod, a)[..., None] * a
    across, along = dot(a, cross(arm, rod)), magnitude(dot(arm, rod))
    return np.asarray(arctan2(np.sign(np.asarray(ride_arm_mm).real) * across, along))


# --- Ackermann and gauge caster ---------------------------------------------------------------


def true_inner_rad(outer: Array, pivots_over_wheelbase: Array | float) -> Array:
    """The inner wheel's angle by the Ackermann condition, acot in (0, 180) deg.

    cot(outer) - cot(inner) = distance between the steering axes at the ground / wheelbase.
    outer (...): magnitude of the outer wheel's steer. ISO 8855:2011, Ackermann geometry.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        cot = 1.0 / np.tan(outer) - pivots_over_wheelbase
    return np.asarray(arctan2(1.0, cot))


def percent_ackermann(inner: Array, outer: Array, pivots_over_wheelbase: Array | float) -> Array:
    """(inner - outer) / (inner_true - outer) x 100, of magnitudes; NaN below 1 deg of steer.

    inner: the wheel on the side steered to. 0 = parallel, 100 = the Ackermann condition met;
    negative values are real: the inner wheel turns less.
    """
    small = np.minimum(inner, outer).real < LEAST_ACKERMANN_RAD
    outer = np.where(small, 1.0, outer)
    true = true_inner_rad(outer, pivots_over_wheelbase)
    return np.where(small, np.nan, 100.0 * (inner - outer) / (true - outer))


def gauge_caster_deg(camber_at_plus_20_deg: Array, camber_at_minus_20_deg: Array) -> Array:
    """[camber(+20 deg) - camber(-20 deg)] / (2 sin 20 deg), left wheel, degrees.

    What a caster gauge reads; for the right wheel the sign is opposite. + steer is to the left.
    """
    swing = 2.0 * np.sin(np.deg2rad(20.0))
    return np.asarray((camber_at_plus_20_deg - camber_at_minus_20_deg) / swing)


def foot_distance_mm(left: Axis, right: Axis, left_z_mm: Array, right_z_mm: Array) -> Array:
    """Level distance between two steering axes where they meet each wheel's ground."""
    apart = at_height(left, left_z_mm) - at_height(right, right_z_mm)
    return length(apart[..., :2])
