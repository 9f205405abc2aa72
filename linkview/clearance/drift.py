"""How much nearer two bodies can come inside a cell of inputs, and between two solved poses.

Every body is some core grown by a radius that does not change, so that gaps change as the cores'
distances do. A core lies in the hull of a few points that ride on parts, and its displacement is
nowhere more than at one of them (it is affine between them). A wire that stretches is held the same
way: a place of a spring is P x + u (Q b - P b), P and Q the moves of its two seats, u the share of
the way up; that is affine in u and in x across the coil apart, so in every pose the place is the
same mean of the corners of a prism round the coil, at u = 0 and 1. The stretch is in it: each
corner's way is the sum of its shares' ways, exact in `by` and added up in the slack.

For points a, b of the two bodies and any rigid velocity field with turn w (that of some part):

    a(q) - b(q) = (a - b) + w x (a - b) + [a's way beside the field] - [b's way beside the field]

and |(a - b) + w x (a - b)| >= |a - b|. So no gap falls by more than the longest way beside the
field, of a's points plus of b's, with their slack. Any field will do; the best of a few is taken:
standing still, and moving with each part that carries one of the bodies. Between two solved poses
the same holds with the exact displacement as seen from any one part.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from linkview.clearance.bodies import RevolvedSolid, Solid, TubeSolid
from linkview.clearance.compiled import kernels
from linkview.geometry import Array, Index, apply, frozen, inverse
from linkview.kinematics.cell_motion import Field, Motion, Spots
from linkview.model.bodies import Share
from linkview.model.layouts import BODY

_CORNERS = 12  # of the polygon round a circle


@dataclass(frozen=True, eq=False)
class Corners:
    """Places shared among parts (see `Wound`); their hull holds the core, in every pose."""

    shares: tuple[Share, ...]


def _all_on(part: str, at: Array) -> Corners:
    return Corners((Share(part, frozen(at), frozen(np.ones(len(at)))),))


def corners_of(solid: Solid) -> Corners:
    """The few points that bound how far a solid's core moves."""
    if isinstance(solid, TubeSolid):
        return Corners(solid.hull)
    if isinstance(solid, RevolvedSolid):
        return _all_on(solid.part, apply(solid.home, _round(solid)))
    low, high = solid.triangles.min(axis=(0, 1)), solid.triangles.max(axis=(0, 1))
    box = np.array([[low[0], high[0]], [low[1], high[1]], [low[2], high[2]]])
    return _all_on(solid.part, np.stack(np.meshgrid(*box), axis=-1).reshape(-1, 3))


def _round(solid: RevolvedSolid) -> Array:
    """Polygons round the circles that the core's outermost meridian corners make."""
    at = np.concatenate([piece.corners for piece in solid.pieces])
    low, high = at[:, 0].min(), at[:, 0].max()
    out = np.abs(at[:, 1]).max() / np.cos(np.pi / _CORNERS)
    angle = 2.0 * np.pi * np.arange(_CORNERS) / _CORNERS
    ring = np.stack([np.zeros(_CORNERS), out * np.cos(angle), out * np.sin(angle)], axis=1)
    along = np.array([1.0, 0.0, 0.0])
    return np.concatenate([ring + low * along, ring + high * along])


@dataclass(frozen=True, eq=False)
class Drift:
    """Bounds for the bodies of one corner over the cells of one motion."""

    motion: Motion
    corners: dict[str, Corners]
    _spots: dict[str, Spots] = field(default_factory=dict, repr=False)
    _fields: dict[str, Field] = field(default_factory=dict, repr=False)
    _seen: dict[tuple[str, str], Array] = field(default_factory=dict, repr=False)
    _beside: dict[tuple[str, str], tuple[Array, Array]] = field(default_factory=dict, repr=False)

    def within(self, a: Solid, b: Solid) -> tuple[Array, Array]:
        """How far the gap can fall inside each cell (n,), and by which side: rack, held (n, 2)."""
        best: tuple[Array, Array] | None = None
        for part in _sights(a, b):
            (fall_a, sides_a), (fall_b, sides_b) = self._besides(a, part), self._besides(b, part)
            fall, sides = fall_a + fall_b, sides_a + sides_b
            if best is None:
                best = fall, sides
            else:
                less = fall < best[0]
                best = np.where(less, fall, best[0]), np.where(less[:, None], sides, best[1])
        assert best is not None
        return best

    def alone(self, solid: Solid) -> tuple[Array, Array]:
        """How far any point of a body's core moves in the car's frame, and by which side."""
        return self._besides(solid, BODY)

    def between(self, a: Solid, b: Solid, cells: Index, others: Index) -> Array:
        """How far the gap can fall (n,) from the middles of `cells` to those of `others`."""
        falls = []
        for part in _sights(a, b):
            ways = np.empty((2, len(cells)))
            for solid, way in zip((a, b), ways, strict=True):
                kernels().ways_between(self._as_seen(solid, part), cells, others, way)
            falls.append(ways[0] + ways[1])
        return np.asarray(np.min(falls, axis=0))

    def _besides(self, solid: Solid, part: str) -> tuple[Array, Array]:
        key = solid.name, part
        if key not in self._beside:
            spots, half, field = self._of(solid), self.motion.inputs.half, self._field(part)
            fall, sides = np.empty(len(half)), np.empty((len(half), 2))
            kernels().ways_beside(
                spots.now,
                spots.by,
                spots.slack,
                _plain(field.at),
                _plain(field.shift),
                _plain(field.turn),
                half,
                fall,
                sides,
            )
            self._beside[key] = fall, sides
        return self._beside[key]

    def _of(self, solid: Solid) -> Spots:
        if solid.name not in self._spots:
            self._spots[solid.name] = self._shared(self.corners[solid.name].shares)
        return self._spots[solid.name]

    def _shared(self, shares: tuple[Share, ...]) -> Spots:
        """The places' spots: now and `by` are sums over the shares, and so is what they can stray.

        A share that does not count is not asked, for its part's slack may be infinite.
        """
        if len(shares) == 1 and (shares[0].weight == 1.0).all():
            spots = self.motion.spots(shares[0].part, shares[0].at)
            return Spots(_plain(spots.now), _plain(spots.by), _plain(spots.slack))
        n, k = len(self.motion.inputs.rack_mm), len(shares[0].weight)
        out = Spots(np.zeros((n, k, 3)), np.zeros((n, k, 3, 2)), np.zeros((n, k)))
        for share in shares:
            rows = np.flatnonzero(share.weight)
            w, spots = share.weight[rows], self.motion.spots(share.part, share.at[rows])
            out.now[:, rows] += w[:, None] * spots.now
            out.by[:, rows] += w[:, None, None] * spots.by
            out.slack[:, rows] += np.abs(w) * spots.slack
        return out

    def _field(self, part: str) -> Field:
        if part not in self._fields:
            self._fields[part] = self.motion.field(part)
        return self._fields[part]

    def _as_seen(self, solid: Solid, part: str) -> Array:
        """The solid's corners (n, k, 3) in the part's own frame."""
        key = solid.name, part
        if key not in self._seen:
            now = self._of(solid).now
            if part != BODY:
                now = apply(inverse(self.motion.poses[part])[:, None], now)
            self._seen[key] = _plain(now)
        return self._seen[key]


def _sights(a: Solid, b: Solid) -> tuple[str, ...]:
    return tuple(dict.fromkeys((BODY, *a.carriers, *b.carriers)))


def _plain(values: Array) -> Array:
    """Row by row and writable, for a kernel is compiled anew for every other sort of array."""
    return np.array(values, order="C")
