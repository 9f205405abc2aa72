"""Everything of one car in one dated folder and a zip, with an index page, for handing over."""

from __future__ import annotations

import hashlib
import zipfile
from collections.abc import Sequence
from concurrent.futures import Future
from dataclasses import dataclass
from pathlib import Path

from linkview.app.aside import Aside, drawn
from linkview.app.films import film_read_outs
from linkview.app.folder import Written
from linkview.app.gap_results import draw_gap_charts, write_gap_tables
from linkview.app.handover import (
    hand_over_model,
    hand_over_page,
    hand_over_report,
)
from linkview.app.plate_results import write_plate_files
from linkview.app.results import write_summary, write_tables
from linkview.errors import GraphicsMissing
from linkview.export.blocks import (
    Block,
    Bullets,
    CautionBox,
    Column,
    Document,
    Heading,
    Para,
    Row,
    Table,
    Tone,
)
from linkview.export.blocks_html import write_html
from linkview.export.cautions import CAUTIONS
from linkview.export.files import written_beside
from linkview.export.identity import Identity, running_foot, running_head
from linkview.export.summary import summary_lines
from linkview.export.tables import write_table
from linkview.model.parts import Car
from linkview.study import CarStudy, Tell

CONTENTS = "contents.csv"
_START_HERE = ("page.html", "report.pdf", "setup_sheet.pdf")


@dataclass(frozen=True)
class Package:
    """files: in the folder, in order, those that are explained. names: of every file.

    missing: why there are no pictures, or None.
    """

    files: tuple[Written, ...]
    names: tuple[str, ...]
    missing: GraphicsMissing | None


class Drawing:
    """What a second process draws for the package while this one computes.

    missing: why nothing is drawn, or None.
    """

    def __init__(self, aside: Aside, folder: Path, found: Car, *, missing: GraphicsMissing | None):
        self.missing = missing
        self.axles_filmed: list[str] = []
        self._aside, self._folder, self._found = aside, folder, found
        self._stills: list[Future[list[Written]]] = []
        self._worst: dict[str, Future[list[Written]]] = {}
        self._films: dict[str, Future[list[Written]]] = {}

    def begin(self, moved: CarStudy, *, films: Sequence[str]) -> None:
        """Asks for what needs no gaps. films: axles to film; the first one's comes last, after the
        worst gaps, which the report waits for.
        """
        if self.missing is not None:
            return
        self.axles_filmed = list(films)
        for name in moved.axles:
            self._stills.append(self._aside.at_ride_height(moved, self._found, self._folder, name))
        self._stills.append(self._aside.four_views(moved, self._folder))
        for name in films[1:]:
            self._film(moved, name)

    def measured(self, study: CarStudy, name: str) -> None:
        """An axle's gaps are known: its worst one can be drawn."""
        if self.missing is None:
            self._worst[name] = self._aside.worst_gap(study, self._found, self._folder, name)

    def all_measured(self, study: CarStudy) -> None:
        """No more stills come; what is left to film follows them."""
        for name in self.axles_filmed[:1]:
            self._film(study, name)

    def _film(self, study: CarStudy, name: str) -> None:
        self._films[name] = self._aside.film(study, self._found, self._folder, name)

    def stills(self) -> list[Written]:
        """Waits for them."""
        worst = [self._worst[name] for name in self._found.axles if name in self._worst]
        return drawn((*self._stills, *worst))

    def films(self) -> list[Written]:
        """Waits for them."""
        return drawn(self._films[name] for name in self.axles_filmed)


def fill_package(
    study: CarStudy,
    found: CarStudy,
    identity: Identity,
    folder: Path,
    tell: Tell,
    drawing: Drawing,
) -> Package:
    """Writes everything into folder; with nothing drawn, all that needs no drawing all the same."""
    files = write_tables(study, found.car, folder) + write_gap_tables(study, folder)
    files += draw_gap_charts(study, folder)
    tell("plates", 0, 1)
    files += write_plate_files(study, folder).written
    tell("3-D file", 0, 1)
    files += hand_over_model(study, identity, folder)
    tell("offline page", 0, 1)
    files += hand_over_page(study, found.car, identity, folder)
    # Made here: the second process is busy with the pictures and the other films.
    read_outs = [
        w for name in drawing.axles_filmed for w in film_read_outs(study, name, folder, tell)
    ]
    tell("waiting for the pictures", 0, 1)
    pictures = drawing.stills()
    files += pictures
    tell("report", 0, 1)
    stills = [p for p in pictures if p.name.endswith(".png")]
    files += hand_over_report(study, found, identity, folder, pictures=stills)
    tell("waiting for the films", 0, 1)
    files += drawing.films() + read_outs
    files.append(write_summary(summary_lines(study), files, folder))
    files.append(_index(study, identity, files, folder, drawing.missing))
    files.append(_contents(files, folder))
    return Package(tuple(files), _all_in(folder), drawing.missing)


def _contents(files: Sequence[Written], folder: Path) -> Written:
    """Every file with its size and checksum, so that a copy can be checked."""
    words = {f.name: f.what for f in files}
    rows = []
    for name in _all_in(folder):
        data = (folder / name).read_bytes()
        rows.append([name, len(data), hashlib.sha256(data).hexdigest(), words.get(name, "")])
    write_table(folder / CONTENTS, ["file", "bytes", "SHA-256", "what it is"], rows)
    return Written(CONTENTS, "every file with its size and checksum")


def _all_in(folder: Path) -> tuple[str, ...]:
    """Every file's name under the folder, in the same order everywhere."""
    paths = (p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file())
    return tuple(sorted(paths))


def _index(
    study: CarStudy,
    identity: Identity,
    files: Sequence[Written],
    folder: Path,
    missing: GraphicsMissing | None,
) -> Written:
    known = {f.name: f for f in files}
    short = study.shortfalls
    blocks: list[Block] = [
        Heading(identity.car, 0),
        Para(f"{identity.state}. {identity.title}".strip(), Tone.LEAD),
        CautionBox("This can hurt people", CAUTIONS),
        Heading("Start here"),
        Table(
            (Column("file", 3), Column("what it is", 7)),
            tuple(Row((n, known[n].what)) for n in _START_HERE if n in known),
        ),
        Heading("What falls short"),
        Bullets(short, Tone.BAD) if short else Para(f"Of {study.judged}, nothing."),
    ]
    if missing is not None:
        blocks.append(Para(f"No pictures and films: {missing}", Tone.BAD))
    rest = [f for f in files if f.name not in _START_HERE]
    blocks += [
        Heading("All other files"),
        Table(
            (Column("file", 3), Column("what it is", 7)),
            tuple(Row((f.name, f.what)) for f in sorted(rest, key=lambda f: f.name)),
        ),
    ]
    title = f"{identity.car} - {identity.state}"
    paper = Document(title, running_head(identity), running_foot(identity), tuple(blocks))
    write_html(folder / "index.html", paper, links=frozenset(known))
    return Written("index.html", "what is in this folder")


def zip_of(folder: Path, path: Path, names: Sequence[str], *, date: tuple[int, int, int]) -> None:
    """The package as one zip. date: year, month, day, stamped on every file in it."""
    with (
        written_beside(path) as beside,
        zipfile.ZipFile(beside, "w", compression=zipfile.ZIP_DEFLATED) as out,
    ):
        for name in names:
            entry = zipfile.ZipInfo(f"{folder.name}/{name}", (*date, 0, 0, 0))
            entry.compress_type = zipfile.ZIP_DEFLATED
            entry.external_attr = 0o644 << 16
            out.writestr(entry, (folder / name).read_bytes())
