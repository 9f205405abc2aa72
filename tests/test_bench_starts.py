"""Every timing under tests/bench still finds what it times; the timings themselves are not run."""

from __future__ import annotations

import os
import runpy
from pathlib import Path

import pytest

BENCH = Path(__file__).parent / "bench"


@pytest.mark.parametrize("file", sorted(p.name for p in BENCH.glob("*.py")))
def test_a_timing_still_imports(file, monkeypatch):
    monkeypatch.setattr(os, "environ", os.environ.copy())
    monkeypatch.syspath_prepend(str(BENCH))
    runpy.run_path(str(BENCH / file), run_name="not main")


def test_the_stages_that_positions_are_timed_by_are_there():
    """They are asked for by name, which an import alone does not try."""
    names = runpy.run_path(str(BENCH / "bench_positions.py"), run_name="not main")
    names["side_by_side"](names["front_corner"](), names["Hold"].WHEEL_HEIGHT, 1)
