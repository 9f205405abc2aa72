"""Whether the machine can draw: asked in a child process, which may die of the answer."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest
from no_opengl import without_opengl

from linkview.errors import GraphicsMissing
from linkview.export.graphics import PACKAGES, require_graphics

ROOT = Path(__file__).parent.parent
KILLED = "import os, signal; os.kill(os.getpid(), signal.SIGSEGV)"
ASK = """
from linkview.errors import GraphicsMissing
from linkview.export.graphics import require_graphics
try:
    require_graphics()
except GraphicsMissing as missing:
    print("missing:", missing)
else:
    print("can draw")
"""


def python(code: str) -> tuple[str, ...]:
    return sys.executable, "-c", code


@pytest.mark.gl
def test_this_machine_can_draw():
    require_graphics()


def test_opengl_taken_away_is_found_out_and_this_process_lives(tmp_path):
    """Truth: the libraries are really hidden where the system lets a test do so.

    Where it does not, a child that really dies of a segmentation fault stands in for the probe.
    """
    command = without_opengl(python(ASK), tmp_path / "empty.so")
    if command is None:
        with pytest.raises(GraphicsMissing, match="libegl1"):
            require_graphics(python(KILLED))
        return
    env = {**os.environ, "PYTHONPATH": str(ROOT)}
    done = subprocess.run(
        command, capture_output=True, text=True, check=False, env=env, timeout=120
    )
    assert done.returncode == 0, done.stderr
    assert done.stdout.startswith("missing: pictures and films need OpenGL")
    assert "libegl1 libgl1-mesa-dri" in done.stdout


@pytest.mark.skipif(sys.platform == "win32", reason="no POSIX signals there")
def test_a_probe_that_dies_of_a_segmentation_fault_names_it_and_the_packages():
    with pytest.raises(GraphicsMissing) as caught:
        require_graphics(python(KILLED))
    words = str(caught.value)
    assert "SIGSEGV" in words
    if sys.platform.startswith("linux"):
        assert PACKAGES in words
    assert words.endswith("Everything else is written.")


@pytest.mark.parametrize(
    ("command", "words"),
    [
        (python("raise SystemExit(7)"), "exit code 7"),
        (python("raise SystemExit(3)"), "came out blank"),
        (("/nowhere/python",), "No such file"),
    ],
)
def test_other_ends_of_the_probe_are_told_apart(command, words):
    with pytest.raises(GraphicsMissing, match=words):
        require_graphics(command)


def test_a_probe_that_hangs_is_given_up():
    with pytest.raises(GraphicsMissing, match=r"no answer in 0\.5 s"):
        require_graphics(python("import time; time.sleep(30)"), time_limit_s=0.5)


@pytest.mark.parametrize("code", [0, 5])
def test_the_machine_is_asked_once_per_process(tmp_path, code):
    log = tmp_path / "asked"
    command = python(f"open({str(log)!r}, 'a').write('x'); raise SystemExit({code})")
    for _ in range(3):
        if code:
            with pytest.raises(GraphicsMissing):
                require_graphics(command)
        else:
            require_graphics(command)
    assert log.read_text() == "x"
