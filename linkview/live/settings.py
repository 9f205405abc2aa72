"""What of an axle is set by numbers beside its hard points: links and slots."""

from __future__ import annotations

import math
from typing import Any

from linkview.model.adjusters import SlotAdjuster
from linkview.model.parts import Axle, Corner
from linkview.model.wheels import tyre_of_code

Json = dict[str, Any]


def settings_json(axle: Axle, own: Corner, before: Corner) -> Json:
    """own: the corner that the file's points describe; before: the same without unsaved changes.

    links: (name, inner, outer, mm eye to eye). slots: of the file's adjusters, on the file's side.
    zero: where points stand that a slot counts from, mm.
    """
    links = [
        [name, rod.inner, rod.outer, round(own.distance_mm(rod.inner, rod.outer), 4)]
        for name, rod in own.layout.rods.items()
        if rod.inner in own.points and rod.outer in own.points
    ]
    slots = [
        {"name": name, "points": list(a.points), "way": _unit(a.way), "range": list(a.range)}
        for name, a in axle.adjusters.items()
        if isinstance(a, SlotAdjuster) and all(p in own.points for p in a.points)
    ]
    zero = {n: [round(float(v), 4) for v in p] for n, p in before.points.items()}
    return {
        "links": links,
        "slots": slots,
        "zero": zero,
        "loaded": own.wheel.loaded_radius_mm,
        "tyreCode": _code(own),
    }


def _code(own: Corner) -> str:
    """The tyre's size code, where the section is still the code's own; else ''."""
    tyre = own.wheel.tyre
    if not tyre.code:
        return ""
    of_code = tyre_of_code(tyre.code, own.wheel.rim.width_in)[0]
    same = math.isclose(tyre.outer_radius_mm, of_code.outer_radius_mm)
    return tyre.code if same and math.isclose(tyre.half_width_mm, of_code.half_width_mm) else ""


def _unit(way: tuple[float, float, float]) -> list[float]:
    long = math.hypot(*way)
    return [round(v / long, 9) for v in way]
