"""The least gap of each pair over all of rack x travel inside the limits, by branch and bound.

A cell whose middle has the gap d, and in which the gap can fall by no more than B (`drift.py`), has
no gap under d - B. That closes it when d - B is over what is asked; else it is split, down to
`domain.FINEST`. What comes out holds between poses too: lower_mm is under every gap of every pose
in the domain (the strip that is reported apart), upper_mm is a gap that was measured at a pose
inside every limit. The two are CLOSE_MM or less apart where the gap is under twice the wanted one.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from linkview.clearance.certified import CLOSE_MM, Certainty, Certified, Patch, Region, Task
from linkview.clearance.domain import Domain
from linkview.clearance.drift import Corners, Drift, corners_of
from linkview.clearance.search import Known, Search, first_look, look, measure, started
from linkview.geometry import Index, frozen

MAP_HALVINGS = 3  # of the first cells' sides, where a map is not settled

# (pairs done, pairs in all, a pair still open)
Progress = Callable[[int, int, tuple[str, str]], None]


def certify(
    domain: Domain,
    tasks: Sequence[Task],
    progress: Progress,
    heard: Callable[[int, Certified], None] | None = None,
) -> tuple[Certified, ...]:
    """Every pair over the domain, in the order given.

    heard: called with a task's place and its answer as soon as that is there.
    """
    answers: dict[int, Certified] = {}

    def answer_those_done() -> None:
        done = [k for k, s in enumerate(searches) if k not in answers and not len(s.live)]
        for _ in range(MAP_HALVINGS):
            _finer_maps(domain, [searches[k] for k in done], corners)
        for k in done:
            answers[k] = _answer(domain, searches[k])
            if heard is not None:
                heard(k, answers[k])

    corners = {s.name: corners_of(s) for task in tasks for s in (task.a, task.b)}
    searches = [started(domain, task) for task in tasks]
    drift = Drift(domain.motion(domain.leaves), corners)
    for k, search in enumerate(searches):
        progress(k, len(searches), (search.a.name, search.b.name))
        first_look(domain, drift, search)
    answer_those_done()
    while going := [s for s in searches if len(s.live)]:
        progress(len(searches) - len(going), len(searches), (going[0].a.name, going[0].b.name))
        _split(domain, going)
        live = np.unique(np.concatenate([s.live for s in going]))
        drift = Drift(domain.motion(live), corners)
        for search in going:
            look(domain, drift, live, search)
        answer_those_done()
    return tuple(answers[k] for k in range(len(searches)))


def _split(domain: Domain, going: Sequence[Search]) -> None:
    """Splits every open cell of every pair, all new cells solved together."""
    for search, cells in zip(going, _parts(domain, [(s.live, s.cuts) for s in going]), strict=True):
        search.live = cells


def _parts(domain: Domain, asked: Sequence[tuple[Index, Index]]) -> list[Index]:
    """For each list of cells and their cuts the parts that are not out, each once."""
    every = np.concatenate([np.column_stack(cells_and_cuts) for cells_and_cuts in asked])
    each, back = np.unique(every, axis=0, return_inverse=True)
    parts = domain.split(each[:, 0], each[:, 1:])
    ends = np.cumsum([len(cells) for cells, _ in asked])[:-1]
    out = []
    for mine in np.split(back.reshape(-1), ends):
        cells = np.unique(np.concatenate([parts[k] for k in mine]))
        out.append(cells[~domain.all.out[cells]])
    return out


def _finer_maps(domain: Domain, searches: Sequence[Search], corners: dict[str, Corners]) -> None:
    """Halves the maps' cells where it is not yet known whether the gap is kept."""
    going, cut, asked = [], [], []
    for search in searches:
        wanted, known = search.wanted_mm or 0.0, search.known
        with np.errstate(invalid="ignore"):
            astride = (known.bound < wanted) & ~(known.gap + known.fall < wanted)
        mine = astride & np.isfinite(known.fall)
        cuts = domain.can_split(known.cells[mine]).astype(np.intp)
        if not search.unknown and cuts.any():
            going.append(search)
            cut.append(mine)
            asked.append((known.cells[mine], cuts))
    if not going:
        return
    parts = _parts(domain, asked)
    live = np.unique(np.concatenate(parts))
    drift = Drift(domain.motion(live), corners)
    for search, mine, cells in zip(going, cut, parts, strict=True):
        fall = drift.within(search.a, search.b)[0][np.searchsorted(live, cells)]
        gap = measure(domain, search, cells)
        bound = np.where(np.isfinite(fall), gap - search.loose - fall, -np.inf)
        search.known = search.known.take(~mine).joined(Known(cells, bound, gap, fall))


def _answer(domain: Domain, search: Search) -> Certified:
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


def _region(domain: Domain, search: Search) -> Region:
    wanted = search.wanted_mm or 0.0
    bound, gap = search.known.bound, search.known.gap
    kind = np.full(len(bound), Patch.OPEN.value)
    kind[bound >= wanted] = Patch.CLEAR.value
    with np.errstate(invalid="ignore"):
        kind[(gap < wanted) | (gap <= 0.0)] = Patch.SHORT.value
    beyond = np.full(len(domain.beyond), Patch.BEYOND.value)
    return Region(
        frozen(domain.boxes(np.concatenate([search.known.cells, domain.beyond]))),
        np.concatenate([kind, beyond]),
        frozen(np.concatenate([gap, np.full(len(beyond), np.nan)])),
    )
