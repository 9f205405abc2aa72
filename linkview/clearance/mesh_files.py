"""Mesh files read into millimetres and the car's frame, with what is wrong said plainly.

trimesh reads the formats; everything that decides about a gap is checked here or in `meshes` and
reported, because a mesh that is silently repaired is a mesh nobody measured.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np

from linkview.clearance.mesh_counts import require_room
from linkview.clearance.meshes import (
    Faces,
    MeshSolid,
    is_closed,
    rewound,
    solid_of,
    tidied,
    used_corners,
)
from linkview.errors import MeshFault
from linkview.geometry import Array, apply, frozen, length
from linkview.model.bodies import MeshFile
from linkview.model.matching import fit_words
from linkview.units import MM_PER_UNIT

FORMATS = (".stl", ".obj", ".ply", ".glb", ".3mf")
_LARGEST_MM, _SMALLEST_MM = 20_000.0, 1.0
# Of the track: an inch off, a door is as small as a bolt and a bracket as large as a lorry.
_SMALL_SHARE, _LARGE_SHARE = 25.4, 4.5
# The live page asks again at every drag: 82,000 triangles cost 1.4 s of processor time the first
# time and 0.4 s from then on, of which 0.3 s are the gaps themselves.
_LARGEST_KEPT_BYTES = 10_000_000  # triangles and their tree take some six times as much
_NO_AREA = "every triangle has zero area; export it again as a solid"
_UNITS = "set its unit (mm, cm, m or in) to the one it was drawn in"


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
        return (*where, b.mirrored, b.fitted, b.car_mm, self.modified_ns, self.size)

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
    vertices, faces, notes = tidied(vertices, faces)
    if body.fitted:
        notes = (*notes, fit_words(body))
    if not len(faces):
        raise MeshFault(f"{where}: {_NO_AREA}")
    across = float(length(np.ptp(vertices[used_corners(faces, len(vertices))], axis=0)))
    wrong, odd = impossible_size(across), odd_size(across, body.mm_per_unit, body.car_mm)
    if wrong:
        raise MeshFault(f"{where}: {wrong}; {_UNITS}")
    if odd:
        raise MeshFault(
            f"{where}: {odd}. Correct unit, or write size_checked = true if it is that size"
        )
    return solid_of(body.name, body.part, vertices, faces, notes)


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
    some = vertices[used_corners(faces, len(vertices))]
    low, high = some.min(axis=0), some.max(axis=0)
    # As large as a part of a car in mm is: what counts as no area must not hang on the unit.
    scale = 1000.0 / max(float(length(high - low)), 1e-300)
    vertices, faces, _ = tidied(vertices * scale, faces)
    if not len(faces):
        raise MeshFault(f"{path.name}: {_NO_AREA}")
    closed = is_closed(faces) or rewound(vertices, faces)[1]
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
    require_room(path, where)
    try:
        # process=False: merging and dropping would hide faults that must be reported.
        mesh = trimesh.load_scene(path, process=False).to_mesh()
        vertices, faces = np.array(mesh.vertices, dtype=float), np.array(mesh.faces)
    except ModuleNotFoundError as fault:
        raise MeshFault(
            f"{where}: reading {kind} needs the package '{fault.name}'; install it, or "
            "export as .stl"
        ) from fault
    except MemoryError as fault:
        raise MeshFault(f"{where}: too little memory to read it; thin it out") from fault
    except Exception as fault:  # the readers of five formats raise whatever they meet
        raise MeshFault(f"{where}: cannot be read ({fault}); export it again") from fault
    vertices, faces = vertices.reshape(-1, 3), faces.reshape(-1, 3).astype(np.int64)
    if len(faces) and not (faces.min() >= 0 and faces.max() < len(vertices)):
        raise MeshFault(f"{where}: a triangle names a corner that is not there; export it again")
    if not len(faces):
        raise MeshFault(f"{where}: it has no triangles; export it again as a mesh")
    used = vertices[used_corners(faces, len(vertices))]
    if not np.isfinite(used).all():
        bad = int((~np.isfinite(used)).any(axis=1).sum())
        raise MeshFault(
            f"{where}: {bad} corners are not numbers (NaN or infinite); export it again"
        )
    return vertices, faces
