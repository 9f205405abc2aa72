"""Whether this machine can draw 3-D pictures, found out without risking this process.

Without a usable OpenGL library the drawing library ends the whole process (a segmentation fault),
so a child process draws one small picture first. Its end, whatever it is, is the answer.
"""

from __future__ import annotations

import functools
import signal
import subprocess
import sys
from pathlib import Path

from linkview.errors import GraphicsMissing

TIME_LIMIT_S = 60.0
PACKAGES = "libegl1 libgl1-mesa-dri"

_ADVICE = {
    "linux": f"on Debian or Ubuntu install the packages {PACKAGES} "
    f"(sudo apt-get install {PACKAGES}); elsewhere Mesa's EGL and its drivers",
    "win32": "install the graphics card maker's driver; a remote desktop session may have none",
    "darwin": "log in on the machine itself and update the system",
}

# The script, not an import of it: the drawing library is not to be loaded by this process.
PROBE_COMMAND = (sys.executable, str(Path(__file__).with_name("trial_picture.py")))


def require_graphics(
    command: tuple[str, ...] = PROBE_COMMAND, *, time_limit_s: float = TIME_LIMIT_S
) -> None:
    """Returns when pictures can be drawn; asks the machine once per process.

    Raises GraphicsMissing, saying how the probe ended and what to install.
    """
    ended = _how_it_ended(command, time_limit_s)
    if ended is not None:
        raise graphics_missing(ended)


def graphics_missing(ended: str) -> GraphicsMissing:
    """The error that says how a trial picture ended and what to install."""
    return GraphicsMissing(
        f"pictures and films need OpenGL, and a trial picture failed ({ended}); {_advice()}. "
        "Everything else is written."
    )


@functools.cache
def _how_it_ended(command: tuple[str, ...], time_limit_s: float) -> str | None:
    """What went wrong in a few words, None when nothing did."""
    try:
        done = subprocess.run(
            command, capture_output=True, timeout=time_limit_s, check=False, text=True
        )
    except subprocess.TimeoutExpired:
        return f"no answer in {time_limit_s:g} s"
    except OSError as fault:
        return fault.strerror or str(fault)
    code = done.returncode
    if code == 0:
        return None
    if code < 0:
        try:
            return f"it was ended by {signal.Signals(-code).name}"
        except ValueError:
            return f"it was ended by signal {-code}"
    if code == 3:
        return "the picture came out blank"
    return f"exit code {code & 0xFFFFFFFF:#x}" if code > 255 else f"exit code {code}"


def _advice() -> str:
    for system, words in _ADVICE.items():
        if sys.platform.startswith(system):
            return words
    return "install the system's OpenGL driver"
