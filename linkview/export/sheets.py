"""The two sheets for the wall and the floor: set-up targets, and what to measure in which order."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

import numpy as np

from linkview.alignment.quantities import QUANTITIES
from linkview.export.blocks import (
    BOX,
    Block,
    Bullets,
    CautionBox,
    Column,
    Document,
    Figures,
    Heading,
    Para,
    Row,
    Table,
    Tone,
)
from linkview.export.identity import Identity
from linkview.export.line_drawings import lines_between, points_sketch
from linkview.export.report import at_ride_height, figure, running_foot, running_head
from linkview.export.setting import figure as setting_figure
from linkview.export.setting import setting_words
from linkview.export.summary import CAUTIONS, gap_words
from linkview.geometry import length
from linkview.model.parts import Car, Corner, Side
from linkview.plates.plate import Slot
from linkview.scene.riding import standing_at
from linkview.study import AxleStudy, CarStudy, spoken
from linkview.tuning.dials import quantity
from linkview.tuning.setting import set_up, wanted_of

TARGETS = ("camber_deg", "toe_in_deg", "caster_deg", "gauge_caster_deg")
WORST_GAPS = 3
BY_HAND = (
    "Springs out, rack centred: move each wheel by hand from full droop to full bump; nothing may "
    "touch, bind or go tight.",
    "The same at both rack stops and half-way to each: many tyres are nearest in mid-steer.",
    "Springs in: brake lines and wires through the whole motion; joints free at both ends of it.",
    "Drive at low speed first; then re-torque every joint and look for cracks.",
)


def setup_paper(study: CarStudy, identity: Identity) -> Document:
    """One page for the wall: targets, lengths, stops, and boxes for what was measured."""
    blocks: list[Block] = [
        Heading("Set-up sheet", 0),
        Para(f"{identity.car}: {identity.state}. {identity.title}".strip()),
    ]
    for name, axle in study.axles.items():
        blocks.append(Heading(f"{name.capitalize()} axle", 2))
        blocks.append(Table(_COLUMNS, tuple(_setup_rows(axle)), dense=True))
        blocks.append(Bullets(tuple(_stops(axle)), Tone.NOTE))
        blocks += _settings(axle, study.car)
    blocks.append(Heading("Check by hand before it moves", 2))
    blocks.append(Bullets(BY_HAND, Tone.NOTE))
    worst = [
        f"{name}: {gap_words(axle, side, pair)}"
        for name, axle in study.axles.items()
        for side, pair in axle.worst_pairs(WORST_GAPS)
    ]
    if worst:
        blocks.append(Para("Look here first, the smallest computed gaps:", Tone.NOTE))
        blocks.append(Bullets(tuple(worst), Tone.NOTE))
    blocks.append(CautionBox("This can hurt people", CAUTIONS[:1]))
    return Document(
        f"{identity.car} - {identity.state}: set-up sheet",
        running_head(identity),
        running_foot(identity),
        tuple(blocks),
        one_page=True,
    )


def _settings(axle: AxleStudy, car: Car) -> Iterator[Block]:
    """What to set for what is wanted, in order, where the file has adjusters and says so."""
    wanted = wanted_of(axle.axle.wanted, {})
    if not wanted or not axle.axle.adjusters:
        return
    found = set_up(axle.axle, car, wanted)
    rows = []
    for number, step in enumerate(found.steps, start=1):
        one = step.dial.side or Side.LEFT
        told = [f"{quantity(k[1]).label} {setting_figure(k, v)}" for k, v in step.readings.items()
                if k[0] is one]  # fmt: skip
        what = setting_words(step.dial, step.by)
        rows.append(Row((str(number), step.dial.words, what, ", ".join(told))))
    columns = Column("step", 1.0), Column("adjuster", 3.6), Column("what to do", 5.4)
    yield Para(
        "From the alignment above to what is wanted ("
        + ", ".join(f"{k[0].value if k[0] else ''} {quantity(k[1]).label} {setting_figure(k, v)}"
                    for k, v in wanted.items())
        + "), in this order:",
        Tone.NOTE,
    )  # fmt: skip
    yield Table((*columns, Column("then it reads", 7.3)), tuple(rows), dense=True)
    missed = tuple(f"Not met: {m.words}" for m in found.misses)
    if missed:
        yield Bullets(missed, Tone.NOTE)


_COLUMNS = (
    Column("what", 6.2),
    Column("target left", 2.2, True),
    Column("measured left", 2.6),
    Column("target right", 2.2, True),
    Column("measured right", 2.6),
    Column("unit", 1.1),
)


def _setup_rows(axle: AxleStudy) -> Iterator[Row]:
    left, right = axle.axle.corners
    heights = [_heights(c) for c in (left, right)]
    for words, value in heights[0].items():
        yield _row(words, f"{value:.1f}", f"{heights[1][words]:.1f}", "mm")
    known = {q.name: q for q in QUANTITIES}
    for name in TARGETS:
        values = at_ride_height(axle, known[name])
        if values is not None:
            a, b = (figure(v, known[name].decimals) for v in values)
            yield _row(f"{known[name].label} at ride height", a, b, known[name].unit)
    for (a, b), words in _lengths(left).items():
        mine, other = (float(length(c.points[a] - c.points[b])) for c in (left, right))
        yield _row(words, f"{mine:.1f}", f"{other:.1f}", "mm")


def _row(what: str, left: str, right: str, unit: str) -> Row:
    return Row((what, left, BOX, right, BOX, unit))


def _heights(corner: Corner) -> dict[str, float]:
    """What can be measured from the ground, at ride height."""
    ground = float(standing_at(corner, {"wheel": np.eye(4)})[2])
    out = {"wheel centre over the ground": float(corner.points["wheel_centre"][2]) - ground}
    for arm in corner.layout.arms.values():
        for pivot in arm.pivots:
            out[f"{spoken(pivot)} over the ground"] = float(corner.points[pivot][2]) - ground
    return out


def _lengths(corner: Corner) -> dict[tuple[str, str], str]:
    """Eye-to-eye lengths, by the hard points at their ends."""
    layout = corner.layout
    out = {}
    for name, rod in layout.rods.items():
        out[rod.inner, rod.outer] = f"{spoken(name)}, eye to eye"
    for name, arm in layout.arms.items():
        for pivot in arm.pivots:
            out[pivot, arm.ball] = f"{spoken(name)}: {spoken(pivot)} to {spoken(arm.ball)}"
    if layout.damper:
        a, b = layout.damper
        out[a, b] = f"{spoken(a)} to {spoken(b)}, ride height"
    return out


def _stops(axle: AxleStudy) -> Iterator[str]:
    rack = axle.axle.left.rack
    if rack is not None:
        safe = axle.stops.safe_rack_mm
        inside = (
            f"inside every limit given: {safe:.1f} mm"
            if safe is not None
            else f"no safe setting can be named: {axle.stops.no_safe_rack}"
        )
        yield (
            f"Rack stop: {rack.stop_mm:g} mm each way in the file, {rack.working_mm:g} mm used; "
            f"{inside}. Fit a physical stop. {axle.axle.hold.words.capitalize()}."
        )
    travel = axle.axle.left.travel
    for way, stop, end in (
        ("Bump", axle.stops.bump, travel.bump_mm),
        ("Droop", axle.stops.droop, travel.droop_mm),
    ):
        met = f"{stop.what} at {stop.travel_mm:+.1f} mm" if stop else "no limit met in the range"
        yield f"{way}: range to {end:+g} mm; {met}."
    for drawn in axle.plates:
        for plate in list(drawn.sides.values())[:1]:
            for cut in plate.slots:
                if isinstance(cut, Slot) and cut.bolted:
                    yield (
                        f"{spoken(drawn.name)}: slots {length(cut.end - cut.start) / 2.0:.1f} mm "
                        "each way; all figures here are with the bolts in the middle. "
                        "Mark where they end up."
                    )
                    break


# --- measuring ------------------------------------------------------------------------------------


def measuring_paper(car: Car, identity: Identity) -> Document:
    """One page for the whole car: numbered hard points and distances, with boxes to write in.

    Numbers run through all axles in the order of measuring.
    """
    numbers = _numbered(car)
    many = len(car.axles) > 1
    size = (60.0, 52.0) if many else (86.0, 56.0)
    drawings = []
    for axle in car.axles.values():
        which = f"{axle.name.capitalize()} left" if many else "Left side"
        own = {n: number for (name, n), number in numbers.items() if name == axle.name}
        for axes, flip, words in (
            ((0, 2), (-1, 1), "seen from the left: forward is to the left."),
            ((1, 2), (1, 1), "seen from the front: outboard is to the right."),
        ):
            drawings.append(
                (points_sketch(axle.left, own, axes, flip, size=size), f"{which}, {words}")
            )
    blocks: list[Block] = [
        Heading("Measuring sheet", 0),
        Para(
            f"{identity.car}. Car level, {car.measured_state.replace('_', ' ')}, tyres at "
            "pressure, wheels straight. x forward, y to the driver's left, z up, mm from one "
            "datum: write down which. Measure each point at the joint's centre, in this order."
        ),
        *(Figures(tuple(drawings[k : k + 4])) for k in range(0, len(drawings), 4)),
        Table(_POINT_COLUMNS, tuple(_point_rows(car, numbers)), dense=True),
        Heading("Distances that must come out, whatever the datum", 2),
        Table(_DISTANCE_COLUMNS, tuple(_distance_rows(car, numbers)), dense=True),
        Para(
            "A distance that differs from the one between the written points by more than 3 mm "
            "means: measure both points again. Datum, measured by, with what, on which day: "
            "______________________________________",
            Tone.NOTE,
        ),
    ]
    return Document(
        f"{identity.car}: measuring sheet",
        running_head(identity),
        running_foot(identity),
        tuple(blocks),
        one_page=True,
    )


_Numbers = dict[tuple[str, str], int]  # axle and hard point -> its number on the sheet


def _numbered(car: Car) -> _Numbers:
    order = [(axle.name, n) for axle in car.axles.values() for n in _in_order(axle.left)]
    return {who: number for number, who in enumerate(order, start=1)}


def _in_order(corner: Corner) -> list[str]:
    """From the body outward and from below upward, the wheel centre last."""
    on_body = {n for n in corner.points if corner.layout.owner(n) in ("body", "rack")} - {
        "wheel_centre"
    }
    rest = [n for n in corner.points if n not in on_body and n != "wheel_centre"]
    height = {n: float(at[2]) for n, at in corner.points.items()}
    return [*sorted(on_body, key=height.__getitem__), *sorted(rest, key=height.__getitem__),
            "wheel_centre"]  # fmt: skip


_POINT_COLUMNS = (
    Column("no.", 0.8, True),
    Column("hard point", 4.6),
    Column("in the file, left: x, y, z", 4.4, True),
    *(Column(f"{s} {a}", 1.8) for s in ("left", "right") for a in "xyz"),
)
_DISTANCE_COLUMNS = (
    Column("between", 5.4),
    Column("in the file, left", 2.2, True),
    Column("measured left", 2.4),
    Column("in the file, right", 2.2, True),
    Column("measured right", 2.4),
)


def _point_rows(car: Car, numbers: _Numbers) -> Iterator[Row]:
    for (axle, name), number in numbers.items():
        at = ", ".join(f"{v:.1f}" for v in car.axles[axle].left.points[name])
        yield Row((str(number), _of_axle(car, axle, name), at, *[BOX] * 6))


def _of_axle(car: Car, axle: str, name: str) -> str:
    return f"{axle}: {spoken(name)}" if len(car.axles) > 1 else spoken(name)


def _distance_rows(car: Car, numbers: _Numbers) -> Iterator[Row]:
    for name, axle in car.axles.items():
        for a, b in lines_between(axle.left):
            mine, other = (float(length(c.points[a] - c.points[b])) for c in axle.corners)
            who = f"{numbers[name, a]} to {numbers[name, b]}"
            yield _distance(f"{who}: {_of_axle(car, name, a)} to {spoken(b)}", mine, other)
        centres = [c.points["wheel_centre"] for c in axle.corners]
        across = f"{float(length(centres[0] - centres[1])):.1f}"
        yield Row((_of_axle(car, name, "wheel centres, left to right"), across, BOX, "", ""))
        first = _in_order(axle.left)[0]
        ends = [(axle.left, axle.right), (axle.right, axle.left)]
        crosswise = [float(length(a.points[first] - b.points["wheel_centre"])) for a, b in ends]
        number = numbers[name, first]
        words = f"crosswise: {number} on this side to the other side's wheel centre"
        yield _distance(_of_axle(car, name, words), *crosswise)
    axles = list(car.axles.values())
    for ahead, behind in pairwise(axles):
        mine, other = (
            float(length(a.points["wheel_centre"] - b.points["wheel_centre"]))
            for a, b in zip(ahead.corners, behind.corners, strict=True)
        )
        yield _distance(f"wheel centre, {ahead.name} to {behind.name}", mine, other)


def _distance(words: str, left: float, right: float) -> Row:
    return Row((words, f"{left:.1f}", BOX, f"{right:.1f}", BOX))
