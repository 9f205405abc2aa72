"""The set-up sheet: one page for the wall, with targets, lengths, stops, and boxes to write in."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from linkview.alignment.quantities import QUANTITIES
from linkview.export.blocks import (
    BOX,
    Block,
    Bullets,
    CautionBox,
    Column,
    Document,
    Heading,
    Para,
    Row,
    Table,
    Tone,
)
from linkview.export.cautions import CAUTIONS
from linkview.export.gap_words import gap_words, stops_words
from linkview.export.identity import Identity, running_foot, running_head
from linkview.export.report_axle import at_ride_height, figure
from linkview.export.setting import figure as setting_figure
from linkview.export.setting import setting_words
from linkview.geometry import length
from linkview.model.parts import Car, Corner, Side
from linkview.model.wording import spoken
from linkview.plates.plate import Slot
from linkview.scene.riding import standing_at
from linkview.study import AxleStudy, CarStudy
from linkview.tuning.dials import quantity
from linkview.tuning.setting import set_up, wanted_of

TARGETS = ("camber_deg", "toe_in_deg", "caster_deg", "gauge_caster_deg")
WORST_GAPS = 3


def by_hand(car: Car) -> tuple[str, ...]:
    """What no computed figure stands for, in the order in which it is done."""
    steered = any(axle.left.rack is not None for axle in car.axles.values())
    at_the_stops = (
        "The same at both rack stops and half-way to each: many tyres are nearest in mid-steer."
    )
    return (
        f"Springs out{', rack centred' if steered else ''}: move each wheel by hand from full "
        "droop to full bump; nothing may touch, bind or go tight.",
        *([at_the_stops] if steered else []),
        "Springs in: brake lines and wires through the whole motion; joints free at both ends of "
        "it.",
        "Drive at low speed first; then re-torque every joint and look for cracks.",
    )


def setup_paper(study: CarStudy, identity: Identity) -> Document:
    """One page for the wall: targets, lengths, stops, and boxes for what was measured."""
    title = Para(f"{identity.car}: {identity.state}. {identity.title}".strip())
    caution = CautionBox("This can hurt people", CAUTIONS[:1])
    return Document(
        f"{identity.car} - {identity.state}: set-up sheet",
        running_head(identity),
        running_foot(identity),
        (Heading("Set-up sheet", 0), title, *setup_blocks(study), caution),
        one_page=True,
    )


def setup_blocks(study: CarStudy) -> Iterator[Block]:
    """What is set on each axle, what is checked by hand before it moves, and where first."""
    for name, axle in study.axles.items():
        yield Heading(f"{name.capitalize()} axle", 2)
        yield Table(_COLUMNS, (*_setup_rows(axle), *_stop_rows(axle)))
        yield Bullets(tuple(_stops(axle)), Tone.NOTE)
        yield from _settings(axle, study.car)
    yield Heading("Check by hand before it moves", 2)
    yield Bullets(by_hand(study.car), Tone.NOTE)
    worst = [
        f"{name}: {gap_words(axle, side, pair)}"
        for name, axle in study.axles.items()
        for side, pair in axle.worst_pairs(WORST_GAPS)
    ]
    if worst:
        yield Para("Look here first, the smallest computed gaps:", Tone.NOTE)
        yield Bullets(tuple(worst), Tone.NOTE)


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


def _stop_rows(axle: AxleStudy) -> Iterator[Row]:
    """Where motion has to end, and where slots stand: to be set, then measured."""
    rack, droop = _kept_apart(axle)
    hopeless = rack is None and droop is None and any(a.stops.needed for a in axle.advice.values())

    def stop(words: str, limits: float | None, gaps: float | None) -> Row:
        known = [v for v in (limits, gaps) if v is not None]
        told = "none safe" if hopeless or limits is None else f"{min(known):.1f}"
        return _row(f"{words}, no further than", told, told, "mm")

    if axle.axle.left.rack is not None:
        yield stop("rack stop from straight ahead", axle.stops.safe_rack_mm, rack)
    travel, stops = axle.axle.left.travel, axle.stops
    bump = stops.bump.travel_mm if stops.bump else travel.bump_mm
    yield stop("bump stop over ride height", bump, None)
    yield stop(
        "droop limit under ride height",
        -(stops.droop.travel_mm if stops.droop else travel.droop_mm),
        droop,
    )
    for name, reach in _slots(axle):
        yield _row(f"{name}: bolt from its slot's middle, {reach:.1f} each way", "0.0", "0.0", "mm")


def _kept_apart(axle: AxleStudy) -> tuple[float | None, float | None]:
    """The rack stop and droop limit, mm, inside which every wanted gap is kept on both sides.

    Both together where they can be, which leaves the most room; None for one that is not needed or
    would not do it.
    """
    needed = [advice.stops for advice in axle.advice.values() if advice.stops.needed]
    if not needed:
        return None, None
    if all(stops.together is not None for stops in needed):
        both = [stops.together for stops in needed if stops.together is not None]
        return min(rack for rack, _ in both), min(droop for _, droop in both)
    if all(stops.rack_mm is not None for stops in needed):
        return min(s.rack_mm for s in needed if s.rack_mm is not None), None
    if all(stops.droop_mm is not None for stops in needed):
        return None, min(s.droop_mm for s in needed if s.droop_mm is not None)
    return None, None


def _slots(axle: AxleStudy) -> Iterator[tuple[str, float]]:
    """Plates with bolted slots, and how far each way."""
    for drawn in axle.plates:
        for plate in list(drawn.sides.values())[:1]:
            bolted = [cut for cut in plate.slots if isinstance(cut, Slot) and cut.bolted]
            if bolted:
                yield spoken(drawn.name), float(length(bolted[0].end - bolted[0].start)) / 2.0


def _stops(axle: AxleStudy) -> Iterator[str]:
    rack = axle.axle.left.rack
    if rack is not None:
        safe = axle.stops.safe_rack_mm
        inside = (
            f"limits alone allow {safe:.1f} mm"
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
    yield from (f"{line}." if line[-1] != "." else line for line in stops_words(axle))
    if not axle.advice:
        yield "Gaps were not looked at for these stops: parts can touch before them."
    if any(True for _ in _slots(axle)):
        yield "All figures here are with slots in the middle. Mark where the bolts end up."
