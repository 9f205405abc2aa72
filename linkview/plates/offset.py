"""A contour moved outward or inward by a distance, its lines and arcs staying lines and arcs.

Every edge is moved and arcs are put round the corners that open; what then lies nearer to the
contour than the distance is cut away at the crossings, and the rest is joined up again. An inward
offset can fall into several loops, or leave none.
"""

from __future__ import annotations

import cmath
import itertools
import math
from collections.abc import Iterator

from linkview.geometry import frozen
from linkview.plates.corners import from_edges, heading, shifted, trimmed
from linkview.plates.edges import SAME_MM, Arc, Edge, Line, crossings, reach
from linkview.plates.outline import Contour, edges, margin_mm

_MEETS_MM = 1e-5  # ends of kept pieces this near follow each other
_ON_IT_MM = 1e-6  # a kept piece lies this well at the distance asked for


def offset(loop: Contour, outward_mm: float) -> tuple[Contour, ...]:
    """The loops at this distance from a counter-clockwise contour; negative is inward.

    A gap of two edges that only touch at a point is kept as touching loops.
    """
    if outward_mm == 0.0:
        return (loop,)
    raw = list(_raw(loop, outward_mm))
    kept = []
    for piece in _split(raw):
        middle = piece.at(0.5) if isinstance(piece, Arc) else (piece.a + piece.b) / 2.0
        if margin_mm(loop, [middle.real, middle.imag]) >= abs(outward_mm) - _ON_IT_MM:
            kept.append(piece)
    return tuple(_merged(from_edges(chain)) for chain in _chained(kept))


def _raw(loop: Contour, d: float) -> Iterator[Edge]:
    pieces = edges(loop)
    for i, e in enumerate(pieces):
        moved = shifted(e, d)
        if moved is not None:
            yield moved
        f = pieces[(i + 1) % len(pieces)]
        corner = f.a
        n, m = (heading(g, corner) * -1j * d for g in (e, f))
        turn = cmath.phase(m / n)
        if turn * d > 1e-9:
            yield Arc(corner + n, corner + m, corner, abs(d), turn)


def _split(pieces: list[Edge]) -> Iterator[Edge]:
    boxes = [_box(e) for e in pieces]
    for i, e in enumerate(pieces):
        cuts = [e.a, e.b]
        for j, f in enumerate(pieces):
            if i == j or _apart(boxes[i], boxes[j]):
                continue
            cuts += crossings(e, f)
            cuts += [p for p in (f.a, f.b) if reach(e, p) <= SAME_MM]
        spots = sorted(cuts, key=lambda p, e=e: _along(e, p))  # type: ignore[misc]
        for a, b in itertools.pairwise(spots):
            if abs(b - a) > SAME_MM:
                yield trimmed(e, a, b)


def _along(e: Edge, p: complex) -> float:
    if isinstance(e, Line):
        return (heading(e, e.a).conjugate() * (p - e.a)).real
    turn = cmath.phase((p - e.centre) / (e.a - e.centre)) * math.copysign(1.0, e.sweep_rad)
    if turn < -SAME_MM / e.radius or (turn < 0.0 and abs(p - e.a) > 10.0 * SAME_MM):
        turn += math.tau
    if abs(p - e.b) <= SAME_MM:
        turn = abs(e.sweep_rad)
    return turn * e.radius


def _box(e: Edge) -> tuple[float, float, float, float]:
    ends = [e.a, e.b]
    if isinstance(e, Arc):
        ends += [p for q in range(4) if e.spans(p := e.centre + e.radius * 1j**q)]
    xs, ys = [p.real for p in ends], [p.imag for p in ends]
    return min(xs), min(ys), max(xs), max(ys)


def _apart(a: tuple[float, ...], b: tuple[float, ...]) -> bool:
    slack = SAME_MM
    return a[2] < b[0] - slack or b[2] < a[0] - slack or a[3] < b[1] - slack or b[3] < a[1] - slack


def _chained(pieces: list[Edge]) -> Iterator[list[Edge]]:
    left = _without_stubs(pieces)
    while left:
        chain = [left.pop(0)]
        while abs(chain[-1].b - chain[0].a) > _MEETS_MM:
            end = chain[-1].b
            near = [e for e in left if abs(e.a - end) <= _MEETS_MM]
            if not near:
                break
            chain.append(near[0])
            left.remove(near[0])
        else:
            if sum(e.length_mm for e in chain) > 1e-4:
                yield chain


def _without_stubs(pieces: list[Edge]) -> list[Edge]:
    """Without pieces that nothing leads to or from: what a nearly straight corner leaves over."""
    left = list(pieces)
    while True:
        kept = [
            e
            for e in left
            if any(abs(f.a - e.b) <= _MEETS_MM for f in left)
            and any(abs(f.b - e.a) <= _MEETS_MM for f in left)
        ]
        if len(kept) == len(left):
            return kept
        left = kept


def _merged(loop: Contour) -> Contour:
    """Neighbouring arcs of one circle and lines of one line made one again."""
    out: list[Edge] = []
    for e in edges(loop):
        if out and (one := _one(out[-1], e)) is not None:
            out[-1] = one
        else:
            out.append(e)
    if len(out) > 2 and (one := _one(out[-1], out[0])) is not None:
        out = [*out[1:-1], one]
    return from_edges(out) if len(out) > 1 else Contour(frozen(loop.points), loop.bulges)


def _one(e: Edge, f: Edge) -> Edge | None:
    if isinstance(e, Line) and isinstance(f, Line):
        turn = cmath.phase(heading(f, f.a) / heading(e, e.a))
        return Line(e.a, f.b) if abs(turn) < 1e-9 else None
    if isinstance(e, Arc) and isinstance(f, Arc):
        same = abs(e.centre - f.centre) < 1e-6 and abs(e.radius - f.radius) < 1e-6
        sweep = e.sweep_rad + f.sweep_rad
        if same and e.sweep_rad * f.sweep_rad > 0.0 and abs(sweep) < 1.5 * math.pi:
            return Arc(e.a, f.b, e.centre, e.radius, sweep)
    return None
