"""Where the name of a hole or slot stands on a drawing: beside it, over nothing else."""

from __future__ import annotations

import math

Spot = tuple[float, float]
Box = tuple[float, float, float, float]  # left, low, right, high, mm on the page

_OFF_MM, _TALL_MM = 1.6, 2.4


def square_round(middle: Spot, half_mm: float) -> Box:
    """The square round a cut."""
    (x, y), r = middle, half_mm
    return x - r, y - r, x + r, y + r


def beside_cut(
    middle: Spot, half_mm: float, wide_mm: float, taken: list[Box], *, right_mm: float
) -> tuple[Spot, str]:
    """Where the name starts or ends, and "left" or "right", the end that stands there.

    taken: what is drawn already, this cut among it; the name's own box is added. right_mm: nothing
    past this. Where no corner is free: up and to the right.
    """
    own = square_round(middle, half_mm)
    off = half_mm / math.sqrt(2.0) + _OFF_MM
    found = []
    for right, up in ((1, 1), (-1, 1), (1, -1), (-1, -1)):
        at = (middle[0] + right * off, middle[1] + up * off)
        left = at[0] if right > 0 else at[0] - wide_mm
        box = (left, at[1] - _TALL_MM / 2.0, left + wide_mm, at[1] + _TALL_MM / 2.0)
        found.append((at, "left" if right > 0 else "right", box))
    others = [box for box in taken if box != own]
    free = [f for f in found if f[2][2] <= right_mm and not any(_meet(f[2], b) for b in others)]
    at, end, box = (free or found)[0]
    taken.append(box)
    return at, end


def _meet(a: Box, b: Box) -> bool:
    return a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3]
