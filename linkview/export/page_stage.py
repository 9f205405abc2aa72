"""What the offline page's stage shows, as small numbers: shapes, motion, readings, in one blob.

Arrays lie one after another in bytes; the page is told where each begins, how long it is and what
kind of number it holds. Shapes of a right-hand part that is the mirror of its left one are not
sent twice.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from linkview.alignment.axle import AxleAlignment, align
from linkview.alignment.quantities import QUANTITIES, Of, Quantity
from linkview.export.actors import Actor, ActorMesh
from linkview.export.posegrid import SHIFT_UNIT_MM, STRETCH_UNIT, PoseGrid, halved, with_halves
from linkview.export.shown import SHOWN
from linkview.geometry import Array, Flags
from linkview.kinematics.sweep import sweep_axle
from linkview.model.parts import Car, Side

Json = dict[str, Any]
MIRROR_MM = 0.5  # boxes of mirrored shapes agree this well; a tyre's chords alone make 0.3


@dataclass
class Blob:
    """Bytes as they grow; every array starts on a multiple of four."""

    data: bytearray = field(default_factory=bytearray)

    def put(self, values: NDArray[Any]) -> list[object]:
        """Where it lies: [kind, offset in bytes, how many numbers]; kind as 'f4', 'i2', 'u2'."""
        self.data += b"\0" * (-len(self.data) % 4)
        start = len(self.data)
        little = np.ascontiguousarray(values.astype(values.dtype.newbyteorder("<")))
        self.data += little.tobytes()
        return [f"{values.dtype.kind}{values.dtype.itemsize}", start, int(values.size)]


def stage_json(actors: Sequence[Actor], grid: PoseGrid, blob: Blob) -> Json:
    """Shapes and motion of one axle in one state."""
    left = {a.name: a for a in actors if a.side is Side.LEFT}
    out = []
    for actor in actors:
        twin = (
            left.get(actor.name.replace("right", "left", 1)) if actor.side is Side.RIGHT else None
        )
        item: Json = {"name": actor.name, "side": actor.side.value, "still": actor.still}
        item["frame"] = [round(float(v), 6) for v in actor.frame.ravel()]
        if twin is not None and are_mirrored(twin, actor):
            item["mirrorOf"] = twin.name
        else:
            item["meshes"] = [mesh_json(mesh, blob) for mesh in actor.meshes]
        if not actor.still:
            item["places"] = blob.put(grid.packed[actor.name])
        out.append(item)
    return {
        "actors": out,
        "rack": [round(float(v), 5) for v in grid.rack_mm],
        "travel": [round(float(v), 5) for v in grid.travel_mm],
        "shut": blob.put(grid.shut.astype(np.uint8)),
        "shiftUnit": SHIFT_UNIT_MM,
        "stretchUnit": STRETCH_UNIT,
    }


def are_mirrored(left: Actor, right: Actor) -> bool:
    """Whether every mesh of the right actor fills the mirror image of its left one's box."""
    if len(left.meshes) != len(right.meshes):
        return False
    flip = np.array([1.0, -1.0, 1.0])
    for a, b in zip(left.meshes, right.meshes, strict=True):
        if (a.name, a.paint) != (b.name, b.paint) or len(a.points) != len(b.points):
            return False
        at = _box(a, left) * flip
        at = np.sort(at, axis=0)
        if np.abs(at - _box(b, right)).max() > MIRROR_MM:
            return False
    return True


def _box(mesh: ActorMesh, actor: Actor) -> Array:
    points = mesh.points @ actor.frame[:3, :3].T + actor.frame[:3, 3]
    return np.array([points.min(axis=0), points.max(axis=0)])


def mesh_json(mesh: ActorMesh, blob: Blob) -> Json:
    """Points as 16-bit steps of the mesh's own box: 1.5 m in steps of 0.02 mm."""
    low, high = mesh.points.min(axis=0), mesh.points.max(axis=0)
    step = np.maximum(high - low, 1e-3) / 65534.0
    points = np.rint((mesh.points - low) / step).astype(np.uint16)
    small = len(mesh.points) <= 65535
    return {
        "name": mesh.name,
        "paint": mesh.paint.name,
        "low": [float(v) for v in low],
        "step": [float(v) for v in step],
        "points": blob.put(points),
        "normals": blob.put(np.rint(mesh.normals * 127.0).astype(np.int8)),
        "faces": blob.put(mesh.faces.astype(np.uint16 if small else np.uint32)),
    }


def readings_json(car: Car, grid: PoseGrid, blob: Blob) -> list[Json]:
    """The read-outs over the page's own grid; `off`: the most that mixing puts one off, measured
    half-way between grid poses wherever the page draws.
    """
    sweep = grid.sweep
    here = align(sweep, car)
    between = align(sweep_axle(sweep.axle, halved(grid.rack_mm), halved(grid.travel_mm)), car)
    drawn = grid.open_halfway
    out = []
    known = {q.name: q for q in QUANTITIES}
    for name in SHOWN:
        q = known[name]
        values, exact = (_values(alignment, q) for alignment in (here, between))
        if not any(np.isfinite(v).any() for v in values):
            continue
        off = [_off(v, e, drawn) for v, e in zip(values, exact, strict=True)]
        out.append(
            {
                "name": name,
                "label": q.label,
                "unit": q.unit,
                "decimals": q.decimals,
                "meaning": q.meaning,
                "formula": q.formula,
                "off": float(f"{max(off):.2g}"),
                "sides": [blob.put(v.astype(np.float32)) for v in values],
            }
        )
    return out


def _values(alignment: AxleAlignment, q: Quantity) -> list[Array]:
    """(S, T) for each side, or for the axle; none where it is not given over both inputs."""
    owners = alignment.corners if q.of is Of.CORNER else (alignment,)
    values = [getattr(owner, q.name) for owner in owners]
    return [v for v in values if v is not None and v.ndim == 2]


def _off(values: Array, exact: Array, drawn: Flags) -> float:
    mixed = values
    for axis in (0, 1):
        mixed = with_halves(mixed, axis)
    off = np.abs(mixed - exact)[drawn]
    return float(np.nanmax(off)) if np.isfinite(off).any() else 0.0
