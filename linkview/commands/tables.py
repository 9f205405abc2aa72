"""`sweep`, `gaps`, `envelope`: a study's figures as tables, and the volume a body sweeps."""

from __future__ import annotations

import argparse
from textwrap import fill

from linkview.commands.arguments import (
    Commands,
    command,
    not_negative,
    take_model,
    take_out,
    take_study,
)
from linkview.commands.common import (
    DONE,
    SHORT,
    cars_of,
    folder_for,
    rebuilder_of,
    say_files,
    say_summary,
    shop_of,
    status_of,
)
from linkview.commands.progress import announce_compiling, progress


def add_sweep(commands: Commands) -> None:
    sub = command(commands, "sweep", _sweep, "positions, alignment and limits as tables")
    take_model(sub)
    take_study(sub)
    take_out(sub)


def add_gaps(commands: Commands) -> None:
    sub = command(commands, "gaps", _gaps, "the least gap of every pair of bodies")
    take_model(sub)
    take_study(sub)
    take_out(sub)
    words = "a close-up of every pair that falls short"
    sub.add_argument("--pictures", action="store_true", help=words)


def add_envelope(commands: Commands) -> None:
    sub = command(commands, "envelope", _envelope, "the volume a body sweeps, as STL")
    take_model(sub)
    take_study(sub)
    take_out(sub)
    sub.add_argument("axle", metavar="AXLE", help="the axle, such as front")
    sub.add_argument("body", metavar="BODY", help="the body, such as tyre or rim")
    sub.add_argument(
        "--grow", metavar="MM", type=not_negative, default=0.0, help="grown by this besides"
    )


def _sweep(args: argparse.Namespace) -> int:
    from linkview.app.charts import draw_charts
    from linkview.app.folder import results_folder
    from linkview.app.results import write_tables
    from linkview.export.summary import summary_lines
    from linkview.study import study_without_gaps

    file, car, found = cars_of(args)
    with progress() as tell:
        study = study_without_gaps(car, shop_of(args), tell)
        with results_folder(folder_for(args, file)) as folder:
            files = write_tables(study, found, folder)
            files += draw_charts(study, found, folder)
    say_summary(summary_lines(study))
    say_files(args, file, [f.name for f in files])
    return status_of(args, study)


def _gaps(args: argparse.Namespace) -> int:
    from linkview.app.folder import results_folder
    from linkview.app.gap_results import draw_gap_charts, write_gap_tables
    from linkview.export.gap_tables import write_gaps
    from linkview.export.gap_words import (
        advice_words,
        gap_words,
        range_words,
        rolled_words,
        stops_words,
    )
    from linkview.export.left_out import left_out_by_reason
    from linkview.study import gap_shortfalls, study_car

    file, car, found = cars_of(args)
    announce_compiling()
    with progress() as tell:
        study = study_car(car, shop_of(args), tell, rebuilder_of(args, file))
        with results_folder(folder_for(args, file)) as folder:
            write_gaps(folder / "gaps.csv", study.axles)
            tables = write_gap_tables(study, folder) + draw_gap_charts(study, folder)
            if args.pictures:
                from linkview.app.pictures import draw_gap_pictures

                tables += draw_gap_pictures(study, found, folder, tell)
    short = []
    for name, axle in study.axles.items():
        print(f"{name.upper()} AXLE ({axle.axle.hold.words})")
        for line in range_words(axle):
            print(f"  {line}")
        for side, pair in axle.worst_pairs(10_000):
            print(f"  {gap_words(axle, side, pair)}")
            for line in advice_words(axle, side, pair):
                print(f"    {line}")
        for line in (*stops_words(axle), *rolled_words(axle, 10_000)):
            print(f"  {line}")
        print("  Pairs left out, with the reason:")
        for line in left_out_by_reason(axle):
            print(fill(line, width=100, initial_indent="    ", subsequent_indent="      "))
        short += gap_shortfalls(axle)
    say_files(args, file, ["gaps.csv", *(t.name for t in tables)])
    return SHORT if args.strict and short else DONE


def _envelope(args: argparse.Namespace) -> int:
    from linkview.app.folder import results_folder
    from linkview.export.envelope import write_envelope
    from linkview.study import swept_volume

    file, car, _ = cars_of(args)
    announce_compiling()
    with progress() as tell:
        swept = swept_volume(car, args.axle, args.body, args.grow, tell)
        with results_folder(folder_for(args, file)) as folder:
            made = write_envelope(folder / f"{args.axle}_{args.body}_envelope.stl", swept)
    print(f"{args.axle} {args.body}: {made.words}")
    say_files(args, file, [made.name])
    return DONE
