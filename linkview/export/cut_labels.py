"""Where the name of a hole or slot stands on a drawing: beside it, over nothing else."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

import numpy as np

from linkview.geometry import Array

Spot = tuple[float, float]
Box = tuple[float, float, float, float]  # left, low, right, high, mm on the page

_OFF_MM, _TALL_MM, _CLEAR_MM = 1.6, 2.4, 0.4


def square_round(middle: Spot, half_mm: float) -> Box:
    """The square round a hole."""
    (x, y), r = middle, half_mm
    return x - r, y - r, x + r, y + r


def corner_of_round(half_mm: float) -> Spot:
    """How far right and up of a round hole's middle its edge is met, halfway between the axes."""
    return half_mm / math.sqrt(2.0), half_mm / math.sqrt(2.0)


def beside_cut(
    own: Box, corner: Spot, wide_mm: float, taken: list[Box], edges: Sequence[Array] = ()
) -> tuple[Spot, str]:
    """Where the name stands, and "left", "right" or "center", the part of it that stands there.

    own: the box of the cut, corner: how far right and up of its middle a name may begin, taken:
    what is drawn already, own among it; the name's own box is added. edges: chains (n, 2) of spots
    that no name is written over, as the plate's outline. Where no place is free: up and right.
    """
    found = list(_places(own, corner, wide_mm))
    others = [box for box in taken if box != own]
    free = [
        f
        for f in found
        if not any(_meet(f[2], b) for b in others) and not any(_crosses(e, f[2]) for e in edges)
    ]
    at, end, box = (free or found)[0]
    taken.append(box)
    return at, end


def _places(own: Box, corner: Spot, wide_mm: float) -> Iterator[tuple[Spot, str, Box]]:
    x, y = (own[0] + own[2]) / 2.0, (own[1] + own[3]) / 2.0
    tall = _TALL_MM / 2.0
    for right, up in ((1, 1), (-1, 1), (1, -1), (-1, -1)):
        at = (x + right * (corner[0] + _OFF_MM), y + up * (corner[1] + _OFF_MM))
        left = at[0] if right > 0 else at[0] - wide_mm
        box = (left, at[1] - tall, left + wide_mm, at[1] + tall)
        yield at, "left" if right > 0 else "right", box
    for up in (1, -1):
        at = (x, y + up * ((own[3] - own[1]) / 2.0 + _OFF_MM + tall / 2.0))
        box = (x - wide_mm / 2.0, at[1] - tall, x + wide_mm / 2.0, at[1] + tall)
        yield at, "center", box


def _meet(a: Box, b: Box) -> bool:
    return a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3]


def _crosses(chain: Array, box: Box) -> bool:
    """Whether a chain comes into the box or nearer than a hair to it: each chord is cut to it."""
    low = np.array(box[:2]) - _CLEAR_MM
    high = np.array(box[2:]) + _CLEAR_MM
    a, way = chain[:-1], np.diff(chain, axis=0)
    way = np.where(way == 0.0, 1e-12, way)
    enter, leave = (low - a) / way, (high - a) / way
    first = np.minimum(enter, leave).max(axis=1)
    last = np.maximum(enter, leave).min(axis=1)
    return bool(((first <= last) & (first <= 1.0) & (last >= 0.0)).any())
