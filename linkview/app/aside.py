"""A second process that draws while this one computes: most pictures need no gaps."""

from __future__ import annotations

import signal
from collections.abc import Iterator
from concurrent.futures import Future, ProcessPoolExecutor
from contextlib import contextmanager
from multiprocessing import get_context
from pathlib import Path

from linkview.app.pictures import draw_at_ride_height, draw_film, draw_worst_gap
from linkview.app.results import Written
from linkview.model.parts import Car
from linkview.study import CarStudy


class Aside:
    """Takes drawing jobs, one after the other; ask each one's Future for what was written."""

    def __init__(self, pool: ProcessPoolExecutor) -> None:
        self._pool = pool

    def at_ride_height(self, study: CarStudy, found: Car, folder: Path) -> Future[list[Written]]:
        """Every axle at ride height; the study may still be without gaps."""
        return self._pool.submit(draw_at_ride_height, study, found, folder)

    def worst_gap(
        self, study: CarStudy, found: Car, folder: Path, name: str
    ) -> Future[list[Written]]:
        """One axle's worst gap, close up."""
        return self._pool.submit(draw_worst_gap, study, found, folder, name)

    def film(self, study: CarStudy, found: Car, folder: Path, name: str) -> Future[list[Written]]:
        """One axle's film; the study may still be without gaps."""
        return self._pool.submit(draw_film, study, found, folder, _silent, name)


@contextmanager
def drawing_aside() -> Iterator[Aside]:
    """The second process, started afresh: OpenGL does not survive a fork. It heeds no Ctrl-C of
    its own; jobs not begun are dropped when the block ends early.
    """
    pool = ProcessPoolExecutor(1, mp_context=get_context("spawn"), initializer=_ignore_interrupt)
    try:
        yield Aside(pool)
    finally:
        pool.shutdown(wait=True, cancel_futures=True)


def _ignore_interrupt() -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)


def _silent(what: str, done: int, count: int) -> None:
    """Progress is told by the first process only."""
