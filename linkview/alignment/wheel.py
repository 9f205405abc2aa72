"""How a wheel stands and how its stance changes, from its spin axis: bare functions on arrays.

n: spin axis (..., 3), unit, toward the car's LEFT on both sides. outboard: +1 left wheel, -1 right.
Turn rates w (..., 3) are rad per unit of the input (mm of travel or of rack), so that dn = w x n.
A loaded radius is one number, or (n, 1) for n wheels. Angles in radians. Terms: ISO 8855:2011 where
it has them; camber's sign is the trade's.
"""

from __future__ import annotations

import numpy as np

from linkview.geometry import Array, Z, arctan2, cross, unit


def heading(n: Array) -> Array:
    """Where the wheel points, (..., 3) unit and level: (n x z) normalised."""
    return unit(cross(n, Z))


def lateral(n: Array, outboard: float) -> Array:
    """Level and square to the heading, away from the car: z x t on the left, minus that right."""
    return np.asarray(outboard * cross(Z, heading(n)))


def upward(n: Array) -> Array:
    """The wheel plane's steepest upward line, (..., 3) unit."""
    return unit(Z - n[..., 2:] * n)


def steer_rad(n: Array) -> Array:
    """Steer angle, + turned left: atan2(t.y, t.x)."""
    return arctan2(-n[..., 0], n[..., 1])


def toe_in_rad(n: Array, outboard: float) -> Array:
    """Toe-in of one wheel, + front of the wheel toward the car."""
    return -outboard * steer_rad(n)


def camber_rad(n: Array, outboard: float) -> Array:
    """Lean from vertical, square to the wheel's own heading, + top outboard."""
    return -outboard * np.arcsin(n[..., 2])


def camber_car_axis_rad(n: Array, outboard: float) -> Array:
    """Lean about the car's x axis, + top outboard; not camber once the wheel is steered."""
    return -outboard * arctan2(n[..., 2], n[..., 1])


def contact_centre(centre: Array, n: Array, loaded_radius_mm: float) -> Array:
    """Wheel centre minus loaded radius along the wheel plane's steepest upward line, (..., 3)."""
    return np.asarray(centre - loaded_radius_mm * upward(n))


# --- rates ----------------------------------------------------------------------------------


def steer_rate(n: Array, w: Array) -> Array:
    """d(steer), rad per unit of input."""
    dn = cross(w, n)
    level = n[..., 0] ** 2 + n[..., 1] ** 2
    return np.asarray((n[..., 0] * dn[..., 1] - n[..., 1] * dn[..., 0]) / level)


def toe_in_rate(n: Array, w: Array, outboard: float) -> Array:
    """d(toe-in), rad per unit of input, + toward toe-in."""
    return -outboard * steer_rate(n, w)


def camber_rate(n: Array, w: Array, outboard: float) -> Array:
    """d(camber), rad per unit of input."""
    dn = cross(w, n)
    return np.asarray(-outboard * dn[..., 2] / np.sqrt(1.0 - n[..., 2] ** 2))


def carried_rate(v: Array, w: Array, arm: Array) -> Array:
    """Velocity of a point fixed to the knuckle; v: wheel centre's, arm: from it to the point."""
    return np.asarray(v + cross(w, arm))


def contact_rate(v: Array, w: Array, n: Array, loaded_radius_mm: float) -> Array:
    """Velocity of the contact centre itself, which is not fixed to the knuckle, (..., 3)."""
    dn = cross(w, n)
    nz, dnz = n[..., 2:], dn[..., 2:]
    steep = np.sqrt(1.0 - nz**2)
    up = (Z - nz * n) / steep
    d_up = -(dnz * n + nz * dn) / steep + up * nz * dnz / steep**2
    return np.asarray(v - loaded_radius_mm * d_up)


def contact_height_curvature(
    v2: Array, w: Array, w2: Array, n: Array, loaded_radius_mm: float
) -> Array:
    """Second derivative of the contact centre's height. v2, w2: derivatives of the rates v, w."""
    dn = cross(w, n)
    d2n = cross(w2, n) + cross(w, dn)
    nz, d, d2 = n[..., 2], dn[..., 2], d2n[..., 2]
    steep = np.sqrt(1.0 - nz**2)
    bent = (d * d + nz * d2) / steep + (nz * d) ** 2 / steep**3
    return np.asarray((v2[..., 2:] + loaded_radius_mm * bent[..., None])[..., 0])
