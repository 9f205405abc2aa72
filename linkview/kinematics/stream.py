"""Millions of poses in bounded memory: a sweep in parts of a few travel rows each.

Rows of travel do not depend on each other, so every part is a sweep of its own, on the same
assembly: each is traced from the pose in which the corner was measured.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from concurrent.futures import Future, ProcessPoolExecutor
from functools import partial
from itertools import islice
from math import ceil
from typing import TypeVar

import numpy as np

from linkview.geometry import Array
from linkview.kinematics.sweep import CornerSweep, sweep_corner
from linkview.model.parts import Corner, Hold

T = TypeVar("T")
# Poses in a part: no more than bounds the memory; fewer where rows are short, so that the memory of
# one part serves the next; but rows enough to keep every column of the rack a long vector.
MOST_POSES, POSES_A_PART, LEAST_ROWS = 150_000, 40_000, 150


def sweep_in_parts(
    corner: Corner, rack_mm: Array, travel_mm: Array, hold: Hold
) -> Iterator[CornerSweep]:
    """The sweep of rack (S,) x travel (T,), some travel rows at a time, in order.

    Each part has the whole rack; let go of one before asking for the next.
    """
    for rows in _rows(rack_mm, travel_mm, 1):
        yield sweep_corner(corner, rack_mm, rows, hold)


def reduced_on_cores(
    corner: Corner,
    rack_mm: Array,
    travel_mm: Array,
    hold: Hold,
    reduce: Callable[[CornerSweep], T],
    *,
    workers: int,
) -> Iterator[T]:
    """What `reduce` makes of each part, in order, worked out by several processes.

    reduce: a function of a module (processes must find it by name) that returns something small;
    whole sweeps are better not sent between processes. No more than two parts a worker are in
    flight, so memory stays bounded here too.
    """
    work = partial(_reduced, corner, np.asarray(rack_mm, dtype=float), hold, reduce)
    with ProcessPoolExecutor(workers) as pool:
        rows = _rows(rack_mm, travel_mm, workers)
        waiting: list[Future[T]] = [pool.submit(work, r) for r in islice(rows, 2 * workers)]
        while waiting:
            yield waiting.pop(0).result()
            waiting += [pool.submit(work, r) for r in islice(rows, 1)]


def _rows(rack_mm: Array, travel_mm: Array, workers: int) -> Iterator[Array]:
    """Travel in parts of a like size, as many for each worker, so that none waits for the last."""
    travel = np.asarray(travel_mm, dtype=float)
    across = max(len(np.atleast_1d(rack_mm)), 1)
    at_once = max(1, min(max(LEAST_ROWS, POSES_A_PART // across), MOST_POSES // across))
    parts = workers * ceil(len(travel) / (workers * at_once))
    yield from (rows for rows in np.array_split(travel, max(parts, 1)) if rows.size)


def _reduced(
    corner: Corner, rack_mm: Array, hold: Hold, reduce: Callable[[CornerSweep], T], rows: Array
) -> T:
    return reduce(sweep_corner(corner, rack_mm, rows, hold))
