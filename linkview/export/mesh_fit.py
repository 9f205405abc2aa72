"""How well the meshes go to their matching places, as CSV."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

from linkview.export.tables import write_table
from linkview.model.bodies import MeshFile
from linkview.model.parts import Car

HEADER = (
    "axle",
    "side",
    "mesh",
    "place",
    *(f"on the car {axis} (mm)" for axis in "xyz"),
    *(f"mesh off {axis} (mm)" for axis in "xyz"),
    "off (mm)",
)


def write_mesh_fits(path: Path, car: Car) -> bool:
    """Each matching place of every mesh placed by them; without any, nothing is written: False."""
    rows = list(_rows(car))
    if rows:
        write_table(path, HEADER, rows)
    return bool(rows)


def _rows(car: Car) -> Iterator[Sequence[object]]:
    for name, axle in car.axles.items():
        for corner in axle.corners[:1] if axle.symmetric else axle.corners:
            for body in corner.bodies:
                if isinstance(body, MeshFile):
                    yield from _of_mesh([name, corner.side.value, body.name], body)


def _of_mesh(start: list[str], body: MeshFile) -> Iterator[Sequence[object]]:
    y = -1.0 if body.mirrored else 1.0
    for place in body.fitted:
        three = [(v[0], y * v[1], v[2]) for v in (place.mark, place.off)]
        cells = [f"{c + 0.0:.3f}" for v in three for c in v]
        yield [*start, place.name, *cells, f"{place.off_mm:.3f}"]
