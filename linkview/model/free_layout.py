"""The layout that an axle's tables ask for: one by name, one of their own, a bar added."""

from __future__ import annotations

from collections.abc import Iterator

from linkview.errors import Fault, near_miss
from linkview.model.axletables import FreeLayoutTable
from linkview.model.free_faults import free_faults
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
from linkview.model.layouts import LAYOUTS, damper_spans, with_anti_roll_bar
from linkview.model.schema import AxleTable


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
        found = free_faults(f"{where}.free", table.free, bar=table.anti_roll_bar)
        yield from dict.fromkeys(found)
    elif table.layout not in LAYOUTS:
        fix = near_miss(table.layout, [*LAYOUTS, FREE])
        yield Fault(f"{where}.layout", f"no layout '{table.layout}'", fix)
        return
    elif table.free is not None:
        yield Fault(f"{where}.free", f"given with layout '{table.layout}'", "take one of them out")
    bar = table.anti_roll_bar
    if bar is not None:
        own = [p for p in table.free.parts if p != RACK] if table.free else []
        known = LAYOUTS[table.layout].solved if table.layout in LAYOUTS else own
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
        spans=_damper_spans(table),
        damper=table.damper,
        steering_axis=table.steering_axis,
        tie_rod=table.tie_rod,
        steered=table.steered,
        level=table.solid_axle,
        shared=table.shared,
    )


def _damper_spans(table: FreeLayoutTable) -> dict[str, Rod]:
    """The damper's two halves as parts that look at each other; a strut is that already."""
    if table.damper is None:
        return {}
    spans = damper_spans(*table.damper)
    taken = spans.keys() & {*table.rods, *table.arms, *table.struts, *table.parts}
    is_strut = any({*table.damper} == {s.lower, s.top} for s in table.struts.values())
    return {} if taken or is_strut else spans
