"""Places on a body, and where they go when the body is built anew and stands elsewhere.

A place is kept in the body's own terms: a share of the way between a tube's anchors, a point in a
solid of revolution's frame, a share of a box's sides, a point of a mesh's file.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import numpy as np

from linkview.clearance.bodies import line_of, shares_of
from linkview.clearance.revolved import own_frame, piece_of, signed_distance
from linkview.geometry import Array, apply, inverse, length
from linkview.model.bodies import Body, Box, Facets, MeshFile, Profile, Revolved, Tube, Wound

# The body as it is now and all parts' moves (n, 4, 4), the body's too -> the places (n, 3) there.
Placed = Callable[[Any, Mapping[str, Array]], Array]

_STEP_MM = 1.0  # from the skin into the open, to see how far the skin has moved


def footing(body: Body, moves: Mapping[str, Array], at: Array) -> Placed:
    """Keeps places at (n, 3) on a body, in the car's frame, one at each of n poses.

    moves: of every part, the body's among them. A tube's places are kept on its centre line.
    """
    return _KEPT_BY[type(body)](body, moves, at)


def _on_tube(body: Tube | Wound, moves: Mapping[str, Array], at: Array) -> Placed:
    line = _line(body, moves)
    start, way = line[:, :-1], np.diff(line, axis=1)
    square = np.square(way).sum(axis=-1)
    along = ((at[:, None] - start) * way).sum(axis=-1) / np.where(square > 0.0, square, 1.0)
    along = np.clip(along, 0.0, 1.0)
    off = length(start + along[..., None] * way - at[:, None])
    best = np.argmin(off, axis=1)
    rows = np.arange(len(at))
    share = np.zeros(line.shape[:2])
    share[rows, best] = 1.0 - along[rows, best]
    share[rows, best + 1] = along[rows, best]
    return lambda now, moved: np.einsum("nk,nkj->nj", share, _line(now, moved))


def _line(body: Tube | Wound, moves: Mapping[str, Array]) -> Array:
    return line_of(shares_of(body.through) if isinstance(body, Tube) else body.line, moves)


def _on_revolved(body: Revolved, moves: Mapping[str, Array], at: Array) -> Placed:
    own = apply(inverse(_frame(body, moves)), at)
    radius = np.hypot(own[:, 1], own[:, 2])[:, None]
    out = own * [0.0, 1.0, 1.0] / np.where(radius > 0.0, radius, 1.0)

    def now(fresh: Revolved, moved: Mapping[str, Array]) -> Array:
        frame, place = _frame(fresh, moved), own
        if not _same(body.profiles, fresh.profiles):
            place = own + _grown(body.profiles, fresh.profiles, own, out)
        return apply(frame, place)

    return now


def _frame(body: Revolved, moves: Mapping[str, Array]) -> Array:
    return np.asarray(moves[body.part] @ own_frame(body.centre, body.axis))


def _same(a: tuple[Profile, ...], b: tuple[Profile, ...]) -> bool:
    return len(a) == len(b) and all(
        np.array_equal(p.corners, q.corners) and p.rounding_mm == q.rounding_mm
        for p, q in zip(a, b, strict=True)
    )


def _grown(
    before: tuple[Profile, ...], after: tuple[Profile, ...], own: Array, out: Array
) -> Array:
    """How far the skin has moved outward at places on it, own frame (n, 3), as a shift (n, 3)."""
    old, new = ([piece_of(p) for p in profiles] for profiles in (before, after))
    value, normal = np.full(len(own), np.inf), out
    for piece in old:
        here, way, _ = piece.distance(own + 1e-3 * out)
        nearer = here < value
        value = np.where(nearer, here, value)
        normal = np.where(nearer[:, None], way, normal)
    seen = own + _STEP_MM * normal
    less = signed_distance(tuple(old), seen) - signed_distance(tuple(new), seen)
    return np.asarray(less[:, None] * normal)


def _on_box(body: Box, moves: Mapping[str, Array], at: Array) -> Placed:
    share = (apply(inverse(moves[body.part]), at) - body.lo) / (body.hi - body.lo)
    return lambda now, moved: apply(moved[now.part], now.lo + share * (np.asarray(now.hi) - now.lo))


def _on_file(body: MeshFile, moves: Mapping[str, Array], at: Array) -> Placed:
    own = apply(inverse(moves[body.part]), at)
    home = np.asarray(body.placement)
    file = apply(inverse(home), own * _mirror(body))

    def now(fresh: MeshFile, moved: Mapping[str, Array]) -> Array:
        place = apply(fresh.placement, file) * _mirror(fresh)
        return apply(moved[fresh.part], place)

    return now


def _mirror(body: MeshFile) -> Array:
    return np.array([1.0, -1.0 if body.mirrored else 1.0, 1.0])


def _on_facets(body: Facets, moves: Mapping[str, Array], at: Array) -> Placed:
    own = apply(inverse(moves[body.part]), at)
    return lambda now, moved: apply(moved[now.part], own)


_KEPT_BY: Mapping[type, Callable[[Any, Mapping[str, Array], Array], Placed]] = {
    Tube: _on_tube,
    Wound: _on_tube,
    Revolved: _on_revolved,
    Box: _on_box,
    MeshFile: _on_file,
    Facets: _on_facets,
}
