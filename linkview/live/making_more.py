"""The helper's work on files to take away that need no study, or one of their own."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from pathlib import Path

from linkview.app.asbuilt import as_built, with_gaps, write_as_built
from linkview.app.compare import compare_with_gaps, compare_without_gaps, write_comparison
from linkview.app.point_slopes import point_slopes
from linkview.app.survey_results import solved, write_survey
from linkview.app.trust_results import Asked, trust_results
from linkview.export.cautions import CAUTIONS
from linkview.export.envelope import write_envelope
from linkview.export.files import write_whole
from linkview.export.identity import identify, with_source
from linkview.export.setting import (
    HELD,
    dial_lines,
    set_up_lines,
    write_dials,
    write_set_up,
    write_wanted,
)
from linkview.export.survey_words import survey_lines
from linkview.export.targets import NEXT, answer_lines, write_answers, write_variants
from linkview.kinematics.assemble import rebuilder
from linkview.kinematics.sensitivity import Sizes
from linkview.live.jobs import MakeJob
from linkview.model.parts import Axle
from linkview.model.read import read_survey
from linkview.plates.profiles import built_in_text
from linkview.study import Tell, swept_volume
from linkview.tuning.dials import dial_table
from linkview.tuning.setting import set_up, wanted_of
from linkview.tuning.targets import reach

CARS, BUILT, SEED = 2000, 200, 1  # as the command line draws them


def _words(path: Path, lines: list[str]) -> None:
    """What the command line says, as a file, with the cautions."""
    write_whole(path, "\n".join([*lines, "", *(f"CAUTION: {c}" for c in CAUTIONS)]) + "\n")


def today() -> str:
    """The day as it is printed on papers."""
    day = date.today()
    return f"{day.day} {day.strftime('%B')} {day.year}"


def _axle(job: MakeJob) -> Axle:
    return job.car.axles[job.axle]


def _measure(job: MakeJob, folder: Path, tell: Tell) -> None:
    tell("solving the measurements", 0, 1)
    file = read_survey(Path(job.given["from"]))
    survey = solved(file)
    write_survey(file, survey, folder, revision=job.given.get("revision", "-"), day=today())
    _words(folder / "measure.txt", list(survey_lines(file, survey)))


def _as_built(job: MakeJob, folder: Path, tell: Tell) -> None:
    measured, within = Path(job.given["from"]), float(job.given["within"])
    found = as_built(job.file, job.variant, measured, job.shop, tell, tolerance_mm=within)
    if job.given["gaps"] == "with":
        found = with_gaps(found, tell)
    revision = job.given.get("revision", "-")
    identity = identify(job.file, found.design.car, revision=revision, date=today())
    write_as_built(found, with_source(identity, measured), folder)


def _envelope(job: MakeJob, folder: Path, tell: Tell) -> None:
    body = job.given["body"]
    swept = swept_volume(job.car, job.axle, body, float(job.given["grow"]), tell)
    made = write_envelope(folder / f"{job.axle}_{body}_envelope.stl", swept)
    _words(folder / f"{job.axle}_{body}_envelope.txt", [f"{job.axle} {body}: {made.words}"])


def _adjusters(job: MakeJob, folder: Path, tell: Tell) -> None:
    tell("turning every adjuster", 0, 1)
    tables = [dial_table(axle, job.car) for axle in job.car.axles.values() if axle.adjusters]
    write_dials(folder / "adjusters.csv", tables)
    lines = [line for table in tables for line in (*dial_lines(table), "")]
    held = f"{HELD} Slopes at the present setting: a cam or a long slot bends them."
    _words(folder / "adjusters.txt", [*lines, held])


def _setup(job: MakeJob, folder: Path, tell: Tell) -> None:
    tell("finding the settings", 0, 1)
    given = dict(job.given)
    fix = given.pop("fix", "")
    axle, extra = _axle(job), {k: float(v) for k, v in given.items() if v}
    found = [set_up(axle, job.car, wanted_of(axle.wanted, extra), [fix] if fix else [])]
    write_set_up(folder / "setup_steps.csv", found)
    write_wanted(folder / "setup_readings.csv", found)
    _words(folder / "setup.txt", [*set_up_lines(found[0]), "", HELD])


def _trust(job: MakeJob, folder: Path, tell: Tell) -> None:
    built = BUILT if job.given["of"] == "all" else 0
    asked = Asked(CARS, built, SEED, float(job.given["cut"]), None, every=False)
    again = rebuilder(job.file, job.variant)
    found = trust_results(job.car, [_axle(job)], again, asked, tell)
    found.write(folder)
    _words(folder / "trust.txt", found.lines())


def _targets(job: MakeJob, folder: Path, tell: Tell) -> None:
    axle = _axle(job)

    def heard(done: int, count: int) -> None:
        tell(f"{axle.name} axle: choices of points", done, count)

    again = rebuilder(job.file, job.variant)
    found = {axle.name: (axle, reach(axle, job.car, again, seed=SEED, heard=heard))}
    write_answers(folder / "targets.csv", found)
    write_variants(folder / "targets_variants.toml", found, job.variant)
    _words(folder / "targets.txt", [*answer_lines(*found[axle.name]), "", NEXT])


def _compare(job: MakeJob, folder: Path, tell: Tell) -> None:
    work = compare_with_gaps if job.given["gaps"] == "with" else compare_without_gaps
    write_comparison(work(job.file, job.given["before"], job.variant, tell), folder)


def _sensitivity(job: MakeJob, folder: Path, tell: Tell) -> None:
    tell("moving every point", 0, 1)
    rack, travel = job.inputs.rack_mm, job.inputs.travel_mm
    found = point_slopes(job.car, rack, travel, Sizes[job.given["parts"].upper()])
    found.write(folder / "sensitivity.csv")
    _words(folder / "sensitivity.txt", found.lines)


def _shop(job: MakeJob, folder: Path, tell: Tell) -> None:
    name = job.given["name"]
    write_whole(folder / f"{name}.toml", built_in_text(name))


Maker = Callable[[MakeJob, Path, Tell], None]
OTHERS: dict[str, Maker] = {
    "measure": _measure,
    "asbuilt": _as_built,
    "envelope": _envelope,
    "adjusters": _adjusters,
    "setup": _setup,
    "trust": _trust,
    "targets": _targets,
    "compare": _compare,
    "sensitivity": _sensitivity,
    "shop": _shop,
}
