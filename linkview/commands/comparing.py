"""`compare`, `sensitivity`: two states side by side, and what 1 mm of each point does."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from linkview.commands.arguments import Commands, command, take_model
from linkview.commands.common import DONE, folder_for, say_files
from linkview.commands.progress import progress

if TYPE_CHECKING:
    from linkview.alignment.jacking_slopes import JackingSlopes
    from linkview.alignment.sensitivity import Sensitivity
    from linkview.limits.sensitivity import StopSlopes
    from linkview.model.parts import Car


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
    from linkview.export.summary import CAUTIONS
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
    sub.add_argument("--rack", type=float, default=0.0, metavar="MM", help="the pose (default 0)")
    sub.add_argument("--travel", type=float, default=0.0, metavar="MM", help="the pose (default 0)")
    sub.add_argument(
        "--parts",
        choices=("follow", "kept"),
        default="follow",
        help="follow: a point measured elsewhere, parts are as long as the points say; kept: a "
        "bracket moved, every part keeps its size (default: %(default)s)",
    )
    sub.add_argument("--out", metavar="DIR", type=Path, help="folder for the results")


def _sensitivity(args: argparse.Namespace) -> int:
    from linkview.alignment.sensitivity import sensitivities
    from linkview.app.folder import results_folder
    from linkview.export.sensitivity import load_lines, ranked_lines, stop_lines, write_sensitivity
    from linkview.kinematics.assemble import build_car
    from linkview.kinematics.sensitivity import Sizes
    from linkview.limits.sensitivity import stop_slopes, travel_stop_slopes
    from linkview.model.parts import Side
    from linkview.model.read import read_file

    file = read_file(args.model)
    car = build_car(file, args.variant)
    sizes = Sizes[args.parts.upper()]
    tables: list[Sensitivity] = []
    stops: list[tuple[Sensitivity, tuple[StopSlopes, ...]]] = []
    for axle in car.axles.values():
        rack = args.rack if axle.left.rack is not None else 0.0
        here = sensitivities(axle, car, rack, args.travel, sizes)
        for table in here:
            corner = axle.right if table.side is Side.RIGHT else axle.left
            moved = table.coordinates
            met = stop_slopes(corner, axle, car, args.travel, moved, sizes)
            along = travel_stop_slopes(corner, axle, car, moved, sizes)
            stops.append((table, (*met, *along)))
        tables += here
    loads, silent = _loads(car, args.rack, tables)
    with results_folder(folder_for(args, file)) as folder:
        write_sensitivity(folder / "sensitivity.csv", tables, stops, loads)
    for table, found in stops:
        lines = [*ranked_lines(table), *stop_lines(found, table.coordinates)]
        mine = (table.axle.name, table.side)
        for steered, slopes in loads:
            if (slopes.moving.axle, slopes.moving.side) == mine:
                lines += load_lines(slopes, steered)
        print("\n".join(lines))
    for words in silent:
        print(words)
    print("\nFor small changes: the slope at this pose, not a promise at 10 mm.")
    say_files(args, file, ["sensitivity.csv"])
    return DONE


def _loads(
    car: Car, rack_mm: float, tables: Sequence[Sensitivity]
) -> tuple[list[tuple[str, JackingSlopes]], list[str]]:
    """What steering does to the car on its springs, by the coordinates of each table; or why not.

    At the rack asked for; where that is straight ahead, at the working rack to the car's left.
    """
    from linkview.alignment.jacking_slopes import Moving, jacking_slopes
    from linkview.errors import LinkviewError, NoRest

    out: list[tuple[str, JackingSlopes]] = []
    for name, axle in car.axles.items():
        if axle.left.rack is None:
            continue
        rack = rack_mm or axle.left.rack.working_mm
        try:
            for t in tables:
                moving = Moving(t.axle.name, t.side, t.coordinates, t.sizes)
                out.append((name, jacking_slopes(car, name, rack, moving)))
        except NoRest as fault:
            return out, [f"steering jacking: not found, {fault.why}"]
        except LinkviewError:
            continue  # only one axle, or no springs: there is nothing to say of loads
    return out, []
