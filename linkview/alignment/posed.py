"""What one corner's poses show, for sets of poses of any shape: axis, contact, damper, toggle."""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache
from typing import Protocol

import numpy as np

from linkview.alignment import steering, travel, wheel
from linkview.alignment.steering import Axis
from linkview.geometry import Array, apply, length
from linkview.kinematics.corner import origin_of
from linkview.kinematics.nearby import Posed
from linkview.kinematics.sweep import CornerSweep, pose_at
from linkview.model.layout import KNUCKLE
from linkview.model.parts import Corner, Hold, Spring
from linkview.units import to_deg


class Travelling(Posed, Protocol):
    """Poses of which it is known how every solved part goes on with travel."""

    @property
    def travel_twists(self) -> Mapping[str, Array]: ...


def contact(posed: Posed) -> Array:
    """Contact centres (..., 3) of any set of poses, mm."""
    radius = posed.corner.wheel.loaded_radius_mm
    return wheel.contact_centre(posed.wheel_centre, posed.spin_axis, radius)


def steering_axis(posed: Posed) -> Axis:
    """The drawn steering axis, or else the screw axis with the damper's length held.

    NaN where neither exists: a layout without a drawn axis, and no damper given.
    """
    drawn = posed.corner.layout.steering_axis
    if drawn:
        return steering.drawn_axis(*(posed.point(p) for p in drawn))
    return steering.screw_axis(posed.wheel_centre, posed.screw_twist)


@lru_cache(maxsize=32)
def at_ride_height(corner: Corner) -> CornerSweep:
    """The pose in which the corner was measured, with its velocities; (1, 1).

    Kept for the last corners asked for: one reading of a single pose asks ten times.
    """
    return pose_at(corner, 0.0, 0.0, Hold.WHEEL_HEIGHT)


def ride_moment_arm_mm(corner: Corner) -> float:
    """The tie rod's signed lever about the steering axis at ride height, rack centred."""
    return float(moment_arm_mm(at_ride_height(corner))[0, 0])


def moment_arm_mm(posed: Posed) -> Array:
    """The tie rod's signed lever (...) about the steering axis of a steered corner."""
    rod = posed.corner.layout.rods[posed.corner.layout.tie_rod or ""]
    ends = posed.point(rod.outer), posed.point(rod.inner)
    return steering.moment_arm_mm(steering_axis(posed), *ends)


def toggle_deg(posed: Posed, ride_arm_mm: Array | float) -> Array:
    """Toggle angle (...) of any set of poses of a steered corner."""
    rod = posed.corner.layout.rods[posed.corner.layout.tie_rod or ""]
    ends = posed.point(rod.outer), posed.point(rod.inner)
    return to_deg(steering.toggle_rad(steering_axis(posed), *ends, ride_arm_mm))


def trail_and_scrub_mm(posed: Posed) -> tuple[Array, Array]:
    """Trail and scrub radius (...) of any set of poses of a steered corner."""
    axis, at, n = steering_axis(posed), contact(posed), posed.spin_axis
    aside = wheel.lateral(n, posed.corner.side.outboard)
    trail = steering.trail_mm(axis, at, wheel.heading(n))
    return trail, steering.scrub_radius_mm(axis, at, aside)


def has_damper(corner: Corner) -> bool:
    """Whether the file gives both points of the damper."""
    ends = corner.layout.damper
    return ends is not None and all(p in corner.points for p in ends)


def damper_length_mm(posed: Posed) -> Array:
    """Distance of the damper's two points (...), mm."""
    lower, upper = posed.corner.layout.damper or ("", "")
    return length(posed.point(upper) - posed.point(lower))


def motion_ratio(posed: Travelling) -> Array:
    """MR = -d(damper length)/dz (...), z that of the contact centre."""
    length_rate, height_rate = damper_and_height_rate(posed)
    return np.asarray(-length_rate / height_rate)


def spring_length_mm(ride: Travelling, spring: Spring, sprung_kg: float) -> Array:
    """As given in the file, or else the length at which the spring carries the corner, (...).

    ride: poses at ride height, rack centred.
    """
    if spring.ride_length_mm is not None:
        return np.full(ride.spin_axis.shape[:-1], spring.ride_length_mm)
    return travel.ride_spring_length_mm(
        sprung_kg, motion_ratio(ride), spring.rate_n_per_mm, spring.free_length_mm
    )


def damper_and_height_rate(posed: Travelling) -> tuple[Array, Array]:
    """d(damper length) and d(contact centre's height) per wheel travel."""
    v, w = split(posed.travel_twists[KNUCKLE])
    lower, upper = (posed.point(p) for p in posed.corner.layout.damper or ("", ""))
    rates = [point_rate(posed, p) for p in posed.corner.layout.damper or ("", "")]
    radius = posed.corner.wheel.loaded_radius_mm
    height = wheel.contact_rate(v, w, posed.spin_axis, radius)[..., 2]
    return travel.span_rate(upper - lower, rates[1] - rates[0]), height


def point_rate(posed: Travelling, name: str) -> Array:
    """Velocity of a hard point per wheel travel, the rack still, (..., 3)."""
    part = posed.corner.layout.owner(name)
    if part not in posed.travel_twists:
        return np.zeros(3)
    v, w = split(posed.travel_twists[part])
    return wheel.carried_rate(v, w, posed.point(name) - origin_now(posed, part))


def point_bend(posed: Travelling, bends: Mapping[str, Array], name: str) -> Array:
    """Second derivative of a hard point's place per wheel travel; bends: those of the parts."""
    part = posed.corner.layout.owner(name)
    if part not in bends:
        return np.zeros(3)
    w = split(posed.travel_twists[part])[1]
    v2, w2 = split(bends[part])
    return travel.carried_acceleration(v2, w, w2, posed.point(name) - origin_now(posed, part))


def origin_now(posed: Travelling, part: str) -> Array:
    """Where the point that a solved part's twist speaks of has gone, (..., 3)."""
    return apply(posed.pose(part), origin_of(posed.corner, part))


def split(twist: Array) -> tuple[Array, Array]:
    """The shift and the turn of a twist (..., 6)."""
    return twist[..., :3], twist[..., 3:]
