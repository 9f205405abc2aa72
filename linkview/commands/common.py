"""What the commands do alike: the car asked for, where results go, what is said at the end."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from linkview.app.folder import Written
    from linkview.export.identity import Identity
    from linkview.kinematics.assemble import Rebuilder
    from linkview.model.parts import Car
    from linkview.model.read import HardPointFile
    from linkview.plates.profiles import ShopProfile
    from linkview.study import CarStudy

DONE, SHORT, UNUSABLE, STOPPED = 0, 1, 2, 130  # exit status; `linkview.cli` says what each means


def cars_of(args: argparse.Namespace) -> tuple[HardPointFile, Car, Car]:
    """The file, the car asked for, and the car as found."""
    from dataclasses import replace

    from linkview.kinematics.assemble import build_car
    from linkview.model.parts import Hold
    from linkview.model.read import read_file

    file = read_file(args.model)
    cars = [build_car(file, args.variant), build_car(file)]
    if args.hold is not None:
        hold = Hold(args.hold)
        cars = [
            replace(c, axles={n: replace(a, hold=hold) for n, a in c.axles.items()}) for c in cars
        ]
    return file, cars[0], cars[1]


def rebuilder_of(args: argparse.Namespace, file: HardPointFile) -> Rebuilder:
    from linkview.kinematics.assemble import rebuilder

    return rebuilder(file, args.variant)


def shop_of(args: argparse.Namespace) -> ShopProfile:
    from linkview.plates.profiles import named_profile

    return named_profile(args.shop)


def folder_for(args: argparse.Namespace, file: HardPointFile) -> Path:
    if args.out is not None:
        return Path(args.out)
    return Path("exports") / f"{file.path.stem}-{args.variant}"


def identity_of(args: argparse.Namespace, file: HardPointFile, car: Car) -> Identity:
    from linkview.export.identity import identify

    return identify(file, car, revision=args.revision, date=day_of(args))


def day_of(args: argparse.Namespace) -> str:
    day = args.date or date.today()
    return f"{day.day} {day.strftime('%B')} {day.year}"


def status_of(args: argparse.Namespace, study: CarStudy) -> int:
    if any(plate.refused for axle in study.axles.values() for plate in axle.plates):
        return UNUSABLE
    return SHORT if args.strict and study.shortfalls else DONE


def say_summary(summary: Sequence[str]) -> None:
    from linkview.export.cautions import CAUTIONS

    print("\n".join(summary))
    print(f"\nCAUTION: {CAUTIONS[0]}\nCAUTION: {CAUTIONS[1]}")


def say_written(files: Sequence[Written]) -> None:
    """Every file with what it is, in columns."""
    wide = max((len(written.name) for written in files), default=0)
    for written in files:
        print(f"  {written.name:<{wide}}  {written.what}")


def say_files(args: argparse.Namespace, file: HardPointFile, names: Sequence[str]) -> None:
    print(f"\nwritten to {folder_for(args, file)}: {', '.join(names)}")
