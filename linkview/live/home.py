"""The folder of the program's own things, and where in it unsaved work lies."""

from __future__ import annotations

import hashlib
import os
from pathlib import Path

HOME = "LINKVIEW_HOME"  # the folder for unsaved work, where another than the usual is wanted


def home_folder() -> Path:
    """Where the program keeps things of its own."""
    return Path(os.environ.get(HOME) or Path.home() / ".linkview")


def unsaved_folder() -> Path:
    """Where work not saved yet is kept from crash to start."""
    return home_folder() / "unsaved"


def journal_of(path: Path) -> Path:
    """Where unsaved work on a file, by its whole path, is kept."""
    name = hashlib.sha256(str(path).encode()).hexdigest()[:24]
    return unsaved_folder() / f"{name}.json"
