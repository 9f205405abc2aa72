"""Writes one job's results into a folder: whole, or not at all.

Everything is made in a folder beside the wanted one and moved there at the end; on any error or
Ctrl-C the half-made folder goes and what was there before stays.
"""

from __future__ import annotations

import os
import secrets
import shutil
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from linkview.errors import CannotWrite
from linkview.export.files import write_whole
from linkview.export.summary import CAUTIONS
from linkview.export.tables import (
    write_alignment,
    write_gaps,
    write_hard_points,
    write_limits,
    write_plates,
    write_positions,
    write_stops,
)
from linkview.model.parts import Car
from linkview.study import CarStudy


@dataclass(frozen=True)
class Written:
    """A result file: its place under the results folder, and what it holds in a few words."""

    name: str
    what: str


@contextmanager
def results_folder(folder: Path) -> Iterator[Path]:
    """A new folder to fill; moved to `folder` when the block ends well.

    Files of the same name there are replaced, others stay. Raises CannotWrite where the disk
    refuses, with what to do.
    """
    folder = Path(folder)
    if folder.exists() and not folder.is_dir():
        raise CannotWrite(f"{folder}: this is a file; give a folder with --out")
    staging = folder.parent / f".{folder.name}.{secrets.token_hex(4)}"
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        staging.mkdir()
    except OSError as error:
        raise CannotWrite(
            f"{folder}: {error.strerror}; choose a folder you may write to with --out"
        ) from None
    try:
        yield staging
        _move_in(staging, folder)
    except OSError as error:
        raise CannotWrite(
            f"{folder}: {error.strerror or error}; close what has it open, or choose another "
            "folder with --out"
        ) from error
    finally:
        shutil.rmtree(staging, ignore_errors=True)


def _move_in(staging: Path, folder: Path) -> None:
    for path in sorted(staging.rglob("*")):
        place = folder / path.relative_to(staging)
        if path.is_dir():
            place.mkdir(parents=True, exist_ok=True)
        else:
            place.parent.mkdir(parents=True, exist_ok=True)
            os.replace(path, place)
    folder.mkdir(exist_ok=True)


def write_tables(study: CarStudy, found: Car, folder: Path) -> list[Written]:
    """Every CSV of a study. found: the car as found, to show what moved."""
    write_hard_points(folder / "hard_points.csv", study.car, found)
    out = [Written("hard_points.csv", "every hard point at ride height, and how far it moved")]
    for name, axle in study.axles.items():
        write_positions(folder / f"{name}_positions.csv", axle)
        write_alignment(folder / f"{name}_alignment.csv", axle)
        out.append(Written(f"{name}_positions.csv", "where every joint goes, pose by pose"))
        out.append(Written(f"{name}_alignment.csv", "alignment of both wheels, pose by pose"))
    if all(axle.gaps for axle in study.axles.values()):
        write_gaps(folder / "gaps.csv", study.axles)
        out.append(Written("gaps.csv", "every pair of bodies: least gap, place and pose"))
    write_limits(folder / "limits.csv", study)
    write_stops(folder / "stops.csv", study.axles)
    write_plates(folder / "plates.csv", study.axles)
    out.append(Written("limits.csv", "every limit: at ride height and at its worst"))
    out.append(Written("stops.csv", "what stops the steering first, travel by travel"))
    out.append(Written("plates.csv", "plates: size, order data, where each stands"))
    return out


def write_summary(summary: Sequence[str], files: list[Written], folder: Path) -> Written:
    """The summary's lines as a file, with the list of files and the cautions."""
    lines = [*summary, "", "FILES"]
    lines += [f"  {f.name}: {f.what}" for f in files]
    lines += ["", "CAUTIONS", *(f"  {c}" for c in CAUTIONS)]
    write_whole(folder / "summary.txt", "\n".join(lines) + "\n")
    return Written("summary.txt", "this summary, with the cautions")
