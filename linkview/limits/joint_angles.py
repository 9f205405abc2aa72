"""How far joints are swung: bare functions on arrays, radians.

Directions (..., 3) of any length, as they stand at each pose; complex ones too, except for the
clocked. A rod, a bolt or a shaft is a line: its two directions mean the same, so every angle is in
[0, 90] deg.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from linkview.geometry import Array, arctan2, dot, length, magnitude, unit


def tilt_rad(rod: ArrayLike, bolt: ArrayLike) -> Array:
    """Rod end: least angle between bolt axis and eye axis, asin|rod . bolt|, rod free to spin."""
    along, across = magnitude(dot(rod, bolt)), length(np.cross(np.asarray(rod), np.asarray(bolt)))
    return arctan2(along, across)


def swing_rad(member: ArrayLike, axis: ArrayLike) -> Array:
    """Angle between two lines: a member and the axis of the joint it swings in."""
    along, across = (
        magnitude(dot(member, axis)),
        length(np.cross(np.asarray(member), np.asarray(axis))),
    )
    return arctan2(across, along)


def clocked_use(
    rod: Array,
    eyes: tuple[Array, Array],
    bolts: tuple[Array, Array],
    allowed_rad: tuple[float, float],
) -> Array:
    """How much of their allowed tilt two rod ends on one rod use, at the best spin they share.

    rod (..., 3); eyes: each end's eye axis at spin 0, square to the rod; bolts: the bolt axes.
    Returns (...): the larger of tilt / allowed over the two ends, 1 = at the limit. The spin is
    free but common, so what helps one end may cost the other.
    """
    along = unit(rod)
    first, second = (_spin_to(along, eye, bolt) for eye, bolt in zip(eyes, bolts, strict=True))
    least = [tilt_rad(rod, bolt) for bolt in bolts]
    # Lines repeat after half a turn: take the shorter way from one end's best spin to the other's.
    apart = (second - first + np.pi / 2.0) % np.pi - np.pi / 2.0
    low, high = np.zeros(least[0].shape), np.ones(least[0].shape)
    for _ in range(45):  # halvings: 1e-13 of the way
        at = (low + high) / 2.0
        use = _use(least, (at * apart, (1.0 - at) * apart), allowed_rad)
        first_worse = use[0] > use[1]
        low, high = np.where(first_worse, low, at), np.where(first_worse, at, high)
    at = (low + high) / 2.0
    return np.maximum(*_use(least, (at * apart, (1.0 - at) * apart), allowed_rad))


def _use(
    least: list[Array], off: tuple[Array, Array], allowed_rad: tuple[float, float]
) -> list[Array]:
    """Tilt / allowed at each end, spun `off` from its best: cos(tilt) = cos(least) cos(off)."""
    return [
        np.arccos(np.clip(np.cos(a) * np.abs(np.cos(o)), 0.0, 1.0)) / limit
        for a, o, limit in zip(least, off, allowed_rad, strict=True)
    ]


def _spin_to(along: Array, eye: Array, bolt: Array) -> Array:
    """The spin about the rod that brings an eye closest to its bolt."""
    return np.arctan2(dot(along, np.cross(eye, bolt)), dot(eye, bolt))
