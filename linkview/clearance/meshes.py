"""Meshes as solids: what decides about a gap (closed, pieces, area) is checked and noted."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import fcl
import numpy as np
from numpy.typing import NDArray

from linkview.clearance.compiled import kernels
from linkview.errors import MeshFault
from linkview.geometry import Array, frozen, length
from linkview.model.bodies import Box, Facets

_NO_AREA_MM2 = 1e-9

Faces = NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class MeshSolid:
    """A triangle mesh on one part, in the car's frame at the reference pose.

    triangles (f, 3, 3) mm. closed: no open edge and one winding throughout.
    members: one vertex (c, 3) of each connected piece. inside_mm: how far the true surface may
    stand outside the triangles. `tree` and `model`, which only gaps need,
    are made when first asked for.
    """

    name: str
    part: str
    triangles: Array
    closed: bool
    members: Array
    notes: tuple[str, ...] = ()
    inside_mm: float = 0.0

    @property
    def parts(self) -> tuple[str, ...]:
        return (self.part,)

    @property
    def carriers(self) -> tuple[str, ...]:
        return (self.part,)

    @cached_property
    def tree(self) -> Tree:
        """Boxes round the triangles, for the kernels."""
        count = len(self.triangles)
        order, boxes = np.empty(count, dtype=np.int64), np.empty((2 * count, 6))
        links = np.empty((2 * count, 3), dtype=np.int64)
        made = kernels().build_tree(self.triangles.copy(), order, boxes, links)
        return Tree(self.triangles[order], boxes[:made].copy(), links[:made].copy())

    @cached_property
    def model(self) -> fcl.BVHModel:
        """The library's tree, for mesh against mesh."""
        count = len(self.triangles)
        model = fcl.BVHModel()
        model.beginModel(count, 3 * count)
        model.addSubModel(self.triangles.reshape(-1, 3), np.arange(3 * count).reshape(-1, 3))
        model.endModel()
        return model


@dataclass(frozen=True, eq=False)
class Tree:
    """triangles (f, 3, 3) in the tree's order; boxes (m, 6), links (m, 3): see `build_tree`.

    Not read-only, for numba compiles a kernel anew for read-only arrays.
    """

    triangles: Array
    boxes: Array
    links: NDArray[np.int64]


def mesh_of_box(body: Box) -> MeshSolid:
    """The box as 12 triangles. MeshFault when a side is not longer than zero."""
    lo, hi = np.asarray(body.lo, dtype=float), np.asarray(body.hi, dtype=float)
    if not (np.isfinite(lo).all() and np.isfinite(hi).all() and (hi > lo).all()):
        raise MeshFault(f"box '{body.name}': lo {lo} to hi {hi} has no volume; make every hi > lo")
    import trimesh

    box = trimesh.creation.box(bounds=[lo, hi])
    return solid_of(body.name, body.part, np.array(box.vertices), np.array(box.faces), ())


def mesh_of_facets(body: Facets) -> MeshSolid:
    """A surface made by linkview itself, such as a plate."""
    vertices, faces, notes = tidied(np.array(body.vertices), np.array(body.triangles))
    if body.inside_mm > 0.0:
        notes = (*notes, f"its arcs are chords up to {body.inside_mm:g} mm inside the true ones")
    solid = solid_of(body.name, body.part, vertices, faces, notes)
    return replace(solid, inside_mm=body.inside_mm)


def tidied(vertices: Array, faces: Faces) -> tuple[Array, Faces, tuple[str, ...]]:
    """Equal corners made one (STL repeats them) and triangles without area left out, counted."""
    vertices, same = np.unique(vertices, axis=0, return_inverse=True)
    faces = same.reshape(-1)[faces]
    folded = (faces == np.roll(faces, 1, axis=1)).any(axis=1)
    corners = vertices[faces]
    area = 0.5 * length(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]))
    flat = folded | (area <= _NO_AREA_MM2)
    if not flat.all() and is_closed(faces[~folded]) and not is_closed(faces[~flat]):
        flat = folded  # slivers that close a seam are needed to tell inside from outside
    if not flat.any():
        return vertices, faces, ()
    return vertices, faces[~flat], (f"{int(flat.sum())} triangles of zero area left out",)


def used_corners(faces: Faces, count: int) -> NDArray[np.bool_]:
    """Which of the vertices belong to a triangle."""
    out = np.zeros(count, dtype=bool)
    out[faces] = True
    return out


def is_closed(faces: Faces) -> bool:
    """Whether every edge has exactly one neighbour running the other way."""
    edges = faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2)
    count = int(edges.max()) + 1
    # Sorted, not np.unique: its hashing took 9 of 28 s on 327,680 triangles.
    forward = np.sort(edges[:, 0] * count + edges[:, 1])
    back = np.sort(edges[:, 1] * count + edges[:, 0])
    return bool((np.diff(forward) > 0).all() and np.array_equal(forward, back))


def solid_of(
    name: str, part: str, vertices: Array, faces: Faces, notes: tuple[str, ...]
) -> MeshSolid:
    closed = is_closed(faces)
    if not closed:
        faces, closed = rewound(vertices, faces)
    if not closed:
        notes = (*notes, "open surface: what is wholly inside it may not be told from outside")
    import trimesh

    members = trimesh.graph.connected_component_labels(
        faces[:, [0, 1, 1, 2]].reshape(-1, 2), node_count=len(vertices)
    )[faces[:, 0]]
    _, first = np.unique(members, return_index=True)
    triangles = frozen(vertices[faces])
    return MeshSolid(
        name,
        part,
        triangles,
        closed,
        frozen(vertices[faces[first, 0]]),
        notes,
    )


def rewound(vertices: Array, faces: Faces) -> tuple[Faces, bool]:
    """The faces wound one way where that alone closes the mesh; else as they were."""
    import trimesh

    mesh = trimesh.Trimesh(vertices, faces, process=False)
    if not mesh.is_watertight:
        return faces, False
    trimesh.repair.fix_winding(mesh)
    turned = np.array(mesh.faces, dtype=np.int64)
    return (turned, True) if is_closed(turned) else (faces, False)
