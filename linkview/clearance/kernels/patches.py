"""The least distance from a segment or a triangle to a solid of revolution.

A patch is halved until nothing in it can beat the best by more than the tolerance. What bounds it
from below are the bounds of `revolved.py` from two of its points, the middle and the corner that
the middle's gradient leads to: two functions that are linear over the patch, whose maximum is
least where some mean of the two has its least corner. Any such mean is a bound; the best of those
in which two corners are equal is the greatest (it is the dual of that small linear programme).
"""

from __future__ import annotations

import numpy as np

from linkview.clearance.kernels.jit import DEEPEST, Array, Index, inner, kernel
from linkview.clearance.kernels.lines import along, between
from linkview.clearance.kernels.revolved import aim, at_point, climb, piece

Floors = tuple[float, float, float, float, int]


@inner
def _floors(
    patch: Array, k: int, x: float, y: float, z: float, value: float,
    gx: float, gy: float, gz: float, pull: float, rho: float,
) -> Floors:  # fmt: skip
    """From a point of the patch: its bound at the three corners, that of the patch by length alone,
    and the lowest corner. A segment's third corner is its second."""
    reach, lowest, least = 0.0, 0, np.inf
    s0 = s1 = s2 = 0.0
    for j in range(k):
        dx, dy, dz = patch[j, 0] - x, patch[j, 1] - y, patch[j, 2] - z
        s = climb(gx, gy, gz, pull, rho, dx, dy, dz, patch[j, 1], patch[j, 2])
        if s < least:
            least, lowest = s, j
        if j == 0:
            s0 = s
        elif j == 1:
            s1 = s
            s2 = s
        else:
            s2 = s
        reach = max(reach, dx * dx + dy * dy + dz * dz)
    return value + s0, value + s1, value + s2, value - np.sqrt(reach), lowest


@inner
def _mean(ai: float, bi: float, aj: float, bj: float, ak: float, bk: float) -> float:
    """The bound by the mean of two, a and b, that is equal at corners i and j; -inf: no such."""
    turn = (bi - ai) - (bj - aj)
    if turn == 0.0:
        return -np.inf
    t = (aj - ai) / turn
    if not 0.0 < t < 1.0:
        return -np.inf
    return min(ai + t * (bi - ai), min(aj + t * (bj - aj), ak + t * (bk - ak)))


@inner
def _lower(a: Floors) -> float:
    return max(min(a[0], min(a[1], a[2])), a[3])


@inner
def _lower_of_both(a: Floors, b: Floors) -> float:
    lower = max(_lower(a), _lower(b))
    lower = max(lower, _mean(a[0], b[0], a[1], b[1], a[2], b[2]))
    lower = max(lower, _mean(a[1], b[1], a[2], b[2], a[0], b[0]))
    return max(lower, _mean(a[2], b[2], a[0], b[0], a[1], b[1]))


@inner
def _halve(stack: Array, top: int, k: int, corner: int) -> None:
    """The patch at `top` in two across its longest side, the half that holds `corner` last."""
    a, b = 0, 1
    if k == 3:
        longest = -1.0
        for i in range(3):
            j = (i + 1) % 3
            dx = stack[top, i, 0] - stack[top, j, 0]
            dy = stack[top, i, 1] - stack[top, j, 1]
            dz = stack[top, i, 2] - stack[top, j, 2]
            size = dx * dx + dy * dy + dz * dz
            if size > longest:
                longest, a, b = size, i, j
    if corner == b:  # the half with the lowest corner is looked at first
        a, b = b, a
    for j in range(k):
        for i in range(3):
            stack[top + 1, j, i] = stack[top, j, i]
    for i in range(3):
        middle = 0.5 * (stack[top, a, i] + stack[top, b, i])
        stack[top, a, i] = middle
        stack[top + 1, b, i] = middle


@inner
def over_simplex(
    sides: Array, first: int, last: int, rounding: float, k: int, stack: Array, shrink: float,
    tolerance: float, best: float, at: Array,
) -> float:  # fmt: skip
    """The least distance less shrink over a segment or triangle (k corners), if under `best`.

    stack (m, 3, 3): room to work in, with the corners in its first place, which is kept.
    """
    for j in range(k):
        for i in range(3):
            stack[1, j, i] = stack[0, j, i]
    top = 2
    while top > 1:
        top -= 1
        patch = stack[top]
        x, y, z = patch[0, 0] + patch[1, 0], patch[0, 1] + patch[1, 1], patch[0, 2] + patch[1, 2]
        if k == 3:
            x, y, z = (x + patch[2, 0]) / 3.0, (y + patch[2, 1]) / 3.0, (z + patch[2, 2]) / 3.0
        else:
            x, y, z = 0.5 * x, 0.5 * y, 0.5 * z
        value, gx, gy, gz, pull, _, _, rho = piece(sides, first, last, rounding, x, y, z)
        value -= shrink
        if value < best:
            best = value
            at[0], at[1], at[2] = x, y, z
        low = _floors(patch, k, x, y, z, value, gx, gy, gz, pull, rho)
        if _lower(low) >= aim(best, shrink, rounding, tolerance):
            continue
        corner = low[4]
        x, y, z = patch[corner, 0], patch[corner, 1], patch[corner, 2]
        value, gx, gy, gz, pull, _, _, rho = piece(sides, first, last, rounding, x, y, z)
        value -= shrink
        if value < best:
            best = value
            at[0], at[1], at[2] = x, y, z
        there = _floors(patch, k, x, y, z, value, gx, gy, gz, pull, rho)
        if _lower_of_both(low, there) >= aim(best, shrink, rounding, tolerance):
            continue
        if top + 2 <= DEEPEST:
            _halve(stack, top, k, corner)
            top += 2
    return best


@kernel
def round_to_line(
    sides: Array,
    starts: Index,
    roundings: Array,
    line: Array,
    radius: float,
    tolerance: float,
    value: Array,
    at: Array,
) -> None:
    """A solid against lines (n, k, 3) in its frame: least distance less radius, and where."""
    stack = np.empty((DEEPEST, 3, 3))
    held, share = 0, 0.5
    for n in range(len(line)):
        # The place that was nearest in the pose before is a good first guess in this one.
        between(line[n, held], line[n, min(held + 1, line.shape[1] - 1)], share, at[n])
        best = at_point(sides, starts, roundings, at[n, 0], at[n, 1], at[n, 2]) - radius
        for i in range(max(line.shape[1] - 1, 1)):
            end = min(i + 1, line.shape[1] - 1)
            for j in range(3):
                stack[0, 0, j], stack[0, 1, j] = line[n, i, j], line[n, end, j]
            for p in range(len(roundings)):
                less = over_simplex(
                    sides, starts[p], starts[p + 1], roundings[p], 2, stack, radius, tolerance,
                    best, at[n],
                )  # fmt: skip
                if less < best:
                    best, held, share = less, i, along(at[n], line[n, i], line[n, end])
        value[n] = best
