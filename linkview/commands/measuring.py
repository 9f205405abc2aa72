"""`measure`, `asbuilt`: readings to hard points, and the finished car measured again."""

from __future__ import annotations

import argparse
from pathlib import Path

from linkview.commands.arguments import (
    SHOPS,
    WITHIN_MM,
    Commands,
    calendar_day,
    command,
    positive,
    take_model,
)
from linkview.commands.common import DONE, SHORT, day_of, shop_of
from linkview.commands.progress import announce_compiling, progress


def add_measure(commands: Commands) -> None:
    words = "tape, plumb, level and arm readings of [survey] to hard points, and how good they are"
    sub = command(commands, "measure", _measure, words)
    sub.add_argument(
        "model", metavar="FILE.toml", type=Path, help="a hard-point file, or one with [survey] only"
    )
    sub.add_argument("--out", metavar="DIR", type=Path, help="folder for the results")
    sub.add_argument("--revision", default="-", help="printed on the sheet")
    sub.add_argument("--date", type=calendar_day, metavar="YYYY-MM-DD", help="default: today")
    sub.add_argument(
        "--strict",
        action="store_true",
        help="exit with status 1 when a reading or the shape is doubted",
    )


def _measure(args: argparse.Namespace) -> int:
    from linkview.app.folder import results_folder
    from linkview.app.survey_results import solved, write_survey
    from linkview.export.cautions import CAUTIONS
    from linkview.export.survey_words import survey_lines
    from linkview.model.read import read_survey

    file = read_survey(args.model)
    survey = solved(file)
    folder = args.out or Path("exports") / f"{file.path.stem}-survey"
    with results_folder(folder) as staging:
        files = write_survey(file, survey, staging, revision=args.revision, day=day_of(args))
    print("\n".join(survey_lines(file, survey)))
    print(f"\nCAUTION: {CAUTIONS[0]}")
    print(f"\nwritten to {folder}: {', '.join(f.name for f in files)}")
    unsure = survey.doubts or survey.found.rivals
    return SHORT if args.strict and unsure else DONE


def add_as_built(commands: Commands) -> None:
    words = "the finished car measured again: deviations, alignment, limits, gaps, pages to sign"
    sub = command(commands, "asbuilt", _as_built, words)
    take_model(sub)
    sub.add_argument("measured", metavar="MEASURED.toml", type=Path, help="a file with [survey]")
    sub.add_argument("--variant", metavar="NAME", default="as_found", help="which design was built")
    sub.add_argument(
        "--within",
        metavar="MM",
        type=positive,
        default=WITHIN_MM,
        help="allowed (default: %(default)g mm)",
    )
    sub.add_argument("--no-gaps", action="store_true", help="leave the gaps out: much quicker")
    sub.add_argument(
        "--shop", metavar="SHOP", default=SHOPS[0], help="whose rules plates must pass"
    )
    sub.add_argument("--out", metavar="DIR", type=Path, help="folder for the results")
    sub.add_argument("--revision", default="-", help="printed on every page")
    sub.add_argument("--date", type=calendar_day, metavar="YYYY-MM-DD", help="default: today")
    sub.add_argument("--strict", action="store_true", help="exit with status 1 on a shortfall")


def _as_built(args: argparse.Namespace) -> int:
    from linkview.app.asbuilt import as_built, with_gaps, write_as_built
    from linkview.app.folder import results_folder
    from linkview.export.asbuilt import asbuilt_lines
    from linkview.export.cautions import CAUTIONS
    from linkview.export.identity import identify, with_source
    from linkview.model.read import read_file

    file = read_file(args.model)
    if not args.no_gaps:
        announce_compiling()
    folder = args.out or Path("exports") / f"{file.path.stem}-{args.variant}-as-built"
    with progress() as tell:
        found = as_built(
            file, args.variant, args.measured, shop_of(args), tell, tolerance_mm=args.within
        )
        if not args.no_gaps:
            found = with_gaps(found, tell)
        identity = identify(file, found.design.car, revision=args.revision, date=day_of(args))
        identity = with_source(identity, args.measured)
        with results_folder(folder) as staging:
            files = write_as_built(found, identity, staging)
    print("\n".join(asbuilt_lines(found)))
    print(f"\nCAUTION: {CAUTIONS[0]}\nCAUTION: {CAUTIONS[1]}")
    print(f"\nwritten to {folder}: {', '.join(f.name for f in files)}")
    return SHORT if args.strict and found.falls_short else DONE
