"""Bodies that a file gives by what they are: each table makes one or several."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from linkview.errors import Fault, near_miss
from linkview.geometry import Array, dot, frozen, length, unit
from linkview.model import brakes, stretching
from linkview.model.bodies import Anchor, Body
from linkview.model.bodytables import (
    BodyTable,
    BrakeDiscTable,
    CaliperTable,
    CoilSpringTable,
    DamperBodyTable,
    DriveshaftBodyTable,
)
from linkview.model.layout import Layout
from linkview.model.parts import Driveshaft, Side, Wheel
from linkview.model.schema import AxleTable

SHAFT_PART = "driveshaft"
MadeTable = CoilSpringTable | DamperBodyTable | DriveshaftBodyTable | BrakeDiscTable | CaliperTable


def names_of(name: str, table: BodyTable) -> tuple[str, ...]:
    """The names of the bodies that a table makes."""
    if isinstance(table, DamperBodyTable):
        return name, f"{name}_shaft"
    if isinstance(table, DriveshaftBodyTable):
        ends = {"inner": table.inner_joint, "outer": table.outer_joint}
        joints = [f"{name}_{end}_joint" for end in ends]
        boots = [f"{name}_{end}_boot" for end, joint in ends.items() if joint.boot_length]
        return (name, *joints, *boots)
    return (name,)


def fit_together(bodies: Mapping[str, BodyTable]) -> dict[frozenset[str], str]:
    """Pairs that touch by what they are, with the reason."""
    out = {}
    for name, table in bodies.items():
        for pair in combinations(names_of(name, table), 2):
            out[frozenset(pair)] = f"both are parts of {name}"
    discs = [n for n, t in bodies.items() if isinstance(t, BrakeDiscTable)]
    calipers = [n for n, t in bodies.items() if isinstance(t, CaliperTable)]
    for disc in discs:
        for caliper in calipers:
            out[frozenset((disc, caliper))] = "the disc runs in the caliper"
    return out


@dataclass(frozen=True, eq=False)
class Hung:
    """What such bodies hang on, of one corner."""

    layout: Layout
    points: Mapping[str, Array]
    wheel: Wheel
    side: Side
    driveshaft: Driveshaft | None


def made_bodies(name: str, table: MadeTable, on: Hung) -> tuple[Body, ...]:
    """The bodies of one table, in the order of `names_of`."""
    match table:
        case CoilSpringTable():
            ends = _along(on, table.from_, table.to, table.start, table.end_before)
            hand = {"right": 1.0, "left": -1.0}[table.wound]
            spring = stretching.coil_spring(
                name,
                ends,
                on.side,
                outer_mm=table.radius,
                wire_mm=table.wire,
                turns=hand * table.coils,
                begins_deg=table.wire_begins,
            )
            return (spring,)
        case DamperBodyTable():
            return stretching.damper(
                name,
                _along(on, table.from_, table.to, 0.0, 0.0),
                body_mm=table.radius,
                long_mm=table.body_length,
                shaft_mm=table.shaft_radius,
            )
        case DriveshaftBodyTable():
            return _driveshaft(name, table, on)
        case BrakeDiscTable():
            disc = brakes.brake_disc(
                name,
                on.wheel,
                on.side,
                radius=table.radius,
                thickness=table.thickness,
                offset=table.offset,
            )
            return (disc,)
        case CaliperTable():
            block = brakes.caliper(
                name,
                on.wheel,
                on.side,
                radii=(table.inner_radius, table.outer_radius),
                outboard=(table.outboard_from, table.outboard_to),
                angles_deg=(table.angle_from, table.angle_to),
            )
            return (block,)


def _along(on: Hung, a: str, b: str, start: float, before: float) -> tuple[Anchor, Anchor]:
    low, top = on.layout.ends_ride(a, b)
    way = unit(on.points[b] - on.points[a])
    return (
        Anchor(low, frozen(on.points[a] + start * way)),
        Anchor(top, frozen(on.points[b] - before * way)),
    )


def _driveshaft(name: str, table: DriveshaftBodyTable, on: Hung) -> tuple[Body, ...]:
    assert on.driveshaft is not None
    inner, outer = on.points["cv_inner"], on.points["cv_outer"]
    joints = []
    for end, given, axis, point, way in (
        ("inner", table.inner_joint, on.driveshaft.inner_axis, "cv_inner", outer - inner),
        ("outer", table.outer_joint, on.wheel.spin_axis, "cv_outer", inner - outer),
    ):
        toward = frozen(unit(axis) * (1.0 if dot(axis, way) > 0.0 else -1.0))
        at = Anchor(on.layout.owner(point), on.points[point])
        joints.append(
            stretching.ShaftJoint(
                end, at, toward, given.radius, given.half_length, given.boot_length
            )
        )
    return stretching.driveshaft(name, SHAFT_PART, (joints[0], joints[1]), on.side, table.radius)


# --- what cannot be -----------------------------------------------------------------------------


def made_faults(
    key: str, name: str, body: MadeTable, table: AxleTable, layout: Layout
) -> Iterator[Fault]:
    """Faults of one such table; `key` is its dotted key."""
    points = table.points or table.points_left
    others = {n for o, t in table.bodies.items() if o != name for n in names_of(o, t)}
    for made in names_of(name, body):
        if made in others:
            yield Fault(key, f"a second body would be called '{made}'", "give it another name")
    match body:
        case CoilSpringTable() | DamperBodyTable():
            yield from _on_damper(key, body, points, layout)
        case DriveshaftBodyTable():
            if table.driveshaft is None or not {"cv_inner", "cv_outer"} <= set(points):
                yield Fault(key, "no driveshaft here", "add its table, cv_inner and cv_outer")
            elif SHAFT_PART not in layout.spans:
                yield Fault(key, f"{layout.called} has no driveshaft", "draw it with tubes")
            for end in ("inner_joint", "outer_joint"):
                joint = getattr(body, end)
                if joint.boot_length is not None and joint.boot_length <= joint.half_length:
                    yield Fault(
                        f"{key}.{end}.boot_length",
                        f"{joint.boot_length:g} mm ends inside the housing",
                        "it runs from the joint's centre: make it longer than half_length",
                    )
        case CaliperTable():
            for low, high in (
                ("inner_radius", "outer_radius"),
                ("outboard_from", "outboard_to"),
                ("angle_from", "angle_to"),
            ):
                a, b = getattr(body, low), getattr(body, high)
                if not b > a:
                    yield Fault(f"{key}.{high}", f"{b:g} is not over {low} {a:g}", "swap the two")
            if body.angle_to - body.angle_from > 180.0:
                yield Fault(f"{key}.angle_to", "more than half way round", "0 ahead, 90 above")


def _on_damper(
    key: str, body: CoilSpringTable | DamperBodyTable, points: Mapping[str, object], layout: Layout
) -> Iterator[Fault]:
    ends = layout.damper or ()
    for what, point in (("from", body.from_), ("to", body.to)):
        if point not in ends or point not in points:
            yield Fault(
                f"{key}.{what}", f"'{point}' is no end of the damper", near_miss(point, ends)
            )
            return
    if body.from_ == body.to:
        yield Fault(f"{key}.to", "the same place as from", "give the damper's other end")
        return
    a, b = (np.asarray(points[p], dtype=float) for p in (body.from_, body.to))
    span = float(length(b - a))
    if isinstance(body, DamperBodyTable):
        if body.body_length >= span:
            yield Fault(
                f"{key}.body_length",
                f"{body.body_length:g} mm, but its ends are {span:.0f} mm apart",
                "measure the body from its eye to where the shaft comes out",
            )
        return
    room = span - body.start - body.end_before
    if body.wire >= body.radius:
        yield Fault(f"{key}.wire", f"{body.wire:g} mm is no wire", "give its diameter")
    elif room < body.wire * body.coils:
        yield Fault(
            f"{key}.coils",
            f"{body.coils:g} turns of {body.wire:g} mm do not go into {room:.0f} mm",
            "check coils, wire, start and end_before",
        )
