"""The helper's work on files to take away: what the command line writes, of the present car."""

from __future__ import annotations

import re
import shutil
from collections.abc import Callable
from pathlib import Path
from tempfile import mkdtemp

from linkview.app.asbuilt import as_built, with_gaps
from linkview.app.aside import Here
from linkview.app.charts import draw_charts
from linkview.app.films import film_read_outs
from linkview.app.gap_results import draw_gap_charts, write_gap_tables
from linkview.app.handover import (
    hand_over_cut_out,
    hand_over_four_views,
    hand_over_model,
    hand_over_page,
    hand_over_report,
    hand_over_view,
)
from linkview.app.package import Drawing, fill_package, zip_of
from linkview.app.pictures import draw_gap_pictures
from linkview.app.plate_results import write_plate_files
from linkview.app.results import write_summary, write_tables
from linkview.errors import GraphicsMissing
from linkview.export.identity import Identity, identify, with_source
from linkview.export.readout_film import FilmKind
from linkview.export.summary import summary_lines
from linkview.export.tables import write_plates
from linkview.export.templates import Paper
from linkview.export.views import View
from linkview.kinematics.assemble import rebuilder
from linkview.live.checking import STAMPED, outline
from linkview.live.helper import Post, Work
from linkview.live.jobs import MakeJob
from linkview.live.making_more import OTHERS, today
from linkview.study import CarStudy, Tell, study_with_gaps, study_without_gaps


def making_works() -> dict[str, Work]:
    return {"make": _make, "outline": outline}


def _make(post: Post, job: MakeJob) -> None:
    def tell(what: str, done: int, count: int) -> None:
        post.heed()
        post.answer({"making": job.what, "what": what, "done": done, "count": count})

    tell("beginning", 0, 1)
    place = Path(mkdtemp(prefix="linkview-"))
    try:
        _made(post, job, place, tell)
    except BaseException:  # cancelled too: nothing half-made is left
        shutil.rmtree(place, ignore_errors=True)
        raise


def _made(post: Post, job: MakeJob, place: Path, tell: Tell) -> None:
    stem = re.sub(r"[^A-Za-z0-9._-]", "_", job.file.path.stem)
    folder = place / f"{stem}-{job.what}"
    folder.mkdir()
    if job.what in _MAKERS:
        _MAKERS[job.what](job, study_without_gaps(job.car, job.shop, tell), folder, tell)
    else:
        OTHERS[job.what](job, folder, tell)
    names = sorted(p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file())
    made = folder / names[0] if len(names) == 1 else folder.with_name(f"{folder.name}.zip")
    if len(names) != 1:
        zip_of(folder, made, names, date=STAMPED)
    post.answer({"making": job.what, "made": str(made), "name": made.name, "count": len(names)})


def _gaps_too(
    job: MakeJob, study: CarStudy, tell: Tell, drawing: Drawing | None = None
) -> CarStudy:
    """With gaps and how well each is known, as the command line measures them."""
    heard = drawing.measured if drawing is not None else None
    return study_with_gaps(study, tell, rebuilder(job.file, job.variant), measured=heard)


def _identity(job: MakeJob) -> Identity:
    return identify(job.file, job.car, revision=job.given.get("revision", "-"), date=today())


def _tables(job: MakeJob, study: CarStudy, folder: Path, tell: Tell) -> None:
    whole = _gaps_too(job, study, tell)
    files = write_tables(whole, job.found, folder) + write_gap_tables(whole, folder)
    if job.given.get("charts") == "with":
        tell("drawing charts", 0, 1)
        files += draw_charts(whole, job.found, folder) + draw_gap_charts(whole, folder)
    write_summary(summary_lines(whole), files, folder)


def _plates(job: MakeJob, study: CarStudy, folder: Path, tell: Tell) -> None:
    tell("drawing plates", 0, 1)
    write_plate_files(study, folder, paper=Paper(job.given.get("paper", "A4")))
    write_plates(folder / "plates.csv", study.axles)


def _page(job: MakeJob, study: CarStudy, folder: Path, tell: Tell) -> None:
    whole = _gaps_too(job, study, tell)
    tell("writing the page", 0, 1)
    hand_over_page(whole, job.found, _identity(job), folder)


def _model(job: MakeJob, study: CarStudy, folder: Path, tell: Tell) -> None:
    tell("writing the 3-D file", 0, 1)
    hand_over_model(study, _identity(job), folder)


def _report(job: MakeJob, study: CarStudy, folder: Path, tell: Tell) -> None:
    identity, built = _identity(job), None
    if job.given.get("from"):  # first: a measuring that cannot be used is told at once
        measured, within = Path(job.given["from"]), float(job.given["within"])
        built = as_built(job.file, job.variant, measured, job.shop, tell, tolerance_mm=within)
        identity = with_source(identity, measured)
    whole = _gaps_too(job, study, tell)
    if built is not None:
        built = with_gaps(built, tell)
    before = study_without_gaps(job.found, job.shop, tell)
    tell("writing report and sheets", 0, 1)
    hand_over_report(whole, before, identity, folder, as_built=built)


def _pixels(job: MakeJob) -> tuple[int, int]:
    wide, high = job.given["pixels"].split("x")
    return int(wide), int(high)


def _picture(job: MakeJob, study: CarStudy, folder: Path, tell: Tell) -> None:
    Here(tell).require_graphics()
    tell("drawing", 0, 1)
    if job.given["view"] == "four":
        hand_over_four_views(study, folder)
        return
    draw = hand_over_view if job.given["behind"] == "with" else hand_over_cut_out
    at, view = job.inputs, View(job.given["view"])
    draw(
        study, job.car.axles[job.axle], folder, view,
        rack_mm=at.rack_mm, travel_mm=at.travel_mm, size=_pixels(job),
    )  # fmt: skip


def _pictures(job: MakeJob, study: CarStudy, folder: Path, tell: Tell) -> None:
    here = Here(tell)
    here.require_graphics()
    drawing = Drawing(here, folder, job.found, missing=None)
    drawing.begin(study, films=())
    whole = _gaps_too(job, study, tell, drawing)
    if job.given.get("close") == "short":
        draw_gap_pictures(whole, job.found, folder, tell)


def _film(job: MakeJob, study: CarStudy, folder: Path, tell: Tell) -> None:
    here = Here(tell)
    here.require_graphics()
    view, kind = View(job.given["view"]), FilmKind[job.given["kind"].upper()]
    for name in study.axles:
        here.film(study, job.found, folder, name)
        film_read_outs(study, name, folder, tell, view=view, size=_pixels(job), kind=kind)


def _pack(job: MakeJob, study: CarStudy, folder: Path, tell: Tell) -> None:
    here, missing = Here(tell), None
    try:
        here.require_graphics()
    except GraphicsMissing as reason:
        missing = reason
    drawing = Drawing(here, folder, job.found, missing=missing)
    films = [] if job.given.get("films") == "without" else list(study.axles)
    drawing.begin(study, films=films)
    whole = _gaps_too(job, study, tell, drawing)
    drawing.all_measured(whole)
    before = study_without_gaps(job.found, job.shop, tell)
    fill_package(whole, before, _identity(job), folder, tell, drawing)


Maker = Callable[[MakeJob, CarStudy, Path, Tell], None]
# With `OTHERS` all of `WHATS` in `linkview.live.jobs`.
_MAKERS: dict[str, Maker] = {
    "plates": _plates,
    "tables": _tables,
    "report": _report,
    "page": _page,
    "model3d": _model,
    "picture": _picture,
    "pictures": _pictures,
    "film": _film,
    "pack": _pack,
}
