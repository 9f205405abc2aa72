"""The finished car against its design, for the screen, as a table, and as pages to sign."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

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
    Signatures,
    Table,
    Tone,
)
from linkview.export.compare import ASKED, Difference, differences, gap_changes, least_gap_words
from linkview.export.identity import Identity
from linkview.export.report import running_foot, running_head
from linkview.export.sheets import BY_HAND
from linkview.export.summary import CAUTIONS
from linkview.export.survey_words import SMALL_GAP, quality_lines, state_words
from linkview.export.tables import write_table
from linkview.model.parts import Side
from linkview.model.read import SurveyFile
from linkview.study import CarStudy, spoken
from linkview.survey.deviation import Deviation, Held
from linkview.survey.readings import spoken_point
from linkview.survey.survey import Survey

MOST_GAPS = 12


@dataclass(frozen=True, eq=False)
class AsBuilt:
    """The design and the car as measured, studied alike, and what lies between them.

    not_measured: hard points, and wheels_not_read: wheels, that were taken as designed.
    """

    file: SurveyFile
    survey: Survey
    deviations: tuple[Deviation, ...]
    not_measured: tuple[str, ...]
    wheels_not_read: tuple[str, ...]
    tolerance_mm: float
    design: CarStudy
    built: CarStudy

    @property
    def falls_short(self) -> tuple[str, ...]:
        """All that keeps the car from being as designed, or from being known to be."""
        out = [
            f"{spoken_point(d.point.name)} is {d.size_mm:.1f} mm from the design, "
            f"{self.tolerance_mm:g} mm allowed"
            for d in self.deviations
            if d.held is Held.BEYOND
        ]
        out += [doubt.words for doubt in self.survey.doubts]
        before = set(self.design.shortfalls)
        for line in self.built.shortfalls:
            same = " (so in the design too)" if line in before else ""
            out.append(f"{_drawn_anew(line)}{same}")
        return tuple(out)


def _drawn_anew(line: str) -> str:
    """A plate is drawn to the measured points; where that fails the real one is not refused."""
    if line.startswith("plate "):
        return f"{line.removesuffix(' refused')} does not go with the measured points"
    return line


def asbuilt_lines(found: AsBuilt) -> Iterator[str]:
    """The whole, for the screen."""
    yield f"{found.design.car.name}: {spoken(found.design.car.variant)} as built"
    yield f"  {found.file.path.name}: {state_words(found.file)}"
    yield ""
    yield f"POINTS, measured less designed (mm; {found.tolerance_mm:g} mm allowed)"
    for d in found.deviations:
        x, y, z = d.off
        yield (
            f"  {spoken_point(d.point.name):36} x {x:+6.1f}  y {y:+6.1f}  z {z:+6.1f}  "
            f"{d.size_mm:6.1f} in all   {d.held.value}"
        )
    yield from (f"  {line}" for line in taken_as_designed(found))
    yield ""
    yield "MEASURING"
    yield from (f"  {line}" for line in quality_lines(found.survey))
    yield from (f"  {doubt.words}" for doubt in found.survey.doubts)
    yield from (f"  {note}" for note in found.survey.notes)
    yield ""
    yield f"ALIGNMENT at ride height {'designed':>22} {'as built':>12} {'change':>10}"
    for r in asked(found):
        old, new = (figure(v, r.decimals) for v in (r.before, r.after))
        who = f"{r.axle} {r.side} {label(r)}"
        yield f"  {who:34} {old:>12} {new:>12} {figure(r.change, r.decimals):>10} {r.unit}"
    yield ""
    for name, axle in found.built.axles.items():
        yield f"{name.upper()} AXLE, what stops it first, as built:"
        yield from (f"  {words}" for words in axle.stops.words)
        yield "  gaps, least, designed -> as built:" if axle.gaps else "  gaps were not measured"
        yield from (f"    {who}: {was} -> {now}" for who, was, now, _ in gap_rows(found, name))
    yield ""
    short = found.falls_short
    yield "FALLS SHORT" if short else "Nothing that was measured falls short."
    yield from (f"  {line}" for line in short)
    yield f"  {SMALL_GAP}"


def taken_as_designed(found: AsBuilt) -> Iterator[str]:
    """What was not measured, so that nobody takes it for measured."""
    if found.not_measured:
        names = ", ".join(spoken_point(n) for n in found.not_measured)
        yield f"not measured, taken as designed: {names}"
    axles = ", ".join(found.built.axles)
    yield f"held against the design: {axles} axle; nothing else of the car is claimed"
    if found.wheels_not_read:
        names = ", ".join(spoken_point(n) for n in found.wheels_not_read)
        yield f"camber and toe not read, taken as designed: {names}"
    unsure = sum(d.held is Held.NOT_SURE for d in found.deviations)
    if unsure:
        yield (
            f"not sure, {unsure} of the points: two sigma of the measuring reaches over the "
            f"{found.tolerance_mm:g} mm allowed; measure better, or allow more with --within"
        )


def asked(found: AsBuilt) -> list[Difference]:
    """What a builder asks first, of both states."""
    return [d for d in differences(found.design, found.built) if d.reading in ASKED]


def label(d: Difference) -> str:
    """The reading's name as elsewhere on screen."""
    return next((q.label for q in QUANTITIES if q.name == d.reading), d.reading)


def figure(value: float, decimals: int) -> str:
    """A signed figure, 'none' for a state that has none."""
    return f"{round(value, decimals) + 0.0:+.{decimals}f}" if np.isfinite(value) else "none"


def gap_rows(found: AsBuilt, axle: str) -> Iterator[tuple[str, str, str, Tone]]:
    """Pairs, the worst as built first: who, designed, as built."""
    rows = gap_changes(found.design.axles[axle], found.built.axles[axle])
    for side, pair, old, new in rows[:MOST_GAPS]:
        tone = Tone.BAD if new is not None and new.margin_mm < 0.0 else Tone.PLAIN
        if old is None and side is Side.RIGHT and found.design.axles[axle].axle.symmetric:
            old = next((o for s, p, o, _ in rows if s is Side.LEFT and p == pair), None)
        who = f"{side.value} {spoken(pair[0])} to {spoken(pair[1])}"
        yield who, least_gap_words(old), least_gap_words(new), tone


def write_deviations(path: Path, found: tuple[Deviation, ...]) -> None:
    """deviations.csv"""
    header = [
        "point",
        *(f"designed {a} (mm)" for a in "xyz"),
        *(f"measured {a} (mm)" for a in "xyz"),
    ]
    header += [*(f"off {a} (mm)" for a in "xyz"), "off (mm)", "longest one sigma (mm)", "held"]
    write_table(
        path,
        header,
        (
            [
                d.point.name,
                *(round(float(v), 3) for v in (*d.designed, *d.point.at, *d.off)),
                round(d.size_mm, 3),
                round(float(d.point.axes_mm[0]), 3),
                d.held.value,
            ]
            for d in found
        ),
    )


# --- pages to sign --------------------------------------------------------------------------------

_TONES = {Held.WITHIN: Tone.PLAIN, Held.BEYOND: Tone.BAD, Held.NOT_SURE: Tone.DOUBT}
_POINTS = (
    Column("hard point", 6),
    *(Column(f"off {a}", 1.4, True) for a in "xyz"),
    Column("in all", 1.4, True),
    Column("sigma", 1.4, True),
    Column("held", 2),
)
_READINGS = (
    Column("reading", 7),
    Column("designed", 2, True),
    Column("as built", 2, True),
    Column("change", 2, True),
    Column("unit", 1.5),
    Column("read on the car", 2.5),
)
_GAPS = (Column("between", 8), Column("designed", 3, True), Column("as built", 3, True))


def asbuilt_paper(found: AsBuilt, identity: Identity) -> Document:
    """Deviations, alignment, limits and gaps as built, and a page to sign."""
    short = found.falls_short
    blocks: list[Block] = [
        Heading("As built", 0),
        Para(f"{identity.car}: design '{identity.state}', measured again. "
             f"{found.file.path.name}: {state_words(found.file)}.", Tone.LEAD),
        CautionBox("This can hurt people", CAUTIONS[:2]),
        Heading("Falls short" if short else "Nothing that was measured falls short", 2),
        *([Bullets(short, Tone.BAD)] if short else []),
        *_bullets(tuple(taken_as_designed(found)), Tone.DOUBT),
        Heading("Points", 2),
        Table(_POINTS, tuple(_point_rows(found)),
              f"mm, measured less designed; {found.tolerance_mm:g} mm allowed. sigma: one sigma of "
              "the measuring, along the worst direction. not sure: two sigma reach over the limit.",
              dense=True),
        Bullets((*quality_lines(found.survey), *found.survey.notes), Tone.NOTE),
        Heading("Alignment at ride height", 2),
        Table(_READINGS, tuple(_reading_rows(found)), dense=True),
    ]  # fmt: skip
    for name, axle in found.built.axles.items():
        blocks.append(Heading(f"{name.capitalize()} axle: limits and gaps as built", 2))
        blocks.append(Bullets(axle.stops.words))
        rows = tuple(Row((who, a, b), tone) for who, a, b, tone in gap_rows(found, name))
        words = f"Least gaps on the poses' grid, worst first. {SMALL_GAP}"
        blocks.append(Table(_GAPS, rows, words, dense=True) if rows else _NO_GAPS)
    blocks += [
        Heading("Checked by hand before it moves", 2),
        Table((Column("check", 14), Column("done", 2)), tuple(Row((b, BOX)) for b in BY_HAND)),
        CautionBox("Cautions that stay with these pages", CAUTIONS),
        Table((Column("input file", 3), Column("SHA-256", 9)),
              tuple(Row(source) for source in identity.sources), dense=True),
        Signatures(("builder", "measured by", "inspector")),
    ]  # fmt: skip
    title = f"{identity.car} - {identity.state}: as built"
    return Document(title, running_head(identity), running_foot(identity), tuple(blocks))


_NO_GAPS = Para("Gaps were not measured: none is claimed.", Tone.DOUBT)


def _bullets(lines: tuple[str, ...], tone: Tone) -> list[Block]:
    return [Bullets(lines, tone)] if lines else []


def _point_rows(found: AsBuilt) -> Iterator[Row]:
    for d in found.deviations:
        cells = [f"{v:+.1f}" for v in d.off]
        figures = (f"{d.size_mm:.1f}", f"{float(d.point.axes_mm[0]):.1f}", d.held.value)
        yield Row((spoken_point(d.point.name), *cells, *figures), _TONES[d.held])


def _reading_rows(found: AsBuilt) -> Iterator[Row]:
    for d in asked(found):
        cells = (figure(v, d.decimals) for v in (d.before, d.after, d.change))
        yield Row((f"{d.axle} {d.side} {label(d)}", *cells, d.unit, BOX))
