"""Batches of cars on one core, on all, or on a cluster: kept as they come, and taken up again.

Any `concurrent.futures` executor does the work: a process pool here, or Dask's (`Client
.get_executor()`) for a study that is too large for one machine; a job's work is the same.
"""

from __future__ import annotations

import hashlib
import multiprocessing
import os
import signal
import zipfile
import zlib
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Executor, Future, ProcessPoolExecutor, wait
from contextlib import contextmanager
from dataclasses import fields, replace
from pathlib import Path
from typing import Protocol

import numpy as np

from linkview.errors import CannotWrite
from linkview.geometry import Array
from linkview.model.parts import Side
from linkview.tuning.spread import Batch, Key, Spread

BATCH = 2500  # cars at a time: 7.6 us a corner pose, against 11 by thousands and 26 by 250
HEED_S = 0.3  # how often an interrupt is looked for while others work
_MAPS = ("nominal", "reached", "total", "squares", "each")


class Job(Protocol):
    """So many cars and what is done with them; its answer depends on nothing else."""

    @property
    def number(self) -> int: ...
    @property
    def count(self) -> int: ...
    def decided_by(self) -> str:
        """All that decides the answer, but the job's number."""

    def work(self) -> Spread: ...


def batches_of(whole: Batch, count: int) -> list[Batch]:
    """`count` cars as batches of at most BATCH; whole.number and whole.count are not used."""
    firsts = range(0, count, BATCH)
    return [
        replace(whole, number=k, count=min(BATCH, count - first)) for k, first in enumerate(firsts)
    ]


@contextmanager
def all_cores() -> Iterator[Executor]:
    """A pool of processes, one for every core this one may use; stopped with the block."""
    free = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count()
    context = multiprocessing.get_context("spawn")
    others = multiprocessing.active_children()
    pool = ProcessPoolExecutor(free or 1, mp_context=context, initializer=_leave_interrupts)
    try:
        yield pool
    except BaseException:
        # Nobody waits for what is not wanted any more; whole batches are kept already.
        pool.shutdown(wait=False)
        for process in multiprocessing.active_children():
            if process not in others:
                process.terminate()
        raise
    pool.shutdown(wait=True)


def _leave_interrupts() -> None:
    """Ctrl-C is for the first process, which then lets the others end."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)


def run(
    batches: Sequence[Job],
    executor: Executor | None = None,
    folder: Path | None = None,
    heard: Callable[[int, int], None] = lambda done, count: None,
) -> Spread:
    """Every batch's figures as one. executor None: here, one after the other.

    folder: where each batch is kept as it comes; batches found there are not run again, and those
    of another model, seed or grid are not taken for these. heard: cars done and in all; may raise
    to interrupt, and what is done is kept.
    """
    print_ = _fingerprint(batches[0]) if folder is not None else ""
    found: dict[int, Spread] = {}
    left: list[Job] = []
    for batch in batches:
        path = _path(folder, print_, batch)
        kept = _read(path) if path is not None and path.is_file() else None
        if kept is not None and kept.count == batch.count:
            found[batch.number] = kept
        else:
            left.append(batch)
    many = sum(b.count for b in batches)
    heard(sum(s.count for s in found.values()), many)

    def waiting() -> None:
        heard(sum(s.count for s in found.values()), many)

    for number, spread in _worked(left, executor, waiting):
        path = _path(folder, print_, next(b for b in left if b.number == number))
        if path is not None:
            _write(path, spread)
        found[number] = spread
        heard(sum(s.count for s in found.values()), many)
    return together([found[b.number] for b in batches])


def _worked(
    left: Sequence[Job], executor: Executor | None, waiting: Callable[[], None]
) -> Iterator[tuple[int, Spread]]:
    """Batches in turn; `waiting` is called now and then, and may raise."""
    if executor is None:
        for batch in left:
            yield batch.number, batch.work()
        return
    going: list[tuple[int, Future[Spread]]] = [
        (batch.number, executor.submit(_worked_off, batch)) for batch in left
    ]
    try:
        for number, future in going:
            while not future.done():
                waiting()
                wait([future], timeout=HEED_S)
            yield number, future.result()
    except BaseException:
        # A process pool is ended as a whole; what is cancelled one by one it would trip over.
        if not isinstance(executor, ProcessPoolExecutor):
            for _, future in going:
                future.cancel()
        raise


def _worked_off(job: Job) -> Spread:
    return job.work()


def together(spreads: Sequence[Spread]) -> Spread:
    """Batches of one study as one."""
    first = spreads[0]

    def added(name: str) -> dict[Key, Array]:
        keys = getattr(first, name)
        return {k: np.sum([getattr(s, name)[k] for s in spreads], axis=0) for k in keys}

    each = {k: np.concatenate([s.each[k] for s in spreads]) for k in first.each}
    count = sum(s.count for s in spreads)
    return Spread(count, first.nominal, added("reached"), added("total"), added("squares"), each)


def _fingerprint(job: Job) -> str:
    return hashlib.sha256(job.decided_by().encode()).hexdigest()[:12]


def _path(folder: Path | None, print_: str, batch: Job) -> Path | None:
    return None if folder is None else folder / f"cars_{print_}_{batch.number:06d}.npz"


def _write(path: Path, spread: Spread) -> None:
    arrays: dict[str, Array] = {"count": np.array(spread.count)}
    for name in _MAPS:
        for (side, reading), values in getattr(spread, name).items():
            arrays[f"{name}|{'' if side is None else side.value}|{reading}"] = values
    beside = path.with_name(path.name + ".part")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with beside.open("wb") as out:
            np.savez(out, **arrays)  # type: ignore[arg-type]
        os.replace(beside, path)
    except OSError as error:
        raise CannotWrite(f"{path}: cannot be written ({error.strerror})") from None


def _read(path: Path) -> Spread | None:
    """A kept batch; None where the file is not whole, so that it is run again."""
    try:
        with path.open("rb") as file, np.load(file, allow_pickle=False) as kept:
            maps: dict[str, dict[Key, Array]] = {name: {} for name in _MAPS}
            for label in kept.files:
                if label == "count":
                    continue
                name, side, reading = label.split("|")
                maps[name][Side(side) if side else None, reading] = kept[label]
            return Spread(int(kept["count"]), **maps)
    except (OSError, ValueError, KeyError, EOFError, zipfile.BadZipFile, zlib.error):
        return None


assert {f.name for f in fields(Spread)} == {"count", *_MAPS}
