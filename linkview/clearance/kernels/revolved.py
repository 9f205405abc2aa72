"""Signed distance from points to solids of revolution, with what bounds it over a patch.

A meridian distance D is convex in (u, rho) with support (du, dr), so from a point p of a patch

    D(q) >= D(p) + du (u(q) - u(p)) + dr (rho(q) - rho(p))       and       D(q) >= D(p) - R,

nothing of it being further than R from p. u is linear in space, and rho is convex: for dr >= 0 it
may be replaced by what its gradient at p foretells, for dr < 0 by the mean of the corners' own that
makes q of them. Either way the bound is such a mean of its values at the corners (`climb`), and
nowhere under the least of them.
"""

from __future__ import annotations

import numpy as np

from linkview.clearance.kernels.jit import Array, Index, inner, kernel

Seen = tuple[float, float, float, float, float, float, float, float]

_ON_AXIS_MM = 1e-9
_ON_SURFACE_MM = 1e-9
_DEPTH_TOLERANCE_MM = 0.1  # inside the core the value only bounds the depth, so it need not be fine


@inner
def piece(
    sides: Array, first: int, last: int, rounding: float, x: float, y: float, z: float
) -> Seen:
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
def climb(
    gx: float, gy: float, gz: float, pull: float, rho: float,
    dx: float, dy: float, dz: float, y: float, z: float,
) -> float:  # fmt: skip
    """What the bound from a point (see `piece`) has at a corner (., y, z), by (dx, dy, dz) from it,
    more than at the point itself."""
    if pull > 0.0:
        return gx * dx - pull * (np.sqrt(y * y + z * z) - rho)
    return gx * dx + gy * dy + gz * dz


@inner
def aim(best: float, shrink: float, rounding: float, tolerance: float) -> float:
    """A patch must promise less than this to be looked at."""
    deep = best + shrink < -rounding
    return best - (_DEPTH_TOLERANCE_MM if deep else tolerance)


@inner
def at_point(sides: Array, starts: Index, roundings: Array, x: float, y: float, z: float) -> float:
    """The distance from a point to all pieces."""
    best = np.inf
    for p in range(len(roundings)):
        best = min(best, piece(sides, starts[p], starts[p + 1], roundings[p], x, y, z)[0])
    return best


@kernel
def piece_distances(sides: Array, rounding: float, points: Array, out: Array) -> None:
    """points (n, 3) in the solid's frame; out (n, 5): distance, gradient, pull as in `piece`."""
    for n in range(len(points)):
        d, gx, gy, gz, pull, _, _, _ = piece(
            sides, 0, len(sides), rounding, points[n, 0], points[n, 1], points[n, 2]
        )
        out[n, 0], out[n, 1], out[n, 2], out[n, 3], out[n, 4] = d, gx, gy, gz, pull
