"""A plate as a closed triangle mesh where it stands, folded, for the gap check and for STL."""

from __future__ import annotations

from itertools import combinations

import manifold3d
import numpy as np

from linkview.geometry import Array, Index, apply, frozen
from linkview.model.bodies import Facets
from linkview.plates.creases import CHORD_MM, folded
from linkview.plates.folding import Fold
from linkview.plates.plate import Plate
from linkview.plates.slicing import Sheet, rim

_TOUCHING_MM3 = 0.01


def plate_mesh(plate: Plate, *, chord_mm: float = CHORD_MM) -> tuple[Array, Index]:
    """vertices (n, 3) mm in the plate's frame and triangles (m, 3), closed and outward."""
    fold = plate.fold
    if chord_mm != CHORD_MM:
        fold = folded(
            plate.outline, plate.inner_loops, plate.bends, plate.thickness_mm, chord_mm=chord_mm
        )
    return _closed(fold, fold.sheet.triangles, plate.thickness_mm)


def _closed(fold: Fold, face: Index, thickness_mm: float) -> tuple[Array, Index]:
    """These triangles of the sheet, folded, with both faces and the walls between them."""
    low, high = (fold.level(side * thickness_mm / 2.0) for side in (-1.0, 1.0))
    n = len(low)
    here, after = rim(Sheet(fold.sheet.vertices, face)).T
    triangles = np.concatenate(
        [
            face[:, ::-1],
            face + n,
            np.column_stack([here, after, after + n]),
            np.column_stack([here, after + n, here + n]),
        ]
    )
    triangles.flags.writeable = False
    return frozen(np.concatenate([low, high])), triangles


def plate_body(plate: Plate) -> Facets:
    """The plate wherever it stands, as a body of the part that carries it."""
    vertices, triangles = plate_mesh(plate)
    placed = [apply(stand, vertices) for stand in plate.stands]
    numbers = [triangles + i * len(vertices) for i in range(len(placed))]
    return Facets(
        name=plate.name,
        part=plate.part,
        vertices=frozen(np.concatenate(placed)),
        triangles=np.concatenate(numbers),
        inside_mm=CHORD_MM + _bent_more_mm(plate),
    )


def _bent_more_mm(plate: Plate) -> float:
    """A bend is chords too, and it stretches those of an edge in it as far as its outside."""
    t = plate.thickness_mm
    stretched = [(b.radius_mm + t) / (b.radius_mm + b.k * t) for b in plate.bends]
    return CHORD_MM * max(stretched, default=0.0)


def runs_into_itself(plate: Plate) -> bool:
    """Whether two places of the folded plate would need the same room."""
    if not plate.bends:
        return False
    fold = plate.fold
    solids = []
    for region in np.unique(fold.region):
        vertices, triangles = _closed(
            fold, fold.sheet.triangles[fold.region == region], plate.thickness_mm
        )
        used, numbers = np.unique(triangles, return_inverse=True)
        mesh = manifold3d.Mesh64(vertices[used], numbers.reshape(-1, 3).astype(np.uint64))
        solids.append(manifold3d.Manifold(mesh))
    return any((a ^ b).volume() > _TOUCHING_MM3 for a, b in combinations(solids, 2))
