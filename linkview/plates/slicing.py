"""A plate's flat metal as triangles, cut along straight lines, so that it can be folded there.

Triangles of one sheet share their vertices, and a line that crosses an edge puts one new vertex on
it for both triangles beside it: whatever is folded at a line stays closed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import manifold3d
import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from linkview.geometry import Array, Index, frozen

# A vertex this near a line counts as on it: far below any cut, far above round-off at 1 m.
ON_LINE_MM = 1e-6


@dataclass(frozen=True, eq=False)
class Sheet:
    """vertices (n, 2) mm and triangles (m, 3), counter-clockwise."""

    vertices: Array
    triangles: Index

    @property
    def middles(self) -> Array:
        """Where each triangle's centre lies, (m, 2)."""
        return np.asarray(self.vertices[self.triangles].mean(axis=1))


def sheet_of(rings: Sequence[Array]) -> Sheet:
    """rings: polygons (k, 2), the outline counter-clockwise, the cut-outs clockwise."""
    # Precision 0 keeps every vertex, so that faces and rims share them exactly.
    found = manifold3d.triangulate([np.array(ring) for ring in rings], 0.0)
    return Sheet(frozen(np.concatenate(rings)), np.asarray(found, dtype=np.intp))


def sliced(sheet: Sheet, on: Array, along: Array) -> Sheet:
    """The same metal with no triangle on both sides of the line through `on` (2,) along (2,)."""
    side = np.array([-along[1], along[0]])
    away = (sheet.vertices - on) @ side
    away = np.where(np.abs(away) <= ON_LINE_MM, 0.0, away)
    at = away[sheet.triangles]
    crossed = (at.min(axis=1) < 0.0) & (at.max(axis=1) > 0.0)
    added: list[Array] = []
    made: dict[tuple[int, int], int] = {}

    def crossing(i: int, j: int) -> int:
        key = (min(i, j), max(i, j))
        if key not in made:
            share = away[key[0]] / (away[key[0]] - away[key[1]])
            a, b = sheet.vertices[key[0]], sheet.vertices[key[1]]
            made[key] = len(away) + len(added)
            added.append(a + share * (b - a))
        return made[key]

    parts: list[tuple[int, int, int]] = []
    for triangle in sheet.triangles[crossed].tolist():
        ring: list[int] = []  # the triangle's corners with the new ones between them
        for i, j in zip(triangle, triangle[1:] + triangle[:1], strict=True):
            ring.append(i)
            if away[i] * away[j] < 0.0:
                ring.append(crossing(i, j))
        parts += _halves(ring, away)
    if not parts:
        return sheet
    vertices = np.concatenate([sheet.vertices, *(a[None] for a in added)])
    return Sheet(
        frozen(vertices),
        np.concatenate([sheet.triangles[~crossed], np.array(parts, dtype=np.intp)]),
    )


def _halves(ring: list[int], away: Array) -> list[tuple[int, int, int]]:
    """The triangles on both sides of a ring of four or five that the line cuts in two."""
    on = [k for k, i in enumerate(ring) if i >= len(away) or away[i] == 0.0]
    first, last = on
    halves = ring[first : last + 1], ring[last:] + ring[: first + 1]
    return [(half[0], half[k], half[k + 1]) for half in halves for k in range(1, len(half) - 1)]


def neighbours(sheet: Sheet) -> Index:
    """Pairs (k, 2) of triangles that share an edge."""
    sides = np.sort(sheet.triangles[:, [[0, 1], [1, 2], [2, 0]]].reshape(-1, 2), axis=1)
    owner = np.repeat(np.arange(len(sheet.triangles)), 3)
    order = np.lexsort(sides.T)
    same = (sides[order[1:]] == sides[order[:-1]]).all(axis=1)
    return np.column_stack([owner[order[:-1]][same], owner[order[1:]][same]])


def rim(sheet: Sheet) -> Index:
    """The edges (k, 2) that bound the metal, which lies left of them."""
    directed = sheet.triangles[:, [[0, 1], [1, 2], [2, 0]]].reshape(-1, 2)
    _, number, count = np.unique(
        np.sort(directed, axis=1), axis=0, return_inverse=True, return_counts=True
    )
    return np.asarray(directed[count[number.ravel()] == 1])


def components(beside: Index, among: NDArray[np.bool_]) -> Index:
    """A number (m,) from 0 for each connected group of the triangles `among`; -1 elsewhere."""
    kept = beside[among[beside].all(axis=1)]
    n = len(among)
    links = coo_array((np.ones(len(kept)), (kept[:, 0], kept[:, 1])), shape=(n, n))
    group = np.where(among, connected_components(links, directed=False)[1], -1)
    found, number = np.unique(group, return_inverse=True)
    return np.asarray(number.reshape(n) - int(found[0] == -1), dtype=np.intp)


def reach_mm(sheet: Sheet, place: Array) -> Array:
    """Distance (m,) from a place (2,) to every triangle; 0 inside."""
    a = sheet.vertices[sheet.triangles]
    along = np.roll(a, -1, axis=1) - a
    from_a = place - a
    share = np.clip((from_a * along).sum(-1) / np.maximum((along**2).sum(-1), 1e-300), 0.0, 1.0)
    away = np.hypot(*np.moveaxis(from_a - share[..., None] * along, -1, 0)).min(axis=1)
    left = along[..., 0] * from_a[..., 1] - along[..., 1] * from_a[..., 0]
    return np.where((left >= 0.0).all(axis=1), 0.0, away)


def nearest_triangle(sheet: Sheet, place: Array) -> int:
    return int(reach_mm(sheet, place).argmin())
