"""What commands share on their command lines: arguments, and words to numbers, sizes and days."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import TypeAlias

Commands: TypeAlias = "argparse._SubParsersAction[argparse.ArgumentParser]"
Run = Callable[[argparse.Namespace], int]
WITHIN_MM = 2.0  # how far a re-measured point may be from the design, unless told
SHOPS = ("water_jet", "laser", "plasma")


def command(commands: Commands, name: str, run: Run, words: str) -> argparse.ArgumentParser:
    """A command's parser; `run` does its work and returns its exit status."""
    sub = commands.add_parser(name, help=words, description=words[0].upper() + words[1:] + ".")
    sub.set_defaults(run=run)
    return sub


def take_model(sub: argparse.ArgumentParser) -> None:
    """The hard-point file."""
    sub.add_argument("model", metavar="MODEL.toml", type=Path, help="the hard-point file")


def take_study(sub: argparse.ArgumentParser, *, variant: str = "as_found") -> None:
    """What a study of the car asks: variant, what stays put, the shop, how strict."""
    sub.add_argument(
        "--variant",
        metavar="NAME",
        default=variant,
        help="a planned change of the file (default: %(default)s)",
    )
    sub.add_argument(
        "--hold",
        choices=("wheel_height", "damper_length", "tyres_on_ground"),
        help="what stays put while steering (default: as the file says)",
    )
    sub.add_argument(
        "--shop",
        metavar="SHOP",
        default=SHOPS[0],
        help=f"whose rules the plates must pass: {', '.join(SHOPS)}, or your own FILE.toml "
        "(default: %(default)s)",
    )
    sub.add_argument(
        "--strict",
        action="store_true",
        help="exit with status 1 when a gap, a limit or a plate falls short",
    )


def take_out(sub: argparse.ArgumentParser) -> None:
    """The folder for the results of a study."""
    sub.add_argument(
        "--out",
        metavar="DIR",
        type=Path,
        help="folder for the results (default: exports/MODEL-VARIANT)",
    )


def take_papers(sub: argparse.ArgumentParser) -> None:
    """What is printed on every page."""
    sub.add_argument("--revision", default="-", help="printed on every page of the papers")
    sub.add_argument(
        "--date", type=calendar_day, default=None, metavar="YYYY-MM-DD", help="default: today"
    )


def take_no_film(sub: argparse.ArgumentParser) -> None:
    """Whether films are made."""
    sub.add_argument("--no-film", action="store_true", help="pictures, but no MP4 and GIF")


def place(text: str) -> float:
    """A rack or a travel, mm, either way."""
    try:
        value = float(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"'{text}' is not a number of mm") from None
    if not abs(value) < 1e4:
        raise argparse.ArgumentTypeError(f"{text} is no place of a rack or a wheel, in mm")
    return value


def positive(text: str) -> float:
    value = not_negative(text)
    if value <= 0.0:
        raise argparse.ArgumentTypeError(f"{text} is not more than 0")
    return value


def not_negative(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"'{text}' is not a number of mm") from None
    if not 0.0 <= value < 1e6:
        raise argparse.ArgumentTypeError(f"{text} is not a length of 0 or more, in mm")
    return value


def calendar_day(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"'{text}' is no date; write 2026-03-31") from None


def pixels(text: str) -> tuple[int, int]:
    parts = text.lower().split("x")
    if len(parts) != 2 or not all(p.isdigit() for p in parts):
        raise argparse.ArgumentTypeError(f"'{text}' is no size; write 1600x1000")
    wide, high = (int(p) for p in parts)
    if not (200 <= wide <= 8000 and 200 <= high <= 8000):
        raise argparse.ArgumentTypeError(f"'{text}': each side from 200 to 8000 pixels")
    return wide, high
