"""The compiled kernels' cache: kept between runs, and never older than any of their files."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from shipped import car_of

import linkview
from linkview.clearance.compiled import compile_all, kernels
from linkview.clearance.domain import domain_of
from linkview.clearance.gaps import survey
from linkview.kinematics.sweep import sweep_corner
from linkview.limits.readings import limits_of

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


@pytest.mark.parametrize("name", ["demo_coupe", "push_rod", "four_link_axle"])
def test_no_kernel_is_compiled_for_a_second_sort_of_array(name):
    # It would be compiled in the midst of the work, with no word that it takes seconds.
    compile_all()
    car = car_of(name)
    for axle in car.axles.values():
        rack = [0.0] if axle.left.rack is None else [-10.0, 0.0, 10.0]
        sweep = sweep_corner(axle.left, np.array(rack), np.array([-9.0, 0, 9]), axle.hold)
        domain = domain_of(sweep, limits_of(axle.left, axle, car))
        found = survey(axle.left, sweep.poses, wanted=axle.wanted_gaps, domain=domain)
        assert all(pair.certain is not None for pair in found.pairs)
    assert {k.py_func.__name__: len(k.signatures) for k in kernels().KERNELS if k.signatures} == {
        k.py_func.__name__: 1 for k in kernels().KERNELS
    }


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
