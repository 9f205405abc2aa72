"""A second process that draws while this one computes: most pictures need no gaps.

What draws is loaded in that process alone, while this one still reads the file.
"""

from __future__ import annotations

import signal
from collections.abc import Iterator
from concurrent.futures import Future, ProcessPoolExecutor
from contextlib import contextmanager
from multiprocessing import get_context
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from linkview.app.results import Written
    from linkview.model.parts import Car
    from linkview.study import CarStudy


class Aside:
    """Takes drawing jobs, one after the other; ask each one's Future for what was written."""

    def __init__(self, pool: ProcessPoolExecutor) -> None:
        self._pool = pool

    @contextmanager
    def closing(self) -> Iterator[None]:
        """Nothing is drawn any more once this block ends, however it ends."""
        try:
            yield
        finally:
            self._pool.shutdown(wait=True, cancel_futures=True)

    def at_ride_height(self, study: CarStudy, found: Car, folder: Path) -> Future[list[Written]]:
        """Every axle at ride height; the study may still be without gaps."""
        return self._pool.submit(_at_ride_height, study, found, folder)

    def worst_gap(
        self, study: CarStudy, found: Car, folder: Path, name: str
    ) -> Future[list[Written]]:
        """One axle's worst gap, close up; that axle's gaps must be measured."""
        return self._pool.submit(_worst_gap, study, found, folder, name)

    def film(self, study: CarStudy, found: Car, folder: Path, name: str) -> Future[list[Written]]:
        """One axle's film; the study may still be without gaps."""
        return self._pool.submit(_film, study, found, folder, name)

    def four_views(self, study: CarStudy, folder: Path) -> Future[list[Written]]:
        """Every axle's four views with dimensions; the study may still be without gaps."""
        return self._pool.submit(_four_views, study, folder)


@contextmanager
def drawing_aside() -> Iterator[Aside]:
    """The second process, started afresh: OpenGL does not survive a fork. It heeds no Ctrl-C of
    its own; jobs not begun are dropped when the block ends early.
    """
    pool = ProcessPoolExecutor(1, mp_context=get_context("spawn"), initializer=_ignore_interrupt)
    aside = Aside(pool)
    with aside.closing():
        pool.submit(_load)
        yield aside


def _ignore_interrupt() -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)


def _load() -> None:
    """The drawing library's import takes a second or two; the first job need not wait for it."""
    from linkview.app.pictures import load_drawing

    load_drawing()


def _at_ride_height(study: CarStudy, found: Car, folder: Path) -> list[Written]:
    from linkview.app.pictures import draw_at_ride_height

    return draw_at_ride_height(study, found, folder)


def _worst_gap(study: CarStudy, found: Car, folder: Path, name: str) -> list[Written]:
    from linkview.app.pictures import draw_worst_gap

    return draw_worst_gap(study, found, folder, name)


def _film(study: CarStudy, found: Car, folder: Path, name: str) -> list[Written]:
    from linkview.app.pictures import draw_film

    return draw_film(study, found, folder, _silent, name)


def _four_views(study: CarStudy, folder: Path) -> list[Written]:
    from linkview.app.handover import hand_over_four_views

    return hand_over_four_views(study, folder)


def _silent(what: str, done: int, count: int) -> None:
    """Progress is told by the first process only."""
