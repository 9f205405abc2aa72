"""A machine without OpenGL, for real: its libraries hidden in a private mount namespace."""

from __future__ import annotations

import shlex
import shutil
import subprocess
from collections.abc import Sequence
from pathlib import Path

_HIDDEN = ("libEGL", "libGL.", "libGLX", "libOpenGL", "libOSMesa", "libGLES")


def without_opengl(command: Sequence[str], empty: Path) -> list[str] | None:
    """The command, run where every OpenGL library is an empty file; None where not allowed.

    empty: a path for that file. Only the new process sees it.
    """
    enter = _namespace()
    libraries = _opengl_libraries()
    if enter is None or not libraries:
        return None
    empty.write_bytes(b"")
    hide = [f"mount --bind {shlex.quote(str(empty))} {shlex.quote(p)}" for p in libraries]
    return [*enter, "sh", "-c", " && ".join([*hide, f"exec {shlex.join(command)}"])]


def _namespace() -> list[str] | None:
    """How this user may open a mount namespace, if at all."""
    if shutil.which("unshare") is None:
        return None
    for enter in (["unshare", "--mount"], ["unshare", "--map-root-user", "--mount"]):
        trial = [*enter, "sh", "-c", "mount --bind /etc/hostname /etc/hostname"]
        if subprocess.run(trial, capture_output=True, check=False).returncode == 0:
            return enter
    return None


def _opengl_libraries() -> list[str]:
    """The files behind every OpenGL library the loader knows."""
    listed = shutil.which("ldconfig") or "/sbin/ldconfig"
    if not Path(listed).exists():
        return []
    told = subprocess.run([listed, "-p"], capture_output=True, text=True, check=False).stdout
    paths = {
        str(Path(line.split(" => ")[1].strip()).resolve())
        for line in told.splitlines()
        if " => " in line and line.strip().startswith(_HIDDEN)
    }
    return sorted(paths)
