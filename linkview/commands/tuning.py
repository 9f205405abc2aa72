"""`trust`, `targets`: how far to trust each number, and points moved to reach aims."""

from __future__ import annotations

import argparse
from pathlib import Path

from linkview.commands.arguments import Commands, command, not_negative, take_model
from linkview.commands.common import DONE, SHORT, folder_for, rebuilder_of, say_files
from linkview.commands.progress import announce_compiling, progress
from linkview.errors import LinkviewError


def add_trust(commands: Commands) -> None:
    words = "how far to trust each number, from measuring and cutting doubt; what to measure better"
    sub = command(commands, "trust", _trust, words)
    take_model(sub)
    sub.add_argument("--variant", metavar="NAME", default="as_found", help="a planned change")
    sub.add_argument("--axle", metavar="NAME", help="this axle alone")
    sub.add_argument("--cars", metavar="N", type=_count, default=2000, help="drawn (%(default)s)")
    sub.add_argument(
        "--gap-cars",
        metavar="N",
        type=_count_or_none,
        default=200,
        help="built anew, bodies too, for stops, limits and gaps; 0 for none (%(default)s)",
    )
    sub.add_argument("--seed", metavar="N", type=_seed, default=1, help="which cars (%(default)s)")
    sub.add_argument(
        "--cut",
        metavar="MM",
        type=not_negative,
        default=0.0,
        help="how far a plate's hole may be off either way; added to the points that plates hold",
    )
    sub.add_argument(
        "--every-pose", action="store_true", help="the spread at each of 861 poses too"
    )
    sub.add_argument(
        "--keep",
        metavar="DIR",
        type=Path,
        help="keep what is done there, so that a run cut short goes on where it stopped",
    )
    sub.add_argument("--out", metavar="DIR", type=Path, help="folder for the results")


def _trust(args: argparse.Namespace) -> int:
    from linkview.app.folder import results_folder
    from linkview.app.trust_results import Asked, trust_results
    from linkview.kinematics.assemble import build_car, rebuilder
    from linkview.model.read import read_file

    file = read_file(args.model)
    car = build_car(file, args.variant)
    axles = list(car.axles.values()) if args.axle is None else [car.axle_named(args.axle)]
    asked = Asked(args.cars, args.gap_cars, args.seed, args.cut, args.keep, args.every_pose)
    if args.gap_cars:
        announce_compiling()
    with progress() as tell:
        found = trust_results(car, axles, rebuilder(file, args.variant), asked, tell)
    with results_folder(folder_for(args, file)) as folder:
        names = found.write(folder)
    print("\n".join(found.lines()))
    say_files(args, file, names)
    return DONE


def _count(text: str) -> int:
    """A number of cars."""
    number = int(text) if text.isdecimal() else 0
    if not 20 <= number <= 10_000_000:
        raise argparse.ArgumentTypeError(f"'{text}' is not a count from 20 to 10 million")
    return number


def _count_or_none(text: str) -> int:
    """A number of cars, or none at all."""
    return 0 if text == "0" else _count(text)


def _seed(text: str) -> int:
    """Which cars are drawn."""
    if not text.isdecimal() or len(text) > 9:
        raise argparse.ArgumentTypeError(f"'{text}' is not a whole number from 0 to 999999999")
    return int(text)


def add_targets(commands: Commands) -> None:
    words = "move points inside boxes to reach aims: several answers, each with what it costs"
    sub = command(commands, "targets", _targets, words)
    take_model(sub)
    sub.add_argument("--variant", metavar="NAME", default="as_found", help="a planned change")
    sub.add_argument("--axle", metavar="NAME", help="this axle alone")
    sub.add_argument("--seed", metavar="N", type=_seed, default=1, help="of the drawn starts")
    sub.add_argument("--strict", action="store_true", help="exit 1 if no answer meets every aim")
    sub.add_argument("--out", metavar="DIR", type=Path, help="folder for the results")


def _targets(args: argparse.Namespace) -> int:
    from linkview.app.folder import results_folder
    from linkview.export.cautions import CAUTIONS
    from linkview.export.targets import NEXT, answer_lines, write_answers, write_variants
    from linkview.kinematics.assemble import build_car
    from linkview.model.read import read_file
    from linkview.tuning.targets import reach

    file = read_file(args.model)
    car = build_car(file, args.variant)
    aimed = [axle for axle in car.axles.values() if axle.aims]
    some = aimed if args.axle is None else [car.axle_named(args.axle)]
    if not some:
        raise LinkviewError(f"{file.path}: nothing to aim at; add [[axle.NAME.aims]]")
    found = {}
    with progress() as tell:
        for axle in some:

            def heard(done: int, count: int, name: str = axle.name) -> None:
                tell(f"{name} axle: choices of points", done, count)

            built = rebuilder_of(args, file)
            found[axle.name] = axle, reach(axle, car, built, seed=args.seed, heard=heard)
    with results_folder(folder_for(args, file)) as folder:
        write_answers(folder / "targets.csv", found)
        write_variants(folder / "targets_variants.toml", found, args.variant)
    for axle, answers in found.values():
        print("\n".join(answer_lines(axle, answers)) + "\n")
    print(NEXT)
    print(f"\nCAUTION: {CAUTIONS[0]}")
    say_files(args, file, ["targets.csv", "targets_variants.toml"])
    short = any(all(a.missed for a in answers) for _, answers in found.values())
    return SHORT if args.strict and short else DONE
