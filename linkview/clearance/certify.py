"""The least gap of each pair over all of rack x travel inside the limits, by branch and bound.

A cell whose middle has the gap d, and in which the gap can fall by no more than B (`drift.py`), has
no gap under d - B. That closes it when d - B is over what is asked; else it is split, down to
`domain.FINEST`. What comes out holds between poses too: lower_mm is under every gap of every pose
in the domain (the strip that is reported apart), upper_mm is a gap that was measured at a pose
inside every limit. The two are CLOSE_MM or less apart where the gap is under twice the wanted one.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from enum import Enum

import numpy as np
from numpy.typing import NDArray

from linkview.clearance.answers import GapState
from linkview.clearance.bodies import Solid
from linkview.clearance.distance import SURFACE_TOLERANCE_MM, pair_gap
from linkview.clearance.domain import FIRST_CELLS, Domain
from linkview.clearance.drift import Corners, Drift, corners_of
from linkview.geometry import Array, Flags, Index, frozen

CLOSE_MM = 0.5
# A pair for which the builder asks for no gap is looked at as closely as if he had asked for this.
UNASKED_MM = 5.0
MAP_HALVINGS = 2  # of the first cells' sides, where a map is not settled

# (pairs done, pairs in all, a pair still open)
Progress = Callable[[int, int, tuple[str, str]], None]


class Certainty(Enum):
    """What is certain about a pair."""

    CLEAR = "clear"  # nowhere under lower_mm, which is over twice the wanted gap
    BRACKETED = "bracketed"  # the least gap is between lower_mm and upper_mm
    CONTACT = "contact"  # they touch at a pose inside the limits
    UNDECIDED = "undecided"


class Patch(Enum):
    """What is known of one cell of a pair's map."""

    CLEAR = 0  # every gap in it is over the wanted one
    SHORT = 1  # the gap at its middle is under the wanted one, or they touch
    OPEN = 2  # not known to be clear
    BEYOND = 3  # outside the limits


@dataclass(frozen=True, eq=False)
class Region:
    """A map of rack x held value in cells: boxes (n, 4) rack from, to, travel from, to; kind (n,).

    gap_mm (n,): measured at the middle, NaN where it was not.
    """

    boxes: Array
    kind: Index
    gap_mm: Array


@dataclass(frozen=True, eq=False)
class Certified:
    """One pair. rack_mm, travel_mm: where upper_mm was measured, on_a, on_b (3,) there.

    lower_mm: -inf where nothing is certain. strip: the share of the domain that is left open at
    the edge of reach. measured: at how many poses the gap was measured.
    """

    pair: tuple[str, str]
    verdict: Certainty
    lower_mm: float
    upper_mm: float
    rack_mm: float
    travel_mm: float
    on_a: Array
    on_b: Array
    wanted_mm: float | None
    strip: float
    reason: str
    measured: int
    region: Region


@dataclass(frozen=True, eq=False)
class Task:
    """One pair to look at. wanted_mm: the gap asked for, or None. gap_mm, state (S, T): what the
    sweep's grid poses have shown."""

    a: Solid
    b: Solid
    wanted_mm: float | None
    gap_mm: Array
    state: NDArray[np.int8]


_NOWHERE = frozen(np.full(3, np.nan))


@dataclass(frozen=True, eq=False)
class _Known:
    """Of n cells: no gap under bound, the gap at the middle (NaN: not measured), how far it can
    fall or rise in the cell."""

    cells: Index
    bound: Array
    gap: Array
    fall: Array

    def take(self, which: Flags) -> _Known:
        return _Known(self.cells[which], self.bound[which], self.gap[which], self.fall[which])

    def joined(self, other: _Known) -> _Known:
        return _Known(
            np.concatenate([self.cells, other.cells]),
            np.concatenate([self.bound, other.bound]),
            np.concatenate([self.gap, other.gap]),
            np.concatenate([self.fall, other.fall]),
        )


@dataclass
class _Search:
    """One pair on its way. live: cells still open; cuts: how to split them.

    first: the leaves looked at first, for the map.
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
    first: _Known | None = None

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


def certify(domain: Domain, tasks: Sequence[Task], progress: Progress) -> tuple[Certified, ...]:
    """Every pair over the domain, in the order given."""
    corners = {s.name: corners_of(s) for task in tasks for s in (task.a, task.b)}
    searches = [_started(domain, task) for task in tasks]
    drift = Drift(domain.motion(domain.leaves), corners)
    for k, search in enumerate(searches):
        progress(k, len(searches), (search.a.name, search.b.name))
        _first_look(domain, search, drift)
    while going := [s for s in searches if len(s.live)]:
        progress(len(searches) - len(going), len(searches), (going[0].a.name, going[0].b.name))
        _split(domain, going)
        live = np.unique(np.concatenate([s.live for s in going]))
        drift = Drift(domain.motion(live), corners)
        for search in going:
            _look(domain, search, drift, np.searchsorted(live, search.live))
    for search in searches:
        _finer_map(domain, search, corners)
    return tuple(_answer(domain, s) for s in searches)


def _started(domain: Domain, task: Task) -> _Search:
    """A search that knows the least gap of the grid's poses inside the limits."""
    search = _Search(task.a, task.b, task.wanted_mm, domain.leaves)
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


def _first_look(domain: Domain, search: _Search, drift: Drift) -> None:
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
        gap[rows[fresh]] = _measure(domain, search, cells[rows[fresh]])
        away = drift.between(a, b, rows[mine], open_) if blocks else 0.0
        seen = gap[rows[mine]] - search.loose - away - fall[open_]
        bound[open_] = np.fmax(bound[open_], seen)
    search.first = _Known(cells, bound, gap, fall)
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


def _look(domain: Domain, search: _Search, drift: Drift, rows: Index) -> None:
    fall, sides = (x[rows] for x in drift.within(search.a, search.b))
    gap = _measure(domain, search, search.live)
    sure = np.isfinite(fall)
    _close(domain, search, sure, gap - search.loose - fall, gap, fall, sides)


def _measure(domain: Domain, search: _Search, cells: Index) -> Array:
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
    search: _Search,
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


def _split(domain: Domain, going: Sequence[_Search]) -> None:
    """Splits every open cell of every pair, all new cells solved together."""
    asked = np.concatenate([np.column_stack([s.live, s.cuts]) for s in going])
    each, back = np.unique(asked, axis=0, return_inverse=True)
    parts = domain.split(each[:, 0], each[:, 1:])
    back, start = back.reshape(-1), 0
    for search in going:
        mine = back[start : start + len(search.live)]
        start += len(search.live)
        cells = np.unique(np.concatenate([parts[k] for k in mine]))
        search.live = cells[~domain.all.out[cells]]


def _finer_map(domain: Domain, search: _Search, corners: dict[str, Corners]) -> None:
    """Splits the map's cells where it is not yet known whether the gap is kept."""
    wanted, known = search.wanted_mm or 0.0, search.first
    assert known is not None
    for _ in range(MAP_HALVINGS):
        with np.errstate(invalid="ignore"):
            astride = (known.bound < wanted) & ~(known.gap + known.fall < wanted)
        cut = astride & np.isfinite(known.fall)
        cuts = domain.can_split(known.cells[cut]).astype(np.intp)
        if search.unknown or not cut.any() or not cuts.any():
            break
        cells = np.concatenate(domain.split(known.cells[cut], cuts))
        cells = cells[~domain.all.out[cells]]
        drift = Drift(domain.motion(cells), corners)
        fall, _ = drift.within(search.a, search.b)
        gap = _measure(domain, search, cells)
        bound = np.where(np.isfinite(fall), gap - search.loose - fall, -np.inf)
        known = known.take(~cut).joined(_Known(cells, bound, gap, fall))
    search.first = known


def _answer(domain: Domain, search: _Search) -> Certified:
    lower, reason = search.lower, ""
    if search.contact:
        verdict, lower = Certainty.CONTACT, -np.inf
    elif search.unknown:
        verdict, lower, reason = Certainty.UNDECIDED, -np.inf, "; ".join(search.unknown)
    elif not np.isfinite(search.upper):
        verdict, reason = Certainty.UNDECIDED, "no pose inside the limits was measured"
    elif lower >= search.target:
        verdict = Certainty.CLEAR
    elif search.upper - lower <= CLOSE_MM + 1e-9:
        verdict = Certainty.BRACKETED
    else:
        verdict = Certainty.UNDECIDED
        reason = f"{search.left_over} cells could not be split finely enough"
    if search.strip:
        share = f"{100.0 * search.strip:.2g} % of rack x travel, at the edge of reach, is left open"
        reason = f"{reason}; {share}" if reason else share
    return Certified(
        pair=(search.a.name, search.b.name),
        verdict=verdict,
        lower_mm=min(lower, search.upper),
        upper_mm=search.upper,
        rack_mm=search.at[0],
        travel_mm=search.at[1],
        on_a=frozen(search.on[0]),
        on_b=frozen(search.on[1]),
        wanted_mm=search.wanted_mm,
        strip=search.strip,
        reason=reason,
        measured=search.measured,
        region=_region(domain, search),
    )


def _region(domain: Domain, search: _Search) -> Region:
    wanted = search.wanted_mm or 0.0
    assert search.first is not None
    bound, gap = search.first.bound, search.first.gap
    kind = np.full(len(bound), Patch.OPEN.value)
    kind[bound >= wanted] = Patch.CLEAR.value
    with np.errstate(invalid="ignore"):
        kind[(gap < wanted) | (gap <= 0.0)] = Patch.SHORT.value
    beyond = np.full(len(domain.beyond), Patch.BEYOND.value)
    return Region(
        frozen(domain.boxes(np.concatenate([search.first.cells, domain.beyond]))),
        np.concatenate([kind, beyond]),
        frozen(np.concatenate([gap, np.full(len(beyond), np.nan)])),
    )
