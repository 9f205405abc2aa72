"""The layout that an axle's tables ask for: one by name, one of their own, a bar added."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from linkview.errors import Fault, near_miss
from linkview.model.axletables import FreeLayoutTable
from linkview.model.layout import (
    BODY,
    FREE,
    KNUCKLE,
    RACK,
    Arm,
    Ball,
    Hinge,
    Layout,
    OnLine,
    Rod,
    Strut,
)
from linkview.model.layouts import LAYOUTS, with_anti_roll_bar
from linkview.model.schema import AxleTable
from linkview.model.wording import spoken


def layout_of(table: AxleTable) -> Layout:
    """The axle's layout. Raises KeyError for an unknown name (`layout_faults` has said so)."""
    layout = _free(table.free) if table.layout == FREE and table.free else LAYOUTS[table.layout]
    bar = table.anti_roll_bar
    return layout if bar is None else with_anti_roll_bar(layout, bar.on)


def layout_faults(where: str, table: AxleTable) -> Iterator[Fault]:
    """What keeps `layout_of` from giving a layout."""
    if table.layout == FREE:
        if table.free is None:
            yield Fault(f"{where}.free", "missing", "list parts and joints, or name a layout")
            return
        yield from _free_faults(f"{where}.free", table.free)
    elif table.layout not in LAYOUTS:
        fix = near_miss(table.layout, [*LAYOUTS, FREE])
        yield Fault(f"{where}.layout", f"no layout '{table.layout}'", fix)
        return
    elif table.free is not None:
        yield Fault(f"{where}.free", f"given with layout '{table.layout}'", "take one of them out")
    bar = table.anti_roll_bar
    if bar is not None:
        free = table.free.parts if table.free else {}
        known = LAYOUTS[table.layout].solved if table.layout in LAYOUTS else [KNUCKLE, *free]
        if bar.on not in (BODY, *known):
            yield Fault(
                f"{where}.anti_roll_bar.on", f"no solved part '{bar.on}'", near_miss(bar.on, known)
            )


def _free(table: FreeLayoutTable) -> Layout:
    own = {p: points for p, points in table.parts.items() if p not in (BODY, RACK, KNUCKLE)}
    return Layout(
        name=FREE,
        title=table.title,
        fixed=table.parts.get(BODY, ()),
        on_rack=table.parts.get(RACK, ()),
        on_knuckle=table.parts.get(KNUCKLE, ()),
        carried=own,
        hinges={n: Hinge(h.part, h.pivots) for n, h in table.hinges.items()},
        balls={n: Ball(b.part, b.point) for n, b in table.balls.items()},
        lines={n: OnLine(x.point, x.line) for n, x in table.lines.items()},
        rods={n: Rod(r.inner, r.outer) for n, r in table.rods.items()},
        arms={n: Arm(a.pivots, a.ball) for n, a in table.arms.items()},
        struts={n: Strut(s.lower, s.top) for n, s in table.struts.items()},
        damper=table.damper,
        steering_axis=table.steering_axis,
        tie_rod=table.tie_rod,
        steered=table.steered,
        shared=table.shared,
    )


def _free_faults(where: str, table: FreeLayoutTable) -> Iterator[Fault]:
    if KNUCKLE not in table.parts:
        yield Fault(f"{where}.parts.{KNUCKLE}", "missing", "the part that carries the wheel")
    points = [p for owned in table.parts.values() for p in owned]
    for twice in sorted({p for p in points if points.count(p) > 1}):
        yield Fault(f"{where}.parts", f"'{twice}' is on two parts", "one part owns each point")
    known = [*points, "wheel_centre"]
    for key, name in _named(table):
        if name not in known:
            yield Fault(f"{where}.{key}", f"no point '{name}' in parts", near_miss(name, known))
    moving = [p for p in table.parts if p not in (BODY, RACK)]
    joined = [(f"hinges.{n}", h.part) for n, h in table.hinges.items()]
    joined += [(f"balls.{n}", b.part) for n, b in table.balls.items()]
    for key, part in joined:
        if part not in moving:
            yield Fault(f"{where}.{key}.part", f"no moving part '{part}'", near_miss(part, moving))
    yield from _joint_faults(where, table)
    fixed = table.parts.get(BODY, ())
    for n, arm in table.arms.items():
        for pivot in arm.pivots:
            if pivot in known and pivot not in fixed:
                yield Fault(
                    f"{where}.arms.{n}.pivots",
                    f"'{pivot}' is not on the body",
                    "make the arm a part of its own with a hinge",
                )
    if table.tie_rod is not None and table.tie_rod not in table.rods:
        fix = near_miss(table.tie_rod, table.rods)
        yield Fault(f"{where}.tie_rod", f"no rod '{table.tie_rod}'", fix)


def _joint_faults(where: str, table: FreeLayoutTable) -> Iterator[Fault]:
    """Joints with both ends on one part, or with their axis on two; parts that no joint holds."""
    owner = {p: part for part, owned in table.parts.items() for p in owned}
    owner["wheel_centre"] = KNUCKLE
    joined = {BODY}
    for key, one, other in _ends(table, owner):
        joined |= {one, other}
        if one == other and one:
            what = f"joins the {spoken(one)} to itself and holds nothing"
            yield Fault(f"{where}.{key}", what, "join two parts, or take it out")
    axes = [(f"hinges.{n}.pivots", h.pivots) for n, h in table.hinges.items()]
    axes += [(f"lines.{n}.line", x.line) for n, x in table.lines.items()]
    for key, ends in axes:
        one, other = (owner.get(p, "") for p in ends)
        if one and other and one != other:
            what = f"'{ends[0]}' is on the {spoken(one)}, '{ends[1]}' on the {spoken(other)}"
            yield Fault(f"{where}.{key}", what, "both points of an axis belong to one part")
    for part in table.parts:
        if part not in joined:
            what = "no joint holds this part"
            yield Fault(f"{where}.parts.{part}", what, "add its joints, or leave it out")


def _ends(table: FreeLayoutTable, owner: Mapping[str, str]) -> Iterator[tuple[str, str, str]]:
    """Each joint's key and the two parts that it joins, '' for one that is not known."""
    for n, rod in table.rods.items():
        yield f"rods.{n}", owner.get(rod.inner, ""), owner.get(rod.outer, "")
    for n, arm in table.arms.items():
        yield f"arms.{n}", BODY, owner.get(arm.ball, "")
    for n, strut in table.struts.items():
        yield f"struts.{n}", owner.get(strut.lower, ""), owner.get(strut.top, "")
    for n, hinge in table.hinges.items():
        yield f"hinges.{n}", hinge.part, owner.get(hinge.pivots[0], "")
    for n, ball in table.balls.items():
        yield f"balls.{n}", ball.part, owner.get(ball.point, "")
    for n, line in table.lines.items():
        yield f"lines.{n}", owner.get(line.point, ""), owner.get(line.line[0], "")


def _named(table: FreeLayoutTable) -> Iterator[tuple[str, str]]:
    """Every hard point that a joint names, with the key that names it."""
    for n, rod in table.rods.items():
        yield from ((f"rods.{n}", p) for p in (rod.inner, rod.outer))
    for n, arm in table.arms.items():
        yield from ((f"arms.{n}", p) for p in (*arm.pivots, arm.ball))
    for n, strut in table.struts.items():
        yield from ((f"struts.{n}", p) for p in (strut.lower, strut.top))
    for n, hinge in table.hinges.items():
        yield from ((f"hinges.{n}", p) for p in hinge.pivots)
    for n, ball in table.balls.items():
        yield f"balls.{n}", ball.point
    for n, line in table.lines.items():
        yield from ((f"lines.{n}", p) for p in (line.point, *line.line))
    yield from (("damper", p) for p in table.damper or ())
    yield from (("steering_axis", p) for p in table.steering_axis or ())
    yield from (("shared", p) for p in table.shared)
    if table.steered is not None:
        yield "steered", table.steered
