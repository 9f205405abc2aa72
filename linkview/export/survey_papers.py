"""The sheet of a survey: points with ellipses, readings with misfits, what to measure next."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from linkview.export.blocks import (
    BOX,
    Block,
    Bullets,
    CautionBox,
    Column,
    Document,
    Drawing,
    Figures,
    Heading,
    Mark,
    Para,
    Row,
    Stroke,
    Table,
    Tone,
)
from linkview.export.cautions import CAUTIONS
from linkview.export.identity import Identity, running_foot, running_head
from linkview.export.line_drawings import BLUE, nice_step, numbered
from linkview.export.survey_words import SMALL_GAP, quality_lines, side_lines, state_words
from linkview.geometry import Array
from linkview.model.read import SurveyFile
from linkview.scene.colours import HAIRLINE
from linkview.survey.fit import Fit
from linkview.survey.readings import Kind, spoken_point
from linkview.survey.survey import Survey

_ROUND = np.linspace(0.0, 2.0 * np.pi, 33)


def survey_paper(file: SurveyFile, survey: Survey, identity: Identity) -> Document:
    """Everything of one survey, to print."""
    numbers = {p.name: k for k, p in enumerate(survey.points, start=1)}
    grow = enlarged(survey)
    upright = (
        (
            _sketch(survey, numbers, (0, 2), (-1, 1), grow),
            "Left half, seen from the left, forward is left.",
        ),
        (
            _sketch(survey, numbers, (1, 2), (-1, 1), grow),
            "Seen from behind, the car's left is left.",
        ),
    )
    above = _sketch(survey, numbers, (1, 0), (-1, 1), grow, size=(172.0, 58.0))
    blocks: list[Block] = [
        Heading("Survey sheet", 0),
        Para(f"{identity.car}: {state_words(file)}."),
        Figures(upright),
        Figures(((above, "Seen from above, forward is up."),)),
        Para(
            f"Lines: what was taped. Ellipses: one sigma, drawn {grow:g} times as large as the "
            "drawing's scale.",
            Tone.NOTE,
        ),
        Table(_POINTS, tuple(_point_rows(survey, numbers)), _POINTS_NOTE, dense=True),
        Bullets(tuple(quality_lines(survey))),
    ]
    if survey.doubts:
        blocks += [Heading("Measure these again", 2)]
        blocks += [Bullets(tuple(d.words for d in survey.doubts), Tone.BAD)]
    if survey.notes:
        blocks.append(Bullets(survey.notes, Tone.DOUBT))
    sides = tuple(side_lines(file, survey))
    if sides:
        blocks += [Heading("Left against right", 2), Bullets(sides, Tone.NOTE)]
    if survey.next_best:
        blocks.append(Heading("What to measure next, best first; each counts those before it", 2))
        rows = tuple(Row((s.words, BOX)) for s in survey.next_best)
        blocks.append(Table((Column("reading", 12), Column("measured", 3)), rows, dense=True))
    blocks.append(Heading("Readings", 2))
    blocks.append(Table(_READINGS, tuple(_reading_rows(survey)), _READINGS_NOTE, dense=True))
    blocks.append(CautionBox("This can hurt people", (CAUTIONS[0], SMALL_GAP)))
    return Document(
        f"{identity.car}: survey sheet",
        running_head(identity),
        running_foot(identity),
        tuple(blocks),
    )


_POINTS = (
    Column("no.", 0.8, True),
    Column("point", 6),
    *(Column(a, 1.8, True) for a in "xyz"),
    *(Column(f"sigma {a}", 1.5, True) for a in "xyz"),
    Column("worst, 95 %", 1.8, True),
    Column("which way", 4),
)
_POINTS_NOTE = (
    "mm; x forward, y to the driver's left, z up. sigma: one standard deviation of the coordinate. "
    "worst: the longest half axis of the ellipsoid that holds the point in 95 of 100 surveys."
)
_READINGS = (
    Column("reading", 7),
    Column("measured", 2, True),
    Column("computed", 2, True),
    Column("misfit", 1.6, True),
    Column("sigma", 1.3, True),
    Column("own", 1.2, True),
    Column("checked", 1.5, True),
    Column("again", 2),
)
_READINGS_NOTE = (
    "mm or degrees. own: the misfit in its own sigmas, large from about 3.5. checked: how much of "
    "a slip in this reading the others would show; under 10 % a slip goes unseen."
)
_UNCHECKED = 0.1


def _point_rows(survey: Survey, numbers: dict[str, int]) -> Iterator[Row]:
    for p in survey.points:
        cells = [f"{v:.1f}" for v in p.at] + [f"{s:.2f}" for s in p.sigma_mm]
        who = (str(numbers[p.name]), spoken_point(p.name))
        yield Row((*who, *cells, f"{p.worst_95_mm:.1f}", p.way))


def _reading_rows(survey: Survey) -> Iterator[Row]:
    fit = survey.fit
    predicted = fit.network.predicted(fit.x)
    for d in survey.doubts:
        if not d.alike:
            r = d.reading
            figures = (r.shown(v) for v in (r.value, r.value - d.off, d.off, r.sigma))
            yield Row((r.words, *figures, "", "kept out", BOX), Tone.BAD)
    for k, r in enumerate(fit.network.readings):
        says, share = float(predicted[k]), float(fit.redundancy[k])
        cells = (r.words, r.shown(r.value), r.shown(says), r.shown(r.value - says))
        own = "" if share < _UNCHECKED else f"{-fit.standardised[k]:+.1f}"
        tone = Tone.DOUBT if share < _UNCHECKED else Tone.PLAIN
        yield Row((*cells, r.shown(r.sigma), own, f"{100 * share:.0f} %", BOX), tone)


# --- the drawing ----------------------------------------------------------------------------------


def enlarged(survey: Survey) -> float:
    """How many times an ellipse is drawn larger, so that the worst is about a sixth of the car."""
    worst = max(float(p.axes_mm[0]) for p in survey.points)
    places = np.array([p.at for p in survey.points])
    span = float((places.max(axis=0) - places.min(axis=0)).max())
    return nice_step(4.0 * max(span, 1.0) / (12.0 * max(worst, 1e-3)))


def _sketch(
    survey: Survey, numbers: dict[str, int], axes: tuple[int, int], flip: tuple[int, int],
    grow: float, *, size: tuple[float, float] = (86.0, 58.0),
) -> Drawing:  # fmt: skip
    """Points seen along a car axis: numbered, taped lines between them, ellipses enlarged."""
    pick, turn = list(axes), np.array(flip, dtype=float)
    flat = survey.fit.places[:, pick] * turn
    low, high = flat.min(axis=0), flat.max(axis=0)
    scale = float(np.min((np.array(size) - 16.0) / np.maximum(high - low, 1.0)))
    placed = (flat - low) * scale + 0.5 * (np.array(size) - scale * (high - low))
    number = {p.name: i for i, p in enumerate(survey.points)}
    marks: list[Mark] = []
    shown = {p.name for p in survey.points if axes != (0, 2) or p.at[1] > -1.0}
    for r in survey.fit.network.readings:
        if r.kind is Kind.DISTANCE and shown.issuperset(r.points):
            a, b = (_at(placed[number[p]]) for p in r.points)
            marks.append(Stroke((a, b), HAIRLINE, 0.25))
    for i, p in enumerate(survey.points):
        if p.name not in shown:
            continue
        ring = _ellipse(survey.fit, i, pick, turn) * grow * scale + placed[i]
        marks.append(Stroke(tuple(_at(q) for q in ring), BLUE, 0.25))
    dots = {str(numbers[n]): _at(placed[number[n]]) for n in numbers if n in shown}
    marks += numbered(dots)
    return Drawing(*size, tuple(marks), f"{len(survey.points)} points with error ellipses")


def _ellipse(fit: Fit, point: int, pick: list[int], turn: Array) -> Array:
    """(k, 2) mm round the middle: the one-sigma ellipse of the point's shadow on the drawing."""
    block = fit.block(point)[np.ix_(pick, pick)] * np.outer(turn, turn)
    values, ways = np.linalg.eigh(block)
    circle = np.stack([np.cos(_ROUND), np.sin(_ROUND)])
    return np.asarray((ways * np.sqrt(np.maximum(values, 0.0)) @ circle).T)


def _at(q: Array) -> tuple[float, float]:
    return float(q[0]), float(q[1])
