"""The distances themselves, compiled: numba, bare arrays, scalars inside. See `compiled.py`.

One file, because numba's cache notices changes of the file a kernel stands in and no other.

    points, segments, triangles   closed forms (C. Ericson, Real-Time Collision Detection, 5.1)
    piece                         signed distance to one convex piece of a solid of revolution
    patches                       least of that over a segment, a triangle, a ring sector
    tree                          boxes round a mesh's triangles, halved at the middle triangle
    *_to_*                        one pair of bodies over many poses

Found distances are always those of two true points, so they err upward only, by rounding or by the
tolerance passed in. A patch or a box is dropped when nothing in it can beat the best by more.

A meridian distance D is convex in (u, rho) with support g. Going r outward and t round the axis
makes rho + r into sqrt((rho + r)^2 + t^2), at most t^2 / (2 (rho + r)) more. So over a patch with
middle p and half-size R

    D(q) >= D(p) + g.(q - p) - pull * t^2 / (2 (rho - |r|))       and       D(q) >= D(p) - R,

where the pull is how much D falls with growing rho. The linear part is least at a corner.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

Array = NDArray[np.float64]
Index = NDArray[np.int64]
_Seen = tuple[float, float, float, float, float, float, float, float]

_ON_AXIS_MM = 1e-9
_ON_SURFACE_MM = 1e-9
_DEPTH_TOLERANCE_MM = 0.1  # inside the core the value only bounds the depth, so it need not be fine
_LEAF = 4  # triangles
_DEEPEST = 96  # halvings of a patch, boxes on a way down a tree
_SECTORS = 16

kernel = njit(cache=True, nogil=True, error_model="numpy")
inner = njit(cache=False, nogil=True, error_model="numpy", inline="never")


# --- points, segments, triangles ------------------------------------------------------------------


@inner
def _along(p: Array, a: Array, b: Array) -> float:
    """Where on the segment a-b, 0 to 1, the point nearest to p is."""
    ux, uy, uz = b[0] - a[0], b[1] - a[1], b[2] - a[2]
    square = ux * ux + uy * uy + uz * uz
    if square <= 0.0:
        return 0.0
    t = ((p[0] - a[0]) * ux + (p[1] - a[1]) * uy + (p[2] - a[2]) * uz) / square
    return float(min(max(t, 0.0), 1.0))


@inner
def _between(a: Array, b: Array, t: float, out: Array) -> None:
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
def _segments(
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
        _between(a0, a1, s, p)
        _between(b0, b1, _along(p, b0, b1), q)
        best = _offer(p, q, best, on_a, on_b)
    _between(b0, b1, _along(a0, b0, b1), q)
    best = _offer(a0, q, best, on_a, on_b)
    _between(b0, b1, _along(a1, b0, b1), q)
    best = _offer(a1, q, best, on_a, on_b)
    _between(a0, a1, _along(b0, a0, a1), p)
    best = _offer(p, b0, best, on_a, on_b)
    _between(a0, a1, _along(b1, a0, a1), p)
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
def _segment_triangle(
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
            _between(a0, a1, min(max(h0 / (h0 - h1), 0.0), 1.0), foot)
            if _in_triangle(foot, t, normal):
                return _offer(foot, foot, best, on_a, on_t)
    for k in range(3):
        best = _segments(a0, a1, t[k], t[(k + 1) % 3], best, on_a, on_t, room)
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
                best = _segments(a[n, i], a1, b[n, j], b1, best, on_a[n], on_b[n], room)
        gap[n] = np.sqrt(best)


@kernel
def line_to_triangle(line: Array, triangle: Array, on_line: Array, on_mesh: Array) -> float:
    """One segment (2, 3) and one triangle (3, 3): their distance; the nearest points are filled."""
    room = np.empty((4, 3))
    best = _segment_triangle(line[0], line[1], triangle, np.inf, on_line, on_mesh, room)
    return float(np.sqrt(best))


# --- solids of revolution -------------------------------------------------------------------------


@inner
def _piece(
    sides: Array, first: int, last: int, rounding: float, x: float, y: float, z: float
) -> _Seen:
    """At a point: distance to a piece, its gradient (3), the pull, y and z over the radius, rho.

    sides[first:last] (k, 5): a corner (u, rho) of the core, the unit way to the next one (2), its
    length. The way round is anticlockwise; k < 3: a point or a line, which has no inside.
    """
    rho = np.sqrt(y * y + z * z)
    near, near_u, near_r = np.inf, 0.0, 0.0
    plane, plane_u, plane_r = -np.inf, 0.0, 0.0
    for i in range(first, last):
        pu, pr = x - sides[i, 0], rho - sides[i, 1]
        tu, tr, size = sides[i, 2], sides[i, 3], sides[i, 4]
        if size > 0.0:
            outward = pu * tr - pr * tu
            if outward > plane:
                plane, plane_u, plane_r = outward, tr, -tu
            t = min(max(pu * tu + pr * tr, 0.0), size)
            pu -= t * tu
            pr -= t * tr
        away = pu * pu + pr * pr
        if away < near:
            near, near_u, near_r = away, pu, pr
    near = np.sqrt(near)
    if near < _ON_SURFACE_MM:
        d, du, dr = 0.0, plane_u, plane_r
    elif last - first >= 3 and plane <= 0.0:
        d, du, dr = plane, plane_u, plane_r
    else:
        d, du, dr = near, near_u / near, near_r / near
    ey, ez = (y / rho, z / rho) if rho > _ON_AXIS_MM else (1.0, 0.0)
    return d - rounding, du, dr * ey, dr * ez, max(0.0, -dr), ey, ez, rho


@inner
def _below(
    fall: float, reach: float, pull: float, rho: float, outward: float, round_: float
) -> float:
    """How far under its middle's value a patch can be; fall <= 0 is what the gradient takes off."""
    if pull > 0.0:
        least = rho - outward
        if least <= 0.0:
            return -reach
        fall -= pull * round_ * round_ / (2.0 * least)
    return max(fall, -reach)


@kernel
def piece_distances(sides: Array, rounding: float, points: Array, out: Array) -> None:
    """points (n, 3) in the solid's frame; out (n, 5): distance, gradient, pull as in `_piece`."""
    for n in range(len(points)):
        d, gx, gy, gz, pull, _, _, _ = _piece(
            sides, 0, len(sides), rounding, points[n, 0], points[n, 1], points[n, 2]
        )
        out[n, 0], out[n, 1], out[n, 2], out[n, 3], out[n, 4] = d, gx, gy, gz, pull


@inner
def _aim(best: float, shrink: float, rounding: float, tolerance: float) -> float:
    """A patch must promise less than this to be looked at."""
    deep = best + shrink < -rounding
    return best - (_DEPTH_TOLERANCE_MM if deep else tolerance)


@inner
def _over_simplex(
    sides: Array,
    first: int,
    last: int,
    rounding: float,
    k: int,
    stack: Array,
    shrink: float,
    tolerance: float,
    best: float,
    at: Array,
) -> float:
    """The least distance less shrink over a segment or triangle (k corners), if under `best`.

    stack (m, 3, 3): room to work in, with the corners in its first place, which is kept.
    """
    stack[1] = stack[0]
    top = 2
    while top > 1:
        top -= 1
        now = stack[top]
        x, y, z = now[0, 0] + now[1, 0], now[0, 1] + now[1, 1], now[0, 2] + now[1, 2]
        if k == 3:
            x, y, z = (x + now[2, 0]) / 3.0, (y + now[2, 1]) / 3.0, (z + now[2, 2]) / 3.0
        else:
            x, y, z = 0.5 * x, 0.5 * y, 0.5 * z
        value, gx, gy, gz, pull, ey, ez, rho = _piece(sides, first, last, rounding, x, y, z)
        if value - shrink < best:
            best = value - shrink
            at[0], at[1], at[2] = x, y, z
        fall, reach, corner, outward, round_ = 0.0, 0.0, 0, 0.0, 0.0
        for j in range(k):
            dx, dy, dz = now[j, 0] - x, now[j, 1] - y, now[j, 2] - z
            slope = gx * dx + gy * dy + gz * dz
            if slope < fall:
                fall, corner = slope, j
            reach = max(reach, dx * dx + dy * dy + dz * dz)
            outward = max(outward, abs(ey * dy + ez * dz))
            round_ = max(round_, abs(ey * dz - ez * dy))
        lower = value - shrink + _below(fall, np.sqrt(reach), pull, rho, outward, round_)
        if lower >= _aim(best, shrink, rounding, tolerance):
            continue
        x, y, z = now[corner, 0], now[corner, 1], now[corner, 2]
        value = _piece(sides, first, last, rounding, x, y, z)[0]
        if value - shrink < best:
            best = value - shrink
            at[0], at[1], at[2] = x, y, z
            if lower >= _aim(best, shrink, rounding, tolerance):
                continue
        if top + 2 > _DEEPEST:
            continue
        a, b = 0, 1
        if k == 3:
            longest = -1.0
            for i in range(3):
                j = (i + 1) % 3
                dx, dy, dz = now[i, 0] - now[j, 0], now[i, 1] - now[j, 1], now[i, 2] - now[j, 2]
                size = dx * dx + dy * dy + dz * dz
                if size > longest:
                    longest, a, b = size, i, j
        if corner == b:  # the half with the lowest corner is looked at first
            a, b = b, a
        for j in range(k):
            for i in range(3):
                stack[top + 1, j, i] = now[j, i]
        for i in range(3):
            middle = 0.5 * (now[a, i] + now[b, i])
            stack[top, a, i] = middle
            stack[top + 1, b, i] = middle
        top += 2
    return best


@inner
def _at_point(sides: Array, starts: Index, roundings: Array, point: Array) -> float:
    """The distance from a point to all pieces."""
    best = np.inf
    for p in range(len(roundings)):
        seen = _piece(sides, starts[p], starts[p + 1], roundings[p], point[0], point[1], point[2])
        best = min(best, seen[0])
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
    stack = np.empty((_DEEPEST, 3, 3))
    held, share = 0, 0.5
    for n in range(len(line)):
        # The place that was nearest in the pose before is a good first guess in this one.
        _between(line[n, held], line[n, min(held + 1, line.shape[1] - 1)], share, at[n])
        best = _at_point(sides, starts, roundings, at[n]) - radius
        for i in range(max(line.shape[1] - 1, 1)):
            end = min(i + 1, line.shape[1] - 1)
            stack[0, 0], stack[0, 1] = line[n, i], line[n, end]
            for p in range(len(roundings)):
                less = _over_simplex(
                    sides,
                    starts[p],
                    starts[p + 1],
                    roundings[p],
                    2,
                    stack,
                    radius,
                    tolerance,
                    best,
                    at[n],
                )
                if less < best:
                    best, held, share = less, i, _along(at[n], line[n, i], line[n, end])
        value[n] = best


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
    """As `_over_simplex`, over the ring that an edge (4,) = (u, rho, u, rho) turns through.

    A sector's hull: the four corners of its chord and two where the tangents at them meet.
    """
    stack = np.empty((_DEEPEST + _SECTORS, 6))
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
        value, gx, gy, gz, pull, ey, ez, rho = _piece(
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
        lower = value - shrink + _below(min(fall, 0.0), reach, pull, rho, outward, round_)
        if lower >= _aim(best, shrink, rounding, tolerance):
            continue
        u, r = (u0, r0) if end == 0 else (u1, r1)
        _on_ring(move, u, r, angle + side * half, there)
        value = _piece(sides, first, last, rounding, there[0], there[1], there[2])[0]
        if value - shrink < best:
            best = value - shrink
            at[:] = there
            if lower >= _aim(best, shrink, rounding, tolerance):
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


# --- mesh trees -----------------------------------------------------------------------------------


@kernel
def build_tree(triangles: Array, order: Index, boxes: Array, links: Index) -> int:
    """Fills order (f,), boxes (m, 6) = middle and half-size, links (m, 3) = first, count, skip.

    Nodes stand in the order of a walk: a node's first child follows it, `skip` is where the walk
    goes on past it; count 0 is no leaf. Returns how many nodes there are.
    """
    f = len(triangles)
    middles = np.empty((f, 3))
    for t in range(f):
        order[t] = t
        for i in range(3):
            middles[t, i] = triangles[t, 0, i] + triangles[t, 1, i] + triangles[t, 2, i]
    stack = np.empty((_DEEPEST, 3), dtype=np.int64)
    stack[0, 0], stack[0, 1], stack[0, 2] = 0, f, -1
    top, made = 1, 0
    while top > 0:
        top -= 1
        first, last, parent = stack[top, 0], stack[top, 1], stack[top, 2]
        node = made
        made += 1
        if parent >= 0:
            links[parent, 2] = node  # the second child, mended below
        low, high = np.full(3, np.inf), np.full(3, -np.inf)
        from_, to = np.full(3, np.inf), np.full(3, -np.inf)
        for t in range(first, last):
            tri = triangles[order[t]]
            for i in range(3):
                for k in range(3):
                    low[i] = min(low[i], tri[k, i])
                    high[i] = max(high[i], tri[k, i])
                from_[i] = min(from_[i], middles[order[t], i])
                to[i] = max(to[i], middles[order[t], i])
        for i in range(3):
            boxes[node, i] = 0.5 * (low[i] + high[i])
            boxes[node, 3 + i] = 0.5 * (high[i] - low[i])
        links[node, 0], links[node, 1], links[node, 2] = first, 0, -1
        if last - first <= _LEAF:
            links[node, 1] = last - first
            continue
        axis = int(np.argmax(to - from_))
        half = (first + last) // 2
        _divide(order, middles, first, last, half, axis)
        stack[top, 0], stack[top, 1], stack[top, 2] = half, last, node
        stack[top + 1, 0], stack[top + 1, 1], stack[top + 1, 2] = first, half, -1
        top += 2
    return made


@inner
def _divide(order: Index, middles: Array, first: int, last: int, half: int, axis: int) -> None:
    """Orders so that none before `half` is beyond any after it (Hoare's selection)."""
    low, high = first, last - 1
    while low < high:
        pivot = middles[order[(low + high) // 2], axis]
        i, j = low, high
        while i <= j:
            while middles[order[i], axis] < pivot:
                i += 1
            while middles[order[j], axis] > pivot:
                j -= 1
            if i <= j:
                order[i], order[j] = order[j], order[i]
                i += 1
                j -= 1
        if half <= j:
            high = j
        elif half >= i:
            low = i
        else:
            return


@inner
def _line_to_box(a: Array, b: Array, box: Array) -> float:
    """A bound under the distance of a segment and a box: the plane square to the shortest way from
    the segment to the box's middle holds the segment on one side."""
    middle = box[:3]
    t = _along(middle, a, b)
    size, fall = 0.0, 0.0
    for i in range(3):
        way = middle[i] - (a[i] + t * (b[i] - a[i]))
        size += way * way
        fall += abs(way) * box[3 + i]
    size = np.sqrt(size)
    return size - fall / size if size > 0.0 else 0.0


@kernel
def line_to_mesh(
    line: Array,
    triangles: Array,
    boxes: Array,
    links: Index,
    gap: Array,
    on_line: Array,
    on_mesh: Array,
) -> None:
    """Lines (n, k, 3) in the mesh's frame against its triangles, in the tree's order."""
    stack = np.empty(_DEEPEST, dtype=np.int64)
    bounds = np.empty(_DEEPEST)
    room = np.empty((4, 3))
    held = 0
    for n in range(len(line)):
        best = np.inf
        for i in range(max(line.shape[1] - 1, 1)):
            a, b = line[n, i], line[n, min(i + 1, line.shape[1] - 1)]
            best = _segment_triangle(a, b, triangles[held], best, on_line[n], on_mesh[n], room)
            stack[0], bounds[0] = 0, -1.0
            top = 1
            while top > 0:
                top -= 1
                if bounds[top] > 0.0 and bounds[top] ** 2 >= best:
                    continue
                node = stack[top]
                count = links[node, 1]
                if count:
                    for t in range(links[node, 0], links[node, 0] + count):
                        less = _segment_triangle(
                            a, b, triangles[t], best, on_line[n], on_mesh[n], room
                        )
                        if less < best:
                            best, held = less, t
                    continue
                one, two = node + 1, links[node, 2]
                d1, d2 = _line_to_box(a, b, boxes[one]), _line_to_box(a, b, boxes[two])
                if d1 < d2:
                    one, two, d1, d2 = two, one, d2, d1
                stack[top], bounds[top] = one, d1
                stack[top + 1], bounds[top + 1] = two, d2
                top += 2
        gap[n] = np.sqrt(best)


@inner
def _round_to_box(sides: Array, starts: Index, roundings: Array, move: Array, box: Array) -> float:
    """A bound under the solid's distance anywhere in a box of the mesh's frame."""
    reach = np.sqrt(box[3] ** 2 + box[4] ** 2 + box[5] ** 2)
    x = move[0, 0] * box[0] + move[0, 1] * box[1] + move[0, 2] * box[2] + move[0, 3]
    y = move[1, 0] * box[0] + move[1, 1] * box[1] + move[1, 2] * box[2] + move[1, 3]
    z = move[2, 0] * box[0] + move[2, 1] * box[1] + move[2, 2] * box[2] + move[2, 3]
    lower = np.inf
    for p in range(len(roundings)):
        value, gx, gy, gz, pull, ey, ez, rho = _piece(
            sides, starts[p], starts[p + 1], roundings[p], x, y, z
        )
        fall, outward, round_ = 0.0, 0.0, 0.0
        for j in range(3):
            half = box[3 + j]
            fall -= abs(gx * move[0, j] + gy * move[1, j] + gz * move[2, j]) * half
            outward += abs(ey * move[1, j] + ez * move[2, j]) * half
            round_ += abs(ey * move[2, j] - ez * move[1, j]) * half
        lower = min(lower, value + _below(fall, reach, pull, rho, outward, round_))
    return lower


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
    nodes = np.empty(_DEEPEST, dtype=np.int64)
    bounds = np.empty(_DEEPEST)
    stack = np.empty((_DEEPEST, 3, 3))
    home = triangles[0, 0].copy()
    for n in range(len(moves)):
        # The place that was nearest in the pose before is a good first guess in this one.
        move = moves[n]
        for i in range(3):
            at[n, i] = move[i, 3]
            for j in range(3):
                at[n, i] += move[i, j] * home[j]
        best = _at_point(sides, starts, roundings, at[n])
        nodes[0], bounds[0] = 0, -np.inf
        top = 1
        while top > 0:
            top -= 1
            if bounds[top] >= best:
                continue
            node = nodes[top]
            count = links[node, 1]
            if count:
                for t in range(links[node, 0], links[node, 0] + count):
                    for k in range(3):
                        for i in range(3):
                            stack[0, k, i] = (
                                move[i, 0] * triangles[t, k, 0]
                                + move[i, 1] * triangles[t, k, 1]
                                + move[i, 2] * triangles[t, k, 2]
                                + move[i, 3]
                            )
                    for p in range(len(roundings)):
                        best = _over_simplex(
                            sides,
                            starts[p],
                            starts[p + 1],
                            roundings[p],
                            3,
                            stack,
                            0.0,
                            tolerance,
                            best,
                            at[n],
                        )
                continue
            one, two = node + 1, links[node, 2]
            d1 = _round_to_box(sides, starts, roundings, move, boxes[one])
            d2 = _round_to_box(sides, starts, roundings, move, boxes[two])
            if d1 < d2:
                one, two, d1, d2 = two, one, d2, d1
            nodes[top], bounds[top] = one, d1
            nodes[top + 1], bounds[top + 1] = two, d2
            top += 2
        value[n] = best
        for j in range(3):
            home[j] = 0.0
            for i in range(3):
                home[j] += move[i, j] * (at[n, i] - move[i, 3])


# --- swept volumes --------------------------------------------------------------------------------


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
            _between(a, b, _along(p, a, b), own)
            away = (p[0] - own[0]) ** 2 + (p[1] - own[1]) ** 2 + (p[2] - own[2]) ** 2
            best = min(best, away)
        return float(np.sqrt(best)) - radius - grow[k]
    for i in range(3):
        own[i] = moves[k, i, 3]
        for j in range(3):
            own[i] += moves[k, i, j] * p[j]
    return float(_at_point(sides, starts, roundings, own)) - grow[k]


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


KERNELS = (
    swept_field,
    lines_apart,
    line_to_triangle,
    piece_distances,
    round_to_line,
    round_to_rings,
    build_tree,
    line_to_mesh,
    round_to_mesh,
)


def warm_up() -> None:
    """Runs every kernel once, so that all are compiled, or loaded from the cache."""
    from_, to, n = np.zeros((1, 2, 3)), np.ones((1, 2, 3)), 1
    gap, p, q = np.empty(n), np.empty((n, 3)), np.empty((n, 3))
    lines_apart(from_, to, gap, p, q)
    line_to_triangle(from_[0], np.eye(3), p[0], q[0])
    c = np.array([[-1.0, 1.0, 1.0, 0.0, 2.0], [1.0, 1.0, -1.0, 0.0, 2.0]])
    piece_distances(c, 0.0, p, np.empty((n, 5)))
    starts, roundings = np.array([0, 2]), np.zeros(1)
    moves = np.eye(4)[None] + 0.0
    round_to_line(c, starts, roundings, from_, 0.1, 0.01, gap, p)
    won = np.zeros(n, dtype=np.int64)
    edges = np.array([[5.0, 1.0, 6.0, 1.0]])
    round_to_rings(c, starts, roundings, edges, np.zeros(1), moves, 0.01, gap, p, won)
    triangles = np.array([[[9.0, 0, 0], [9, 1, 0], [9, 0, 1]]])
    order, boxes = np.empty(1, dtype=np.int64), np.empty((2, 6))
    links = np.empty((2, 3), dtype=np.int64)
    build_tree(triangles, order, boxes, links)
    field = np.empty((2, 2, 2))
    swept_field(c, starts, roundings, from_, -1.0, moves, np.zeros(n), 0.1, p[0], 1.0, field)
    line_to_mesh(from_, triangles, boxes, links, gap, p, q)
    round_to_mesh(c, starts, roundings, moves, triangles, boxes, links, 0.01, gap, p)
