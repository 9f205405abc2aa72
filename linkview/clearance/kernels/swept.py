"""Signed distance to a body at many poses at once: the field of what it sweeps."""

from __future__ import annotations

import numpy as np

from linkview.clearance.kernels.jit import Array, Index, inner, kernel
from linkview.clearance.kernels.lines import along, between
from linkview.clearance.kernels.revolved import at_point


@inner
def _grown(
    sides: Array,
    starts: Index,
    roundings: Array,
    lines: Array,
    radius: float,
    moves: Array,
    grow: Array,
    k: int,
    p: Array,
    own: Array,
) -> float:
    """Signed distance of a place of the car to the body at pose k, grown by what it moves there.

    A tube (radius >= 0) stands on lines[k]; another body's frame is reached by moves[k].
    """
    if radius >= 0.0:
        best = np.inf
        for i in range(max(lines.shape[1] - 1, 1)):
            a, b = lines[k, i], lines[k, min(i + 1, lines.shape[1] - 1)]
            between(a, b, along(p, a, b), own)
            away = (p[0] - own[0]) ** 2 + (p[1] - own[1]) ** 2 + (p[2] - own[2]) ** 2
            best = min(best, away)
        return float(np.sqrt(best)) - radius - grow[k]
    for i in range(3):
        own[i] = moves[k, i, 3]
        for j in range(3):
            own[i] += moves[k, i, j] * p[j]
    return float(at_point(sides, starts, roundings, own[0], own[1], own[2])) - grow[k]


@kernel
def swept_field(
    sides: Array,
    starts: Index,
    roundings: Array,
    lines: Array,
    radius: float,
    moves: Array,
    grow: Array,
    level: float,
    origin: Array,
    step: float,
    out: Array,
) -> None:
    """The least of `_grown` over all poses at every place of a grid (i, j, k) from its origin.

    In blocks of 16, then 4, then one by one, poses in the order of their distance at the middle of
    the block outside: one that cannot beat the least, over the way from there, ends the search.
    Blocks wholly on one side of `level` keep the value of their middle.
    """
    count = len(grow)
    value = np.empty(count)
    inner = np.empty(count)
    few = np.empty(count, dtype=np.int64)
    p = np.empty(3)
    own = np.empty(3)
    nx, ny, nz = out.shape
    reach16, reach4 = 7.5 * step * np.sqrt(3.0), 1.5 * step * np.sqrt(3.0)
    for bx in range(0, nx, 16):
        for by in range(0, ny, 16):
            for bz in range(0, nz, 16):
                for i, b in enumerate((bx, by, bz)):
                    p[i] = origin[i] + (b + 7.5) * step
                for k in range(count):
                    value[k] = _grown(
                        sides, starts, roundings, lines, radius, moves, grow, k, p, own
                    )
                order = np.argsort(value)
                best = value[order[0]]
                far = best - reach16 > level or best + reach16 < level
                for cx in range(bx, min(bx + 16, nx), 4):
                    for cy in range(by, min(by + 16, ny), 4):
                        for cz in range(bz, min(bz + 16, nz), 4):
                            ex, ey, ez = min(cx + 4, nx), min(cy + 4, ny), min(cz + 4, nz)
                            if far:
                                out[cx:ex, cy:ey, cz:ez] = best
                                continue
                            away = 0.0
                            for i, (b, c) in enumerate(((bx, cx), (by, cy), (bz, cz))):
                                p[i] = origin[i] + (c + 1.5) * step
                                away += ((c + 1.5 - b - 7.5) * step) ** 2
                            away = np.sqrt(away)
                            least, near = np.inf, 0
                            for k in order:
                                if value[k] - away > least + 2.0 * reach4:
                                    break
                                inner[near] = _grown(
                                    sides, starts, roundings, lines, radius, moves, grow, k, p, own
                                )
                                least = min(least, inner[near])
                                few[near] = k
                                near += 1
                            if least - reach4 > level or least + reach4 < level:
                                out[cx:ex, cy:ey, cz:ez] = least
                                continue
                            sorted_ = np.argsort(inner[:near])
                            for i in range(cx, ex):
                                for j in range(cy, ey):
                                    for k in range(cz, ez):
                                        p[0] = origin[0] + i * step
                                        p[1] = origin[1] + j * step
                                        p[2] = origin[2] + k * step
                                        away = step * np.sqrt(
                                            (i - cx - 1.5) ** 2
                                            + (j - cy - 1.5) ** 2
                                            + (k - cz - 1.5) ** 2
                                        )
                                        least = np.inf
                                        for m in sorted_:
                                            if inner[m] - away > least:
                                                break
                                            now = _grown(
                                                sides,
                                                starts,
                                                roundings,
                                                lines,
                                                radius,
                                                moves,
                                                grow,
                                                few[m],
                                                p,
                                                own,
                                            )
                                            least = min(least, now)
                                        out[i, j, k] = least
