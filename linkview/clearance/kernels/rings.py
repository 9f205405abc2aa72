"""The least distance from the skin of one solid of revolution to another."""

from __future__ import annotations

import numpy as np

from linkview.clearance.kernels.jit import DEEPEST, Array, Index, inner, kernel
from linkview.clearance.kernels.revolved import aim, climb, piece

_SECTORS = 16


@inner
def _on_ring(move: Array, u: float, rho: float, angle: float, out: Array) -> None:
    y, z = rho * np.cos(angle), rho * np.sin(angle)
    for i in range(3):
        out[i] = move[i, 0] * u + move[i, 1] * y + move[i, 2] * z + move[i, 3]


@inner
def _fall(
    sector: Array, move: Array, middle: Array, there: Array,
    gx: float, gy: float, gz: float, pull: float, rho: float,
) -> tuple[float, float, float, int]:  # fmt: skip
    """From a sector's middle: its bound's fall, how far it reaches, and the corner that falls most.

    The sector's hull: the four corners of its chord and two where the tangents at them meet.
    """
    angle, half = sector[4], sector[5]
    fall, reach, side, end = np.inf, 0.0, 0.0, 0
    for e in range(2):
        u, r = sector[2 * e], sector[2 * e + 1]
        for way in (-1.0, 1.0, 0.0):
            out = r / np.cos(half) if way == 0.0 else r
            _on_ring(move, u, out, angle + way * half, there)
            x, y, z = there[0] - middle[0], there[1] - middle[1], there[2] - middle[2]
            slope = climb(gx, gy, gz, pull, rho, x, y, z, there[1], there[2])
            if slope < fall:
                fall, side, end = slope, way, e
            reach = max(reach, x * x + y * y + z * z)
    return fall, np.sqrt(reach), side, end


@inner
def _halve(stack: Array, top: int) -> None:
    """The sector at `top` in two, across its edge or its arc, whichever is longer."""
    for i in range(6):
        stack[top + 1, i] = stack[top, i]
    u0, r0, u1, r1 = stack[top, 0], stack[top, 1], stack[top, 2], stack[top, 3]
    angle, half = stack[top, 4], stack[top, 5]
    if np.sqrt((u1 - u0) ** 2 + (r1 - r0) ** 2) < 2.0 * half * max(r0, r1):
        stack[top, 4], stack[top + 1, 4] = angle - 0.5 * half, angle + 0.5 * half
        stack[top, 5], stack[top + 1, 5] = 0.5 * half, 0.5 * half
    else:
        stack[top, 2], stack[top, 3] = 0.5 * (u0 + u1), 0.5 * (r0 + r1)
        stack[top + 1, 0], stack[top + 1, 1] = 0.5 * (u0 + u1), 0.5 * (r0 + r1)


@inner
def _over_ring(
    sides: Array, first: int, last: int, rounding: float, edge: Array, move: Array, shrink: float,
    tolerance: float, best: float, at: Array,
) -> float:  # fmt: skip
    """As `over_simplex`, over the ring that an edge (4,) = (u, rho, u, rho) turns through."""
    stack = np.empty((DEEPEST + _SECTORS, 6))
    half = np.pi / _SECTORS
    for s in range(_SECTORS):
        stack[s, :4] = edge
        stack[s, 4], stack[s, 5] = 2.0 * half * s, half
    top = _SECTORS
    middle, there = np.empty(3), np.empty(3)
    while top > 0:
        top -= 1
        sector = stack[top]
        u, r = 0.5 * (sector[0] + sector[2]), 0.5 * (sector[1] + sector[3])
        _on_ring(move, u, r, sector[4], middle)
        value, gx, gy, gz, pull, _, _, rho = piece(
            sides, first, last, rounding, middle[0], middle[1], middle[2]
        )
        value -= shrink
        if value < best:
            best = value
            at[:] = middle
        fall, reach, side, end = _fall(sector, move, middle, there, gx, gy, gz, pull, rho)
        lower = value + max(min(fall, 0.0), -reach)
        if lower >= aim(best, shrink, rounding, tolerance):
            continue
        angle = sector[4] + side * sector[5]
        _on_ring(move, sector[2 * end], sector[2 * end + 1], angle, there)
        value = piece(sides, first, last, rounding, there[0], there[1], there[2])[0] - shrink
        if value < best:
            best = value
            at[:] = there
            if lower >= aim(best, shrink, rounding, tolerance):
                continue
        if top + 2 <= len(stack):
            _halve(stack, top)
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
