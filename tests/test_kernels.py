"""The compiled kernels' cache: kept between runs, and never older than any of their files."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import linkview

PACKAGE = Path(linkview.__file__).parent
# The distance of two points 3 mm apart, and how many kernels came from the cache.
RUN = """
import numpy as np
from linkview.clearance.kernels.lines import lines_apart
from linkview.clearance.compiled import compiled_before
gap, on = np.empty(1), np.empty((2, 1, 3))
lines_apart(np.zeros((1, 1, 3)), np.array([[[3.0, 0.0, 0.0]]]), gap, on[0], on[1])
print(gap[0], sum(lines_apart.stats.cache_hits.values()), compiled_before())
"""


def ran(root: Path) -> list[str]:
    done = subprocess.run(
        [sys.executable, "-c", RUN],
        cwd=root,
        env={**os.environ, "PYTHONPATH": str(root)},
        capture_output=True,
        text=True,
        check=True,
    )
    return done.stdout.split()


def test_a_change_of_any_file_compiles_what_calls_it_anew(tmp_path):
    shutil.copytree(
        PACKAGE,
        tmp_path / "linkview",
        ignore=shutil.ignore_patterns("__pycache__", "web", "models"),
    )
    assert ran(tmp_path) == ["3.0", "0", "False"]
    assert ran(tmp_path) == ["3.0", "1", "False"]
    # A file that the kernel's own does not even import: numba alone would take the old one.
    other = tmp_path / "linkview" / "clearance" / "kernels" / "swept.py"
    other.write_text(other.read_text() + "\n")
    assert ran(tmp_path) == ["3.0", "0", "False"]
