"""Where along a row of poses a limit is first met: bracketed on the grid, then solved for.

A row runs from the middle of the grid outward, along the rack or along travel. A limit that is
passed and comes back within one step of the grid is not seen.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from linkview.geometry import Array, Flags, Index
from linkview.kinematics.nearby import PoseList
from linkview.limits.limit import Limit

CLOSE_ENOUGH_MM = 1e-4
MOST_STEPS = 60


@dataclass(frozen=True, eq=False)
class Rows:
    """R rows of P grid poses each, first pose in the middle of the grid.

    at (P,): rack or travel, mm. i, j (P, R): the grid poses. solved (P, R). margins (L, P, R) of
    the limits. solve(i, j, x): exact poses at x (n,) from grid poses. end (R,): where a row that
    is not solved to its last pose ends, NaN for the others; end_by: the joints that end it.
    """

    limits: Sequence[Limit]
    at: Array
    i: Index
    j: Index
    solved: Flags
    margins: Array
    solve: Callable[[Index, Index, Array], PoseList]
    end: Array
    end_by: tuple[str, ...]


@dataclass(frozen=True)
class Crossing:
    """A limit met on a row, between near_mm (inside) and far_mm (outside, or at the limit)."""

    row: int
    limit: int
    step: int
    near_mm: float
    far_mm: float
    near_margin: float
    far_margin: float


def crossings(rows: Rows) -> list[Crossing]:
    """The first crossing of each limit on each row on which it starts inside."""
    out: list[Crossing] = []
    steps, count = rows.solved.shape
    ends = _margins_at_ends(rows)
    for r in range(count):
        reach = steps if rows.solved[:, r].all() else int(np.argmin(rows.solved[:, r]))
        for k in range(len(rows.limits)):
            m = rows.margins[k, :reach, r]
            if not reach or m[0] <= 0.0 or np.isnan(m[0]):
                continue
            over = np.flatnonzero(m <= 1e-9)
            if over.size:
                p = int(over[0])
                ends_here = float(rows.at[p - 1]), float(rows.at[p]), float(m[p - 1]), float(m[p])
                out.append(Crossing(r, k, p - 1, *ends_here))
            elif reach < steps and ends[k, r] <= 0.0:
                here = float(rows.at[reach - 1]), float(rows.end[r])
                out.append(Crossing(r, k, reach - 1, *here, float(m[-1]), float(ends[k, r])))
    return out


def first_of(found: Sequence[Crossing]) -> list[Crossing]:
    """Those of one row that may be the first: they begin before the nearest certain one ends."""
    if not found:
        return []
    nearest = min(abs(c.far_mm) for c in found)
    return [c for c in found if abs(c.near_mm) < nearest or abs(c.far_mm) <= nearest]


def refined(rows: Rows, found: Sequence[Crossing]) -> Array:
    """Where each crossing is, (n,) mm, to CLOSE_ENOUGH_MM, every try an exact pose.

    Regula falsi with the Illinois halving, all crossings at once; a bracket that a step leaves
    unmoved is halved instead. Source: M. Dowell and P. Jarratt, BIT 11 (1971) 168 (from memory).
    """
    if not found:
        return np.zeros(0)
    step, row = (np.array([getattr(c, f) for c in found]) for f in ("step", "row"))
    i, j = rows.i[step, row], rows.j[step, row]
    which = np.array([c.limit for c in found])
    a, b = np.array([c.near_mm for c in found]), np.array([c.far_mm for c in found])
    fa, fb = np.array([c.near_margin for c in found]), np.array([c.far_margin for c in found])
    x = b.copy()
    kept = np.zeros(len(found))
    for _ in range(MOST_STEPS):
        new = np.where(fb == 0.0, b, a + (b - a) * fa / np.where(fa == fb, 1.0, fa - fb))
        moved, x = np.abs(new - x), new
        if np.all((moved < CLOSE_ENOUGH_MM) | (np.abs(b - a) < CLOSE_ENOUGH_MM)):
            break
        f = _margin_of(rows, which, rows.solve(i, j, x))
        f = np.where(np.isnan(f), fb, f)
        inside = f > 0.0
        fb = np.where(inside & (kept > 0), fb / 2.0, fb)
        fa = np.where(~inside & (kept < 0), fa / 2.0, fa)
        a, fa = np.where(inside, x, a), np.where(inside, f, fa)
        b, fb = np.where(inside, b, x), np.where(inside, fb, f)
        kept = np.where(inside, 1.0, -1.0)
    return x


def _margin_of(rows: Rows, which: Array, poses: PoseList) -> Array:
    out = np.full(len(which), np.nan)
    for k in np.unique(which):
        limit, mine = rows.limits[k], which == k
        out[mine] = limit.margin(limit.measure(poses))[mine]
    return out


def _margins_at_ends(rows: Rows) -> Array:
    """Margins (L, R) just inside the end of each row that has one; NaN for the others."""
    out = np.full((len(rows.limits), rows.solved.shape[1]), np.nan)
    short = np.flatnonzero(np.isfinite(rows.end) & rows.solved[0])
    if not short.size:
        return out
    last = np.argmin(rows.solved[:, short], axis=0) - 1
    inside = rows.end[short] - np.sign(rows.end[short] - rows.at[last]) * CLOSE_ENOUGH_MM
    poses = rows.solve(rows.i[last, short], rows.j[last, short], inside)
    for k, limit in enumerate(rows.limits):
        out[k, short] = limit.margin(limit.measure(poses))
    return out
