"""Smooth triangle meshes of the simplest things: turned, swept, cut and boxed. Millimetres.

Everything is made once, where it stands at the reference pose; nothing here moves.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from hashlib import blake2b
from itertools import pairwise

import numpy as np
import pyvista as pv
from numpy.typing import NDArray

from linkview.geometry import Array, apply, perpendicular, rigid, unit

CREASE_DEG = 38.0  # edges sharper than this stay sharp when lit


def shaded(points: Array, faces: NDArray[np.intp]) -> pv.PolyData:
    """A mesh with normals for smooth lighting; points (n, 3), triangles (f, 3) with an area."""
    key = _key(b"shaded", points, faces)
    if key not in _KEPT:
        faces = faces[_has_area(points, faces)]
        flat = pv.PolyData.from_regular_faces(np.asarray(points, dtype=np.float32), faces)
        return _keep(key, _with_normals(flat))
    return _kept(key)


def _with_normals(mesh: pv.PolyData) -> pv.PolyData:
    return mesh.compute_normals(
        cell_normals=False,
        split_vertices=True,
        feature_angle=CREASE_DEG,
        consistent_normals=False,
        non_manifold_traversal=False,
    )


# The same mesh asked for again is the same object, which nobody changes: while a point is dragged
# most of a car stays as it was, and this is two thirds of the time its shapes take.
_KEPT: OrderedDict[bytes, pv.PolyData] = OrderedDict()
_MOST = 300  # an axle of the demo car takes 190; all are small


def _key(what: bytes, *given: Array | NDArray[np.intp]) -> bytes:
    said = blake2b(what, digest_size=16)
    for values in given:
        array = np.ascontiguousarray(values)
        said.update(f"{array.dtype.str}{array.shape}".encode())
        said.update(array)
    return said.digest()


def _kept(key: bytes) -> pv.PolyData:
    _KEPT.move_to_end(key)
    return _KEPT[key]


def _keep(key: bytes, mesh: pv.PolyData) -> pv.PolyData:
    _KEPT[key] = mesh
    if len(_KEPT) > _MOST:
        _KEPT.popitem(last=False)
    return mesh


def joined(meshes: Sequence[pv.PolyData]) -> pv.PolyData:
    """Several meshes as one; they stay separate surfaces. Normals are kept."""
    starts = np.cumsum([0, *(m.n_points for m in meshes)])
    points = np.concatenate([m.points for m in meshes])
    faces = [m.regular_faces + s for m, s in zip(meshes, starts[:-1], strict=True)]
    out = pv.PolyData.from_regular_faces(points, np.concatenate(faces))
    out.point_data["Normals"] = np.concatenate([m.point_data["Normals"] for m in meshes])
    out.point_data.active_normals_name = "Normals"
    return out


@dataclass(frozen=True, eq=False)
class Meshes:
    """Some meshes; equal to others where they are the very same objects."""

    of: tuple[pv.PolyData, ...]

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Meshes) and self._ids == other._ids

    def __hash__(self) -> int:
        return hash(self._ids)

    @property
    def _ids(self) -> tuple[int, ...]:
        return tuple(map(id, self.of))


def built_of(meshes: Sequence[pv.PolyData]) -> pv.PolyData:
    """`joined`, but of the same meshes it is the same object again, which nobody changes."""
    return _joined(Meshes(tuple(meshes)))


@lru_cache(maxsize=300)
def _joined(some: Meshes) -> pv.PolyData:
    return joined(some.of)


def moved(mesh: pv.PolyData, move: Array) -> pv.PolyData:
    """A copy carried by a rigid move (4, 4)."""
    out = mesh.copy()
    out.points = apply(move, mesh.points).astype(np.float32)
    out.point_data["Normals"] = (mesh.point_data["Normals"] @ move[:3, :3].T).astype(np.float32)
    return out


def frame_along(axis: Array, origin: Array) -> Array:
    """The rigid move (4, 4) that takes the z axis to `axis` and zero to `origin`."""
    z = unit(axis)
    x = perpendicular(z)
    return rigid(np.stack([x, np.cross(z, x), z], axis=-1), origin)


def _strip(rings: int, around: int, *, ring_closed: bool) -> NDArray[np.intp]:
    """Triangles (f, 3) between consecutive rings of `around` points each."""
    i, j = np.meshgrid(
        np.arange(rings if ring_closed else rings - 1), np.arange(around), indexing="ij"
    )
    a, b = i * around + j, i * around + (j + 1) % around
    c, d = ((i + 1) % rings) * around + j, ((i + 1) % rings) * around + (j + 1) % around
    return np.concatenate(
        [np.stack([a, b, d], -1).reshape(-1, 3), np.stack([a, d, c], -1).reshape(-1, 3)]
    ).astype(np.intp)


def surface(points: Array, rings: int, around: int) -> pv.PolyData:
    """An open skin through rings of points (rings x around, 3), no normals: for flat colour."""
    faces = _strip(rings, around, ring_closed=False)
    return pv.PolyData.from_regular_faces(np.asarray(points, dtype=np.float32), faces)


def turned(section: Array, centre: Array, axis: Array, *, count: int = 64) -> pv.PolyData:
    """A closed section (k, 2) of (along the axis, radius), counter-clockwise, turned round it.

    Seen with the axis to the right and radius upward the section runs counter-clockwise.
    """
    key = _key(b"turned", section, centre, axis, np.array(count))
    if key in _KEPT:
        return _kept(key)
    angle = np.linspace(0.0, 2.0 * np.pi, count, endpoint=False)
    along, radius = np.asarray(section, dtype=float).T
    local = np.stack(
        [
            radius[:, None] * np.cos(angle),
            radius[:, None] * np.sin(angle),
            np.broadcast_to(along[:, None], (len(along), count)),
        ],
        axis=-1,
    )
    points = apply(frame_along(axis, centre), local.reshape(-1, 3))
    faces = _strip(len(along), count, ring_closed=True)[:, ::-1]
    return _keep(key, shaded(points, faces))


def _has_area(points: Array, faces: NDArray[np.intp]) -> NDArray[np.bool_]:
    a, b, c = (points[faces[:, k]] for k in range(3))
    return np.asarray(np.linalg.norm(np.cross(b - a, c - a), axis=1) > 1e-9)


def capsule(a: Array, b: Array, radius: float, *, count: int = 28) -> pv.PolyData:
    """All points within `radius` of the segment a-b; a ball where they coincide."""
    reach = float(np.linalg.norm(b - a))
    axis = b - a if reach > 1e-9 else np.array([0.0, 0.0, 1.0])
    bend = np.linspace(0.0, np.pi / 2.0, 7)
    far = np.stack([reach + radius * np.sin(bend), radius * np.cos(bend)], -1)
    near = np.stack([-radius * np.sin(bend[::-1]), radius * np.cos(bend[::-1])], -1)
    near[0, 1] = far[-1, 1] = 0.0
    return turned(np.concatenate([far, near])[::-1], a, axis, count=count)


def bent_tube(points: Array, radius: float) -> pv.PolyData:
    """All points within `radius` of a polyline (k, 3)."""
    return built_of([capsule(a, b, radius) for a, b in pairwise(points)])


def cylinder(
    a: Array, b: Array, radius: float, *, end_radius: float | None = None, count: int = 40
) -> pv.PolyData:
    """A flat-ended cylinder or cone from a to b, its rims broken by a small chamfer."""
    r1, r2 = radius, radius if end_radius is None else end_radius
    reach = float(np.linalg.norm(b - a))
    c = min(0.12 * min(r1, r2), 0.2 * reach, 2.5)
    section = [[0, 0], [reach, 0], [reach, r2 - c], [reach - c, r2], [c, r1], [0, r1 - c]]
    return turned(_ccw(np.array(section, dtype=float)), a, b - a, count=count)


def ring(
    centre: Array, axis: Array, *, inner: float, outer: float, half_width: float
) -> pv.PolyData:
    """A flat ring with chamfered rims, such as the eye of a rod end."""
    c, w = min(2.0, 0.3 * (outer - inner)), half_width
    section = [
        [-w, inner],
        [w, inner],
        [w, outer - c],
        [w - c, outer],
        [c - w, outer],
        [-w, outer - c],
    ]
    return turned(_ccw(np.array(section)), centre, axis, count=40)


def coil(
    a: Array, b: Array, *, mean_radius: float, wire_radius: float, turns: float
) -> pv.PolyData:
    """A helical spring between a and b with closed ends, ten points round the wire."""
    steps = int(turns * 22)
    s = np.linspace(0.0, 1.0, steps)
    # The end turns lie nearly flat, as a wound spring's do.
    rise = np.interp(s, [0.0, 0.8 / turns, 1.0 - 0.8 / turns, 1.0], [0.0, 0.035, 0.965, 1.0])
    reach = float(np.linalg.norm(b - a)) - 2.0 * wire_radius
    phi = 2.0 * np.pi * turns * s
    line = np.stack(
        [mean_radius * np.cos(phi), mean_radius * np.sin(phi), wire_radius + reach * rise], -1
    )
    return wire(apply(frame_along(b - a, a), line), wire_radius, a, b - a)


def wire(line: Array, radius: float, centre: Array, axis: Array) -> pv.PolyData:
    """A wire along places (k, 3) that go round an axis, ten points round it, its ends closed."""
    along = unit(axis)
    away = line - centre
    out = unit(away - (away @ along)[:, None] * along)
    side = np.cross(unit(np.gradient(line, axis=0)), out)
    around = np.linspace(0.0, 2.0 * np.pi, 10, endpoint=False)
    rings = (
        line[:, None]
        + radius * np.cos(around)[:, None] * out[:, None]
        + radius * np.sin(around)[:, None] * side[:, None]
    )
    rings[0], rings[-1] = line[0], line[-1]
    return shaded(rings.reshape(-1, 3), _strip(len(line), 10, ring_closed=False))


def block(lo: Array, hi: Array) -> pv.PolyData:
    """A box square to the axes, sharp edges."""
    corner = np.array(np.meshgrid(*zip(lo, hi, strict=True), indexing="ij")).reshape(3, -1).T
    quads = [[0, 1, 3, 2], [4, 6, 7, 5], [0, 4, 5, 1], [2, 3, 7, 6], [0, 2, 6, 4], [1, 5, 7, 3]]
    faces = [f for q in quads for f in ([q[0], q[1], q[2]], [q[0], q[2], q[3]])]
    return shaded(corner, np.array(faces))


def _ccw(section: Array) -> Array:
    x, y = section.T
    area = float(np.sum(x * np.roll(y, -1) - y * np.roll(x, -1)))
    return section if area > 0.0 else section[::-1]


def rounded_section(corners: Array, rounding: float) -> Array:
    """The outline (k, 2) of a convex polygon grown by `rounding`, counter-clockwise."""
    corners = _ccw(np.asarray(corners, dtype=float))
    if rounding <= 0.0:
        return corners
    out: list[Array] = []
    before = unit(corners - np.roll(corners, 1, axis=0))
    after = unit(np.roll(corners, -1, axis=0) - corners)
    for corner, d0, d1 in zip(corners, before, after, strict=True):
        start = np.arctan2(-d0[0], d0[1])
        turn = np.arctan2(d0[0] * d1[1] - d0[1] * d1[0], float(d0 @ d1))
        angles = start + turn * np.linspace(0.0, 1.0, 8)
        out.append(corner + rounding * np.stack([np.cos(angles), np.sin(angles)], -1))
    section = np.concatenate(out)
    return np.column_stack([section[:, 0], np.maximum(section[:, 1], 0.0)])
