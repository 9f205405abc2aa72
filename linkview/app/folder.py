"""Writes one job's results into a folder: whole, or not at all.

Everything is made in a folder beside the wanted one and moved there at the end; on any error or
Ctrl-C the half-made folder goes and what was there before stays.
"""

from __future__ import annotations

import os
import secrets
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from linkview.errors import CannotWrite


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
