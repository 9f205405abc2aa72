"""The helper's work on files to take away: what the command line writes, of the present car."""

from __future__ import annotations

import re
import shutil
from collections.abc import Callable
from pathlib import Path
from tempfile import mkdtemp

from linkview.app.aside import Here
from linkview.app.films import film_read_outs
from linkview.app.gap_results import write_gap_tables
from linkview.app.handover import hand_over_model, hand_over_page, hand_over_report
from linkview.app.package import Drawing, fill_package, zip_of
from linkview.app.plate_results import write_plate_files
from linkview.app.results import write_summary, write_tables
from linkview.errors import GraphicsMissing
from linkview.export.identity import identify
from linkview.export.summary import summary_lines
from linkview.export.tables import write_plates
from linkview.live.helper import Post, Work
from linkview.live.jobs import MakeJob
from linkview.live.making_more import OTHERS
from linkview.study import CarStudy, Tell, study_with_gaps, study_without_gaps

STAMPED = (1980, 1, 1)  # the same content gives the same zip, whatever the day


def making_works() -> dict[str, Work]:
    return {"make": _make}


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


def _tables(job: MakeJob, study: CarStudy, folder: Path, tell: Tell) -> None:
    whole = study_with_gaps(study, tell)
    files = write_tables(whole, job.found, folder) + write_gap_tables(whole, folder)
    write_summary(summary_lines(whole), files, folder)


def _plates(job: MakeJob, study: CarStudy, folder: Path, tell: Tell) -> None:
    tell("drawing plates", 0, 1)
    write_plate_files(study, folder)
    write_plates(folder / "plates.csv", study.axles)


def _page(job: MakeJob, study: CarStudy, folder: Path, tell: Tell) -> None:
    whole = study_with_gaps(study, tell)
    tell("writing the page", 0, 1)
    hand_over_page(whole, job.found, identify(job.file, job.car), folder)


def _model(job: MakeJob, study: CarStudy, folder: Path, tell: Tell) -> None:
    tell("writing the 3-D file", 0, 1)
    hand_over_model(study, identify(job.file, job.car), folder)


def _report(job: MakeJob, study: CarStudy, folder: Path, tell: Tell) -> None:
    before = study_without_gaps(job.found, job.shop, tell)
    whole = study_with_gaps(study, tell)
    tell("writing report and sheets", 0, 1)
    hand_over_report(whole, before, identify(job.file, job.car), folder)


def _pictures(job: MakeJob, study: CarStudy, folder: Path, tell: Tell) -> None:
    here = Here(tell)
    here.require_graphics()
    drawing = Drawing(here, folder, job.found, missing=None)
    drawing.begin(study, films=())
    study_with_gaps(study, tell, measured=drawing.measured)


def _film(job: MakeJob, study: CarStudy, folder: Path, tell: Tell) -> None:
    here = Here(tell)
    here.require_graphics()
    for name in study.axles:
        here.film(study, job.found, folder, name)
        film_read_outs(study, name, folder, tell)


def _pack(job: MakeJob, study: CarStudy, folder: Path, tell: Tell) -> None:
    here, missing = Here(tell), None
    try:
        here.require_graphics()
    except GraphicsMissing as reason:
        missing = reason
    drawing = Drawing(here, folder, job.found, missing=missing)
    drawing.begin(study, films=list(study.axles))
    whole = study_with_gaps(study, tell, measured=drawing.measured)
    drawing.all_measured(whole)
    before = study_without_gaps(job.found, job.shop, tell)
    fill_package(whole, before, identify(job.file, job.car), folder, tell, drawing)


Maker = Callable[[MakeJob, CarStudy, Path, Tell], None]
# With `OTHERS` all of `WHATS` in `linkview.live.jobs`.
_MAKERS: dict[str, Maker] = {
    "plates": _plates,
    "tables": _tables,
    "report": _report,
    "page": _page,
    "model3d": _model,
    "pictures": _pictures,
    "film": _film,
    "pack": _pack,
}
