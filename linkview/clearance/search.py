"""One pair on its way through the cells of a domain: what is known of each, and which stay open."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from linkview.clearance.answers import GapState
from linkview.clearance.bodies import Solid
from linkview.clearance.certified import CLOSE_MM, UNASKED_MM, Task
from linkview.clearance.distance import SURFACE_TOLERANCE_MM, pair_gap
from linkview.clearance.domain import FIRST_CELLS, Domain
from linkview.clearance.drift import Drift
from linkview.geometry import Array, Flags, Index, frozen

_NOWHERE = frozen(np.full(3, np.nan))


@dataclass(frozen=True, eq=False)
class Known:
    """Of n cells: no gap under bound, the gap at the middle (NaN: not measured), how far it can
    fall or rise in the cell."""

    cells: Index
    bound: Array
    gap: Array
    fall: Array

    def take(self, which: Flags) -> Known:
        return Known(self.cells[which], self.bound[which], self.gap[which], self.fall[which])

    def joined(self, other: Known) -> Known:
        return Known(
            np.concatenate([self.cells, other.cells]),
            np.concatenate([self.bound, other.bound]),
            np.concatenate([self.gap, other.gap]),
            np.concatenate([self.fall, other.fall]),
        )


_NOTHING = Known(np.zeros(0, dtype=np.intp), np.zeros(0), np.zeros(0), np.zeros(0))


@dataclass
class Search:
    """One pair on its way. live: cells still open; cuts: how to split them.

    known: of the leaves looked at first, halved on for the map.
    """

    a: Solid
    b: Solid
    wanted_mm: float | None
    live: Index
    cuts: Index = field(default_factory=lambda: np.zeros((0, 2), dtype=np.intp))
    lower: float = np.inf
    upper: float = np.inf
    at: tuple[float, float] = (np.nan, np.nan)
    on: tuple[Array, Array] = (_NOWHERE, _NOWHERE)
    contact: bool = False
    unknown: tuple[str, ...] = ()
    left_over: int = 0
    strip: float = 0.0
    measured: int = 0
    known: Known = field(default_factory=lambda: _NOTHING)

    @property
    def target(self) -> float:
        return 2.0 * (UNASKED_MM if self.wanted_mm is None else self.wanted_mm)

    @property
    def loose(self) -> float:
        """How far a measured gap may be over the true one, mm: the search's, and chords'."""
        return SURFACE_TOLERANCE_MM + self.a.inside_mm + self.b.inside_mm

    @property
    def asked(self) -> float:
        return min(self.upper - CLOSE_MM, self.target)

    @property
    def ended(self) -> bool:
        return self.contact or bool(self.unknown)


def started(domain: Domain, task: Task) -> Search:
    """A search that knows the least gap of the grid's poses inside the limits."""
    search = Search(task.a, task.b, task.wanted_mm, domain.leaves)
    known = domain.allowed_on_grid & (task.state != GapState.UNKNOWN)
    if not known.any():
        return search
    touch = task.state == GapState.CONTACT
    depth = np.where(touch, np.fmin(np.nan_to_num(task.gap_mm, nan=0.0), 0.0), task.gap_mm)
    i, j = np.unravel_index(np.argmin(np.where(known, depth, np.inf)), depth.shape)
    sweep = domain.sweep
    poses = {part: p[i, j][None] for part, p in sweep.poses.items()}
    found = pair_gap(task.a, task.b, poses)
    search.upper, search.on = float(depth[i, j]), (found.on_a[0], found.on_b[0])
    search.at = float(sweep.rack_mm[i]), float(sweep.travel_mm[j])
    search.contact = bool((known & (touch | (depth <= 0.0))).any())
    return search


def first_look(domain: Domain, drift: Drift, search: Search) -> None:
    """All leaves: measured at the middles of ever smaller blocks, until the rest is close by.

    What one pose shows holds for its neighbours, less how far the gap can fall on the way there.
    """
    cells = domain.leaves
    a, b = search.a, search.b
    fall, sides = drift.within(a, b)
    sure = np.isfinite(fall)
    search.strip = domain.share(cells[~sure])
    bound, gap = np.full(len(cells), -np.inf), np.full(len(cells), np.nan)
    close_at = max(search.target, search.wanted_mm or 0.0)
    for blocks in (2, 4, 8, FIRST_CELLS, 0):
        open_ = np.flatnonzero(sure & (bound < close_at))
        if not blocks:
            # Cells under the wanted gap are all measured, for the map of where it is too small.
            enough = max(search.asked, search.wanted_mm or 0.0)
            open_ = open_[(bound[open_] < enough) & np.isnan(gap[open_])]
        if not len(open_) or search.unknown:
            break
        middles, mine = _middles(domain, cells[open_], blocks)
        rows = open_[middles]
        fresh = np.isnan(gap[rows])
        gap[rows[fresh]] = measure(domain, search, cells[rows[fresh]])
        away = drift.between(a, b, rows[mine], open_) if blocks else 0.0
        seen = gap[rows[mine]] - search.loose - away - fall[open_]
        bound[open_] = np.fmax(bound[open_], seen)
    search.known = Known(cells, bound, gap, fall)
    _close(domain, search, sure, bound, gap, fall, sides)


def _middles(domain: Domain, cells: Index, blocks: int) -> tuple[Index, Index]:
    """One cell for each block of the rectangle, rows into `cells`, and each cell's block."""
    if not blocks:
        every = np.arange(len(cells))
        return every, every
    inputs = domain.inputs(cells)
    at = np.stack([inputs.rack_mm, inputs.held_mm], axis=1) - domain.low
    share = at / np.where(domain.span > 0.0, domain.span, 1.0) * blocks
    block = np.floor(share).astype(np.intp)
    off = np.square(share - block - 0.5).sum(axis=1)
    order = np.lexsort([off, block[:, 1], block[:, 0]])
    _, first, mine = np.unique(
        block[order] @ np.array([blocks + 1, 1]), return_index=True, return_inverse=True
    )
    back = np.empty(len(cells), dtype=np.intp)
    back[order] = mine
    return order[first], back


def look(domain: Domain, drift: Drift, live: Index, search: Search) -> None:
    """A pair's open cells, which are among `live`, those of the drift."""
    rows = np.searchsorted(live, search.live)
    fall, sides = (x[rows] for x in drift.within(search.a, search.b))
    gap = measure(domain, search, search.live)
    sure = np.isfinite(fall)
    _close(domain, search, sure, gap - search.loose - fall, gap, fall, sides)


def measure(domain: Domain, search: Search, cells: Index) -> Array:
    """The gaps at the middles; the least one inside the limits is kept. NaN: contact or unknown."""
    if not len(cells):
        return np.zeros(0)
    poses = {part: p[cells] for part, p in domain.all.poses.items()}
    found = pair_gap(search.a, search.b, poses)
    search.measured += len(cells)
    allowed = domain.all.allowed[cells]
    with np.errstate(invalid="ignore"):
        touch = (found.state == GapState.CONTACT) | (found.gap_mm <= 0.0)
    unknown = found.state == GapState.UNKNOWN
    if (unknown & allowed).any():
        search.unknown = found.notes or ("not measured",)
    depth = np.where(touch, np.fmin(np.nan_to_num(found.gap_mm, nan=0.0), 0.0), found.gap_mm)
    among = np.flatnonzero(allowed & ~unknown)
    if among.size:
        best = among[np.argmin(depth[among])]
        if depth[best] < search.upper:
            search.upper, search.at = float(depth[best]), domain.place(int(cells[best]))
            search.on = found.on_a[best], found.on_b[best]
        search.contact |= bool(touch[among].any())
    return np.where(unknown, -np.inf, depth)


def _close(
    domain: Domain,
    search: Search,
    sure: Flags,
    bound: Array,
    gap: Array,
    fall: Array,
    sides: Array,
) -> None:
    """Cells that are far enough are done; says how to split the others."""
    cells = search.live
    done = sure & (bound >= search.asked)
    if done.any():
        search.lower = min(search.lower, float(bound[done].min()))
    still = sure & ~done
    room = domain.can_split(cells) & (sides > 0.0)
    stuck = still & ~room.any(axis=1)
    if stuck.any():
        search.lower = min(search.lower, float(bound[stuck].min()))
        search.left_over += int(stuck.sum())
    open_ = np.flatnonzero(still & ~stuck)
    if search.ended:
        open_ = open_[:0]
    search.live = cells[open_]
    search.cuts = _cuts(gap[open_] - search.asked, fall[open_], sides[open_], room[open_])


def _cuts(spare: Array, fall: Array, sides: Array, room: Flags) -> Index:
    """How often to halve each side (n, 2), to bring the fall under what there is to spare.

    The side that does more is halved first; at most four halvings at once.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        wanted = np.where(spare > 0.0, 2.0 * np.log2(np.maximum(fall / spare, 1.0)), 2.0)
    many = np.clip(np.ceil(np.nan_to_num(wanted, nan=2.0)), 1, 4)
    cuts, size = np.zeros(sides.shape, dtype=np.intp), np.where(room, sides, -1.0)
    rows = np.arange(len(cuts))
    for k in range(4):
        side = np.argmax(size, axis=1)
        more = many > k
        cuts[rows, side] += more
        size[rows, side] *= np.where(more, 0.5, 1.0)
    return cuts
