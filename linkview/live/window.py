"""A window of its own: an installed browser of the Chromium family without its tabs and bars."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from enum import Enum
from pathlib import Path

from linkview.live.home import home_folder

# Names on the PATH, and places under each system's folders for programs.
_ON_PATH: tuple[str, ...] = (
    "chromium",
    "chromium-browser",
    "google-chrome",
    "google-chrome-stable",
    "msedge",
)
_ON_PATH = (*_ON_PATH, "microsoft-edge", "microsoft-edge-stable", "brave-browser", "vivaldi")
_WINDOWS: tuple[str, ...] = (
    r"Google\Chrome\Application\chrome.exe",
    r"Microsoft\Edge\Application\msedge.exe",
)
_WINDOWS = (*_WINDOWS, r"Chromium\Application\chrome.exe")
_MAC = ("Google Chrome", "Microsoft Edge", "Chromium", "Brave Browser")
_HANDED_ON_S = 3.0  # a start that ends well sooner has handed the page to a window opened before


class Fate(Enum):
    """What became of a window."""

    OPEN = "open"
    CLOSED = "closed"
    FAILED = "failed"


@dataclass
class Window:
    """The browser's process; with a profile of its own it lives as long as its window."""

    process: subprocess.Popen[bytes]
    begun: float = field(default_factory=time.monotonic)
    handed_on: bool = False

    def fate(self) -> Fate:
        """Asked again and again while the page is served."""
        status = self.process.poll()
        if status is None or self.handed_on:
            return Fate.OPEN
        soon = time.monotonic() - self.begun < _HANDED_ON_S
        if soon and status != 0:
            return Fate.FAILED
        self.handed_on = soon
        return Fate.OPEN if soon else Fate.CLOSED


def open_window(link: str) -> Window | None:
    """Opens link in a window of its own; None where no browser here can do that."""
    for program in _programs():
        command = [str(program), f"--app={link}", f"--user-data-dir={home_folder() / 'window'}"]
        command += ["--no-first-run", "--no-default-browser-check", "--window-size=1440,900"]
        try:
            quiet = subprocess.DEVNULL
            return Window(subprocess.Popen(command, stdin=quiet, stdout=quiet, stderr=quiet))
        except OSError:
            continue
    return None


def _programs() -> Iterator[Path]:
    if sys.platform == "darwin":
        for base in (Path("/Applications"), Path.home() / "Applications"):
            yield from (base / f"{n}.app/Contents/MacOS/{n}" for n in _MAC)
    if sys.platform == "win32":
        bases = [os.environ.get(n) for n in ("PROGRAMFILES", "PROGRAMFILES(X86)", "LOCALAPPDATA")]
        yield from (Path(base) / n for base in bases if base for n in _WINDOWS)
    found = (shutil.which(name) for name in _ON_PATH)
    yield from (Path(path) for path in found if path)
