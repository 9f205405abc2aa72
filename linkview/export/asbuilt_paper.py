"""The finished car against its design: the pages to sign."""

from __future__ import annotations

from collections.abc import Iterator

from linkview.export.asbuilt import (
    BANDS,
    AsBuilt,
    asked,
    band_words,
    figure,
    gap_rows,
    label,
    limit_band_lines,
    taken_as_designed,
)
from linkview.export.blocks import (
    BOX,
    Block,
    Bullets,
    CautionBox,
    Column,
    Document,
    Heading,
    NewPage,
    Para,
    Row,
    Signatures,
    Table,
    Tone,
)
from linkview.export.cautions import CAUTIONS
from linkview.export.identity import Identity, running_foot, running_head
from linkview.export.setup_sheet import by_hand
from linkview.export.survey_words import SMALL_GAP, quality_lines, state_words
from linkview.survey.deviation import Held
from linkview.survey.readings import spoken_point

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
    Column("+- 95 %", 2, True),
    Column("change", 2, True),
    Column("unit", 1.5),
    Column("read on the car", 2.5),
)
_GAPS = (
    Column("between", 8),
    Column("designed", 3, True),
    Column("as built", 3, True),
    Column("+- 95 %", 2, True),
)

INSIDE = (
    "Least gaps, worst first: what is certain inside the limits, between the poses too; the limits "
    "as built are not those of the design. +-: of the least gap seen there."
)
SIGNERS = ("builder", "measured by", "inspector")
SIGNED = (
    "Who signs has read these pages; they say what was measured and computed, not that the car is "
    "safe."
)


def asbuilt_paper(found: AsBuilt, identity: Identity) -> Document:
    """Deviations, alignment, limits and gaps as built, and a page to sign."""
    blocks: list[Block] = [
        Heading("As built", 0),
        *_held_against(found, identity),
        CautionBox("Cautions that stay with these pages", CAUTIONS),
        Table((Column("input file", 3), Column("SHA-256", 9)),
              tuple(Row(source) for source in identity.sources), dense=True),
        Signatures(SIGNERS),
    ]  # fmt: skip
    title = f"{identity.car} - {identity.state}: as built"
    return Document(title, running_head(identity), running_foot(identity), tuple(blocks))


def sign_off(found: AsBuilt, identity: Identity) -> tuple[Block, ...]:
    """The same within the report of the design, signed apart from it."""
    return (
        NewPage(),
        Heading("As built"),
        *_held_against(found, identity),
        Para(SIGNED, Tone.NOTE),
        Signatures(SIGNERS),
        NewPage(),
    )


def _held_against(found: AsBuilt, identity: Identity) -> Iterator[Block]:
    short = found.falls_short
    yield Para(
        f"{identity.car}: design '{identity.state}', measured again. "
        f"{found.file.path.name}: {state_words(found.file)}.",
        Tone.LEAD,
    )
    yield CautionBox("This can hurt people", CAUTIONS[:2])
    yield Heading("Falls short" if short else "Nothing that was measured falls short", 2)
    yield from _bullets(short, Tone.BAD)
    yield from _bullets(tuple(taken_as_designed(found)), Tone.DOUBT)
    yield Heading("Points, measured less designed", 2)
    yield Table(
        _POINTS,
        tuple(_point_rows(found)),
        f"mm; {found.tolerance_mm:g} mm allowed. sigma: one sigma of the measuring, along the "
        "worst direction. not sure: two sigma reach over the limit.",
        dense=True,
    )
    yield Bullets((*quality_lines(found.survey), *found.survey.notes), Tone.NOTE)
    yield Heading("Alignment at ride height, designed and as built", 2)
    yield Table(_READINGS, tuple(_reading_rows(found)), BANDS, dense=True)
    for name, axle in found.built.axles.items():
        yield Heading(f"{name.capitalize()} axle: limits and gaps as built", 2)
        yield Bullets(axle.stops.words)
        yield from _bullets(tuple(limit_band_lines(found, name)), Tone.DOUBT)
        rows = tuple(Row((who, a, b, off), tone) for who, a, b, off, tone in gap_rows(found, name))
        words = f"{INSIDE} {SMALL_GAP}"
        yield Table(_GAPS, rows, words, dense=True) if rows else _NO_GAPS
    yield Heading("Checked by hand before it moves", 2)
    yield Table(
        (Column("check", 14), Column("done", 2)),
        tuple(Row((b, BOX)) for b in by_hand(found.built.car)),
    )


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
        old, new, change = (figure(v, d.decimals) for v in (d.before, d.after, d.change))
        cells = (old, new, band_words(found, d), change, d.unit, BOX)
        yield Row((f"{d.axle} {d.side} {label(d)}", *cells))
