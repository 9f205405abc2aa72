"""How far places go inside cells beside a rigid velocity field; see `clearance/drift.py`."""

from __future__ import annotations

import numpy as np

from linkview.clearance.kernels.jit import Array, Index, kernel


@kernel
def ways_beside(
    now: Array,
    by: Array,
    slack: Array,
    at: Array,
    shift: Array,
    turn: Array,
    half: Array,
    fall: Array,
    sides: Array,
) -> None:
    """now (n, k, 3), by (n, k, 3, 2), slack (n, k) of k places in n cells; the field's at (n, 3),
    shift and turn (n, 3, 2); half (n, 2) of the cells. fall (n,): the longest way of any of the
    places, NaN where one is not known. sides (n, 2): what each side of the cell does of it.
    """
    rate = np.empty((3, 2))
    for c in range(len(now)):
        most, sides[c, 0], sides[c, 1] = -np.inf, 0.0, 0.0
        for j in range(now.shape[1]):
            ax, ay, az = now[c, j, 0] - at[c, 0], now[c, j, 1] - at[c, 1], now[c, j, 2] - at[c, 2]
            for m in range(2):
                wx, wy, wz = turn[c, 0, m], turn[c, 1, m], turn[c, 2, m]
                rate[0, m] = by[c, j, 0, m] - (shift[c, 0, m] + (wy * az - wz * ay))
                rate[1, m] = by[c, j, 1, m] - (shift[c, 1, m] + (wz * ax - wx * az))
                rate[2, m] = by[c, j, 2, m] - (shift[c, 2, m] + (wx * ay - wy * ax))
            both = less = first = second = 0.0
            for i in range(3):
                a, b = rate[i, 0] * half[c, 0], rate[i, 1] * half[c, 1]
                both += (a + b) * (a + b)
                less += (a - b) * (a - b)
                first += rate[i, 0] * rate[i, 0]
                second += rate[i, 1] * rate[i, 1]
            way = np.sqrt(max(both, less)) + slack[c, j]
            sides[c, 0], sides[c, 1] = max(sides[c, 0], first), max(sides[c, 1], second)
            if np.isnan(way):
                most = np.nan
                break
            most = max(most, way)
        fall[c] = most
        sides[c, 0] = np.sqrt(sides[c, 0]) * half[c, 0]
        sides[c, 1] = np.sqrt(sides[c, 1]) * half[c, 1]


@kernel
def ways_between(places: Array, start: Index, end: Index, out: Array) -> None:
    """places (n, k, 3): the longest way (m,) of any from cells `start` to cells `end` (m,)."""
    for c in range(len(start)):
        most = 0.0
        for j in range(places.shape[1]):
            square = 0.0
            for i in range(3):
                way = places[end[c], j, i] - places[start[c], j, i]
                square += way * way
            if np.isnan(square):
                most = np.nan
                break
            most = max(most, square)
        out[c] = np.sqrt(most)
