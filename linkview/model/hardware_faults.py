"""Faults of what hangs on the hard points: joints, bodies, wanted gaps, plates."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path

import numpy as np

from linkview.errors import Fault, near_miss
from linkview.geometry import dot, unit
from linkview.model.axletables import JointTable
from linkview.model.bodytables import (
    BentTubeTable,
    CylinderTable,
    MeshTable,
    RodEndTable,
    TaperedTubeTable,
    TubeTable,
)
from linkview.model.keys import PointOrPosition
from linkview.model.layouts import KNUCKLE, Layout
from linkview.model.made_bodies import MadeTable, made_faults, names_of
from linkview.model.matching import match_faults
from linkview.model.platekinds import DropBracket, TopMountSlider
from linkview.model.platespec import TopMountBase, WeldOnEar
from linkview.model.schema import AxleTable

SHORTEST_MM = 1.0
MESH_KINDS = (".stl", ".obj", ".ply", ".glb", ".3mf")
LARGEST_MESH_BYTES = 400_000_000
OWN_BODIES = ("tyre", "rim")


def hardware_faults(where: str, table: AxleTable, layout: Layout, folder: Path) -> Iterator[Fault]:
    """All faults of one axle's joints, bodies, pairs and plates; `where` is its dotted key."""
    yield from _joints(where, table, layout)
    known = (*layout.points, "wheel_centre")
    for point in table.one_sigma:
        if point not in known:
            yield Fault(f"{where}.one_sigma.{point}", "no such point", near_miss(point, known))
    yield from _bodies(where, table, layout, folder)
    yield from _hoses(where, table, layout)
    yield from _pairs(where, table)
    yield from _plates(where, table, layout)


def _joints(where: str, table: AxleTable, layout: Layout) -> Iterator[Fault]:
    for point, joint in table.joints.items():
        key = f"{where}.joints.{point}"
        known = [p for p in layout.points if layout.member_at(p)]
        if point not in known:
            yield Fault(key, f"no joint at '{point}'", near_miss(point, known))
            continue
        yield from _joint_keys(key, joint)
        member = layout.member_at(point)
        if joint.axis == "strut" and member not in layout.struts:
            yield Fault(f"{key}.axis", "'strut' is for the top mount", "give a direction instead")


def _joint_keys(key: str, joint: JointTable) -> Iterator[Fault]:
    given = [k for k in ("bolt_axis", "axis", "stud_axis") if getattr(joint, k) is not None]
    if len(given) != 1:
        yield Fault(
            key,
            f"has {' and '.join(given) or 'no axis'}",
            "give one: bolt_axis (rod end), stud_axis (ball joint) or axis (inner joint, bearing)",
        )
        return
    limit, other = "max_angle", "max_misalignment"
    if given[0] == "bolt_axis":
        limit, other = other, limit
    if getattr(joint, limit) is None:
        yield Fault(f"{key}.{limit}", "missing", f"goes with {given[0]}, degrees each side")
    if getattr(joint, other) is not None:
        yield Fault(f"{key}.{other}", f"does not go with {given[0]}", f"use {limit}")


def _bodies(where: str, table: AxleTable, layout: Layout, folder: Path) -> Iterator[Fault]:
    points = set(table.points or table.points_left) | {"wheel_centre"}
    parts = [*layout.parts]
    for name, body in table.bodies.items():
        key = f"{where}.bodies.{name}"
        if name in OWN_BODIES:
            yield Fault(key, "this name is the wheel's own", "call it something else")
        on = getattr(body, "on", None)
        if on is not None and on not in parts:
            yield Fault(f"{key}.on", f"no part '{on}'", near_miss(on, parts))
        match body:
            case TubeTable():
                places = {"from": body.from_, "to": body.to}
                yield from _known(key, places, points)
                yield from _tube(key, body, table)
            case BentTubeTable():
                places = {f"through[{i}]": p for i, p in enumerate(body.through)}
                yield from _known(key, places, points)
            case CylinderTable() | RodEndTable():
                yield from _known(key, {"at": body.at}, points)
            case TaperedTubeTable():
                yield from _known(key, {"from": body.from_, "to": body.to}, points)
                if body.from_ == body.to:
                    yield Fault(f"{key}.to", "the same place as from", "give the other end")
            case MeshTable():
                places = {f"matches[{i}].car": m.car for i, m in enumerate(body.matches)}
                yield from _known(key, places, points)
                yield from _mesh(key, body, folder, table)
            case _ if isinstance(body, MadeTable):
                yield from made_faults(key, name, body, table, layout)
            case _:
                low, high = np.array(body.low), np.array(body.high)
                if np.any(high - low < 0.1):
                    yield Fault(f"{key}.high", "not beyond low in x, y and z", "swap or widen them")


def _known(
    key: str, places: Mapping[str, PointOrPosition], points: Iterable[str]
) -> Iterator[Fault]:
    for what, place in places.items():
        if isinstance(place, str) and place not in points:
            yield Fault(f"{key}.{what}", f"no point '{place}'", near_miss(place, points))


def _tube(key: str, body: TubeTable, table: AxleTable) -> Iterator[Fault]:
    if body.on is None and not (isinstance(body.from_, str) and isinstance(body.to, str)):
        yield Fault(f"{key}.on", "missing", "an end given by numbers needs the part it is fixed to")
    if body.length is not None and body.end_before:
        yield Fault(f"{key}.end_before", "given beside length", "keep one of the two")
    points = {**(table.points or table.points_left), "wheel_centre": table.wheel.centre}
    a, b = (points.get(p) if isinstance(p, str) else p for p in (body.from_, body.to))
    if a is not None and b is not None:
        span = float(np.linalg.norm(np.subtract(b, a)))
        end = span - body.end_before if body.length is None else body.start + body.length
        if end - body.start < SHORTEST_MM:
            yield Fault(key, f"only {end - body.start:.3g} mm long", "check its ends and start")


def _hoses(where: str, table: AxleTable, layout: Layout) -> Iterator[Fault]:
    points = {*(table.points or table.points_left), "wheel_centre"}
    for name, hose in table.hoses.items():
        key = f"{where}.hoses.{name}"
        yield from _known(key, {"from": hose.from_, "to": hose.to}, points)
        if hose.on not in layout.parts:
            yield Fault(f"{key}.on", f"no part '{hose.on}'", near_miss(hose.on, layout.parts))


def _mesh(key: str, body: MeshTable, folder: Path, table: AxleTable) -> Iterator[Fault]:
    path = folder / body.file
    if path.suffix.lower() not in MESH_KINDS:
        yield Fault(f"{key}.file", f"cannot read '{body.file}'", f"use {', '.join(MESH_KINDS)}")
    elif not path.is_file():
        yield Fault(
            f"{key}.file",
            f"'{body.file}' is not there",
            f"looked for {path}; paths start beside the hard-point file",
        )
    elif path.stat().st_size > LARGEST_MESH_BYTES:
        yield Fault(
            f"{key}.file",
            f"'{body.file}' is {path.stat().st_size / 1e6:.0f} MB",
            f"thin the mesh out to under {LARGEST_MESH_BYTES / 1e6:.0f} MB",
        )
    if body.matches:
        points = {**(table.points or table.points_left), "wheel_centre": table.wheel.centre}
        yield from match_faults(key, body, points)
    elif abs(dot(unit(body.x_axis), unit(body.y_axis))) > 0.02:
        yield Fault(f"{key}.y_axis", "not square to x_axis", "the file's axes are square")


def _pairs(where: str, table: AxleTable) -> Iterator[Fault]:
    plates = [name + end for name in table.plates for end in ("", "_side", "_bridge")]
    made = [one for name, body in table.bodies.items() for one in names_of(name, body)]
    bodies = [*made, *OWN_BODIES, *plates]
    wanted, left_out = (tuple(x.between for x in pairs) for pairs in (table.gaps, table.leave_out))
    for key, pairs in (("gaps", wanted), ("leave_out", left_out)):
        for i, pair in enumerate(pairs):
            for name in pair:
                if name not in bodies:
                    yield Fault(
                        f"{where}.{key}[{i}].between", f"no body '{name}'", near_miss(name, bodies)
                    )
            if pair[0] == pair[1]:
                yield Fault(f"{where}.{key}[{i}].between", "a body with itself", "name two bodies")


def _plates(where: str, table: AxleTable, layout: Layout) -> Iterator[Fault]:
    points = set(table.points or table.points_left)
    for name, plate in table.plates.items():
        key = f"{where}.plates.{name}"
        if name in table.bodies:
            yield Fault(key, f"a body is called '{name}' too", "give the plate another name")
        keys = ("joint", "top", "lower", "at", "stand_at", "origin")
        told = {what: getattr(plate, what, None) for what in keys}
        named = {what: point for what, point in told.items() if isinstance(point, str)}
        on_body = isinstance(plate, WeldOnEar | TopMountBase | TopMountSlider | DropBracket)
        for what, point in named.items():
            if point not in points and point != "wheel_centre":
                yield Fault(f"{key}.{what}", f"no point '{point}'", near_miss(point, points))
            elif on_body and layout.owner(point) == KNUCKLE and what != "lower":
                yield Fault(
                    f"{key}.{what}", f"'{point}' is on the knuckle", "this plate stands on the body"
                )
