"""`linkview asbuilt`: the finished car measured again and held against its design."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from linkview.app.folder import Written
from linkview.app.survey_results import solved
from linkview.errors import Fault, ModelFaults, near_miss
from linkview.export.asbuilt import AsBuilt, asbuilt_lines, write_deviations
from linkview.export.asbuilt_paper import asbuilt_paper
from linkview.export.blocks_html import write_html
from linkview.export.blocks_pdf import write_pdf
from linkview.export.compare import write_differences, write_gap_changes
from linkview.export.files import write_whole
from linkview.export.identity import Identity
from linkview.export.survey_words import write_readings_table
from linkview.geometry import Array
from linkview.kinematics.assemble import rebuilder
from linkview.model.parts import Car
from linkview.model.read import HardPointFile, SurveyFile, read_survey
from linkview.plates.profiles import ShopProfile
from linkview.study import Tell, study_with_gaps, study_without_gaps
from linkview.survey.deviation import deviations
from linkview.tuning.measured import point_sigmas, reading_sigmas

AS_BUILT = "as_built"


def as_built(
    design: HardPointFile,
    variant: str,
    measured: Path,
    shop: ShopProfile,
    tell: Tell,
    *,
    tolerance_mm: float,
) -> AsBuilt:
    """Everything but the gaps; see `with_gaps`.

    Raises ModelFaults for a file that cannot be used, SurveyRefused for too few measurements.
    """
    builder = rebuilder(design, variant)
    drawn = builder.remeasured({}, {}, variant=variant, title=f"design: {variant}")
    file = read_survey(measured, points_of(drawn))
    survey = solved(file)
    drawn = _measured_axles(drawn, survey.fit.network.points, file)
    known = points_of(drawn)
    _refuse(file, drawn)
    places = {p.name: p.at for p in survey.points if p.name in known}
    wheels = {name: (w.camber, w.toe_in) for name, w in file.survey.wheels.items()}
    title = f"as built, from {file.path.name}"
    whole = builder.remeasured(places, wheels, variant=AS_BUILT, title=title)
    again = builder.remeasuring(places, wheels, point_sigmas(survey), title=title)
    built = replace(whole, axles={name: whole.axles[name] for name in drawn.axles})
    corners = [f"{axle}.{side}" for axle in drawn.axles for side in ("left", "right")]
    sigmas = {
        (name, "axle" if side is None else side.value, reading): sigma
        for name, axle in built.axles.items()
        for (side, reading), sigma in reading_sigmas(axle, built, survey).items()
    }
    return AsBuilt(
        file,
        survey,
        tuple(deviations(survey, known, tolerance_mm)),
        tuple(name for name in known if name not in places),
        tuple(c for c in corners if c not in wheels),
        tolerance_mm,
        study_without_gaps(drawn, shop, tell),
        study_without_gaps(built, shop, tell),
        sigmas,
        again,
    )


def with_gaps(found: AsBuilt, tell: Tell) -> AsBuilt:
    """The same with every gap measured on both."""
    design = study_with_gaps(found.design, tell)
    built = study_with_gaps(found.built, tell, found.rebuilder)
    return replace(found, design=design, built=built)


def _measured_axles(design: Car, points: Sequence[str], file: SurveyFile) -> Car:
    """The design with those axles alone of which a hard point was measured."""
    there = {p.split(".")[0] for p in points if "." in p}
    axles = {name: axle for name, axle in design.axles.items() if name in there}
    if not axles:
        what, fix = "measures no hard point of the design", "name points as AXLE.SIDE.HARD_POINT"
        raise ModelFaults(str(file.path), [Fault("survey", what, fix)])
    return replace(design, axles=axles)


def points_of(car: Car) -> dict[str, Array]:
    """'AXLE.SIDE.POINT' -> (3,) mm of both corners of every axle."""
    return {
        f"{name}.{corner.side.value}.{point}": at
        for name, axle in car.axles.items()
        for corner in axle.corners
        for point, at in corner.points.items()
    }


def _refuse(file: SurveyFile, design: Car) -> None:
    faults = []
    if file.measured.state != "on_its_wheels":
        faults.append(
            Fault(
                "measured.state",
                f"'{file.measured.state}' cannot be held against a design at ride height",
                "measure the finished car on its wheels, rack centred",
            )
        )
    known = [f"{axle}.{side}" for axle in design.axles for side in ("left", "right")]
    for name in file.survey.wheels:
        if name not in known:
            where = f"survey.wheels.{name}"
            faults.append(Fault(where, "no such wheel", near_miss(name, known)))
    if faults:
        raise ModelFaults(str(file.path), faults)


def write_as_built(found: AsBuilt, identity: Identity, folder: Path) -> list[Written]:
    """Tables, the text, and the pages to sign."""
    write_deviations(folder / "deviations.csv", found.deviations)
    write_differences(folder / "as_built_readings.csv", found.design, found.built)
    write_readings_table(folder / "readings.csv", found.survey)
    write_whole(folder / "as_built.txt", "\n".join(asbuilt_lines(found)) + "\n")
    paper = asbuilt_paper(found, identity)
    pages = write_pdf(folder / "as_built.pdf", paper)
    write_html(folder / "as_built.html", paper)
    out = [
        Written("as_built.pdf", f"deviations, alignment, gaps and limits, to sign; {pages} pages"),
        Written("as_built.html", "the same for a browser"),
        Written("deviations.csv", "every re-measured point against the design"),
        Written("as_built_readings.csv", "every alignment value, designed and as built"),
        Written("readings.csv", "every reading of the measuring, computed and as measured"),
        Written("as_built.txt", "the summary as on screen"),
    ]
    if all(axle.gaps for axle in found.built.axles.values()):
        write_gap_changes(folder / "as_built_gaps.csv", found.design, found.built)
        out.append(Written("as_built_gaps.csv", "the least gap of every pair, both"))
    return out
