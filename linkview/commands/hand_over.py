"""`pack`, `page`, `model3d`, `report`: what is handed to others."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from linkview.commands.arguments import (
    WITHIN_MM,
    Commands,
    command,
    positive,
    take_model,
    take_no_film,
    take_out,
    take_papers,
    take_study,
)
from linkview.commands.common import (
    DONE,
    SHORT,
    cars_of,
    folder_for,
    identity_of,
    rebuilder_of,
    say_files,
    say_summary,
    say_written,
    shop_of,
    status_of,
)
from linkview.commands.progress import announce_compiling, progress
from linkview.errors import GraphicsMissing, LinkviewError

if TYPE_CHECKING:
    from linkview.app.aside import Aside
    from linkview.app.folder import Written
    from linkview.model.read import HardPointFile


def add_pack(commands: Commands) -> None:
    sub = command(commands, "pack", _pack, "everything to hand over: a folder and a zip")
    _take_handed(sub)
    take_no_film(sub)


def add_page(commands: Commands) -> None:
    _take_handed(command(commands, "page", _hand_over, "one-file offline page, to mail"))


def add_model3d(commands: Commands) -> None:
    words = "animated 3-D file (GLB) for any viewer"
    _take_handed(command(commands, "model3d", _hand_over, words))


def add_report(commands: Commands) -> None:
    sub = command(commands, "report", _report, "report, set-up and measuring sheet")
    _take_handed(sub)
    sub.add_argument(
        "--as-built",
        metavar="MEASURED.toml",
        type=Path,
        help="the finished car's [survey]: held against the design, with a page to sign",
    )
    sub.add_argument(
        "--within",
        metavar="MM",
        type=positive,
        help=f"with --as-built: how far a point may be off (default: {WITHIN_MM:g} mm)",
    )


def _take_handed(sub: argparse.ArgumentParser) -> None:
    take_model(sub)
    take_study(sub)
    take_out(sub)
    take_papers(sub)


def _pack(args: argparse.Namespace) -> int:
    from linkview.app.aside import drawing_aside
    from linkview.app.folder import results_folder
    from linkview.app.package import Drawing, fill_package, zip_of
    from linkview.export.summary import summary_lines
    from linkview.study import study_with_gaps, study_without_gaps

    file, car, found = cars_of(args)
    announce_compiling()
    day = args.date or date.today()
    folder = args.out or Path("exports") / f"{file.path.stem}-{args.variant}-{day.isoformat()}"
    identity, shop = identity_of(args, file, car), shop_of(args)
    with progress() as tell, results_folder(folder) as staging, drawing_aside() as aside:
        moved = study_without_gaps(car, shop, tell)
        tell("looking for OpenGL", 0, 1)
        drawing = Drawing(aside, staging, found, missing=_graphics_missing(aside))
        drawing.begin(moved, films=[] if args.no_film else list(moved.axles))
        rebuilder = rebuilder_of(args, file)
        study = study_with_gaps(moved, tell, rebuilder, measured=drawing.measured)
        drawing.all_measured(study)
        before = study_without_gaps(found, shop, tell)
        made = fill_package(study, before, identity, staging, tell, drawing)
    zipped = folder.with_name(f"{folder.name}.zip")
    zip_of(folder, zipped, made.names, date=(day.year, day.month, day.day))
    say_summary(summary_lines(study))
    print(f"\nFILES in {folder}, and all of them in {zipped}")
    say_written(made.files)
    if made.missing is not None:
        print(f"linkview: no pictures: {made.missing}", file=sys.stderr)
    return status_of(args, study)


def _graphics_missing(aside: Aside) -> GraphicsMissing | None:
    try:
        aside.require_graphics()
    except GraphicsMissing as reason:
        return reason
    return None


def _hand_over(args: argparse.Namespace) -> int:
    from linkview.app.folder import results_folder
    from linkview.app.handover import hand_over_model, hand_over_page
    from linkview.study import study_with_gaps, study_without_gaps

    file, car, found = cars_of(args)
    if args.command != "model3d":
        announce_compiling()
    identity, shop = identity_of(args, file, car), shop_of(args)
    with progress() as tell:
        study = study_without_gaps(car, shop, tell)
        if args.command != "model3d":
            study = study_with_gaps(study, tell, rebuilder_of(args, file))
        with results_folder(folder_for(args, file)) as folder:
            if args.command == "page":
                files = hand_over_page(study, found, identity, folder)
            else:
                files = hand_over_model(study, identity, folder)
    _say_handed(args, file, files)
    return status_of(args, study)


def _report(args: argparse.Namespace) -> int:
    from linkview.app.asbuilt import as_built, with_gaps
    from linkview.app.folder import results_folder
    from linkview.app.handover import hand_over_report
    from linkview.export.identity import with_source
    from linkview.study import study_with_gaps, study_without_gaps

    _refuse_half_asked(args)
    file, car, found = cars_of(args)
    announce_compiling()
    identity, shop = identity_of(args, file, car), shop_of(args)
    built = None
    with progress() as tell:
        if args.as_built is not None:  # first: a measuring that cannot be used is told at once
            within = args.within or WITHIN_MM
            built = as_built(file, args.variant, args.as_built, shop, tell, tolerance_mm=within)
            identity = with_source(identity, args.as_built)
        study = study_without_gaps(car, shop, tell)
        study = study_with_gaps(study, tell, rebuilder_of(args, file))
        if built is not None:
            built = with_gaps(built, tell)
        with results_folder(folder_for(args, file)) as folder:
            before = study_without_gaps(found, shop, tell)
            files = hand_over_report(study, before, identity, folder, as_built=built)
    _say_handed(args, file, files)
    if built is not None and built.falls_short:
        print(f"as built, {len(built.falls_short)} things fall short: see the report")
        return max(status_of(args, study), SHORT if args.strict else DONE)
    return status_of(args, study)


def _refuse_half_asked(args: argparse.Namespace) -> None:
    if args.as_built is None and args.within is not None:
        raise LinkviewError("--within: of what was measured again; add --as-built MEASURED.toml")
    if args.as_built is not None and args.hold is not None:
        raise LinkviewError("--hold: the car as built is moved as the file holds it; leave it out")


def _say_handed(args: argparse.Namespace, file: HardPointFile, files: Sequence[Written]) -> None:
    for written in files:
        print(f"{written.name}: {written.what}")
    say_files(args, file, [f.name for f in files])
