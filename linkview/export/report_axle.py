"""One axle in the report: points, alignment, curves, limits, gaps and plates."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from linkview.alignment.quantities import QUANTITIES, Of, Quantity
from linkview.export.blocks import (
    Block,
    Bullets,
    Column,
    Figures,
    Heading,
    Para,
    Row,
    Table,
    Tone,
)
from linkview.export.line_drawings import BLUE, BROWN, Curve, chart, limit_map, plate_drawing
from linkview.export.report_gaps import gap_blocks
from linkview.export.summary import AT_RIDE_HEIGHT
from linkview.geometry import Array, length, mirrored
from linkview.limits.limit import Stops
from linkview.limits.readings import LimitReading, readings
from linkview.model.layouts import BODY
from linkview.model.parts import Car, Side
from linkview.model.wording import spoken
from linkview.plates.drawn import DrawnPlate
from linkview.plates.verdicts import Level, told_together
from linkview.study import AxleStudy, CarStudy

PLATES_A_ROW = 3
PASSES = "Passes the shop's rules for metal round holes, which say nothing about strength."


def axle_blocks(study: CarStudy, axle: AxleStudy, before: AxleStudy) -> Iterator[Block]:
    layout = axle.axle.left.layout.title
    steered = axle.axle.left.rack is not None
    held = axle.axle.hold.words if steered else "not steered"
    sweep = axle.sweep.left
    reached = int((sweep.solved & axle.sweep.right.solved).sum())
    rack = f"rack {sweep.rack_mm.min():+.0f} to {sweep.rack_mm.max():+.0f} mm, " if steered else ""
    yield Para(
        f"{layout}; {held}. {sweep.solved.size} poses: {rack}travel "
        f"{sweep.travel_mm.min():+.0f} to "
        f"{sweep.travel_mm.max():+.0f} mm; {reached} within reach of both wheels."
    )
    yield Heading("Hard points", 2)
    yield _points_table(axle)
    yield Heading("Alignment at ride height", 2)
    yield _alignment_table(axle, before)
    if axle.alignment.locks:
        yield Bullets(tuple(lock.words for lock in axle.alignment.locks))
    yield Heading("Alignment across the range", 2)
    yield from _curves(axle, before)
    yield Heading("Limits", 2)
    yield Figures(
        (
            (
                limit_map(axle, study.car),
                "Each square is a solved pose. Plain blue: well inside every limit. Amber, one "
                "stroke: within a quarter of a limit's range. Red, crossed: beyond a limit. White, "
                "one thin stroke: out of reach. Between squares a limit can be met.",
            ),
        )
    )
    yield Bullets(axle.stops.words)
    yield _limits_table(axle, study.car)
    if axle.gaps:
        yield Heading("Gaps", 2)
        yield from gap_blocks(axle)
    if axle.plates:
        yield Heading("Plates", 2)
        yield from _plate_blocks(axle.plates)


def _points_table(axle: AxleStudy) -> Table:
    left, right = axle.axle.corners
    rows = []
    for name, at in left.points.items():
        other = right.points[name]
        off = length(mirrored(other) - at)
        part = "wheel" if name == "wheel_centre" else left.layout.owner(name)
        rows.append(
            Row((
                spoken(name), spoken(part), *(f"{v:.1f}" for v in at), *(f"{v:.1f}" for v in other),
                f"{off:.1f}",
            ), Tone.DOUBT if off > 0.05 else Tone.PLAIN)
        )  # fmt: skip
    columns: tuple[Column, ...] = (Column("hard point", 5), Column("on", 3))
    columns += tuple(Column(f"{s} {a}", 2, True) for s in ("left", "right") for a in "xyz")
    columns += (Column("differ", 1.6, True),)
    note = (
        "mm, at ride height. differ: how far the right point is from the left one's mirror image."
    )
    return Table(columns, tuple(rows), note, dense=True)


def _middle(axle: AxleStudy) -> tuple[int, int]:
    sweep = axle.sweep.left
    return int(np.argmin(np.abs(sweep.rack_mm))), int(np.argmin(np.abs(sweep.travel_mm)))


def at_ride_height(axle: AxleStudy, q: Quantity) -> list[float] | None:
    """Left and right, or the axle's one value; None where it has none."""
    owners = axle.alignment.corners if q.of is Of.CORNER else (axle.alignment,)
    values: list[Array | None] = [getattr(owner, q.name) for owner in owners]
    i, j = _middle(axle)
    out = [float(v[i, j] if v.ndim == 2 else v[j]) for v in values if v is not None]
    return out if len(out) == len(values) and np.isfinite(out).any() else None


def _alignment_table(axle: AxleStudy, before: AxleStudy) -> Table:
    known = {q.name: q for q in QUANTITIES}
    rows = []
    for name in AT_RIDE_HEIGHT:
        q = known[name]
        now, then = at_ride_height(axle, q), at_ride_height(before, q)
        if now is None:
            continue
        shown = [figure(v, q.decimals) for v in now]
        left, right = (shown[0], shown[-1]) if q.of is Of.CORNER else (shown[0], "")
        was = figure(then[0], q.decimals) if then else ""
        rows.append(Row((q.label, left, right, was, q.unit, q.meaning)))
    columns = (
        Column("reading", 4.4),
        Column("left, or axle", 2.2, True),
        Column("right", 1.8, True),
        Column("as found, left", 2.4, True),
        Column("unit", 1.6),
        Column("sign and meaning", 7),
    )
    return Table(columns, tuple(rows), dense=True)


def figure(value: float, decimals: int) -> str:
    return f"{round(value, decimals) + 0.0:+.{decimals}f}" if np.isfinite(value) else "none"


def _curves(axle: AxleStudy, before: AxleStudy) -> Iterator[Block]:
    i, j = _middle(axle)
    now, then = axle.alignment, before.alignment
    steered = axle.axle.left.rack is not None
    over_travel = []
    for name, words in (("camber_deg", "camber (deg)"), ("toe_in_deg", "toe-in (deg)")):
        curves = [
            Curve(then.travel_mm, getattr(then.left, name)[_middle(before)[0]], BROWN, True),
            Curve(now.travel_mm, getattr(now.left, name)[i], BLUE),
        ]
        centred = ", rack centred" if steered else ""
        over_travel.append((chart(curves, "travel (mm)", words), f"{words}{centred}"))
    yield Figures(tuple(over_travel))
    if steered:
        over_rack = []
        for name, words in (("camber_deg", "camber (deg)"), ("trail_mm", "trail (mm)")):
            mine, old = getattr(now.left, name), getattr(then.left, name)
            if mine is None or old is None:
                continue
            curves = [
                Curve(then.rack_mm, old[:, _middle(before)[1]], BROWN, True),
                Curve(now.rack_mm, mine[:, j], BLUE),
            ]
            over_rack.append((chart(curves, "rack (mm)", words), f"{words}, at ride height"))
        yield Figures(tuple(over_rack))
    yield Para(
        "Left wheel. Blue: as shown; brown, dashed: as found (hidden where the two are the same).",
        Tone.NOTE,
    )


def _limits_table(axle: AxleStudy, car: Car) -> Table:
    rows = []
    sweep, steered = axle.sweep.left, axle.axle.left.rack is not None
    for r in sorted(readings(axle.sweep, car), key=_least_share):
        if r.side is Side.RIGHT and axle.axle.symmetric:
            continue
        known = np.isfinite(r.margin)
        if not known.any():
            rows.append(
                Row((r.side.value, r.name, spoken(r.point), "", "", "unknown", ""), Tone.DOUBT)
            )
            continue
        at = np.unravel_index(int(np.nanargmin(r.margin)), r.margin.shape)
        least = float(r.margin[at])
        rows.append(
            Row(
                (
                    r.side.value, r.name, spoken(r.point), f"{r.allowed:g} {r.unit}",
                    f"{least:+.1f} {r.unit}",
                    f"{f'{sweep.rack_mm[at[0]]:+.1f} / ' if steered else ''}"
                    f"{sweep.travel_mm[at[1]]:+.1f}",
                    f"{int((r.margin[known] < 0).sum())}",
                ),
                _tone(r, least),
            )
        )  # fmt: skip
    columns = (
        Column("side", 1.3), Column("limit", 5), Column("at", 3.4), Column("allowed", 1.9, True),
        Column("least margin", 2, True),
        Column("there: rack / travel" if steered else "there: travel", 2.8, True),
        Column("poses beyond", 1.6, True),
    )  # fmt: skip
    mirror = " Left side; the right is its mirror." if axle.axle.symmetric else ""
    return Table(columns, tuple(rows), f"mm and degrees; a margin below 0 is beyond.{mirror}", True)


def _tone(reading: LimitReading, least: float) -> Tone:
    """A limit that stops nothing, such as a loose spring, is a doubt and no fault."""
    if least >= 0.0:
        return Tone.PLAIN
    return Tone.DOUBT if reading.stops is Stops.NOTHING else Tone.BAD


def _least_share(reading: LimitReading) -> float:
    known = reading.normalised[np.isfinite(reading.normalised)]
    return float(known.min()) if known.size else -np.inf


def _plate_blocks(plates: Sequence[DrawnPlate]) -> Iterator[Block]:
    for drawn in plates:
        if drawn.refused is not None:
            yield Para(f"{spoken(drawn.name)}: REFUSED. {drawn.refused}", Tone.BAD)
    passed = [p for p in plates if p.refused is None and Side.LEFT in p.sides]
    for first in range(0, len(passed), PLATES_A_ROW):
        row = passed[first : first + PLATES_A_ROW]
        yield Figures(tuple((plate_drawing(p.sides[Side.LEFT]), _plate_words(p)) for p in row))


def _plate_words(drawn: DrawnPlate) -> str:
    plate = drawn.sides[Side.LEFT]
    warned = told_together(drawn.verdicts, Level.WARNING)
    joints = ", ".join(spoken(p.joint) for p in plate.pins) or "no joint"
    on = "the body" if plate.part in ("", BODY) else spoken(plate.part)
    words = [
        f"{spoken(drawn.name)}: {plate.thickness_mm:g} mm {plate.material}, {plate.quantity} "
        f"pieces of which {plate.mirrored} mirrored, on {on}, tied to {joints}.",
        f"Warnings: {'; '.join(warned)}." if warned else PASSES,
        *(f"{note[:1].upper()}{note[1:]}." for note in plate.notes),
    ]
    return " ".join(words)
