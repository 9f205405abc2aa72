"""A loose drawing looked over and mended: what would make a shop send it back, and what of that
can be put right without changing the part by more than a stated distance.

    dropped    entities without length, entities drawn twice
    joined     ends that nearly meet
    arcs       runs of short lines that follow one arc, never further than `arcs_mm` from them
"""

from __future__ import annotations

import cmath
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

from linkview.model.wording import counted
from linkview.plates.corners import from_edges, heading
from linkview.plates.edges import SAME_MM, Arc, Edge, Line, edge, reach
from linkview.plates.joining import Joined, joined
from linkview.plates.outline import Contour, edges, faults, near_pairs

SAME_ENTITY_MM = 1e-3  # two entities this near all along are one drawn twice
FACET_MM = 0.05  # a run of lines this near to one arc was an arc once
FEWEST = 4  # short lines that make an arc: three could as well be corners
ARC_TURN_RAD = math.radians(35.0)  # a sharper turn between two lines is a corner


@dataclass(frozen=True)
class Trouble:
    """One thing a shop would send the drawing back for; at: where, mm."""

    what: str
    at: complex


@dataclass(frozen=True, eq=False)
class Mended:
    """What is left after mending, and what was done, one phrase each."""

    contours: tuple[Contour, ...]
    open_chains: tuple[tuple[Edge, ...], ...]
    done: tuple[str, ...]


def troubles(pieces: Sequence[Edge]) -> tuple[Trouble, ...]:
    """Everything wrong with the edges as drawn; nothing is changed."""
    whole = [e for e in pieces if e.length_mm > SAME_MM]
    out = [
        Trouble(f"entity of no length ({e.length_mm:.2g} mm)", e.a)
        for e in pieces
        if e.length_mm <= SAME_MM
    ]
    doubled = list(_doubles(whole))
    out += [Trouble("entity drawn twice", _middle(whole[i])) for i in doubled]
    single = [e for i, e in enumerate(whole) if i not in set(doubled)]
    out += _overlaps(single)
    found = joined(single, within_mm=SAME_MM)
    ends = [p for chain in found.open_chains for p in (chain[0].a, chain[-1].b)]
    out += _open_ends(ends)
    out += list(_crossed(found))
    chains = [*(edges(loop) for loop in found.closed), *found.open_chains]
    for chain in chains:
        runs = [arc for _, _, arc in _runs(chain, FACET_MM)]
        if runs:
            told = f"{len(runs)} arc{'s'[: len(runs) > 1]} drawn as short lines: the cut is faceted"
            out.append(Trouble(told, runs[0].at(0.5)))
    return tuple(out)


def _open_ends(ends: Sequence[complex]) -> list[Trouble]:
    out = []
    for i, p in enumerate(ends):
        others = [abs(p - q) for j, q in enumerate(ends) if j != i]
        away = min(others, default=math.inf)
        near = "no other end near" if away > 1e4 else f"the nearest other end is {away:.3g} mm off"
        out.append(Trouble(f"open end; {near}", p))
    return out


def _crossed(found: Joined) -> Iterator[Trouble]:
    for loop in found.closed:
        for text in faults(loop):
            yield Trouble(f"contour {text}", complex(*loop.points[0]))


def mended(pieces: Sequence[Edge], *, join_mm: float, arcs_mm: float) -> Mended:
    """Drops, joins and draws arcs, in that order, and says how much of each."""
    done = []
    left = [e for e in pieces if e.length_mm > SAME_MM]
    if gone := len(pieces) - len(left):
        done.append(f"{counted(gone, 'entity', 'entities')} of no length dropped")
    twice = set(_doubles(left))
    if twice:
        done.append(f"{counted(len(twice), 'entity', 'entities')} drawn twice dropped once")
    left = [e for i, e in enumerate(left) if i not in twice]
    exact = joined(left, within_mm=SAME_MM)
    found = joined(left, within_mm=max(join_mm, SAME_MM))
    if closed := len(found.closed) - len(exact.closed):
        done.append(
            f"{counted(closed, 'contour')} closed by joining ends up to {join_mm:g} mm apart"
        )
    contours = []
    arcs = 0
    for loop in found.closed:
        smooth, made = _with_arcs(loop, arcs_mm)
        arcs += made
        contours.append(smooth)
    if arcs:
        done.append(
            f"{counted(arcs, 'true arc')} in place of short lines, within {arcs_mm:g} mm of them"
        )
    return Mended(tuple(contours), found.open_chains, tuple(done))


def _middle(e: Edge) -> complex:
    return e.at(0.5) if isinstance(e, Arc) else (e.a + e.b) / 2.0


def _doubles(pieces: Sequence[Edge]) -> Iterator[int]:
    """Numbers of entities that lie all along an earlier one with the same ends."""
    seen: dict[tuple[int, int], list[Edge]] = {}
    cell = 10.0 * SAME_ENTITY_MM
    for i, e in enumerate(pieces):
        m = _middle(e)
        key = round(m.real / cell), round(m.imag / cell)
        around = [(key[0] + dx, key[1] + dy) for dx in (-1, 0, 1) for dy in (-1, 0, 1)]
        if any(_same(e, f) for k in around for f in seen.get(k, ())):
            yield i
        else:
            seen.setdefault(key, []).append(e)


def _same(e: Edge, f: Edge) -> bool:
    if abs(_middle(e) - _middle(f)) > SAME_ENTITY_MM:
        return False
    ways = ((f.a, f.b), (f.b, f.a))
    return any(max(abs(e.a - a), abs(e.b - b)) <= SAME_ENTITY_MM for a, b in ways)


def _overlaps(pieces: Sequence[Edge]) -> Iterator[Trouble]:
    """Lines that lie on each other for part of their length."""
    lines = [e for e in pieces if isinstance(e, Line)]
    boxes = [from_edges([e, Line(e.b, e.a)]) for e in lines]
    for i, j in near_pairs(boxes, SAME_ENTITY_MM) if lines else ():
        e, f = lines[i], lines[j]
        u = heading(e, e.a)
        if abs((u.conjugate() * heading(f, f.a)).imag) > 1e-4:
            continue
        spans = sorted((u.conjugate() * (p - e.a)).real for p in (f.a, f.b))
        common = min(spans[1], e.length_mm) - max(spans[0], 0.0)
        away = abs((u.conjugate() * (f.a - e.a)).imag)
        if common > 10.0 * SAME_ENTITY_MM and away <= SAME_ENTITY_MM:
            yield Trouble(f"two lines lie on each other over {common:.2f} mm", _middle(e))


def _with_arcs(loop: Contour, within_mm: float) -> tuple[Contour, int]:
    """The contour with arcs for runs of short lines, and how many."""
    pieces = list(edges(loop))
    if within_mm <= 0.0 or len(pieces) < FEWEST:
        return loop, 0
    pieces = _from_a_corner(pieces)
    runs = list(_runs(pieces, within_mm))
    out: list[Edge] = []
    at = 0
    for first, last, arc in runs:
        out += [*pieces[at:first], arc]
        at = last
    out += pieces[at:]
    return from_edges(out), len(runs)


def _from_a_corner(pieces: list[Edge]) -> list[Edge]:
    """Begun where two pieces meet most sharply, so that no arc is split by the seam."""
    turns = [
        abs(cmath.phase(heading(e, e.a) / heading(pieces[i - 1], pieces[i - 1].b)))
        for i, e in enumerate(pieces)
    ]
    start = max(range(len(pieces)), key=turns.__getitem__)
    return [*pieces[start:], *pieces[:start]]


def _runs(pieces: Sequence[Edge], within_mm: float) -> Iterator[tuple[int, int, Arc]]:
    """(first, one past the last, arc) for every run of lines that an arc stands for."""
    first = 0
    while first < len(pieces):
        best: tuple[int, Arc] | None = None
        last = first + FEWEST
        while last <= len(pieces):
            arc = _arc_over(pieces[first:last], within_mm)
            if arc is None:
                break
            best = last, arc
            last += 1
        if best is None:
            first += 1
        else:
            yield first, best[0], best[1]
            first = best[0]


def _arc_over(run: Sequence[Edge], within_mm: float) -> Arc | None:
    """The arc from end to end of a run of lines, if it stays that near to all of them."""
    if not all(isinstance(e, Line) for e in run):
        return None
    turns = [cmath.phase((f.b - f.a) / (e.b - e.a)) for e, f in pairwise(run)]
    if max(map(abs, turns)) > ARC_TURN_RAD or min(turns) * max(turns) <= 0.0:
        return None
    if sum(map(abs, turns)) > math.radians(175.0):
        return None
    a, b = run[0].a, run[-1].b
    middle = run[len(run) // 2].a
    angle = cmath.phase((b - middle) / (middle - a))
    arc = edge(a, b, math.tan(angle / 2.0))
    if not isinstance(arc, Arc):
        return None
    knots = [e.b for e in run[:-1]]
    if any(reach(arc, p) > within_mm for p in knots):
        return None
    # The arc bulges over every line by its sagitta, which has to keep within the distance too.
    longest = max(e.length_mm for e in run)
    sagitta = arc.radius - math.sqrt(max(arc.radius**2 - longest**2 / 4.0, 0.0))
    return arc if sagitta <= within_mm else None
