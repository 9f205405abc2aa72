"""The finished car against its design, for the screen and as a table."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from linkview.alignment.quantities import QUANTITIES
from linkview.clearance.certified import Certainty
from linkview.clearance.gaps import SurveyedPair
from linkview.export.blocks import Tone
from linkview.export.compare import ASKED, Difference, differences, gap_changes, least_gap_words
from linkview.export.survey_words import SMALL_GAP, quality_lines, state_words
from linkview.export.tables import write_table
from linkview.kinematics.assemble import Rebuilder
from linkview.model.parts import Side
from linkview.model.read import SurveyFile
from linkview.model.wording import spoken
from linkview.study import CarStudy
from linkview.survey.deviation import Deviation, Held
from linkview.survey.readings import spoken_point
from linkview.survey.survey import Survey
from linkview.tuning.bands import NOTHING, TWO_SIDED

MOST_GAPS = 12


@dataclass(frozen=True, eq=False)
class AsBuilt:
    """The design and the car as measured, studied alike, and what lies between them.

    not_measured: hard points, and wheels_not_read: wheels, that were taken as designed.
    sigmas: (axle, 'left', 'right' or 'axle', reading) -> one sigma of it at ride height, as built,
    from the measuring. rebuilder: of the car as built.
    """

    file: SurveyFile
    survey: Survey
    deviations: tuple[Deviation, ...]
    not_measured: tuple[str, ...]
    wheels_not_read: tuple[str, ...]
    tolerance_mm: float
    design: CarStudy
    built: CarStudy
    sigmas: Mapping[tuple[str, str, str], float]
    rebuilder: Rebuilder

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
    head = f"{'designed':>22} {'as built':>12} {'+- 95 %':>9} {'change':>10}"
    yield f"ALIGNMENT at ride height {head}"
    for r in asked(found):
        old, new = (figure(v, r.decimals) for v in (r.before, r.after))
        who = f"{r.axle} {r.side} {label(r)}"
        change = figure(r.change, r.decimals)
        yield f"  {who:34} {old:>12} {new:>12} {band_words(found, r):>9} {change:>10} {r.unit}"
    yield f"  {BANDS}"
    yield ""
    for name, axle in found.built.axles.items():
        yield f"{name.upper()} AXLE, what stops it first, as built:"
        yield from (f"  {words}" for words in axle.stops.words)
        yield (
            "  gaps inside the limits, designed -> as built:"
            if axle.gaps
            else "  gaps were not measured"
        )
        for who, was, now, off, _ in gap_rows(found, name):
            yield f"    {who}: {was} -> {now}, +- {off}"
        yield from (f"  {line}" for line in limit_band_lines(found, name))
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


def band_words(found: AsBuilt, d: Difference) -> str:
    """Half of the 95 % band of a reading as built; 'gauge' where points do not matter to it."""
    sigma = found.sigmas.get((d.axle, d.side, d.reading))
    if sigma is None:
        return "unknown"
    return "gauge" if sigma < NOTHING else f"{TWO_SIDED * sigma:.{d.decimals}f}"


def gap_band_words(found: AsBuilt, axle: str, side: Side, pair: tuple[str, str]) -> str:
    """The same of a pair's least gap, by slopes; 'unknown' where it could not be followed."""
    advice = found.built.axles[axle].advice.get(side)
    told = advice.pairs.get(pair) if advice else None
    if told is None or np.isnan(told.one_sigma_mm):
        return "unknown"
    return f"{TWO_SIDED * told.one_sigma_mm:.1f} mm"


def limit_band_lines(found: AsBuilt, axle: str) -> Iterator[str]:
    """Limits whose least margin is not sure to be kept, as built, both sides."""
    for side, advice in found.built.axles[axle].advice.items():
        for b in advice.limit_bands:
            if b.measure_it and b.one_sigma != 0.0:
                off = "unknown" if np.isnan(b.one_sigma) else f"{TWO_SIDED * b.one_sigma:.1f}"
                yield (
                    f"{side.value} {b.name}: margin {b.margin:+.1f} +- {off} {b.unit} at rack "
                    f"{b.rack_mm:+.1f}, travel {b.travel_mm:+.1f} mm: not sure to be kept"
                )


BANDS = (
    "+-: 95 % from this measuring alone, by slopes; what was taken as designed adds nothing to it. "
    "gauge: read by level and toe gauge, whose own error counts."
)


def figure(value: float, decimals: int) -> str:
    """A signed figure, 'none' for a state that has none."""
    return f"{round(value, decimals) + 0.0:+.{decimals}f}" if np.isfinite(value) else "none"


def gap_rows(found: AsBuilt, axle: str) -> Iterator[tuple[str, str, str, str, Tone]]:
    """Pairs, the worst as built first: who, designed, as built, half of its 95 % band."""
    rows = gap_changes(found.design.axles[axle], found.built.axles[axle])
    for side, pair, old, new in rows[:MOST_GAPS]:
        tone = Tone.BAD if new is not None and new.margin_mm < 0.0 else Tone.PLAIN
        if old is None and side is Side.RIGHT and found.design.axles[axle].axle.symmetric:
            old = next((o for s, p, o, _ in rows if s is Side.LEFT and p == pair), None)
        who = f"{side.value} {spoken(pair[0])} to {spoken(pair[1])}"
        off = gap_band_words(found, axle, side, pair)
        yield who, _inside_words(old), _inside_words(new), off, tone


def _inside_words(pair: SurveyedPair | None) -> str:
    """What is certain of a gap inside the limits, in few words; else what the grid's poses show."""
    certain = None if pair is None else pair.certain
    if certain is None or pair is None or pair.constant:
        return least_gap_words(pair)
    match certain.verdict:
        case Certainty.CONTACT:
            deep = -certain.upper_mm
            return f"touch, {deep:.1f} mm deep" if deep > 0.0 else "touch"
        case Certainty.BRACKETED:
            return f"{certain.lower_mm:.1f} to {certain.upper_mm:.1f} mm"
        case Certainty.CLEAR:
            return f"over {certain.lower_mm:.1f} mm"
        case Certainty.UNDECIDED:
            return "undecided"


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
