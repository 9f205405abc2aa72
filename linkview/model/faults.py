"""Everything in an axle's tables that cannot be a car, found at once.

Each check reads tables that have already passed `schema.py` and yields `Fault`s: the key, the
value, the fix. Sizes and shapes only; whether the linkage can move is the solver's business.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path

import numpy as np

from linkview.errors import Fault, near_miss
from linkview.geometry import dot, length, unit
from linkview.model.build import Reference, given_references, section_of
from linkview.model.layouts import KNUCKLE, LAYOUTS, Layout
from linkview.model.parts import Side
from linkview.model.platespec import TopMountBase, WeldOnEar
from linkview.model.schema import (
    AxleTable,
    BentTubeTable,
    CylinderTable,
    JointTable,
    MeasuredTable,
    MeshTable,
    PointOrPosition,
    TubeTable,
)

SHORTEST_MM = 1.0
CV_OFF_AXIS_MM = 1.0
MESH_KINDS = (".stl", ".obj", ".ply", ".glb", ".3mf")
LARGEST_MESH_BYTES = 400_000_000
OWN_BODIES = ("tyre", "rim")


def axle_faults(
    where: str, table: AxleTable, measured: MeasuredTable | None, folder: Path
) -> list[Fault]:
    """All faults of one axle's tables; `where` is its dotted key."""
    layout = LAYOUTS.get(table.layout)
    if layout is None:
        fix = near_miss(table.layout, LAYOUTS)
        return [Fault(f"{where}.layout", f"no layout '{table.layout}'", fix)]
    missing = list(_points(where, table, layout))
    out = [*missing, *_wheel(where, table), *_ranges(where, table, layout)]
    if measured and measured.state == "on_stands":
        out += _stands(where, table)
    if missing:
        return out
    for side, reference in given_references(table).items():
        out += _sides(where, side, reference)
        out += _lengths(where, layout, reference)
        out += _driveshaft(where, table, reference)
        out += _damper_now(where, table, layout, reference, measured)
    out += _joints(where, table, layout)
    out += _bodies(where, table, layout, folder)
    out += _pairs(where, table)
    out += _plates(where, table, layout)
    return list(dict.fromkeys(out))


def _points(where: str, table: AxleTable, layout: Layout) -> Iterator[Fault]:
    both = bool(table.points_left or table.points_right)
    if both and table.points:
        yield Fault(
            f"{where}.points",
            "given beside points_left / points_right",
            "keep either one side's points or both sides', not all three",
        )
    lists = (
        {"points_left": table.points_left, "points_right": table.points_right}
        if both
        else {"points": table.points}
    )
    for key, points in lists.items():
        for name in points:
            if name not in layout.points:
                fix = near_miss(name, layout.points)
                yield Fault(f"{where}.{key}.{name}", f"no such point in a {layout.name}", fix)
        for name in layout.points:
            if name not in points and name not in layout.optional:
                yield Fault(
                    f"{where}.{key}.{name}",
                    "missing",
                    f"measure it and add it: a {layout.name} needs it",
                )
        for span in layout.spans.values():
            given = [p for p in (span.inner, span.outer) if p in points]
            if len(given) == 1:
                other = span.outer if given[0] == span.inner else span.inner
                yield Fault(f"{where}.{key}.{other}", "missing", f"it belongs with {given[0]}")
    if both:
        for side in ("left", "right"):
            if getattr(table, f"wheel_{side}") is None:
                yield Fault(
                    f"{where}.wheel_{side}",
                    "missing",
                    "with both sides measured each wheel needs its centre, camber and toe_in",
                )


def _wheel(where: str, table: AxleTable) -> Iterator[Fault]:
    t = table.wheel.tyre
    sizes = (t.outer_radius, t.inner_radius, t.half_width, t.shoulder_radius)
    if table.wheel.tyre_code is None and any(s is None for s in sizes):
        yield Fault(
            f"{where}.wheel.tyre_code",
            "missing",
            "give a size code such as '225/45R17', or all four of outer_radius, inner_radius, "
            "half_width and shoulder_radius in [wheel.tyre]",
        )
        return
    if table.wheel.tyre_code is None and table.wheel.rim.diameter_in is None:
        yield Fault(f"{where}.wheel.rim.diameter_in", "missing", "give it, or a tyre_code")
    try:
        tyre, _ = section_of(table.wheel)
    except ValueError as fault:
        yield Fault(
            f"{where}.wheel.tyre_code", f"cannot read '{table.wheel.tyre_code}'", str(fault)
        )
        return
    if tyre.inner_radius_mm >= tyre.outer_radius_mm:
        yield Fault(
            f"{where}.wheel.tyre.inner_radius",
            f"{tyre.inner_radius_mm:g} mm is not inside the outer radius "
            f"{tyre.outer_radius_mm:g} mm",
            "measure the two again, as radii, not diameters",
        )
    loaded = table.wheel.loaded_radius
    if loaded is not None and not 0.8 * tyre.outer_radius_mm <= loaded <= tyre.outer_radius_mm:
        yield Fault(
            f"{where}.wheel.loaded_radius",
            f"{loaded:g} mm does not go with a free radius of {tyre.outer_radius_mm:g} mm",
            "it is wheel centre to ground, a little less than the free radius",
        )


def _ranges(where: str, table: AxleTable, layout: Layout) -> Iterator[Fault]:
    if table.rack is not None and not layout.on_rack:
        yield Fault(f"{where}.rack", f"a {layout.name} has no rack", "take this table out")
    if table.rack is None and layout.on_rack:
        yield Fault(f"{where}.rack", "missing", "add axis, stop and working")
    if table.rack is not None:
        if table.rack.working > table.rack.stop:
            yield Fault(
                f"{where}.rack.working",
                f"{table.rack.working:g} mm is beyond the stop at {table.rack.stop:g} mm",
                "working range is the part of the stop-to-stop travel that is used",
            )
        if abs(unit(table.rack.axis)[1]) < 0.5:
            yield Fault(
                f"{where}.rack.axis",
                f"{list(table.rack.axis)} does not run across the car",
                "y is left: a rack square to the car is [0, 1, 0]",
            )
    if table.travel.bump - table.travel.droop < SHORTEST_MM:
        yield Fault(f"{where}.travel", "no travel at all", "droop is negative, bump positive, mm")
    if table.damper is not None:
        if table.damper.min_length >= table.damper.max_length:
            yield Fault(
                f"{where}.damper.min_length",
                f"{table.damper.min_length:g} is not under max_length {table.damper.max_length:g}",
                "min is fully closed, max fully open",
            )
        spring = table.damper.spring
        if spring is not None and spring.solid_length >= spring.free_length:
            yield Fault(
                f"{where}.damper.spring.solid_length",
                f"{spring.solid_length:g} is not under free_length {spring.free_length:g}",
                "solid is coil bound",
            )
    if table.hold == "damper_length" and layout.damper and layout.name:
        points = table.points or table.points_left
        if any(p not in points for p in layout.damper):
            yield Fault(
                f"{where}.hold",
                "'damper_length' needs the damper's points",
                f"add {' and '.join(layout.damper)}",
            )


def _stands(where: str, table: AxleTable) -> Iterator[Fault]:
    if table.damper is None or table.damper.length_at_ride_height is None:
        yield Fault(
            f"{where}.damper.length_at_ride_height",
            "missing while [measured] state is 'on_stands'",
            "say how long the damper is when the car stands on its wheels",
        )


def _sides(where: str, side: Side, reference: Reference) -> Iterator[Fault]:
    centre = reference.points["wheel_centre"]
    if centre[1] * side.outboard <= 0.0:
        yield Fault(
            f"{where}.wheel.centre",
            f"y = {centre[1]:g} is on the car's {'right' if side is Side.LEFT else 'left'}, but "
            f"this is the {side.value} side",
            "y is + to the driver's left: change the sign, or set side",
        )
        return
    for name, point in reference.points.items():
        if point[1] * side.outboard < -20.0:
            yield Fault(
                f"{where}.points.{name}",
                f"y = {point[1]:g} is across the car from its own wheel (y = {centre[1]:g})",
                "left and right mixed up? + y is to the driver's left",
            )


def _lengths(where: str, layout: Layout, reference: Reference) -> Iterator[Fault]:
    points = reference.points
    ends = [(n, r.inner, r.outer) for n, r in {**layout.rods, **layout.spans}.items()]
    ends += [(n, p, a.ball) for n, a in layout.arms.items() for p in a.pivots]
    ends += [(n, *a.pivots) for n, a in layout.arms.items()]
    ends += [(n, s.lower, s.top) for n, s in layout.struts.items()]
    for name, a, b in ends:
        if a in points and b in points:
            apart = float(length(points[b] - points[a]))
            if apart < SHORTEST_MM:
                yield Fault(
                    f"{where}.points.{b}",
                    f"only {apart:.3g} mm from {a}, so {name.replace('_', ' ')} has no length",
                    "measure the two again",
                )


def _driveshaft(where: str, table: AxleTable, reference: Reference) -> Iterator[Fault]:
    points = reference.points
    if table.driveshaft is not None and "cv_outer" not in points:
        yield Fault(
            f"{where}.points.cv_outer", "missing", "a driveshaft needs cv_inner and cv_outer"
        )
    if "cv_outer" in points:
        arm = points["cv_outer"] - points["wheel_centre"]
        off = float(length(arm - dot(arm, reference.spin_axis) * reference.spin_axis))
        if off > CV_OFF_AXIS_MM:
            yield Fault(
                f"{where}.points.cv_outer",
                f"{off:.1f} mm off the wheel's spin axis (camber and toe counted)",
                "the outer joint's centre lies on that axis: measure it, the wheel centre, camber "
                "and toe again",
            )


def _damper_now(
    where: str,
    table: AxleTable,
    layout: Layout,
    reference: Reference,
    measured: MeasuredTable | None,
) -> Iterator[Fault]:
    if table.damper is None or layout.damper is None:
        return
    if any(p not in reference.points for p in layout.damper):
        yield Fault(
            f"{where}.damper",
            "given without its points",
            f"add {' and '.join(layout.damper)} to the points",
        )
        return
    a, b = (reference.points[p] for p in layout.damper)
    now = float(length(b - a))
    if not table.damper.min_length <= now <= table.damper.max_length:
        state = "as measured" if measured and measured.state == "on_stands" else "at ride height"
        yield Fault(
            f"{where}.damper",
            f"{now:.1f} mm long {state}, outside its {table.damper.min_length:g} to "
            f"{table.damper.max_length:g} mm",
            "measure the damper's two points and its stroke again",
        )


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
            case CylinderTable():
                yield from _known(key, {"at": body.at}, points)
            case MeshTable():
                yield from _mesh(key, body, folder)
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


def _mesh(key: str, body: MeshTable, folder: Path) -> Iterator[Fault]:
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
    if abs(dot(unit(body.x_axis), unit(body.y_axis))) > 0.02:
        yield Fault(f"{key}.y_axis", "not square to x_axis", "the file's axes are square")


def _pairs(where: str, table: AxleTable) -> Iterator[Fault]:
    bodies = [*table.bodies, *OWN_BODIES]
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
        match plate:
            case WeldOnEar():
                named = {"joint": plate.joint}
            case TopMountBase():
                named = {"top": plate.top, "lower": plate.lower}
        for what, point in named.items():
            if point not in points:
                yield Fault(f"{key}.{what}", f"no point '{point}'", near_miss(point, points))
            elif layout.owner(point) == KNUCKLE and what != "lower":
                yield Fault(
                    f"{key}.{what}", f"'{point}' is on the knuckle", "this plate stands on the body"
                )
