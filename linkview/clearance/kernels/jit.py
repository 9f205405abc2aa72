"""How the kernels are compiled and kept.

numba's cache notices changes of the one file that a kernel stands in. The kernels call each other
across files, so each is cached under a name that carries the contents of all of them: a change of
any file compiles every kernel anew, and never is an older one run.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

Array = NDArray[np.float64]
Index = NDArray[np.int64]

DEEPEST = 96  # halvings of a patch, boxes on a way down a tree

_FILES = sorted(Path(__file__).parent.glob("*.py"))
STAMP = hashlib.sha256(b"\0".join(f.read_bytes() for f in _FILES)).hexdigest()[:12]

inner = njit(cache=False, nogil=True, error_model="numpy", inline="never")
"""For what only kernels call: no entry from Python, so nothing to keep."""


def kernel(function: Callable[..., Any]) -> Any:
    """Compiles on the first call ever, and lets go of Python's lock while it runs."""
    function.__qualname__ = f"{function.__qualname__}_{STAMP}"
    return njit(cache=True, nogil=True, error_model="numpy")(function)
