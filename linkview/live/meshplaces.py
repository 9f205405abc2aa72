"""Where meshes stand in the car, as a page shows and types it: origin, axes, turns, matches."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import product
from pathlib import Path
from typing import Any

import numpy as np

from linkview.errors import MeshFault, near_miss
from linkview.geometry import Array, apply, dot
from linkview.live.as_variant import own_corner
from linkview.live.document import Document
from linkview.live.edits import mesh_table, number, place
from linkview.live.meshfiles import gone_meshes, own_name
from linkview.model.bodies import MeshFile
from linkview.model.bodytables import MeshTable
from linkview.model.parts import Axle
from linkview.units import to_deg, to_rad

Json = dict[str, Any]
MOST_TURN_DEG = 360.0
_DIGITS = 12  # of a direction: a thousandth of a mm is far coarser at any distance on a car
# Where an axis of the file points, in a builder's words -> in the car's frame.
WAYS: Mapping[str, tuple[float, float, float]] = {
    "ahead": (1.0, 0.0, 0.0),
    "back": (-1.0, 0.0, 0.0),
    "left": (0.0, 1.0, 0.0),
    "right": (0.0, -1.0, 0.0),
    "up": (0.0, 0.0, 1.0),
    "down": (0.0, 0.0, -1.0),
}


def upright(x_way: str, y_way: str) -> Array:
    """The turn (3, 3) of a file whose x and y point these ways. MeshFault for no such ways."""
    for way in (x_way, y_way):
        if way not in WAYS:
            raise MeshFault(f"an axis points {', '.join(WAYS)}, not '{way[:20]}'")
    x, y = np.array(WAYS[x_way]), np.array(WAYS[y_way])
    if dot(x, y):
        raise MeshFault("the file's x and y cannot point along the same line; turn one of them")
    return np.stack([x, y, np.cross(x, y)], axis=1)


def turned(about_deg: tuple[float, float, float]) -> Array:
    """The turn (3, 3) about the car's x, then its y, then its z, right-handed, in degrees."""
    (a, b, c), out = to_rad(np.asarray(about_deg)), np.eye(3)
    for (i, j), angle in (((1, 2), a), ((2, 0), b), ((0, 1), c)):
        by = np.eye(3)
        by[i, i] = by[j, j] = np.cos(angle)
        by[j, i] = np.sin(angle)
        by[i, j] = -by[j, i]
        out = by @ out
    return out


def as_typed(turn: Array) -> tuple[str, str, tuple[float, float, float]]:
    """A turn (3, 3) as the nearest ways of the file's x and y, and what it is turned further."""
    ways = [(x, y) for x, y in product(WAYS, WAYS) if not dot(WAYS[x], WAYS[y])]
    x, y = max(ways, key=lambda xy: float(np.sum(turn * upright(*xy))))
    rest = turn @ upright(x, y).T  # at most 63 degrees off, so never on its side
    about = (
        np.arctan2(rest[2, 1], rest[2, 2]),
        -np.arcsin(np.clip(rest[2, 0], -1.0, 1.0)),
        np.arctan2(rest[1, 0], rest[0, 0]),
    )
    return x, y, tuple(round(float(to_deg(v)), 9) + 0.0 for v in about)  # type: ignore[return-value]


# --- what a page asks -----------------------------------------------------------------------------


def placed(table: Json, message: Json) -> Json:
    """A mesh's table placed as a page asks: by its origin and axes, or by matching places.

    Its file and unit are kept. Raises MeshFault or ValueError for what makes no sense.
    """
    kept = {k: v for k, v in table.items() if k in ("kind", "file", "unit", "size_checked")}
    kept["on"] = str(message["on"])
    if "matches" in message:
        given = message["matches"]
        if not isinstance(given, list) or len(given) < 3:
            raise MeshFault("give three or more matching places, far from one line")
        kept["matches"] = [_match(one) for one in given]
        return mesh_table(kept)
    turns = tuple(number(v) for v in message.get("turn", (0.0, 0.0, 0.0)))
    if len(turns) != 3 or max(map(abs, turns)) > MOST_TURN_DEG:
        raise MeshFault(f"turned by more than {MOST_TURN_DEG:g} deg; three angles up to that")
    turn = turned(turns) @ upright(str(message["x_axis"]), str(message["y_axis"]))
    kept["place_at"] = list(place(message["at"]))
    for key, axis in (("x_axis", turn[:, 0]), ("y_axis", turn[:, 1])):
        kept[key] = [round(float(v), _DIGITS) + 0.0 for v in axis]
    return mesh_table(kept)


def _match(given: object) -> Json:
    if not isinstance(given, dict):
        raise MeshFault("a match is a place in the file and one on the car")
    file, car = given.get("file"), given.get("car")
    if not isinstance(file, list) or len(file) != 3:
        raise MeshFault("a place in the file is three numbers: x, y, z in its own unit")
    return {
        "file": [number(v) for v in file],
        "car": car if isinstance(car, str) else list(place(car)),
    }


def require_part(axle: Axle, part: str) -> None:
    """Raises MeshFault where the axle has no such part."""
    if part not in axle.left.layout.parts:
        fix = near_miss(part, axle.left.layout.parts)
        raise MeshFault(f"no part '{part[:60]}' on the {axle.name} axle; {fix}")


def table_of(document: Document, axle: str, name: str) -> Json:
    """The table of a mesh in the present car. MeshFault where there is none of that name."""
    table = document.axles.tables[axle].bodies.get(name)
    if not isinstance(table, MeshTable):
        raise MeshFault(f"no mesh '{name[:60]}' on the {axle} axle, or its file is gone")
    return table.model_dump(mode="json", exclude_unset=True)


# --- what a page is told --------------------------------------------------------------------------


def meshes_json(document: Document, axle: Axle) -> list[Json]:
    """Every mesh of an axle on the file's own side: where it stands now, and how it was placed.

    own: the file's own mesh, moved: placed anew here. off: how far each match is off its place, mm.
    """
    edits = document.edits
    before = {b.name for b in document.unchanged.axles[axle.name].left.bodies}
    out: list[Json] = []
    for body in own_corner(document.file, axle).bodies:
        if isinstance(body, MeshFile):
            own = body.name in before
            kinds = {"own": own, "moved": own and (axle.name, body.name) in edits.meshes}
            out.append({**_standing(document, axle, body), **kinds})
    for (on, name), path in gone_meshes(edits).items():
        if on == axle.name:
            unit = edits.meshes[on, name]["unit"]
            out.append({"name": name, "file": own_name(path), "unit": unit, "gone": True})
    return out


def _standing(document: Document, axle: Axle, body: MeshFile) -> Json:
    table = document.axles.tables[axle.name].bodies[body.name]
    assert isinstance(table, MeshTable)
    side = own_corner(document.file, axle).side
    carried = document.axles.references[axle.name][side].carried.get(body.name, np.eye(4))
    x, y, turn = as_typed(np.asarray(body.placement)[:3, :3])
    return {
        "name": body.name,
        "file": own_name(Path(table.file)),
        "unit": table.unit,
        "on": table.on,
        "at": _rounded(np.asarray(body.placement)[:3, 3]),
        "x": x,
        "y": y,
        "turn": [round(v, 6) for v in turn],
        "axes": [
            [round(float(v), _DIGITS) for v in a] for a in np.asarray(body.placement)[:3, :3].T
        ],
        "matches": [
            {
                "file": list(m.file),
                "car": m.car if isinstance(m.car, str) else _rounded(apply(carried, m.car)),
            }
            for m in table.matches
        ],
        "off": [round(p.off_mm, 3) for p in body.fitted],
    }


def _rounded(at: Array) -> list[float]:
    return [round(float(v), 6) + 0.0 for v in at]
