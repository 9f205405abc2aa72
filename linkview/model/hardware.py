"""Bought parts that plates are made for: rod ends and the holes for bolts, from their standards.

Sources (secondary copies): DIN ISO 12240-4 series K; ISO 273.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True)
class RodEnd:
    """A rod end of series K, mm and degrees: tilt to each side of square."""

    bore_mm: float
    ball_width_mm: float
    eye_width_mm: float
    face_mm: float
    eye_mm: float
    tilt_deg: float


ROD_ENDS: Mapping[int, RodEnd] = {
    10: RodEnd(10.0, 14.0, 10.5, 12.9, 28.0, 13.0),
    12: RodEnd(12.0, 16.0, 12.0, 15.4, 32.0, 13.0),
    14: RodEnd(14.0, 19.0, 13.5, 16.8, 36.0, 15.0),
    16: RodEnd(16.0, 21.0, 15.0, 19.3, 42.0, 15.0),
    20: RodEnd(20.0, 25.0, 18.0, 24.3, 50.0, 14.0),
}
# Bolt: clearance hole fine, medium, coarse, mm.
CLEARANCE_HOLES_MM: Mapping[int, tuple[float, float, float]] = {
    5: (5.3, 5.5, 5.8),
    6: (6.4, 6.6, 7.0),
    8: (8.4, 9.0, 10.0),
    10: (10.5, 11.0, 12.0),
    12: (13.0, 13.5, 14.5),
    14: (15.0, 15.5, 16.5),
    16: (17.0, 17.5, 18.5),
    18: (19.0, 20.0, 21.0),
    20: (21.0, 22.0, 24.0),
}
