"""How far joints are swung: bare functions on arrays, radians.

Directions (..., 3) of any length, as they stand at each pose; complex ones too. A rod, a bolt or a
shaft is a line: its two directions mean the same, so every angle is in [0, 90] deg.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from linkview.geometry import Array, arctan2, cross, dot, length, magnitude, numbers, unit

TINY = 1e-30  # the step of complex numbers, see geometry.py


def tilt_rad(rod: ArrayLike, bolt: ArrayLike) -> Array:
    """Rod end: least angle between bolt axis and eye axis, asin|rod . bolt|, rod free to spin."""
    along, across = magnitude(dot(rod, bolt)), length(cross(np.asarray(rod), np.asarray(bolt)))
    return arctan2(along, across)


def swing_rad(member: ArrayLike, axis: ArrayLike) -> Array:
    """Angle between two lines: a member and the axis of the joint it swings in."""
    along, across = (
        magnitude(dot(member, axis)),
        length(cross(np.asarray(member), np.asarray(axis))),
    )
    return arctan2(across, along)


def twist_rad(rod: Array, bolts: tuple[Array, Array]) -> Array:
    """How far the second bolt's axis is turned from the first's, seen along the rod, (...)."""
    along = unit(rod)
    first, second = (bolt - dot(bolt, along)[..., None] * along for bolt in bolts)
    return arctan2(dot(along, cross(first, second)), dot(first, second))


def clocked_use(
    rod: Array,
    bolts: tuple[Array, Array],
    built_rad: Array | float,
    allowed_rad: tuple[float, float],
) -> Array:
    """How much of their allowed tilt two rod ends on one rod use, at the best spin they share.

    rod (..., 3); bolts: both bolt axes; built_rad: the twist at which the ends are locked on the
    rod (`twist_rad`). Returns (...): the larger of tilt / allowed over the two ends, 1 = at the
    limit. The spin is free but common, so what helps one end may cost the other.
    """
    least = [tilt_rad(rod, bolt) for bolt in bolts]
    apart = twist_rad(rod, bolts) - built_rad
    # Lines repeat after half a turn: take the shorter way from one end's best spin to the other's.
    apart = apart - np.pi * np.floor(apart.real / np.pi + 0.5)
    real = [x.real for x in least]
    low, high = np.zeros(apart.shape), np.ones(apart.shape)
    for _ in range(45):  # halvings: 1e-13 of the way
        at = (low + high) / 2.0
        use = _use(real, at, apart.real, allowed_rad)
        first_worse = use[0] > use[1]
        low, high = np.where(first_worse, low, at), np.where(first_worse, at, high)
    return _at_best(least, (low + high) / 2.0, apart, allowed_rad)


def _at_best(
    least: list[Array], at: Array, apart: Array, allowed_rad: tuple[float, float]
) -> Array:
    """The worse end's use at the best spin; complex with its derivative.

    Where both ends are used alike the spin moves with them, so that they stay alike: with slopes
    a, b of the two by the spin and c, d by all else, both go on by (d a - c b) / (a - b).
    """
    first, second = _use(least, at, apart, allowed_rad)
    worse = np.where(first.real > second.real, first, second)
    if worse.dtype.kind != "c":
        return worse
    spun = numbers(at + 1j * TINY)
    by_spin = [x.imag / TINY for x in _use([x.real for x in least], spun, apart.real, allowed_rad)]
    steep = by_spin[0] - by_spin[1]
    alike = (np.abs(first.real - second.real) < 1e-9) & (steep != 0.0)
    both = second.imag * by_spin[0] - first.imag * by_spin[1]
    together = both / np.where(steep != 0.0, steep, 1.0)
    return np.asarray(worse.real + 1j * np.where(alike, together, worse.imag))


def _use(
    least: list[Array], at: Array, apart: Array, allowed_rad: tuple[float, float]
) -> list[Array]:
    """Tilt / allowed at each end, the spin a share `at` of the way from the first's best.

    cos(tilt) = cos(least) cos(off); the sine keeps the digits of small ones.
    """
    out = []
    for a, off, limit in zip(least, (at * apart, (1.0 - at) * apart), allowed_rad, strict=True):
        sine = np.sqrt(np.sin(a) ** 2 + (np.cos(a) * np.sin(off)) ** 2)
        out.append(arctan2(sine, np.cos(a) * np.cos(off)) / limit)
    return out
