"""A second process that draws while this one computes: most pictures need no gaps.

What draws is loaded in that process alone, while this one still reads the file. Its first picture
is a trial: where OpenGL is missing the drawing library ends that process, and not this one.
"""

from __future__ import annotations

import os
import signal
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from multiprocessing import get_context
from pathlib import Path
from typing import TYPE_CHECKING

from linkview.errors import GraphicsMissing
from linkview.export.graphics import TIME_LIMIT_S, graphics_missing, require_graphics

if TYPE_CHECKING:
    from linkview.app.folder import Written
    from linkview.model.parts import Car
    from linkview.study import CarStudy, Tell


class Aside:
    """Takes drawing jobs, one after the other; `drawn` waits for what they have written."""

    def __init__(self, pool: ProcessPoolExecutor) -> None:
        self._pool = pool
        self._trial = pool.submit(_draw_trial)

    @contextmanager
    def closing(self) -> Iterator[None]:
        """Nothing is drawn any more once this block ends, however it ends."""
        try:
            yield
        finally:
            self._pool.shutdown(wait=True, cancel_futures=True)

    def require_graphics(self) -> None:
        """Returns when the trial picture has come out.

        Raises GraphicsMissing, saying how a trial ended and what to install.
        """
        try:
            came_out = self._trial.result(TIME_LIMIT_S)
        except BrokenProcessPool:
            require_graphics()  # draws it once more by itself, to tell how it ends
            raise graphics_missing("the process that draws ended") from None
        except TimeoutError:
            raise graphics_missing(f"no answer in {TIME_LIMIT_S:g} s") from None
        if not came_out:
            raise graphics_missing("the picture came out blank")

    def at_ride_height(
        self, study: CarStudy, found: Car, folder: Path, name: str
    ) -> Future[list[Written]]:
        """One axle at ride height; the study may still be without gaps, and without others."""
        return self._ask(_at_ride_height, study, found, folder, name)

    def worst_gap(
        self, study: CarStudy, found: Car, folder: Path, name: str
    ) -> Future[list[Written]]:
        """One axle's worst gap, close up; that axle's gaps must be measured."""
        return self._ask(_worst_gap, study, found, folder, name)

    def film(self, study: CarStudy, found: Car, folder: Path, name: str) -> Future[list[Written]]:
        """One axle's film; the study may still be without gaps."""
        return self._ask(_film, study, found, folder, name)

    def four_views(self, study: CarStudy, folder: Path) -> Future[list[Written]]:
        """Every axle's four views with dimensions; the study may still be without gaps."""
        return self._ask(_four_views, study, folder)

    def _ask(self, job: Callable[..., list[Written]], *args: object) -> Future[list[Written]]:
        try:
            return self._pool.submit(job, *args)
        except BrokenProcessPool as ended:
            failed: Future[list[Written]] = Future()
            failed.set_exception(ended)
            return failed


class Here(Aside):
    """The same done in this process at once, for one that may start no other.

    tell: called as a film goes on; may raise to interrupt.
    """

    def __init__(self, tell: Tell) -> None:
        self._tell = tell

    def require_graphics(self) -> None:
        """As `graphics.require_graphics`: tried by a process of its own."""
        self._tell("looking for OpenGL", 0, 1)
        require_graphics()

    def film(self, study: CarStudy, found: Car, folder: Path, name: str) -> Future[list[Written]]:
        return self._ask(_film, study, found, folder, name, self._tell)

    def _ask(self, job: Callable[..., list[Written]], *args: object) -> Future[list[Written]]:
        self._tell("drawing", 0, 1)
        done: Future[list[Written]] = Future()
        done.set_result(job(*args))
        return done


def drawn(jobs: Iterable[Future[list[Written]]]) -> list[Written]:
    """What all these jobs have written, in order.

    Raises GraphicsMissing where the process that draws has ended before its time.
    """
    try:
        return [written for job in jobs for written in job.result()]
    except BrokenProcessPool:
        raise GraphicsMissing(
            "the process that draws ended while drawing, as when memory runs out; run it again "
            "with less beside it. Everything else is written."
        ) from None


@contextmanager
def drawing_aside() -> Iterator[Aside]:
    """The second process, started afresh: OpenGL does not survive a fork. It heeds no Ctrl-C of
    its own; jobs not begun are dropped when the block ends early.
    """
    pool = ProcessPoolExecutor(1, mp_context=get_context("spawn"), initializer=_ignore_interrupt)
    aside = Aside(pool)
    with aside.closing():
        yield aside


def _ignore_interrupt() -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)


def _draw_trial() -> bool:
    """Loads the drawing library, which takes a second or two, and tries it.

    What the system's libraries say of a failure goes nowhere: `graphics` says it in words.
    """
    said, nowhere = os.dup(2), os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, 2)
    try:
        from linkview.export.trial_picture import comes_out

        came_out = comes_out()
    finally:
        os.dup2(said, 2)
        os.close(said)
        os.close(nowhere)
    if came_out:
        from linkview.app.pictures import load_drawing

        load_drawing()
    return came_out


def _at_ride_height(study: CarStudy, found: Car, folder: Path, name: str) -> list[Written]:
    from linkview.app.pictures import draw_at_ride_height

    return draw_at_ride_height(study, found, folder, name)


def _worst_gap(study: CarStudy, found: Car, folder: Path, name: str) -> list[Written]:
    from linkview.app.pictures import draw_worst_gap

    return draw_worst_gap(study, found, folder, name)


def _film(
    study: CarStudy, found: Car, folder: Path, name: str, tell: Tell | None = None
) -> list[Written]:
    from linkview.app.pictures import draw_film

    return draw_film(study, found, folder, tell or _silent, name)


def _four_views(study: CarStudy, folder: Path) -> list[Written]:
    from linkview.app.handover import hand_over_four_views

    return hand_over_four_views(study, folder)


def _silent(what: str, done: int, count: int) -> None:
    """Progress is told by the first process only."""
