"""A solid of revolution against a mesh, by the mesh's tree."""

from __future__ import annotations

import numpy as np

from linkview.clearance.kernels.jit import DEEPEST, Array, Index, inner, kernel
from linkview.clearance.kernels.patches import over_simplex
from linkview.clearance.kernels.revolved import at_point, climb, piece


@inner
def _moved(move: Array, i: int, x: float, y: float, z: float) -> float:
    return move[i, 0] * x + move[i, 1] * y + move[i, 2] * z + move[i, 3]


@inner
def _round_to_box(
    sides: Array, starts: Index, roundings: Array, move: Array, boxes: Array, b: int
) -> float:
    """A bound under the solid's distance anywhere in a box of the mesh's frame."""
    hx, hy, hz = boxes[b, 3], boxes[b, 4], boxes[b, 5]
    reach = np.sqrt(hx * hx + hy * hy + hz * hz)
    x = _moved(move, 0, boxes[b, 0], boxes[b, 1], boxes[b, 2])
    y = _moved(move, 1, boxes[b, 0], boxes[b, 1], boxes[b, 2])
    z = _moved(move, 2, boxes[b, 0], boxes[b, 1], boxes[b, 2])
    lower = np.inf
    for p in range(len(roundings)):
        value, gx, gy, gz, pull, _, _, rho = piece(
            sides, starts[p], starts[p + 1], roundings[p], x, y, z
        )
        if value - reach >= lower:
            continue
        fall = 0.0
        if pull > 0.0:
            fall = np.inf
            for corner in range(8):
                dx, dy, dz = 0.0, 0.0, 0.0
                for j in range(3):
                    half = boxes[b, 3 + j] if corner >> j & 1 else -boxes[b, 3 + j]
                    dx += move[0, j] * half
                    dy += move[1, j] * half
                    dz += move[2, j] * half
                fall = min(fall, climb(gx, gy, gz, pull, rho, dx, dy, dz, y + dy, z + dz))
        else:
            for j in range(3):
                slope = gx * move[0, j] + gy * move[1, j] + gz * move[2, j]
                fall -= abs(slope) * boxes[b, 3 + j]
        lower = min(lower, value + max(fall, -reach))
    return lower


@inner
def _over_leaf(
    sides: Array, starts: Index, roundings: Array, move: Array, triangles: Array, first: int,
    count: int, stack: Array, tolerance: float, best: float, at: Array,
) -> float:  # fmt: skip
    for t in range(first, first + count):
        for k in range(3):
            for i in range(3):
                stack[0, k, i] = _moved(
                    move, i, triangles[t, k, 0], triangles[t, k, 1], triangles[t, k, 2]
                )
        for p in range(len(roundings)):
            best = over_simplex(
                sides, starts[p], starts[p + 1], roundings[p], 3, stack, 0.0, tolerance, best, at
            )
    return best


@kernel
def round_to_mesh(
    sides: Array,
    starts: Index,
    roundings: Array,
    moves: Array,
    triangles: Array,
    boxes: Array,
    links: Index,
    tolerance: float,
    value: Array,
    at: Array,
) -> None:
    """A solid against a mesh; moves (n, 4, 4) take the mesh's frame into the solid's."""
    nodes, bounds = np.empty(DEEPEST, dtype=np.int64), np.empty(DEEPEST)
    stack = np.empty((DEEPEST, 3, 3))
    home = triangles[0, 0].copy()
    for n in range(len(moves)):
        # The place that was nearest in the pose before is a good first guess in this one.
        move, there = moves[n], at[n]
        for i in range(3):
            there[i] = _moved(move, i, home[0], home[1], home[2])
        best = at_point(sides, starts, roundings, there[0], there[1], there[2])
        nodes[0], bounds[0] = 0, -np.inf
        top = 1
        while top > 0:
            top -= 1
            if bounds[top] >= best:
                continue
            node = nodes[top]
            if links[node, 1]:
                best = _over_leaf(
                    sides, starts, roundings, move, triangles, links[node, 0], links[node, 1],
                    stack, tolerance, best, there,
                )  # fmt: skip
                continue
            one, two = node + 1, links[node, 2]
            d1 = _round_to_box(sides, starts, roundings, move, boxes, one)
            d2 = _round_to_box(sides, starts, roundings, move, boxes, two)
            if d1 < d2:
                one, two, d1, d2 = two, one, d2, d1
            nodes[top], bounds[top] = one, d1
            nodes[top + 1], bounds[top + 1] = two, d2
            top += 2
        value[n] = best
        for j in range(3):
            home[j] = 0.0
            for i in range(3):
                home[j] += move[i, j] * (there[i] - move[i, 3])
