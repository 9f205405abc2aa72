"""What is wrong in [survey] before anything is solved: names, sizes, what was left out."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np

from linkview.errors import Fault, near_miss
from linkview.geometry import Array, length
from linkview.model.free_layout import layout_of
from linkview.model.schema import AxleTable, MeasuredTable
from linkview.model.surveyfile import LONGEST_TAPE_MM, SINGLES, SurveyTable
from linkview.units import MM_PER_UNIT

BESIDE_WHEELBASE_MM = 2500.0  # what a car is longer than its wheelbase, at most
ONE_PLACE_MM = 1.0
MOST_MENTIONS = 6000
TAPES_APART_MM = 10.0  # a damper's stated length and its tape: two careful readings agree


def survey_faults(
    survey: SurveyTable,
    measured: MeasuredTable | None,
    known: Mapping[str, Array],
    wheelbase_mm: float | None = None,
    axles: Mapping[str, AxleTable] | None = None,
) -> list[Fault]:
    """All faults of a [survey]. known: hard points by name; none where the file has no axles.

    axles: of the file, where it has any.
    """
    out = [*_names(survey, known), *_twice(survey), *_itself(survey)]
    out += _too_long(survey, wheelbase_mm)
    if measured is not None and measured.state == "on_stands" and not survey.damper_length:
        out.append(
            Fault(
                "survey.damper_length",
                "missing while [measured] state is 'on_stands'",
                "say by axle how long the dampers were: damper_length = { front = 470 }",
            )
        )
    if axles is not None:
        out += _dampers(survey, axles)
    count = sum(1 for _ in mentions(survey))
    if count > MOST_MENTIONS:
        fix = "a car has some hundreds; solve it in parts"
        out.append(Fault("survey", f"{count} points named in measurements", fix))
    if not count:
        out.append(Fault("survey", "has no measurement", "add distances, heights and so on"))
    return out


def _dampers(survey: SurveyTable, axles: Mapping[str, AxleTable]) -> Iterator[Fault]:
    """Lengths that the file's own dampers cannot have, or that a tape contradicts; axles that were
    left out.
    """
    for axle, now in survey.damper_length.items():
        where = f"survey.damper_length.{axle}"
        if axle not in axles:
            yield Fault(where, "no such axle", near_miss(axle, axles))
            continue
        damper, ends = axles[axle].damper, layout_of(axles[axle]).damper
        if damper and not damper.min_length <= now <= damper.max_length:
            yield Fault(
                where,
                f"{now:g} mm is not between the damper's {damper.min_length:g} (fully closed) and "
                f"{damper.max_length:g} (fully open)",
                f"measure it again between its two points, or correct [axle.{axle}.damper]",
            )
        for i, t in enumerate(survey.distances if ends else ()):
            value, sides = t.is_ * MM_PER_UNIT[t.unit], ("left", "right")
            tapes = [{f"{axle}.{side}.{end}" for end in ends or ()} for side in sides]
            if {*t.between} in tapes and abs(value - now) > TAPES_APART_MM:
                yield Fault(
                    where,
                    f"{now:g} mm, but survey.distances[{i}] tapes that damper as {value:.1f} mm",
                    "measure it again; both are between the damper's two points",
                )
    stood = {point.split(".")[0] for _, point in mentions(survey) if "." in point}
    for axle in sorted(stood & {*axles} if survey.damper_length else ()):
        if axles[axle].damper and axle not in survey.damper_length:
            yield Fault(
                f"survey.damper_length.{axle}",
                "missing though points of this axle were measured",
                "say how long its dampers were then",
            )


def mentions(survey: SurveyTable) -> Iterator[tuple[str, str]]:
    """Every point a measurement names: (key, point)."""
    for kind in ("distances", "rises", "levels"):
        for i, t in enumerate(getattr(survey, kind)):
            for point in t.between:
                yield f"survey.{kind}[{i}].between", point
    for kind in (*SINGLES, "plumb_marks", "coordinates"):
        for i, t in enumerate(getattr(survey, kind)):
            yield f"survey.{kind}[{i}].of", t.of


def _names(survey: SurveyTable, known: Mapping[str, Array]) -> Iterator[Fault]:
    ours = {*known, *survey.marks, *survey.near, *survey.held}
    keys = [*mentions(survey)]
    keys += [(f"survey.marks[{i}]", m) for i, m in enumerate(survey.marks)]
    keys += [(f"survey.near.{m}", m) for m in survey.near]
    keys += [(f"survey.held.{m}", m) for m in survey.held]
    for where, point in keys:
        if "." in point:
            if known and point not in known:
                yield Fault(where, f"no hard point '{point}'", near_miss(point, known))
        elif point not in ours:
            fix = f"{near_miss(point, ours)} If it is a mark of your own, add it to survey.marks"
            yield Fault(where, f"no point '{point}'", fix)


def _twice(survey: SurveyTable) -> Iterator[Fault]:
    seen: dict[str, str] = {}
    for i, mark in enumerate(survey.marks):
        plain = mark.lower().replace("_", "")
        if plain in seen:
            yield Fault(
                f"survey.marks[{i}]",
                f"'{mark}' names a point that is there as '{seen[plain]}'",
                "name each point once; if they are two, give them names that differ more",
            )
        seen.setdefault(plain, mark)
    near = list(survey.near.items())
    for k, (name, at) in enumerate(near):
        for other, there in near[:k]:
            if float(length(np.subtract(at, there))) < ONE_PLACE_MM:
                yield Fault(
                    f"survey.near.{name}",
                    f"stands where '{other}' stands",
                    "one point named twice? keep one name",
                )


def _itself(survey: SurveyTable) -> Iterator[Fault]:
    for kind in ("distances", "rises", "levels"):
        for i, t in enumerate(getattr(survey, kind)):
            if t.between[0] == t.between[1]:
                yield Fault(
                    f"survey.{kind}[{i}].between",
                    f"'{t.between[0]}' to itself",
                    "name the two points it was measured between",
                )


def _too_long(survey: SurveyTable, wheelbase_mm: float | None) -> Iterator[Fault]:
    longest = LONGEST_TAPE_MM
    if wheelbase_mm is not None:
        longest = min(longest, wheelbase_mm + BESIDE_WHEELBASE_MM)
    for i, t in enumerate(survey.distances):
        value = t.is_ * MM_PER_UNIT[t.unit]
        if value > longest:
            yield Fault(
                f"survey.distances[{i}].is",
                f"{t.is_:g} {t.unit}{'' if t.unit == 'mm' else f' is {value:.0f} mm'}, longer than "
                f"the car ({longest:.0f} mm)",
                "read the tape again, or set its unit ('mm', 'cm', 'm', 'in')",
            )
