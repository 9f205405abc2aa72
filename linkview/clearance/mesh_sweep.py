"""The swept volume's field of a mesh, from its own distances sampled once on a grid of its own.

Every distance grows by no more than the way gone, so what is read between the places of the mesh's
grid is off by HALF_DIAGONAL of its step at most. The surface is drawn at a level over that by a
whole diagonal of the other grid: a place of the true sweep then has all corners of its cell inside.
What the mesh encloses counts as solid, of an open one what no place outside can reach in the grid.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from linkview.clearance.compiled import kernels
from linkview.clearance.meshes import MeshSolid
from linkview.geometry import Array, Index, apply, inverse

STEP_MM, OWN_STEP_MM = 5.0, 4.0
_AT_ONCE = 100_000  # places asked for together, to spare memory
_MOST_PLACES = 160  # along the longest side of a mesh's own grid
_HALF_DIAGONAL = np.sqrt(3.0) / 2.0


@dataclass(frozen=True, eq=False)
class OwnField:
    """values (i, j, k) mm at low + step * index, in the car's frame at the reference pose.

    beyond_mm: a place outside the grid is at least this far from the mesh.
    """

    low: Array
    step_mm: float
    values: Array
    beyond_mm: float

    @property
    def off_mm(self) -> float:
        """How far a value read between the places may be from the true one."""
        return float(_HALF_DIAGONAL * self.step_mm)

    def read(self, places: Array) -> Array:
        """(n, 3) -> (n,)."""
        index = ((places - self.low) / self.step_mm).T
        return np.asarray(
            ndimage.map_coordinates(
                self.values, index, order=1, mode="constant", cval=self.beyond_mm
            )
        )


@dataclass(frozen=True, eq=False)
class MeshSweep:
    """field (i, j, k) mm at origin + STEP_MM * index; the surface is at level_mm, and no place
    inside it is further than over_mm from the poses' bodies, each grown as asked."""

    origin: Array
    field: Array
    level_mm: float
    over_mm: float


def own_field(solid: MeshSolid, margin_mm: float) -> OwnField:
    """Sampled out to margin_mm beyond the mesh's box."""
    low, high = solid.triangles.min(axis=(0, 1)), solid.triangles.max(axis=(0, 1))
    step = max(OWN_STEP_MM, float((high - low).max()) / _MOST_PLACES)
    low, high = low - margin_mm - step, high + margin_mm + step
    shape = tuple(np.ceil((high - low) / step).astype(int) + 1)
    index = np.indices(shape).reshape(3, -1).T
    values = np.concatenate(
        [_distances(solid, low + step * some) for some in np.array_split(index, _parts(index))]
    ).reshape(shape)
    # No way between two places beside each other crosses the mesh where both are a step off it.
    room, _ = ndimage.label(values > step)
    enclosed = (room > 0) & (room != room[0, 0, 0])
    return OwnField(low, step, np.where(enclosed, -values, values), margin_mm)


def _parts(index: Index) -> int:
    return 1 + len(index) // _AT_ONCE


def _distances(solid: MeshSolid, places: Array) -> Array:
    """(n, 3) -> (n,): how far from the nearest triangle."""
    n, tree = len(places), solid.tree
    far, p, q = np.empty(n), np.empty((n, 3)), np.empty((n, 3))
    lines = np.ascontiguousarray(places[:, None])
    kernels().line_to_mesh(lines, tree.triangles, tree.boxes, tree.links, far, p, q)
    return far


def mesh_sweep(
    solid: MeshSolid, poses: Mapping[str, Array], grow_mm: Array, besides_mm: float
) -> MeshSweep:
    """The body at n poses (part -> (n, 4, 4)), each grown by grow_mm (n,) and by besides_mm."""
    grow = grow_mm + besides_mm
    diagonal = 2.0 * _HALF_DIAGONAL * STEP_MM
    step = max(OWN_STEP_MM, float(np.ptp(solid.triangles, axis=(0, 1)).max()) / _MOST_PLACES)
    level = diagonal + _HALF_DIAGONAL * step + solid.inside_mm
    margin = float(grow.max()) + level + 2.0 * STEP_MM
    own, moves = own_field(solid, margin), poses[solid.part]
    box = own.low + own.step_mm * (np.array(own.values.shape) - 1) * _CORNERS
    ends = apply(moves[:, None], box)
    low, high = ends.min(axis=(0, 1)) - STEP_MM, ends.max(axis=(0, 1)) + STEP_MM
    field = np.full(tuple(np.ceil((high - low) / STEP_MM).astype(int) + 1), margin)
    # What is deeper than this cannot be beside the surface, and is not asked again; with the poses
    # out of order most of it is found early.
    deep = level - STEP_MM - 2.0 * own.off_mm
    back = inverse(moves)
    for k in np.random.default_rng(0).permutation(len(moves)):
        corners = ends[k]
        first = np.floor((corners.min(axis=0) - low) / STEP_MM).astype(int)
        last = np.ceil((corners.max(axis=0) - low) / STEP_MM).astype(int) + 1
        part = tuple(slice(a, b) for a, b in zip(first, last, strict=True))
        index = np.argwhere(field[part] > deep)
        seen = own.read(apply(back[k], low + STEP_MM * (index + first))) - grow[k]
        block, where = field[part], tuple(index.T)
        block[where] = np.minimum(block[where], seen)
    return MeshSweep(low, field, level, level + own.off_mm + diagonal)


_CORNERS = np.array([[k >> axis & 1 for axis in range(3)] for k in range(8)], dtype=float)
