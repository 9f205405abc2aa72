"""A plate as binary STL in millimetres (the format itself has no unit)."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from linkview.export.files import write_whole
from linkview.plates.plate import Plate
from linkview.plates.solid import plate_mesh

_RECORD = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("spare", "<u2")])


def write_stl(plate: Plate, path: Path) -> None:
    """The plate as bent, in its own frame, mid-thickness of the leg that is placed at z = 0."""
    vertices, triangles = plate_mesh(plate)
    corners = vertices[triangles]
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    with np.errstate(invalid="ignore"):
        normal = np.nan_to_num(normal / np.linalg.norm(normal, axis=1, keepdims=True))
    table = np.zeros(len(triangles), dtype=_RECORD)
    table["normal"], table["corners"] = normal, corners
    # A header that begins with "solid" would be taken for the text form.
    header = f"linkview plate {plate.name}, millimetres".encode("ascii", "replace")[:80]
    count = np.uint32(len(triangles)).tobytes()
    write_whole(path, header.ljust(80, b" ") + count + table.tobytes())
