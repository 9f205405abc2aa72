"""Everything in an axle's tables that cannot be a car, found at once.

Each check reads tables that have already passed `schema.py` and yields `Fault`s: the key, the
value, the fix. Sizes and shapes only; whether the linkage can move is the solver's business.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np

from linkview.errors import Fault, near_miss
from linkview.geometry import length, unit
from linkview.model.adjuster_faults import adjuster_faults
from linkview.model.free_layout import layout_faults, layout_of
from linkview.model.hardware_faults import SHORTEST_MM, hardware_faults
from linkview.model.layout import OTHER_WHEEL_CENTRE, Layout
from linkview.model.parts import Side
from linkview.model.reference import Reference, given_references
from linkview.model.schema import AxleTable, MeasuredTable
from linkview.model.wheel_faults import driveshaft_faults, loaded_faults, wheel_faults
from linkview.units import to_deg

MOST_LEAN_DEG = 60.0  # of a steering axis; cars have 5 to 25


def axle_faults(
    where: str, table: AxleTable, measured: MeasuredTable | None, folder: Path
) -> list[Fault]:
    """All faults of one axle's tables; `where` is its dotted key."""
    wrong = list(layout_faults(where, table))
    if wrong:
        return wrong
    layout = layout_of(table)
    missing = list(_points(where, table, layout))
    out = [*missing, *wheel_faults(where, table), *_ranges(where, table, layout)]
    if measured and measured.state == "on_stands":
        out += _stands(where, table)
    if missing:
        return out
    for side, reference in given_references(table).items():
        key = f"{where}.points" if table.points else f"{where}.points_{side.value}"
        out += _places(key, side, layout, reference)
        out += _lengths(key, layout, reference)
        out += driveshaft_faults(key, table, reference)
        out += _damper_now(where, table, layout, reference, measured)
        if measured and measured.state == "on_its_wheels":
            out += loaded_faults(where, table, reference)
    out += hardware_faults(where, table, layout, folder)
    given = table.points or table.points_left
    for point in table.may_move:
        if point not in given:
            what = f"no hard point '{point}'"
            out.append(Fault(f"{where}.may_move.{point}", what, near_miss(point, given)))
    out += adjuster_faults(where, table.adjusters, table.wanted, layout, given)
    return list(dict.fromkeys(out))


def built_faults(where: str, side: Side, table: AxleTable, reference: Reference) -> list[Fault]:
    """What cannot be in one side's points, however they came about."""
    layout, key = layout_of(table), f"{where}.points"
    return [
        *_places(key, side, layout, reference),
        *_lengths(key, layout, reference),
        *driveshaft_faults(key, table, reference),
        *_damper_now(where, table, layout, reference, None),
    ]


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
                yield Fault(f"{where}.{key}.{name}", f"no such point in {layout.called}", fix)
        for name in layout.points:
            if name not in points and name not in layout.optional:
                yield Fault(
                    f"{where}.{key}.{name}",
                    "missing",
                    f"measure it and add it: {layout.called} needs it",
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


def _ranges(where: str, table: AxleTable, layout: Layout) -> Iterator[Fault]:
    if table.rack is not None and not layout.steers:
        yield Fault(f"{where}.rack", f"{layout.called} has no rack", "take this table out")
    if table.rack is None and layout.steers:
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
    if table.hold != "wheel_height":
        points = table.points or table.points_left
        ends = layout.damper or ()
        if not ends or any(p not in points for p in ends):
            yield Fault(
                f"{where}.hold",
                f"'{table.hold}' needs the damper's points",
                f"add {' and '.join(ends)}" if ends else f"name them in {where}.free.damper",
            )


def _stands(where: str, table: AxleTable) -> Iterator[Fault]:
    if table.damper is None or table.damper.length_at_ride_height is None:
        yield Fault(
            f"{where}.damper.length_at_ride_height",
            "missing while [measured] state is 'on_stands'",
            "say how long the damper is when the car stands on its wheels",
        )


def _places(key: str, side: Side, layout: Layout, reference: Reference) -> list[Fault]:
    """Points on the wrong side; else a steering axis that is none, which that would bring along."""
    across = list(_sides(key, side, layout, reference))
    return across or list(_steering_axis(key, layout, reference))


def _sides(key: str, side: Side, layout: Layout, reference: Reference) -> Iterator[Fault]:
    centre = reference.points["wheel_centre"]
    where, _, one = key.rpartition(".points")
    if centre[1] * side.outboard <= 0.0:
        yield Fault(
            f"{where}.wheel{one}.centre",
            f"y = {centre[1]:g} is on the car's {'right' if side is Side.LEFT else 'left'}, but "
            f"this is the {side.value} side",
            "y is + to the driver's left: change the sign, or set side",
        )
        return
    for name, point in reference.points.items():
        if name in (*layout.shared, OTHER_WHEEL_CENTRE):
            continue
        if point[1] * side.outboard < -20.0:
            yield Fault(
                f"{key}.{name}",
                f"y = {point[1]:g} is across the car from its own wheel (y = {centre[1]:g})",
                "left and right mixed up? + y is to the driver's left",
            )


def _lengths(key: str, layout: Layout, reference: Reference) -> Iterator[Fault]:
    points = reference.points
    for name, a, b in layout.ends():
        if a in points and b in points:
            apart = float(length(points[b] - points[a]))
            if apart < SHORTEST_MM:
                yield Fault(
                    f"{key}.{b}",
                    f"only {apart:.3g} mm from {a}, so {name.replace('_', ' ')} has no length",
                    "measure the two again",
                )


def _steering_axis(key: str, layout: Layout, reference: Reference) -> Iterator[Fault]:
    """An axis upside down reads -176 deg of caster where it has 4."""
    if layout.steering_axis is None or any(p not in reference.points for p in layout.steering_axis):
        return
    low, top = layout.steering_axis
    axis = reference.points[top] - reference.points[low]
    lean = float(to_deg(np.arccos(np.clip(axis[2] / max(float(length(axis)), 1e-9), -1.0, 1.0))))
    if lean > MOST_LEAN_DEG:
        yield Fault(
            f"{key}.{top}",
            f"the steering axis from {low} up to {top} leans {lean:.0f} deg from upright",
            "mixed up? the lower point comes first; z is up",
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
