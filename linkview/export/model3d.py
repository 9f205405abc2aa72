"""The car as an animated 3-D file (glTF 2.0, binary) for ordinary viewers.

Metres and +Y up, as the format wants it: (X, Y, Z) there = (y, z, x) here, so that the car faces
+Z. Two animations: `steer` (rack to the left lock, the right one and back, ride height) and
`travel` (bump, droop and back, rack centred). Every key is a solved pose; a viewer draws straight
between them.
"""

from __future__ import annotations

import json
import struct
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from linkview import __version__
from linkview.errors import CannotWrite
from linkview.export.actor_shapes import actors_of
from linkview.export.actors import Actor, ActorMesh, Places, quaternions
from linkview.export.captions import CAUTION, DRAWN_PLAINLY
from linkview.export.cautions import CAUTIONS
from linkview.export.files import write_whole
from linkview.geometry import Array
from linkview.kinematics.sweep import sweep_corner
from linkview.model.parts import Axle, Car, Side
from linkview.plates.plate import Plate
from linkview.scene.colours import SEE_THROUGH, Paint
from linkview.scene.story import rack_reach, travel_reach

KEYS_A_LEG = 32  # from the middle to a turning point
SECONDS_A_LEG = 1.5
_KEYS = (KEYS_A_LEG, 2 * KEYS_A_LEG, KEYS_A_LEG)
_TO_GLTF = np.array([1, 2, 0])  # which of x, y, z here is X, Y, Z there
_DULL = (Paint.TYRE, Paint.SHELL, Paint.PAD)

Json = dict[str, Any]


@dataclass(frozen=True)
class Model3d:
    """What was written. animations: name -> its length, s; notes: what is not shown."""

    path: Path
    nodes: tuple[str, ...]
    animations: Mapping[str, float]
    notes: tuple[str, ...]


def write_model3d(
    path: Path,
    car: Car,
    plates: Mapping[str, Mapping[Side, Sequence[Plate]]] | None = None,
    *,
    sources: Mapping[str, str] | None = None,
) -> Model3d:
    """Writes the whole car. plates: by axle. sources: input file -> its checksum, kept inside."""
    glb = _Glb()
    moves: dict[str, list[_Channel]] = {"steer": [], "travel": []}
    notes: list[str] = []
    axle_nodes = []
    for name, axle in car.axles.items():
        actors = actors_of(axle, (plates or {}).get(name))
        nodes = {actor.name: glb.actor(name, actor) for actor in actors}
        axle_nodes.append(glb.node({"name": f"{name} axle", "children": list(nodes.values())}))
        for what, keys in _stories(axle).items():
            notes += [f"{name} axle: {note}" for note in keys.notes]
            moves[what] += [
                _Channel(nodes[a.name], keys.seconds, keys.places(a)) for a in actors if not a.still
            ]
    root = glb.node({"name": car.name, "children": axle_nodes})
    lasts = {}
    for what, channels in moves.items():
        if channels:
            glb.animation(what, channels)
            lasts[what] = max(float(c.seconds[-1]) for c in channels)
    if not lasts:
        raise CannotWrite(f"{path}: no axle of {car.name} can be moved")
    extras = {
        "state": f"{car.variant}: {car.variant_title}",
        "held": {n: a.hold.words for n, a in car.axles.items()},
        "cautions": [CAUTION, DRAWN_PLAINLY, *CAUTIONS],
        "not shown": notes,
        "input sha256": dict(sources or {}),
    }
    write_whole(path, glb.bytes(root, extras))
    return Model3d(path, tuple(n["name"] for n in glb.nodes), lasts, tuple(notes))


# --- the motions --------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _Keys:
    """Key poses of one animation: seconds (n,), and part moves (n, 4, 4) of each side."""

    seconds: Array
    poses: Mapping[Side, Mapping[str, Array]]
    notes: tuple[str, ...]

    def places(self, actor: Actor) -> Places:
        return actor.places(self.poses[actor.side])


def _stories(axle: Axle) -> dict[str, _Keys]:
    """Only what both corners reach is shown; the notes say where that is less than was asked."""
    rack, travel = rack_reach(axle), travel_reach(axle)
    out = {}
    if rack.high > rack.low:
        at = _legs([0.0, rack.low, rack.high, 0.0])
        out["steer"] = _keys(axle, at, np.zeros(1), (rack.why,) if rack.why else ())
    if travel.high > travel.low:
        at = _legs([0.0, travel.high, travel.low, 0.0])
        out["travel"] = _keys(axle, np.zeros(1), at, (travel.why,) if travel.why else ())
    return out


def _legs(turning: Sequence[float]) -> Array:
    """From each turning point to the next, softly: near lock, where parts move fastest, the keys
    lie closest. The long leg in the middle has twice the keys.
    """
    out = [np.array([turning[0]])]
    for (start, end), keys in zip(pairwise(turning), _KEYS, strict=True):
        soft = 0.5 - 0.5 * np.cos(np.linspace(0.0, np.pi, keys + 1)[1:])
        leg = start + (end - start) * soft
        leg[-1] = end
        out.append(leg)
    return np.concatenate(out)


def _keys(axle: Axle, rack: Array, travel: Array, notes: tuple[str, ...]) -> _Keys:
    racks, i = np.unique(rack, return_inverse=True)
    travels, j = np.unique(travel, return_inverse=True)
    rows, columns = np.broadcast_arrays(i, j)
    poses = {}
    for corner in axle.corners:
        sweep = sweep_corner(corner, racks, travels, axle.hold)
        poses[corner.side] = {part: moves[rows, columns] for part, moves in sweep.poses.items()}
    seconds = np.arange(len(rows)) * SECONDS_A_LEG / KEYS_A_LEG
    return _Keys(seconds, poses, notes)


@dataclass(frozen=True, eq=False)
class _Channel:
    node: int
    seconds: Array
    places: Places


# --- the file -----------------------------------------------------------------------------------


@dataclass
class _Glb:
    """The file as it grows: its lists, and the bytes that they point into."""

    nodes: list[Json] = field(default_factory=list)
    meshes: list[Json] = field(default_factory=list)
    materials: list[Json] = field(default_factory=list)
    accessors: list[Json] = field(default_factory=list)
    views: list[Json] = field(default_factory=list)
    animations: list[Json] = field(default_factory=list)
    blob: bytearray = field(default_factory=bytearray)
    _paints: dict[Paint, int] = field(default_factory=dict)
    _times: dict[bytes, int] = field(default_factory=dict)

    def node(self, node: Json) -> int:
        self.nodes.append(node)
        return len(self.nodes) - 1

    def actor(self, axle: str, actor: Actor) -> int:
        """A node that moves, with a named child for every mesh on it."""
        children = []
        for mesh in actor.meshes:
            name = f"{axle} {actor.name} / {mesh.name}"
            self.meshes.append({"name": name, "primitives": [self._primitive(mesh)]})
            children.append(self.node({"name": name, "mesh": len(self.meshes) - 1}))
        rest = actor.frame
        shift = (rest[:3, 3] / 1000.0)[_TO_GLTF]
        node: Json = {"name": f"{axle} {actor.name}", "children": children}
        node["translation"] = [float(np.float32(v)) for v in shift]
        turn = quaternions(rest[:3, :3])
        node["rotation"] = [float(v) for v in _unit32(turn[[*_TO_GLTF, 3]])]
        return self.node(node)

    def animation(self, name: str, channels: Sequence[_Channel]) -> None:
        samplers: list[Json] = []
        out: list[Json] = []
        for channel in channels:
            for path, values in _tracks(channel.places):
                kind = "VEC4" if path == "rotation" else "VEC3"
                when = self._seconds(channel.seconds)
                to = self._accessor(values.astype(np.float32), kind)
                samplers.append({"input": when, "output": to, "interpolation": "LINEAR"})
                target = {"node": channel.node, "path": path}
                out.append({"sampler": len(samplers) - 1, "target": target})
        self.animations.append({"name": name, "samplers": samplers, "channels": out})

    def bytes(self, root: int, extras: Json) -> bytes:
        asset = {"version": "2.0", "generator": f"linkview {__version__}", "extras": extras}
        document = {
            "asset": asset,
            "scene": 0,
            "scenes": [{"name": "car", "nodes": [root]}],
            "nodes": self.nodes,
            "meshes": self.meshes,
            "materials": self.materials,
            "accessors": self.accessors,
            "bufferViews": self.views,
            "buffers": [{"byteLength": len(self.blob)}],
            "animations": self.animations,
        }
        text = json.dumps(document, ensure_ascii=False, separators=(",", ":")).encode()
        text += b" " * (-len(text) % 4)
        length = 12 + 8 + len(text) + 8 + len(self.blob)
        head = struct.pack("<4sII", b"glTF", 2, length)
        first = struct.pack("<I4s", len(text), b"JSON") + text
        return head + first + struct.pack("<I4s", len(self.blob), b"BIN\0") + bytes(self.blob)

    def _primitive(self, mesh: ActorMesh) -> Json:
        points = (mesh.points[:, _TO_GLTF] / 1000.0).astype(np.float32)
        attributes = {
            "POSITION": self._accessor(points, "VEC3", target=34962),
            "NORMAL": self._accessor(_unit32(mesh.normals[:, _TO_GLTF]), "VEC3", target=34962),
        }
        small = len(points) < 65535
        faces = mesh.faces.ravel().astype(np.uint16 if small else np.uint32)
        return {
            "attributes": attributes,
            "indices": self._accessor(faces, "SCALAR", target=34963),
            "material": self._material(mesh.paint),
        }

    def _material(self, paint: Paint) -> int:
        if paint not in self._paints:
            alpha = SEE_THROUGH.get(paint, 1.0)
            colour = [round(float(v), 5) for v in _linear(paint)]
            dull = paint in _DULL
            material: Json = {
                "name": paint.name.lower().replace("_", " "),
                "pbrMetallicRoughness": {
                    "baseColorFactor": [*colour, alpha],
                    "metallicFactor": 0.0 if dull else 0.25,
                    "roughnessFactor": 0.9 if dull else 0.45,
                },
            }
            if alpha < 1.0:
                material |= {"alphaMode": "BLEND", "doubleSided": True}
            self.materials.append(material)
            self._paints[paint] = len(self.materials) - 1
        return self._paints[paint]

    def _seconds(self, seconds: Array) -> int:
        key = seconds.tobytes()
        if key not in self._times:
            self._times[key] = self._accessor(seconds.astype(np.float32), "SCALAR")
        return self._times[key]

    def _accessor(self, values: NDArray[Any], kind: str, *, target: int | None = None) -> int:
        self.blob += b"\0" * (-len(self.blob) % 4)
        data = np.ascontiguousarray(values).tobytes()
        view: Json = {"buffer": 0, "byteOffset": len(self.blob), "byteLength": len(data)}
        if target is not None:
            view["target"] = target
        self.blob += data
        self.blob += b"\0" * (-len(self.blob) % 4)
        self.views.append(view)
        codes = {"f": 5126, "u2": 5123, "u4": 5125}
        code = codes["f" if values.dtype.kind == "f" else f"u{values.dtype.itemsize}"]
        accessor: Json = {"bufferView": len(self.views) - 1, "componentType": code}
        accessor |= {"count": len(values), "type": kind}
        if values.dtype.kind == "f":
            flat = values.reshape(len(values), -1)
            accessor["min"] = [float(v) for v in flat.min(axis=0)]
            accessor["max"] = [float(v) for v in flat.max(axis=0)]
        self.accessors.append(accessor)
        return len(self.accessors) - 1


def _tracks(places: Places) -> Iterator[tuple[str, Array]]:
    """What an animation drives of a node; the stretch only where there is one."""
    yield "translation", places.shift[:, _TO_GLTF] / 1000.0
    yield "rotation", np.asarray(_unit32(places.turn[:, [*_TO_GLTF, 3]]), dtype=float)
    if np.abs(places.stretch - 1.0).max() > 1e-9:
        scale = np.ones((len(places.stretch), 3))
        scale[:, 1] = places.stretch  # along our z, the file's Y
        yield "scale", scale


def _unit32(values: Array) -> NDArray[np.float32]:
    """Unit vectors in single precision, of unit length there too."""
    v = np.asarray(values, dtype=np.float32)
    return np.asarray(v / np.linalg.norm(v, axis=-1, keepdims=True).astype(np.float32))


def _linear(paint: Paint) -> Array:
    """A paint's sRGB as linear light. Source: IEC 61966-2-1, the sRGB transfer function."""
    c = np.array(paint.rgb) / 255.0
    return np.asarray(np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4))
