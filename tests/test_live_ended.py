"""Ctrl-C at the terminal, which reaches every process of the live page: one plain line, no more."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

DEMO = Path(__file__).parents[1] / "models" / "demo_coupe" / "demo_coupe.toml"
BEGIN = "print('up', flush=True); from linkview.__main__ import run; raise SystemExit(run())"
VIEW = [sys.executable, "-c", BEGIN, "view", str(DEMO), "--no-browser"]


@pytest.mark.skipif(sys.platform == "win32", reason="sends the POSIX interrupt")
@pytest.mark.parametrize("after_s", [0.5, 1.2, None])
def test_an_interrupt_is_told_in_one_line(after_s, tmp_path):
    # None: once the link is there. A terminal tells the whole group at once.
    job = subprocess.Popen(
        VIEW,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        cwd=DEMO.parents[2],
        start_new_session=True,
        env={**os.environ, "LINKVIEW_HOME": str(tmp_path)},
        # a shell that runs the tests in the background has them ignore the interrupt
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.default_int_handler),
    )
    assert job.stdout is not None
    # Before that the interpreter itself would be stopped.
    assert job.stdout.readline() == "up\n"
    if after_s is None:
        assert "the live page is at" in job.stdout.readline()
    else:
        time.sleep(after_s)
    os.killpg(job.pid, signal.SIGINT)
    _, said = job.communicate(timeout=30)
    assert job.returncode == 130
    told = [line for line in said.splitlines() if "Ctrl-C ends it" not in line]
    assert told == ["linkview: stopped; nothing half-written is left"]
