"""Signed distance to a solid of revolution: tyre, rim, disc, flat-ended cylinder.

In the solid's own frame x runs along its axis. A point there has u = x and its radius
rho = hypot(y, z); the solid is the union of its convex meridian pieces in the half-plane (u, rho),
each grown by its rounding. A rim's bore belongs to no piece, so it is empty, as on the car.

The distance to one piece is exact outside its core polygon and inside its rounding. Deeper
inside, and where pieces overlap, the sign is right but the depth is only *at least* the number.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from linkview.clearance.compiled import kernels
from linkview.geometry import Array, Index, frozen, length
from linkview.model.bodies import Profile

_ON_AXIS_MM = 1e-9


@dataclass(frozen=True, eq=False)
class Piece:
    """One convex piece: corners (k, 2) of (u, rho) mm, anticlockwise, grown by rounding_mm.

    k = 1 is a ring of wire (or a ball, on the axis), k = 2 a thin disc or sleeve.
    """

    corners: Array
    rounding_mm: float

    @property
    def middle(self) -> Array:
        """A point (3,) well inside, in the solid's own frame."""
        u, rho = self.corners.mean(axis=0)
        return np.array([u, rho, 0.0])

    def distance(self, points: Array) -> tuple[Array, Array, Array]:
        """Signed distance (n,) at points (n, 3), its gradient (n, 3), and the inward pull (n,).

        The gradient is a unit vector that supports the convex meridian distance: along straight
        lines of (u, rho) the distance never falls below it. The pull, 0 to 1, is how much the
        distance falls with growing rho, the one source of non-convexity in space.
        """
        out = np.empty((len(points), 5))
        kernels().piece_distances(self.sides, self.rounding_mm, np.array(points, dtype=float), out)
        return out[:, 0], out[:, 1:4], out[:, 4]

    @property
    def sides(self) -> Array:
        """(k, 5): each corner (u, rho), the unit way to the next one (2,) and its length."""
        way = np.roll(self.corners, -1, axis=0) - self.corners
        size = np.hypot(way[:, 0], way[:, 1])
        unit_way = way / np.where(size > 0, size, 1.0)[:, None]
        return np.column_stack([self.corners, unit_way, size])

    @property
    def skin(self) -> Array:
        """(e, 4): (u, rho, u, rho) of the meridian edges whose turning makes the core's skin."""
        a = self.corners
        b = np.roll(a, -1, axis=0)
        off_axis = (a[:, 1] >= 0) & (b[:, 1] >= 0) & ((a[:, 1] > 0) | (b[:, 1] > 0) | (len(a) < 3))
        # An edge that crosses the axis (a doubled piece's flat end) is kept from the axis outward.
        crosses = a[:, 1] * b[:, 1] < 0
        edges = [np.concatenate([p, q]) for p, q in zip(a[off_axis], b[off_axis], strict=True)]
        for p, q in zip(a[crosses], b[crosses], strict=True):
            foot = p + (q - p) * (p[1] / (p[1] - q[1]))
            edges.append(np.concatenate([foot * [1.0, 0.0], p if p[1] > 0 else q]))
        return np.array(edges)


@dataclass(frozen=True, eq=False)
class Packed:
    """Pieces one after another for the kernels: sides (k, 5), starts (p + 1,), roundings (p,)."""

    sides: Array
    starts: Index
    roundings: Array


def packed(pieces: tuple[Piece, ...]) -> Packed:
    """The pieces in the order given."""
    return Packed(
        np.concatenate([piece.sides for piece in pieces]),
        np.cumsum([0, *(len(piece.corners) for piece in pieces)]).astype(np.int64),
        np.array([piece.rounding_mm for piece in pieces]),
    )


def piece_of(profile: Profile) -> Piece:
    """The profile as a Piece. ValueError when its corners are not a convex polygon.

    A piece that reaches the axis is doubled across it, so that the axis is inside the solid and
    not taken for a surface; a piece whose double is not convex (a dished end) keeps its axis edge
    and reads depth 0 there.
    """
    given = np.asarray(profile.corners, dtype=float).reshape(-1, 2)
    hull = _convex_hull(given)
    if len(given) >= 3 and not np.isclose(abs(_area(given)), _area(hull), rtol=1e-6, atol=1e-9):
        raise ValueError("the corners of a meridian profile must go round a convex polygon")
    if (given[:, 1] <= _ON_AXIS_MM).any():
        both = _convex_hull(np.vstack([given, given * [1.0, -1.0]]))
        if np.isclose(_area(both), 2.0 * _area(hull), rtol=1e-9, atol=1e-9):
            hull = both
    return Piece(frozen(hull), float(profile.rounding_mm))


def signed_distance(pieces: tuple[Piece, ...], points: Array) -> Array:
    """Least signed distance (n,) of points (n, 3), own frame, to the union of the pieces."""
    return np.asarray(np.min([piece.distance(points)[0] for piece in pieces], axis=0))


def foot_on_surface(pieces: tuple[Piece, ...], points: Array) -> Array:
    """The surface point (n, 3) that each point (n, 3) is nearest to, in the solid's frame."""
    value = np.full(len(points), np.inf)
    foot = points.copy()
    for piece in pieces:
        here, gradient, _ = piece.distance(points)
        first = here < value
        value = np.where(first, here, value)
        foot = np.where(first[:, None], points - here[:, None] * gradient, foot)
    return np.asarray(foot)


def own_frame(centre: Array, axis: Array) -> Array:
    """The move (4, 4) from the solid's own frame to the car's, x along the axis."""
    x = axis / length(axis)
    y = np.cross(x, np.eye(3)[np.argmin(np.abs(x))])
    y = y / length(y)
    out = np.eye(4)
    out[:3, 0], out[:3, 1], out[:3, 2], out[:3, 3] = x, y, np.cross(x, y), centre
    return frozen(out)


def _area(corners: Array) -> float:
    u, rho = corners[:, 0], corners[:, 1]
    return float(0.5 * np.sum(u * np.roll(rho, -1) - np.roll(u, -1) * rho))


def _convex_hull(points: Array) -> Array:
    """Anticlockwise corners (k, 2) of the hull, by A. M. Andrew's monotone chain (1979)."""
    rows = sorted({(float(u), float(rho)) for u, rho in points})
    if len(rows) < 3:
        return np.array(rows)

    def chain(ordered: list[tuple[float, float]]) -> list[tuple[float, float]]:
        out: list[tuple[float, float]] = []
        for p in ordered:
            while len(out) > 1 and _turn(out[-2], out[-1], p) <= 0:
                out.pop()
            out.append(p)
        return out[:-1]

    return np.array(chain(rows) + chain(rows[::-1]))


def _turn(a: tuple[float, float], b: tuple[float, float], c: tuple[float, float]) -> float:
    return (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])
