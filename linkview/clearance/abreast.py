"""Work on several pairs at once: the kernels let go of Python's lock while they measure."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

_MOST = 4  # threads; between kernels they wait for each other

Thing = TypeVar("Thing")
Answer = TypeVar("Answer")


def abreast(act: Callable[[Thing], Answer], things: Sequence[Thing]) -> Iterator[Answer]:
    """act(thing) of each, in the order given, some of them ahead of time.

    What is not yet begun when the caller stops asking, or one fails, is dropped.
    """
    many = min(_MOST, os.cpu_count() or 1, len(things))
    if many < 2:
        yield from map(act, things)
        return
    pool = ThreadPoolExecutor(many)
    try:
        yield from pool.map(act, things)
    finally:
        pool.shutdown(cancel_futures=True)
