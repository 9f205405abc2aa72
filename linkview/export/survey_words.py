"""A solved survey for the screen, as a table, and as lines to paste into a hard-point file."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from linkview.export.files import write_whole
from linkview.export.tables import write_table
from linkview.geometry import length
from linkview.model.read import SurveyFile
from linkview.survey.readings import Reading, spoken_point
from linkview.survey.survey import Survey, SurveyedPoint
from linkview.survey.symmetry import mirror_of, twins, unlike_parts
from linkview.units import to_deg

FEWEST_PAIRS = 3
SMALL_GAP = "A gap under 10 mm from tape data means: measure it on the car."


def state_words(file: SurveyFile) -> str:
    """How the car stood, and what heights are over: stated on every output."""
    state = f"car {file.measured.state.replace('_', ' ')}"
    lengths = file.survey.damper_length
    if lengths:
        each = ", ".join(f"{axle} {long:g} mm" for axle, long in lengths.items())
        state += f", dampers then: {each}"
    by = f", by {file.measured.by}" if file.measured.by else ""
    return f"{state}; heights from: {file.survey.heights_from}{by}"


def survey_lines(file: SurveyFile, survey: Survey) -> list[str]:
    """Everything, a line each."""
    out = [f"{file.path.name}: {state_words(file)}", "", "POINTS (mm; x forward, y left, z up)"]
    wide = max(len(spoken_point(p.name)) for p in survey.points)
    head = "x         y         z   sigma x, y, z      worst, 95 %"
    out.append(f"  {'':<{wide}}  {head:>52}")
    out += [f"  {_point_line(p, wide)}" for p in survey.points]
    out += ["", *quality_lines(survey)]
    if survey.doubts:
        out += ["", "DOUBTED (kept out, unless said otherwise)"]
        out += [f"  {d.words}" for d in survey.doubts]
    if survey.notes:
        out += ["", "NOTE"] + [f"  {note}" for note in survey.notes]
    sides = list(side_lines(file, survey))
    if sides:
        out += ["", "LEFT AGAINST RIGHT"] + [f"  {line}" for line in sides]
    if survey.next_best:
        out += [
            "",
            "WHAT TO MEASURE NEXT, best first; each counts those before it, over all points",
        ]
        out += [f"  {s.words}" for s in survey.next_best]
    return [*out, "", SMALL_GAP]


def _point_line(point: SurveyedPoint, wide: int) -> str:
    x, y, z = point.at
    sigmas = " ".join(f"{s:5.2f}" for s in point.sigma_mm)
    return (
        f"{spoken_point(point.name):<{wide}} {x:9.1f} {y:9.1f} {z:9.1f}   {sigmas}   "
        f"{point.worst_95_mm:5.1f} {point.way}"
    )


def quality_lines(survey: Survey) -> Iterator[str]:
    """How many readings, how well they agree, and what that says about the sigmas."""
    fit = survey.fit
    count = len(fit.misfit)
    yield f"{count} readings, {fit.rank} needed, {max(fit.spare, 0)} to check the others."
    if fit.spare:
        verdict = "as the stated uncertainties lead to expect"
        if fit.too_large:
            verdict = (
                "more than the stated uncertainties allow: they are too small, or a slip could not "
                "be named; the sigmas shown are enlarged by this"
            )
        elif fit.too_small:
            verdict = "less than the stated uncertainties lead to expect"
        yield f"Misfits are {fit.factor:.2f} times the stated one sigma: {verdict}."
    if survey.free_datum:
        yield (
            "Free datum: the shape is what was measured. Where it stands and how it is turned was "
            "not; it is laid onto the rough places, and the uncertainties do not count that."
        )


def side_lines(file: SurveyFile, survey: Survey) -> Iterator[str]:
    """The mirror plane, how far each pair is off it, and parts that are not twins."""
    pairs = twins(survey.fit.network.points)
    if len(pairs) < FEWEST_PAIRS:
        return
    plane = mirror_of(survey.fit, pairs, enlarged=survey.enlarged)
    yield plane.words
    for (name, _), off, sigma in zip(pairs, plane.off, plane.off_sigma, strict=True):
        axle, _, point = name.split(".")
        yield (
            f"{axle} {spoken_point(point)}: right one off the left one's image by x {off[0]:+.1f}, "
            f"y {off[1]:+.1f}, z {off[2]:+.1f}, {float(length(off)):.1f} mm in all "
            f"(one sigma {sigma:.1f})"
        )
    unlike = unlike_parts(survey.fit, file.layouts)
    yield from (u.words for u in unlike)
    if not unlike:
        yield "no part is surely different from its twin: no same-part distance differs enough"


def write_points_table(path: Path, survey: Survey) -> None:
    """points.csv"""
    header = ["point", "x (mm)", "y (mm)", "z (mm)"]
    header += [f"one sigma {a} (mm)" for a in "xyz"]
    header += [f"half axis {k} of the one-sigma ellipsoid (mm)" for k in (1, 2, 3)]
    header += [f"longest axis {a}" for a in "xyz"] + ["from the rough place (mm)"]
    rows = (
        [
            p.name,
            *(round(float(v), 3) for v in (*p.at, *p.sigma_mm, *p.axes_mm, *p.longest)),
            round(p.moved_mm, 3),
        ]
        for p in survey.points
    )
    write_table(path, header, rows)


def write_readings_table(path: Path, survey: Survey) -> None:
    """readings.csv: those kept out stand at the end."""
    fit = survey.fit
    header = ["key", "what", "measured", "computed", "misfit", "one sigma", "unit"]
    header += ["share checked by the others", "misfit in its own sigmas", "used"]
    predicted = fit.network.predicted(fit.x)

    def row(r: Reading, says: float, share: float, own: float, used: str) -> list[object]:
        size = float(to_deg(1.0)) if r.is_angle else 1.0
        figures = [round(v * size, 3) for v in (r.value, says, r.value - says, r.sigma)]
        unit = "deg" if r.is_angle else "mm"
        return [r.key, r.words, *figures, unit, round(share, 3), round(own, 2), used]

    rows = [
        row(r, float(predicted[k]), float(fit.redundancy[k]), -float(fit.standardised[k]), "yes")
        for k, r in enumerate(fit.network.readings)
    ]
    out = [d for d in survey.doubts if not d.alike]
    rows += [
        row(d.reading, d.reading.value - d.off, 1.0, d.off / d.reading.sigma, "no") for d in out
    ]
    write_table(path, header, rows)


def write_points_to_paste(path: Path, file: SurveyFile, survey: Survey) -> None:
    """points.toml: the points with their uncertainties, as a hard-point file writes them."""
    lines = [f"# From {file.path.name}: {state_words(file)}."]
    lines += ["# Millimetres. Paste into the hard-point file; its own points of the same name go."]
    groups: dict[tuple[str, str], list[SurveyedPoint]] = {}
    for point in survey.points:
        axle, _, rest = point.name.partition(".")
        side, _, _ = rest.partition(".")
        groups.setdefault((axle, side) if rest else ("", ""), []).append(point)
    both = {a for a, s in groups if (a, "left") in groups and (a, "right") in groups}
    for (axle, side), points in groups.items():
        if not axle:
            lines += ["", *(f"# {p.name} = {_numbers(p.at)}   (a mark)" for p in points)]
            continue
        lines += ["", f"[axle.{axle}.points{f'_{side}' if axle in both else ''}]"]
        if axle not in both:
            lines.append(f"# measured on the {side}: side = {side!r}".replace("'", '"'))
        for p in points:
            name = p.name.rsplit(".", 1)[1]
            if name == "wheel_centre":
                lines.append(f"# goes to wheel: centre = {_numbers(p.at)}")
            else:
                lines.append(f"{name} = {_numbers(p.at)}")
    lines += _sigma_lines(groups)
    write_whole(path, "\n".join(lines) + "\n")


def _sigma_lines(groups: dict[tuple[str, str], list[SurveyedPoint]]) -> Iterator[str]:
    """One sigma of each point; where both sides were measured, the worse one."""
    axles = dict.fromkeys(axle for axle, _ in groups if axle)
    for axle in axles:
        worst: dict[str, list[float]] = {}
        for (at, _), points in groups.items():
            for p in points if at == axle else ():
                name, new = p.name.rsplit(".", 1)[1], [float(s) for s in p.sigma_mm]
                old = worst.get(name, new)
                worst[name] = [max(a, b) for a, b in zip(old, new, strict=True)]
        yield ""
        yield f"[axle.{axle}.one_sigma]"
        for name, sigma in worst.items():
            yield f"{name} = [{', '.join(f'{s:.2f}' for s in sigma)}]"


def _numbers(at: object) -> str:
    return f"[{', '.join(f'{v:.1f}' for v in at)}]"  # type: ignore[attr-defined]
