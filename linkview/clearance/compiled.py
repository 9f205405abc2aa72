"""The compiled kernels, loaded when first used.

numba takes half a second to load, and on a machine's first run ever some seconds to compile what
its cache then keeps (about 15 s on two slow cores). Commands that measure no gap must not wait for
either, so this is the one place that loads a module of this package late.
"""

from __future__ import annotations

from functools import cache
from importlib import import_module
from pathlib import Path
from typing import Any


@cache
def kernels() -> Any:
    """All of them: `kernels/every.py`."""
    return import_module("linkview.clearance.kernels.every")


def compiled_before() -> bool:
    """Whether this machine's cache holds every kernel, so that nothing needs to be compiled."""
    return all(_in_cache(kernel) for kernel in kernels().KERNELS)


def _in_cache(dispatcher: Any) -> bool:
    folder = Path(dispatcher.stats.cache_path or "")
    function = dispatcher.py_func
    name = f"{function.__module__.rsplit('.', 1)[-1]}.{function.__qualname__}-"
    return folder.is_dir() and any(f.name.startswith(name) for f in folder.glob("*.nbi"))


def compile_all() -> None:
    """Compiles every kernel on the smallest of inputs."""
    kernels().warm_up()
