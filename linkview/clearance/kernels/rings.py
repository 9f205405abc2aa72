"""The least distance from the skin of one solid of revolution to another."""

from __future__ import annotations

import numpy as np

from linkview.clearance.kernels.jit import DEEPEST, Array, Index, inner, kernel
from linkview.clearance.kernels.revolved import aim, below, piece

_SECTORS = 16


@inner
def _on_ring(move: Array, u: float, rho: float, angle: float, out: Array) -> None:
    y, z = rho * np.cos(angle), rho * np.sin(angle)
    for i in range(3):
        out[i] = move[i, 0] * u + move[i, 1] * y + move[i, 2] * z + move[i, 3]


@inner
def _over_ring(
    sides: Array,
    first: int,
    last: int,
    rounding: float,
    edge: Array,
    move: Array,
    shrink: float,
    tolerance: float,
    best: float,
    at: Array,
) -> float:
    """As `over_simplex`, over the ring that an edge (4,) = (u, rho, u, rho) turns through.

    A sector's hull: the four corners of its chord and two where the tangents at them meet.
    """
    stack = np.empty((DEEPEST + _SECTORS, 6))
    half = np.pi / _SECTORS
    for s in range(_SECTORS):
        stack[s, :4] = edge
        stack[s, 4], stack[s, 5] = 2.0 * half * s, half
    top = _SECTORS
    middle = np.empty(3)
    there = np.empty(3)
    while top > 0:
        top -= 1
        u0, r0, u1, r1 = stack[top, 0], stack[top, 1], stack[top, 2], stack[top, 3]
        angle, half = stack[top, 4], stack[top, 5]
        _on_ring(move, 0.5 * (u0 + u1), 0.5 * (r0 + r1), angle, middle)
        value, gx, gy, gz, pull, ey, ez, rho = piece(
            sides, first, last, rounding, middle[0], middle[1], middle[2]
        )
        if value - shrink < best:
            best = value - shrink
            at[:] = middle
        fall, reach, side, end, outward, round_ = np.inf, 0.0, 0.0, 0, 0.0, 0.0
        for e in range(2):
            u, r = (u0, r0) if e == 0 else (u1, r1)
            for way in (-1.0, 1.0, 0.0):
                out = r / np.cos(half) if way == 0.0 else r
                _on_ring(move, u, out, angle + way * half, there)
                x, y, z = there[0] - middle[0], there[1] - middle[1], there[2] - middle[2]
                slope = gx * x + gy * y + gz * z
                if slope < fall:
                    fall, side, end = slope, way, e
                reach = max(reach, x * x + y * y + z * z)
                outward = max(outward, abs(ey * y + ez * z))
                round_ = max(round_, abs(ey * z - ez * y))
        reach = np.sqrt(reach)
        lower = value - shrink + below(min(fall, 0.0), reach, pull, rho, outward, round_)
        if lower >= aim(best, shrink, rounding, tolerance):
            continue
        u, r = (u0, r0) if end == 0 else (u1, r1)
        _on_ring(move, u, r, angle + side * half, there)
        value = piece(sides, first, last, rounding, there[0], there[1], there[2])[0]
        if value - shrink < best:
            best = value - shrink
            at[:] = there
            if lower >= aim(best, shrink, rounding, tolerance):
                continue
        if top + 2 > len(stack):
            continue
        for k in range(2):
            stack[top + k, 0], stack[top + k, 1], stack[top + k, 2] = u0, r0, u1
            stack[top + k, 3], stack[top + k, 4], stack[top + k, 5] = r1, angle, half
        if np.sqrt((u1 - u0) ** 2 + (r1 - r0) ** 2) < 2.0 * half * max(r0, r1):
            stack[top, 4], stack[top + 1, 4] = angle - 0.5 * half, angle + 0.5 * half
            stack[top, 5], stack[top + 1, 5] = 0.5 * half, 0.5 * half
        else:
            stack[top, 2], stack[top, 3] = 0.5 * (u0 + u1), 0.5 * (r0 + r1)
            stack[top + 1, 0], stack[top + 1, 1] = 0.5 * (u0 + u1), 0.5 * (r0 + r1)
        top += 2
    return best


@kernel
def round_to_rings(
    sides: Array,
    starts: Index,
    roundings: Array,
    edges: Array,
    shrinks: Array,
    moves: Array,
    tolerance: float,
    value: Array,
    at: Array,
    won: Index,
) -> None:
    """A solid against another's skin: edges (e, 4) with their rounding, moves (n, 4, 4) into the
    first one's frame. value, at, and which edge won."""
    for n in range(len(moves)):
        best = np.inf
        for e in range(len(edges)):
            for p in range(len(roundings)):
                less = _over_ring(
                    sides,
                    starts[p],
                    starts[p + 1],
                    roundings[p],
                    edges[e],
                    moves[n],
                    shrinks[e],
                    tolerance,
                    best,
                    at[n],
                )
                if less < best:
                    best, won[n] = less, e
        value[n] = best
