"""`compare`, `sensitivity`: two states side by side, and what 1 mm of each point does."""

from __future__ import annotations

import argparse
from pathlib import Path

from linkview.commands.arguments import Commands, command, place, take_model
from linkview.commands.common import DONE, folder_for, say_files
from linkview.commands.progress import progress


def add_compare(commands: Commands) -> None:
    words = "two states of one file side by side, and the changes between them one by one"
    sub = command(commands, "compare", _compare, words)
    take_model(sub)
    sub.add_argument("before", metavar="BEFORE", help="as_found, or a variant of the file")
    sub.add_argument("after", metavar="AFTER", help="the variant to hold against it")
    sub.add_argument("--no-gaps", action="store_true", help="leave the gaps out: much quicker")
    sub.add_argument("--out", metavar="DIR", type=Path, help="folder for the results")


def _compare(args: argparse.Namespace) -> int:
    from linkview.app.compare import compare_with_gaps, compare_without_gaps, write_comparison
    from linkview.app.folder import results_folder
    from linkview.export.cautions import CAUTIONS
    from linkview.model.read import read_file

    file = read_file(args.model)
    work = compare_without_gaps if args.no_gaps else compare_with_gaps
    args.variant = f"{args.before}-against-{args.after}"
    with progress() as tell:
        compared = work(file, args.before, args.after, tell)
        with results_folder(folder_for(args, file)) as folder:
            files = write_comparison(compared, folder)
    print("\n".join(compared.lines))
    print(f"\nCAUTION: {CAUTIONS[0]}\nCAUTION: {CAUTIONS[1]}")
    say_files(args, file, [f.name for f in files])
    return DONE


def add_sensitivity(commands: Commands) -> None:
    words = "which 1 mm matters: every reading's change by every hard point"
    sub = command(commands, "sensitivity", _sensitivity, words)
    take_model(sub)
    sub.add_argument("--variant", metavar="NAME", default="as_found", help="a planned change")
    sub.add_argument("--rack", type=place, default=0.0, metavar="MM", help="the pose (default 0)")
    sub.add_argument("--travel", type=place, default=0.0, metavar="MM", help="the pose (default 0)")
    sub.add_argument(
        "--parts",
        choices=("follow", "kept"),
        default="follow",
        help="follow: a point measured elsewhere, parts are as long as the points say; kept: a "
        "bracket moved, every part keeps its size (default: %(default)s)",
    )
    sub.add_argument("--out", metavar="DIR", type=Path, help="folder for the results")


def _sensitivity(args: argparse.Namespace) -> int:
    from linkview.app.folder import results_folder
    from linkview.app.point_slopes import point_slopes
    from linkview.kinematics.assemble import build_car
    from linkview.kinematics.sensitivity import Sizes
    from linkview.model.read import read_file

    file = read_file(args.model)
    car = build_car(file, args.variant)
    found = point_slopes(car, args.rack, args.travel, Sizes[args.parts.upper()])
    with results_folder(folder_for(args, file)) as folder:
        found.write(folder / "sensitivity.csv")
    print("\n".join(found.lines))
    say_files(args, file, ["sensitivity.csv"])
    return DONE
