"""Mesh files read into millimetres and the car's frame, with what is wrong said plainly.

trimesh reads the formats; everything that decides about a gap (closed or open, pieces, size) is
checked here and reported, because a mesh that is silently repaired is a mesh nobody measured.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property, lru_cache
from pathlib import Path

import fcl
import numpy as np
from numpy.typing import NDArray

from linkview.clearance.compiled import kernels
from linkview.errors import MeshFault
from linkview.geometry import Array, apply, frozen, length
from linkview.model.parts import Box, Facets, MeshFile
from linkview.units import MM_PER_UNIT

FORMATS = (".stl", ".obj", ".ply", ".glb", ".3mf")
_LARGEST_MM, _SMALLEST_MM = 20_000.0, 1.0
# Of the track: an inch off, a door is as small as a bolt and a bracket as large as a lorry.
_SMALL_SHARE, _LARGE_SHARE = 25.4, 4.5
_NO_AREA_MM2 = 1e-9
# The live page asks again at every drag: 82,000 triangles cost 1.4 s of processor time the first
# time and 0.4 s from then on, of which 0.3 s are the gaps themselves.
_LARGEST_KEPT_BYTES = 10_000_000  # triangles and their tree take some six times as much
_NO_AREA = "every triangle has zero area; export it again as a solid"
_UNITS = "set its unit (mm, cm, m or in) to the one it was drawn in"

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
    return _solid(body.name, body.part, np.array(box.vertices), np.array(box.faces), ())


def mesh_of_facets(body: Facets) -> MeshSolid:
    """A surface made by linkview itself, such as a plate."""
    vertices, faces, notes = _tidied(np.array(body.vertices), np.array(body.triangles))
    if body.inside_mm > 0.0:
        notes = (*notes, f"its arcs are chords up to {body.inside_mm:g} mm inside the true ones")
    solid = _solid(body.name, body.part, vertices, faces, notes)
    return replace(solid, inside_mm=body.inside_mm)


def mesh_of_file(body: MeshFile) -> MeshSolid:
    """The file's triangles, placed. MeshFault names the file, what is wrong and the fix.

    One that was read before and has not changed since is not read again.
    """
    try:
        found = body.path.stat()
    except OSError:
        return _mesh_of_file(body)  # which says what is wrong
    if found.st_size > _LARGEST_KEPT_BYTES:
        return _mesh_of_file(body)
    return _kept(_Reading(body, found.st_mtime_ns, found.st_size))


@dataclass(frozen=True, eq=False)
class _Reading:
    """One file as it was at a time, placed as a body; equal where the same mesh comes of it."""

    body: MeshFile
    modified_ns: int
    size: int

    @property
    def _same(self) -> tuple[object, ...]:
        b = self.body
        where = (b.name, b.part, b.path, b.mm_per_unit, np.asarray(b.placement).tobytes())
        return (*where, b.mirrored, b.fit_mm, b.car_mm, self.modified_ns, self.size)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Reading) and self._same == other._same

    def __hash__(self) -> int:
        return hash(self._same)


@lru_cache(maxsize=12)
def _kept(reading: _Reading) -> MeshSolid:
    return _mesh_of_file(reading.body)


def _mesh_of_file(body: MeshFile) -> MeshSolid:
    where = f"body '{body.name}', {body.path}"
    vertices, faces = _read(body.path, where)
    vertices = apply(np.asarray(body.placement), vertices * body.mm_per_unit)
    if body.mirrored:
        vertices, faces = vertices * [1.0, -1.0, 1.0], faces[:, ::-1]
    vertices, faces, notes = _tidied(vertices, faces)
    if body.fit_mm:
        at = int(np.argmax(body.fit_mm))
        worst = f"{body.fit_mm[at]:.1f} mm at the worst of {len(body.fit_mm)} places, matches[{at}]"
        notes = (*notes, f"placed by matching places: off by {worst}")
    if not len(faces):
        raise MeshFault(f"{where}: {_NO_AREA}")
    across = float(length(np.ptp(vertices[_used(faces, len(vertices))], axis=0)))
    wrong, odd = impossible_size(across), odd_size(across, body.mm_per_unit, body.car_mm)
    if wrong:
        raise MeshFault(f"{where}: {wrong}; {_UNITS}")
    if odd:
        raise MeshFault(
            f"{where}: {odd}. Correct unit, or write size_checked = true if it is that size"
        )
    return _solid(body.name, body.part, vertices, faces, notes)


def impossible_size(across_mm: float) -> str:
    """What to say of a mesh that is no part of any car; '' for one that may be."""
    if _SMALLEST_MM <= across_mm <= _LARGEST_MM:
        return ""
    size = f"{across_mm:.0f}" if across_mm > 1.0 else f"{across_mm:.2g}"
    return f"it is {size} mm across; is the unit right?"


def odd_size(across_mm: float, mm_per_unit: float, track_mm: float) -> str:
    """What to ask of a mesh as large or small beside the car as a wrong unit would make it.

    '' where its size makes sense, or where track_mm is 0: its size is not asked about.
    """
    if not track_mm or track_mm / _SMALL_SHARE <= across_mm <= _LARGE_SHARE * track_mm:
        return ""
    sizes = {u: across_mm * mm / mm_per_unit for u, mm in MM_PER_UNIT.items()}
    likely = {u: s for u, s in sizes.items() if track_mm / 8.0 <= s <= 3.5 * track_mm}
    reads = ", ".join(f'"{unit}" it is {size:.0f} mm' for unit, size in likely.items())
    return (
        f"it is {across_mm:.3g} mm across, beside a track of {track_mm:.0f} mm. Is the unit "
        f"right? {f'Drawn in {reads}' if reads else 'No unit makes it a part of this car'}"
    )


@dataclass(frozen=True, eq=False)
class MeshLook:
    """A mesh file before anything is known of it: low, high (3,) in its own unit."""

    triangles: int
    closed: bool
    low: Array
    high: Array


def look_at(path: Path) -> MeshLook:
    """What a file holds. MeshFault names the file, what is wrong and the fix."""
    vertices, faces = _read(path, path.name)
    some = vertices[_used(faces, len(vertices))]
    low, high = some.min(axis=0), some.max(axis=0)
    # As large as a part of a car in mm is: what counts as no area must not hang on the unit.
    scale = 1000.0 / max(float(length(high - low)), 1e-300)
    vertices, faces, _ = _tidied(vertices * scale, faces)
    if not len(faces):
        raise MeshFault(f"{path.name}: {_NO_AREA}")
    closed = _is_closed(faces) or _rewound(vertices, faces)[1]
    return MeshLook(len(faces), closed, frozen(low), frozen(high))


def _read(path: Path, where: str) -> tuple[Array, Faces]:
    """Corners in the file's own unit, every used one a number, and at least one triangle."""
    import trimesh

    if not path.is_file():
        raise MeshFault(f"{where}: there is no such file; correct its path")
    kind = path.suffix.lower()
    if kind not in FORMATS:
        known = ", ".join(FORMATS)
        raise MeshFault(f"{where}: '{kind}' is not a mesh format read here; use one of {known}")
    if path.stat().st_size == 0:
        raise MeshFault(f"{where}: the file is empty; export it again")
    try:
        # process=False: merging and dropping would hide faults that must be reported.
        mesh = trimesh.load_scene(path, process=False).to_mesh()
        vertices, faces = np.array(mesh.vertices, dtype=float), np.array(mesh.faces)
    except ModuleNotFoundError as fault:
        raise MeshFault(
            f"{where}: reading {kind} needs the package '{fault.name}'; install it, or "
            "export as .stl"
        ) from fault
    except Exception as fault:  # the readers of five formats raise whatever they meet
        raise MeshFault(f"{where}: cannot be read ({fault}); export it again") from fault
    vertices, faces = vertices.reshape(-1, 3), faces.reshape(-1, 3).astype(np.int64)
    if len(faces) and not (faces.min() >= 0 and faces.max() < len(vertices)):
        raise MeshFault(f"{where}: a triangle names a corner that is not there; export it again")
    if not len(faces):
        raise MeshFault(f"{where}: it has no triangles; export it again as a mesh")
    used = vertices[_used(faces, len(vertices))]
    if not np.isfinite(used).all():
        bad = int((~np.isfinite(used)).any(axis=1).sum())
        raise MeshFault(
            f"{where}: {bad} corners are not numbers (NaN or infinite); export it again"
        )
    return vertices, faces


def _tidied(vertices: Array, faces: Faces) -> tuple[Array, Faces, tuple[str, ...]]:
    """Equal corners made one (STL repeats them) and triangles without area left out, counted."""
    vertices, same = np.unique(vertices, axis=0, return_inverse=True)
    faces = same.reshape(-1)[faces]
    folded = (faces == np.roll(faces, 1, axis=1)).any(axis=1)
    corners = vertices[faces]
    area = 0.5 * length(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]))
    flat = folded | (area <= _NO_AREA_MM2)
    if not flat.all() and _is_closed(faces[~folded]) and not _is_closed(faces[~flat]):
        flat = folded  # slivers that close a seam are needed to tell inside from outside
    if not flat.any():
        return vertices, faces, ()
    return vertices, faces[~flat], (f"{int(flat.sum())} triangles of zero area left out",)


def _used(faces: Faces, count: int) -> NDArray[np.bool_]:
    """Which of the vertices belong to a triangle."""
    out = np.zeros(count, dtype=bool)
    out[faces] = True
    return out


def _is_closed(faces: Faces) -> bool:
    """Whether every edge has exactly one neighbour running the other way."""
    edges = faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2)
    count = int(edges.max()) + 1
    # Sorted, not np.unique: its hashing took 9 of 28 s on 327,680 triangles.
    forward = np.sort(edges[:, 0] * count + edges[:, 1])
    back = np.sort(edges[:, 1] * count + edges[:, 0])
    return bool((np.diff(forward) > 0).all() and np.array_equal(forward, back))


def _solid(
    name: str, part: str, vertices: Array, faces: Faces, notes: tuple[str, ...]
) -> MeshSolid:
    closed = _is_closed(faces)
    if not closed:
        faces, closed = _rewound(vertices, faces)
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


def _rewound(vertices: Array, faces: Faces) -> tuple[Faces, bool]:
    """The faces wound one way where that alone closes the mesh; else as they were."""
    import trimesh

    mesh = trimesh.Trimesh(vertices, faces, process=False)
    if not mesh.is_watertight:
        return faces, False
    trimesh.repair.fix_winding(mesh)
    turned = np.array(mesh.faces, dtype=np.int64)
    return (turned, True) if _is_closed(turned) else (faces, False)
