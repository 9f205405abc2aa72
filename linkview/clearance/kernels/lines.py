"""Points, segments and triangles, in closed form.

Source: C. Ericson, Real-Time Collision Detection (2005), 5.1. Distances found are always those of
two true points, so they err upward only, by rounding.
"""

from __future__ import annotations

import numpy as np

from linkview.clearance.kernels.jit import Array, inner, kernel


@inner
def along(p: Array, a: Array, b: Array) -> float:
    """Where on the segment a-b, 0 to 1, the point nearest to p is."""
    ux, uy, uz = b[0] - a[0], b[1] - a[1], b[2] - a[2]
    square = ux * ux + uy * uy + uz * uz
    if square <= 0.0:
        return 0.0
    t = ((p[0] - a[0]) * ux + (p[1] - a[1]) * uy + (p[2] - a[2]) * uz) / square
    return float(min(max(t, 0.0), 1.0))


@inner
def between(a: Array, b: Array, t: float, out: Array) -> None:
    for i in range(3):
        out[i] = a[i] + t * (b[i] - a[i])


@inner
def _offer(p: Array, q: Array, best: float, on_p: Array, on_q: Array) -> float:
    """Keeps the two points if their squared distance beats `best`."""
    x, y, z = p[0] - q[0], p[1] - q[1], p[2] - q[2]
    square = x * x + y * y + z * z
    if square < best:
        for i in range(3):
            on_p[i], on_q[i] = p[i], q[i]
        return square
    return best


@inner
def segments(
    a0: Array, a1: Array, b0: Array, b1: Array, best: float, on_a: Array, on_b: Array, room: Array
) -> float:
    """Squared distance of two segments, kept if better than `best`; parallel ones give one pair.

    Source: Ericson, 5.1.9, which clamps s, then t, then s again; the ends are tried besides, so
    that rounding cannot pick a wrong case.  room (2, 3): to work in.
    """
    p, q = room[0], room[1]
    uu = vv = uv = uw = vw = 0.0
    for i in range(3):
        u, v, w = a1[i] - a0[i], b1[i] - b0[i], a0[i] - b0[i]
        uu += u * u
        vv += v * v
        uv += u * v
        uw += u * w
        vw += v * w
    det = uu * vv - uv * uv
    if det > 0.0:
        s = min(max((uv * vw - vv * uw) / det, 0.0), 1.0)
        between(a0, a1, s, p)
        between(b0, b1, along(p, b0, b1), q)
        best = _offer(p, q, best, on_a, on_b)
    between(b0, b1, along(a0, b0, b1), q)
    best = _offer(a0, q, best, on_a, on_b)
    between(b0, b1, along(a1, b0, b1), q)
    best = _offer(a1, q, best, on_a, on_b)
    between(a0, a1, along(b0, a0, a1), p)
    best = _offer(p, b0, best, on_a, on_b)
    between(a0, a1, along(b1, a0, a1), p)
    return float(_offer(p, b1, best, on_a, on_b))


@inner
def _in_triangle(p: Array, t: Array, normal: Array) -> bool:
    """Whether a point of the triangle's plane lies within it."""
    for k in range(3):
        m = (k + 1) % 3
        ex, ey, ez = t[m, 0] - t[k, 0], t[m, 1] - t[k, 1], t[m, 2] - t[k, 2]
        px, py, pz = p[0] - t[k, 0], p[1] - t[k, 1], p[2] - t[k, 2]
        cx, cy, cz = ey * pz - ez * py, ez * px - ex * pz, ex * py - ey * px
        if cx * normal[0] + cy * normal[1] + cz * normal[2] < 0.0:
            return False
    return True


@inner
def segment_triangle(
    a0: Array, a1: Array, t: Array, best: float, on_a: Array, on_t: Array, room: Array
) -> float:
    """Against the three edges, the ends against the face, and the point that pierces it."""
    normal, foot = room[2], room[3]
    ux, uy, uz = t[1, 0] - t[0, 0], t[1, 1] - t[0, 1], t[1, 2] - t[0, 2]
    vx, vy, vz = t[2, 0] - t[0, 0], t[2, 1] - t[0, 1], t[2, 2] - t[0, 2]
    normal[0], normal[1], normal[2] = uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx
    square = normal[0] ** 2 + normal[1] ** 2 + normal[2] ** 2
    if square > 0.0:
        h0 = h1 = 0.0
        for i in range(3):
            h0 += (a0[i] - t[0, i]) * normal[i]
            h1 += (a1[i] - t[0, i]) * normal[i]
        if h0 * h1 > 0.0 and min(h0 * h0, h1 * h1) >= best * square:
            return best  # both ends are further than the best from the triangle's plane
        for i in range(3):
            foot[i] = a0[i] - h0 / square * normal[i]
        if _in_triangle(foot, t, normal):
            best = _offer(a0, foot, best, on_a, on_t)
        for i in range(3):
            foot[i] = a1[i] - h1 / square * normal[i]
        if _in_triangle(foot, t, normal):
            best = _offer(a1, foot, best, on_a, on_t)
        if h0 * h1 <= 0.0 and h0 != h1:
            between(a0, a1, min(max(h0 / (h0 - h1), 0.0), 1.0), foot)
            if _in_triangle(foot, t, normal):
                return _offer(foot, foot, best, on_a, on_t)
    for k in range(3):
        best = segments(a0, a1, t[k], t[(k + 1) % 3], best, on_a, on_t, room)
    return best


@kernel
def lines_apart(a: Array, b: Array, gap: Array, on_a: Array, on_b: Array) -> None:
    """Two lines through points (n, k, 3), (n, l, 3): their distance (n,) and nearest points (n, 3).

    A line of one point is that point.
    """
    room = np.empty((2, 3))
    for n in range(len(a)):
        best = np.inf
        for i in range(max(a.shape[1] - 1, 1)):
            for j in range(max(b.shape[1] - 1, 1)):
                a1, b1 = a[n, min(i + 1, a.shape[1] - 1)], b[n, min(j + 1, b.shape[1] - 1)]
                best = segments(a[n, i], a1, b[n, j], b1, best, on_a[n], on_b[n], room)
        gap[n] = np.sqrt(best)


@kernel
def line_to_triangle(line: Array, triangle: Array, on_line: Array, on_mesh: Array) -> float:
    """One segment (2, 3) and one triangle (3, 3): their distance; the nearest points are filled."""
    room = np.empty((4, 3))
    best = segment_triangle(line[0], line[1], triangle, np.inf, on_line, on_mesh, room)
    return float(np.sqrt(best))
