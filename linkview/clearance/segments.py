"""Closest points between points, straight segments and triangles: closed forms on bare arrays.

All arrays are (..., 3) in one common frame, millimetres, and broadcast together. Every distance
is the smallest of a list of candidates that are all true distances between two points of the two
shapes, so rounding can make an answer too large by rounding only, never by a wrong case.
Source of the candidates: C. Ericson, Real-Time Collision Detection (2005), sect. 5.1.
"""

from __future__ import annotations

import numpy as np

from linkview.geometry import Array, dot, length


def nearest_on_segment(point: Array, start: Array, end: Array) -> Array:
    """The point of each segment nearest to `point`; a segment of no length is a point."""
    along = end - start
    square = dot(along, along)
    t = dot(point - start, along) / np.where(square > 0, square, 1.0)
    return np.asarray(start + np.clip(t, 0.0, 1.0)[..., None] * along)


def between_segments(a0: Array, a1: Array, b0: Array, b1: Array) -> tuple[Array, Array, Array]:
    """Distance between segments a0-a1 and b0-b1, and the nearest point on each.

    Returns (...), (..., 3), (..., 3). Parallel segments have many nearest pairs; one is given.
    """
    a0, a1, b0, b1 = np.broadcast_arrays(a0, a1, b0, b1)
    on_a = [a0, a1, nearest_on_segment(b0, a0, a1), nearest_on_segment(b1, a0, a1)]
    on_b = [nearest_on_segment(a0, b0, b1), nearest_on_segment(a1, b0, b1), b0, b1]
    inner_a = _feet_of_common_perpendicular(a0, a1, b0, b1)
    on_a.append(inner_a)
    on_b.append(nearest_on_segment(inner_a, b0, b1))
    return _least(on_a, on_b)


def _feet_of_common_perpendicular(a0: Array, a1: Array, b0: Array, b1: Array) -> Array:
    """The point of a nearest to b's whole line, held inside a; any point of a if parallel."""
    u, v, w = a1 - a0, b1 - b0, a0 - b0
    uu, vv, uv = dot(u, u), dot(v, v), dot(u, v)
    det = uu * vv - uv * uv
    safe = np.where(det > 0, det, 1.0)
    s = (uv * dot(v, w) - vv * dot(u, w)) / safe
    return np.asarray(a0 + np.clip(s, 0.0, 1.0)[..., None] * u)


def segment_to_triangle(start: Array, end: Array, triangle: Array) -> tuple[Array, Array, Array]:
    """Distance from segments to triangles (..., 3, 3) and the nearest point on each.

    0 where the segment passes through the triangle. Candidates: the segment against the three
    edges, its two ends against the face, and the point where it pierces the face.
    """
    a, b, c = triangle[..., 0, :], triangle[..., 1, :], triangle[..., 2, :]
    on_s, on_t = [], []
    for p, q in ((a, b), (b, c), (c, a)):
        _, near, far = between_segments(start, end, p, q)
        on_s.append(near)
        on_t.append(far)
    normal = np.cross(b - a, c - a)
    square = dot(normal, normal)
    safe = np.where(square > 0, square, 1.0)
    h0, h1 = dot(start - a, normal), dot(end - a, normal)
    for p, h in ((start, h0), (end, h1)):
        foot = p - (h / safe)[..., None] * normal
        inside = _inside(foot, a, b, c, normal) & (square > 0)
        on_s.append(np.where(inside[..., None], p, on_s[0]))
        on_t.append(np.where(inside[..., None], foot, on_t[0]))
    t = h0 / np.where(h0 == h1, 1.0, h0 - h1)
    pierce = start + np.clip(t, 0.0, 1.0)[..., None] * (end - start)
    hit = (h0 * h1 <= 0) & (h0 != h1) & _inside(pierce, a, b, c, normal)
    on_s.append(np.where(hit[..., None], pierce, on_s[0]))
    on_t.append(np.where(hit[..., None], pierce, on_t[0]))
    return _least(on_s, on_t)


def _inside(
    p: Array, a: Array, b: Array, c: Array, normal: Array
) -> np.ndarray[tuple[int, ...], np.dtype[np.bool_]]:
    """Whether a point of the triangle's plane lies within it."""
    return np.asarray(
        (dot(np.cross(b - a, p - a), normal) >= 0)
        & (dot(np.cross(c - b, p - b), normal) >= 0)
        & (dot(np.cross(a - c, p - c), normal) >= 0)
    )


def _least(on_a: list[Array], on_b: list[Array]) -> tuple[Array, Array, Array]:
    """The nearest of several pairs of points, row by row."""
    shape = np.broadcast_shapes(*(p.shape for p in (*on_a, *on_b)))
    a = np.stack([np.broadcast_to(p, shape) for p in on_a])
    b = np.stack([np.broadcast_to(p, shape) for p in on_b])
    gaps = length(a - b)
    best = np.argmin(gaps, axis=0)[None]
    pick = best[..., None]
    return (
        np.take_along_axis(gaps, best, 0)[0],
        np.take_along_axis(a, pick, 0)[0],
        np.take_along_axis(b, pick, 0)[0],
    )
