"""`adjusters`, `setup`: what every adjuster does, and wanted alignment to settings."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from linkview.commands.arguments import Commands, command, take_model
from linkview.commands.common import DONE, SHORT, folder_for, say_files
from linkview.errors import LinkviewError

if TYPE_CHECKING:
    from linkview.model.parts import Axle, Car


def add_adjusters(commands: Commands) -> None:
    words = "what a turn, a millimetre or a shim of every adjuster does"
    _take_axle(command(commands, "adjusters", _adjusters, words))


def add_setup(commands: Commands) -> None:
    words = "wanted alignment -> settings of the adjusters, and their order"
    sub = command(commands, "setup", _set_up, words)
    _take_axle(sub)
    sub.add_argument(
        "--want",
        metavar="READING=VALUE",
        type=_wanted,
        action="append",
        default=[],
        help="camber, caster, toe_in (deg), ride_height (mm), bump_toe (deg/mm), with "
        "_left or _right for one side; over the file's; may be given again",
    )
    sub.add_argument(
        "--fix",
        metavar="ADJUSTER",
        action="append",
        default=[],
        help="leave it as it is (NAME, NAME_left or NAME_right); may be given again",
    )
    sub.add_argument("--strict", action="store_true", help="exit 1 if a value is not met")


def _take_axle(sub: argparse.ArgumentParser) -> None:
    take_model(sub)
    sub.add_argument("--variant", metavar="NAME", default="as_found", help="a planned change")
    sub.add_argument("--axle", metavar="NAME", help="this axle alone")
    sub.add_argument("--out", metavar="DIR", type=Path, help="folder for the results")


def _wanted(text: str) -> tuple[str, float]:
    """'camber=-3.5' as a pair."""
    name, mark, value = text.partition("=")
    try:
        number = float(value)
    except ValueError:
        number = float("nan")
    if not mark or not name or not abs(number) < 1e6:
        raise argparse.ArgumentTypeError(f"'{text}' is not READING=VALUE, such as camber=-3.5")
    return name.strip(), number


def _adjusters(args: argparse.Namespace) -> int:
    from linkview.app.folder import results_folder
    from linkview.export.setting import HELD, dial_lines, write_dials
    from linkview.kinematics.assemble import build_car
    from linkview.model.read import read_file
    from linkview.tuning.dials import dial_table

    file = read_file(args.model)
    car = build_car(file, args.variant)
    tables = [dial_table(axle, car) for axle in _axles_to_set(args, car)]
    with results_folder(folder_for(args, file)) as folder:
        write_dials(folder / "adjusters.csv", tables)
    for table in tables:
        print("\n".join(dial_lines(table)) + "\n")
    print(HELD + " Slopes at the present setting: a cam or a long slot bends them.")
    say_files(args, file, ["adjusters.csv"])
    return DONE


def _set_up(args: argparse.Namespace) -> int:
    from linkview.app.folder import results_folder
    from linkview.export.cautions import CAUTIONS
    from linkview.export.setting import HELD, set_up_lines, write_set_up, write_wanted
    from linkview.kinematics.assemble import build_car
    from linkview.model.read import read_file
    from linkview.tuning.setting import set_up, wanted_of

    file = read_file(args.model)
    car = build_car(file, args.variant)
    axles = _axles_to_set(args, car)
    if args.want and len(axles) > 1:
        raise LinkviewError(f"--want: for which axle? add --axle {' or '.join(car.axles)}")
    found = []
    for axle in axles:
        wanted = wanted_of(axle.wanted, dict(args.want))
        mine = [n for n in args.fix if len(axles) == 1 or _names_dial(n, axle)]
        if wanted or args.want or len(axles) == 1:
            found.append(set_up(axle, car, wanted, mine))
    lost = [n for n in args.fix if not any(_names_dial(n, axle) for axle in axles)]
    if lost:
        raise LinkviewError(f"--fix: no adjuster '{lost[0]}' on any axle")
    if not found:
        raise LinkviewError(f"{file.path}: nothing is wanted; add [axle.NAME.wanted], or --want")
    with results_folder(folder_for(args, file)) as folder:
        write_set_up(folder / "setup_steps.csv", found)
        write_wanted(folder / "setup_readings.csv", found)
    for one in found:
        print("\n".join(set_up_lines(one)) + "\n")
    print(HELD)
    print(f"\nCAUTION: {CAUTIONS[0]}")
    say_files(args, file, ["setup_steps.csv", "setup_readings.csv"])
    return SHORT if args.strict and any(one.misses for one in found) else DONE


def _names_dial(name: str, axle: Axle) -> bool:
    return any(name in (n, f"{n}_left", f"{n}_right") for n in axle.adjusters)


def _axles_to_set(args: argparse.Namespace, car: Car) -> list[Axle]:
    """The axle asked for, or every one that has adjusters."""
    if args.axle is not None:
        return [car.axle_named(args.axle)]
    some = [axle for axle in car.axles.values() if axle.adjusters]
    if not some:
        raise LinkviewError(
            f"{car.path}: no axle has adjusters; add [axle.NAME.adjusters.NAME], as in "
            "models/demo_coupe/setting_up.toml"
        )
    return some
