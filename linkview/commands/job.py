"""`demo`, `run`: the whole job; `check`: the faults of a file."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from linkview.commands.arguments import (
    Commands,
    command,
    take_model,
    take_no_film,
    take_out,
    take_study,
)
from linkview.commands.common import (
    DONE,
    cars_of,
    folder_for,
    rebuilder_of,
    say_summary,
    say_written,
    shop_of,
    status_of,
)
from linkview.commands.progress import announce_compiling, progress
from linkview.errors import GraphicsMissing

if TYPE_CHECKING:
    from concurrent.futures import Future

    from linkview.app.aside import Aside
    from linkview.app.folder import Written
    from linkview.model.parts import Car
    from linkview.study import CarStudy, Tell


def add_demo(commands: Commands) -> None:
    sub = command(commands, "demo", _demo, "the whole job on the invented demo car")
    take_study(sub, variant="planned")
    take_out(sub)
    take_no_film(sub)


def add_run(commands: Commands) -> None:
    sub = command(commands, "run", _run, "the whole job on a hard-point file")
    take_model(sub)
    take_study(sub)
    take_out(sub)
    take_no_film(sub)


def add_check(commands: Commands) -> None:
    take_model(command(commands, "check", _check, "list every fault of a file and its variants"))


def _demo(args: argparse.Namespace) -> int:
    args.model = demo_file()
    return _run(args)


def demo_file() -> Path:
    """The shipped demo car."""
    from linkview.model.shipped import DEMO, shipped_file

    return shipped_file(DEMO)


def _run(args: argparse.Namespace) -> int:
    from linkview.app.aside import drawing_aside

    with drawing_aside() as aside:  # it loads what it draws with while this process reads the file
        return _computed_and_drawn(args, aside)


def _film(
    study: CarStudy, found: Car, folder: Path, tell: Tell, names: Sequence[str]
) -> list[Written]:
    """Films drawn by this process; what draws loads only where there are any."""
    if not names:
        return []
    from linkview.app.pictures import draw_film

    return [written for name in names for written in draw_film(study, found, folder, tell, name)]


def _computed_and_drawn(args: argparse.Namespace, aside: Aside) -> int:
    from linkview.app.aside import drawn
    from linkview.app.folder import results_folder
    from linkview.study import study_with_gaps, study_without_gaps

    file, car, found = cars_of(args)
    with (
        progress() as tell,
        results_folder(folder_for(args, file)) as folder,
        aside.closing(),
    ):
        pictures: list[Future[list[Written]]] = []

        def draw_moved(moved: CarStudy, name: str) -> None:
            pictures.append(aside.at_ride_height(moved, found, folder, name))

        def draw_measured(measured: CarStudy, name: str) -> None:
            pictures.append(aside.worst_gap(measured, found, folder, name))

        moved = study_without_gaps(car, shop_of(args), tell, moved=draw_moved)
        films = [] if args.no_film else list(moved.axles)
        pictures += [aside.film(moved, found, folder, name) for name in films[1:]]
        announce_compiling()
        study = study_with_gaps(moved, tell, rebuilder_of(args, file), measured=draw_measured)
        # Loaded late: the pictures at ride height began the sooner.
        from linkview.app.gap_results import write_gap_tables
        from linkview.app.plate_results import write_cut_files
        from linkview.app.results import write_summary, write_tables
        from linkview.export.summary import summary_lines

        files = write_tables(study, found, folder) + write_gap_tables(study, folder)
        files += write_cut_files(study, folder)
        summary = summary_lines(study)
        missing = None
        try:
            aside.require_graphics()
            files += _film(study, found, folder, tell, films[:1])
            tell("waiting for the last picture", 0, 1)
            files += drawn(pictures)
        except GraphicsMissing as reason:
            missing = reason
        files.append(write_summary(summary, files, folder))
    say_summary(summary)
    print("\nFILES in " + str(folder_for(args, file)))
    say_written(files)
    print("More on paper: linkview plates (drawings, templates, sheets), linkview sweep (curves).")
    if missing is not None:
        print(f"linkview: no pictures: {missing}", file=sys.stderr)
    return status_of(args, study)


def _check(args: argparse.Namespace) -> int:
    from linkview.app.check import check_file

    found = check_file(args.model)
    print(found.words)
    return DONE
