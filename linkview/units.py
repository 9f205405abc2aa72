"""Unit conversion, the only place where it happens.

Inside linkview lengths are millimetres and angles radians; names carry `_mm`, `_rad`, `_deg`.
Sources: inch = 25.4 mm exactly (international yard and pound agreement, 1959);
standard gravity 9.80665 m/s2 (3rd CGPM, 1901).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

MM_PER_INCH = 25.4
STANDARD_GRAVITY_M_S2 = 9.80665

# What a mesh file may be drawn in, and the factor to millimetres.
MM_PER_UNIT = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "in": MM_PER_INCH}


def to_rad(angle_deg: ArrayLike) -> NDArray[np.float64]:
    """Degrees to radians, any shape; complex ones too, as `to_deg`."""
    angle = np.asarray(angle_deg)
    if angle.dtype.kind == "c":
        return np.asarray(angle * (np.pi / 180.0))
    return np.asarray(np.deg2rad(np.asarray(angle, dtype=float)))


def to_deg(angle_rad: ArrayLike) -> NDArray[np.float64]:
    """Radians to degrees, any shape."""
    angle = np.asarray(angle_rad)
    # Complex numbers carry a derivative (see geometry.py), and numpy's own takes only real ones.
    if angle.dtype.kind == "c":
        return np.asarray(angle * (180.0 / np.pi))
    return np.asarray(np.rad2deg(np.asarray(angle, dtype=float)))


def inch_to_mm(length_in: float) -> float:
    """Inches to millimetres."""
    return length_in * MM_PER_INCH
