"""Whether a point is inside a mesh: the generalised winding number, and how far one answer reaches.

Source: A. Jacobson, L. Kavan, O. Sorkine-Hornung, "Robust Inside-Outside Segmentation using
Generalized Winding Numbers" (2013); the solid angle of a triangle by A. van Oosterom and
J. Strackee, "The Solid Angle of a Plane Triangle" (1983).
"""

from __future__ import annotations

import numpy as np

from linkview.geometry import Array, dot, length

_AT_ONCE = 400_000  # point-triangle couples worked on together: about 100 MB


def winding_number(points: Array, triangles: Array) -> Array:
    """How often a surface wraps each point: (n, 3), (f, 3, 3) -> (n,).

    1 inside a closed surface wound outward, -1 wound inward, 0 outside, a fraction where the
    surface is open. Points on the surface itself have no meaningful value.
    """
    out = np.zeros(len(points))
    step = max(1, _AT_ONCE // max(1, len(triangles)))
    for start in range(0, len(points), step):
        chunk = slice(start, start + step)
        r = triangles[None] - points[chunk, None, None, :]
        a, b, c = r[..., 0, :], r[..., 1, :], r[..., 2, :]
        la, lb, lc = length(a), length(b), length(c)
        top = dot(a, np.cross(b, c))
        low = la * lb * lc + dot(a, b) * lc + dot(b, c) * la + dot(c, a) * lb
        out[chunk] = np.sum(2.0 * np.arctan2(top, low), axis=-1)
    return np.asarray(out / (4.0 * np.pi))


def wrapped(points: Array, clear_mm: Array, triangles: Array) -> Array:
    """|winding number| (n,) of points (n, 3) that are known to be at least clear_mm off the mesh.

    The number is constant in a ball that the surface does not enter when the surface is closed,
    so one evaluation answers for every point within the ball; that is exact, not a guess. For an
    open surface each point is evaluated on its own by passing clear_mm = 0.
    """
    out = np.full(len(points), np.nan)
    lo, hi = triangles.min(axis=(0, 1)), triangles.max(axis=(0, 1))
    outside_box = ((points < lo) | (points > hi)).any(axis=1)
    closed_ball = clear_mm > 0
    out[outside_box & closed_ball] = 0.0
    while True:
        open_rows = np.flatnonzero(np.isnan(out))
        if not len(open_rows):
            return out
        widest = open_rows[np.argmax(clear_mm[open_rows])]
        if clear_mm[widest] <= 0:
            out[open_rows] = np.abs(winding_number(points[open_rows], triangles))
            return out
        near = length(points[open_rows] - points[widest]) < clear_mm[widest]
        out[open_rows[near]] = abs(float(winding_number(points[widest][None], triangles)[0]))
