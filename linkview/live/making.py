"""The helper's work on files to take away: what the command line writes, of the present car."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from tempfile import mkdtemp
from typing import Any

from linkview.app.gap_results import write_gap_tables
from linkview.app.handover import hand_over_model, hand_over_page, hand_over_report
from linkview.app.package import zip_of
from linkview.app.plate_results import write_plate_files
from linkview.app.results import write_summary, write_tables
from linkview.export.identity import identify
from linkview.export.summary import summary_lines
from linkview.export.tables import write_plates
from linkview.live.helper import Post, Work
from linkview.model.parts import Car
from linkview.model.read import HardPointFile
from linkview.plates.profiles import ShopProfile
from linkview.study import CarStudy, Tell, study_with_gaps, study_without_gaps

Json = dict[str, Any]
STAMPED = (1980, 1, 1)  # the same content gives the same zip, whatever the day


@dataclass(frozen=True, eq=False)
class MakeJob:
    """what: one of `WHATS`. car: as it stands, saved or not; found: as found."""

    what: str
    file: HardPointFile
    car: Car
    found: Car
    shop: ShopProfile


def making_works() -> dict[str, Work]:
    return {"make": _make}


def _make(post: Post, job: MakeJob) -> None:
    def tell(what: str, done: int, count: int) -> None:
        post.heed()
        post.answer({"making": job.what, "what": what, "done": done, "count": count})

    tell("beginning", 0, 1)
    stem = re.sub(r"[^A-Za-z0-9._-]", "_", job.file.path.stem)
    folder = Path(mkdtemp(prefix="linkview-")) / f"{stem}-{job.what}"
    folder.mkdir()
    study = study_without_gaps(job.car, job.shop, tell)
    _WHATS[job.what][1](job, study, folder, tell)
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


Maker = Callable[[MakeJob, CarStudy, Path, Tell], None]
# name -> (what it is, in a builder's words; how it is made)
_WHATS: dict[str, tuple[str, Maker]] = {
    "plates": ("Plates: DXF to cut, drawings, templates, cut list", _plates),
    "tables": ("Tables: points, positions, alignment, limits, gaps, summary", _tables),
    "report": ("Report, set-up and measuring sheets, PDF and HTML", _report),
    "page": ("Offline page: one file to mail", _page),
    "model3d": ("3-D file (GLB), animated", _model),
}
WHATS: dict[str, str] = {name: words for name, (words, _) in _WHATS.items()}
