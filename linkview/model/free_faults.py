"""Everything in an axle's own list of parts and joints that cannot be a layout, found at once.

Names and who is joined to whom only; whether the parts can move is the solver's business.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping

from linkview.errors import Fault, near_miss
from linkview.model.axletables import AntiRollBarTable, FreeLayoutTable
from linkview.model.layout import BODY, KNUCKLE, OTHER_WHEEL_CENTRE, RACK, WHEEL, WHEEL_CENTRE
from linkview.model.layouts import BAR_JOINTS, BAR_PARTS, BAR_POINTS
from linkview.model.wording import spoken


def free_faults(
    where: str, table: FreeLayoutTable, *, bar: AntiRollBarTable | None
) -> Iterator[Fault]:
    """All faults of [axle.NAME.free]; bar: the anti-roll bar that is added to it, if any."""
    if KNUCKLE not in table.parts:
        yield Fault(f"{where}.parts.{KNUCKLE}", "missing", "the part that carries the wheel")
    yield from _names(where, table, bar)
    yield from _known(where, table)
    owner = {p: part for part, owned in table.parts.items() for p in owned}
    owner[WHEEL_CENTRE] = KNUCKLE
    yield from _joints(where, table, owner)
    yield from _pairs(where, table, owner)
    yield from _roles(where, table, owner)


def _names(where: str, table: FreeLayoutTable, bar: AntiRollBarTable | None) -> Iterator[Fault]:
    """Names given twice, or taken."""
    points = Counter(p for owned in table.parts.values() for p in owned)
    for twice in sorted(p for p, times in points.items() if times > 1):
        yield Fault(f"{where}.parts", f"'{twice}' is on two parts", "one part owns each point")
    taken = [WHEEL_CENTRE, OTHER_WHEEL_CENTRE, *(BAR_POINTS if bar else ())]
    for part, owned in table.parts.items():
        for point in (p for p in owned if p in taken):
            what = f"'{point}' is there without being listed"
            yield Fault(f"{where}.parts.{part}", what, "take it out, or name yours otherwise")
    # A link is a part and a joint in one; a hinge may be called as the part that it carries.
    links = {"rods": list(table.rods), "arms": list(table.arms), "struts": list(table.struts)}
    joints = {"hinges": list(table.hinges), "balls": list(table.balls), "lines": list(table.lines)}
    parts = {WHEEL: "the wheel itself", **dict.fromkeys(BAR_PARTS if bar else (), "the bar")}
    yield from _twice(where, {"parts": list(table.parts), **links}, parts)
    yield from _twice(
        where, {**links, **joints}, dict.fromkeys(BAR_JOINTS if bar else (), "the bar")
    )


def _twice(
    where: str, tables: Mapping[str, Iterable[str]], taken: Mapping[str, str]
) -> Iterator[Fault]:
    used = dict(taken)
    for key, names in tables.items():
        for name in names:
            if name in used:
                what = f"this name is taken by {used[name]}"
                yield Fault(f"{where}.{key}.{name}", what, "give it a name of its own")
            used.setdefault(name, f"one of {key}")


def _known(where: str, table: FreeLayoutTable) -> Iterator[Fault]:
    """Names of points and parts that are not there."""
    known = [WHEEL_CENTRE, *(p for owned in table.parts.values() for p in owned)]
    for key, name in _named(table):
        if name not in known:
            yield Fault(f"{where}.{key}", f"no point '{name}' in parts", near_miss(name, known))
    moving = [p for p in table.parts if p not in (BODY, RACK)]
    joined = [(f"hinges.{n}", h.part) for n, h in table.hinges.items()]
    joined += [(f"balls.{n}", b.part) for n, b in table.balls.items()]
    for key, part in joined:
        if part not in moving:
            yield Fault(f"{where}.{key}.part", f"no moving part '{part}'", near_miss(part, moving))
    if table.tie_rod is not None and table.tie_rod not in table.rods:
        fix = near_miss(table.tie_rod, table.rods)
        yield Fault(f"{where}.tie_rod", f"no rod '{table.tie_rod}'", fix)


def _joints(where: str, table: FreeLayoutTable, owner: Mapping[str, str]) -> Iterator[Fault]:
    """Joints with both ends on one part; arms off the body; parts that no joint holds."""
    joined = {BODY}
    for key, one, other in _ends(table, owner):
        joined |= {one, other}
        if one == other and one:
            what = f"joins the {spoken(one)} to itself and holds nothing"
            yield Fault(f"{where}.{key}", what, "join two parts, or take it out")
    for n, arm in table.arms.items():
        for pivot in arm.pivots:
            if owner.get(pivot, BODY) != BODY:
                what = f"'{pivot}' is not on the body"
                fix = "make the arm a part of its own with a hinge"
                yield Fault(f"{where}.arms.{n}.pivots", what, fix)
    for part in table.parts:
        if part not in joined:
            what = "no joint holds this part"
            yield Fault(f"{where}.parts.{part}", what, "add its joints, or leave it out")


def _pairs(where: str, table: FreeLayoutTable, owner: Mapping[str, str]) -> Iterator[Fault]:
    """Pairs of points that are one point; axes with their points on two parts."""
    axes = [(f"hinges.{n}.pivots", h.pivots) for n, h in table.hinges.items()]
    axes += [(f"lines.{n}.line", x.line) for n, x in table.lines.items()]
    pairs = [*axes, *((f"arms.{n}.pivots", a.pivots) for n, a in table.arms.items())]
    pairs += [("damper", table.damper)] if table.damper else []
    pairs += [("steering_axis", table.steering_axis)] if table.steering_axis else []
    for key, (one, two) in pairs:
        if one == two:
            yield Fault(f"{where}.{key}", f"names '{one}' twice", "name two points")
    for key, ends in axes:
        one, two = (owner.get(p, "") for p in ends)
        if one and two and one != two:
            what = f"'{ends[0]}' is on the {spoken(one)}, '{ends[1]}' on the {spoken(two)}"
            yield Fault(f"{where}.{key}", what, "both points of an axis belong to one part")


def _roles(where: str, table: FreeLayoutTable, owner: Mapping[str, str]) -> Iterator[Fault]:
    """Points that cannot be what the layout says they are."""
    damper = table.damper or ("", "")
    one, two = (owner.get(p, "") for p in damper)
    if one and one == two and damper[0] != damper[1]:
        what = f"both its ends are on the {spoken(one)}, so its length never changes"
        yield Fault(f"{where}.damper", what, "name a point of each of the two parts it stands on")
    pivots = {p for h in table.hinges.values() if h.part == KNUCKLE for p in h.pivots}
    pivots |= {b.point for b in table.balls.values() if b.part == KNUCKLE}
    pivots |= {s.top for s in table.struts.values() if owner.get(s.lower) == KNUCKLE}
    for point in table.steering_axis or ():
        if owner.get(point, KNUCKLE) != KNUCKLE and point not in pivots:
            what = f"'{point}' is on the {spoken(owner[point])}, not where the knuckle is joined"
            fix = "name two ball joints of the knuckle, or one and the top of its strut"
            yield Fault(f"{where}.steering_axis", what, fix)
    if table.solid_axle:
        yield from _steered_solid_axle(where, table)
    for point in table.shared:
        if owner.get(point) == KNUCKLE and not table.solid_axle:
            what = f"'{point}' is on the knuckle, and each side has its own"
            fix = "take it out of shared; where both wheels ride on the knuckle say solid_axle"
            yield Fault(f"{where}.shared", what, fix)
    if table.steered is None:
        return
    if table.parts.get(RACK):
        what = f"'{table.steered}' is given beside points on a rack"
        yield Fault(f"{where}.steered", what, "one thing steers: take one of the two out")
    if owner.get(table.steered) in (BODY, RACK):
        what = f"'{table.steered}' is on the {owner[table.steered]} and cannot be moved by steering"
        yield Fault(f"{where}.steered", what, "name a point of the arm that turns, or of its link")


def _steered_solid_axle(where: str, table: FreeLayoutTable) -> Iterator[Fault]:
    """Wheels that steer do not ride on one part with each other."""
    steering = {
        "steering_axis": table.steering_axis is not None,
        "tie_rod": table.tie_rod is not None,
        "steered": table.steered is not None,
        "parts.rack": RACK in table.parts,
    }
    for key in (k for k, given in steering.items() if given):
        what = "given with solid_axle, whose wheels do not steer"
        yield Fault(f"{where}.{key}", what, "take one of the two out")


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
