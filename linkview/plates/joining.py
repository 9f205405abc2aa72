"""Single edges -> closed contours: what a loose drawing needs before it means anything."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from linkview.plates.corners import from_edges
from linkview.plates.edges import Arc, Edge, Line
from linkview.plates.outline import Contour


@dataclass(frozen=True, eq=False)
class Joined:
    """Closed contours, and the chains that would not close (each end to end, as they lie)."""

    closed: tuple[Contour, ...]
    open_chains: tuple[tuple[Edge, ...], ...]


def joined(pieces: Sequence[Edge], *, within_mm: float) -> Joined:
    """Chains edges end to end wherever ends lie within a distance; each piece is used once.

    Pieces may run either way. Where several ends are near, the nearest one is taken.
    """
    left = dict(enumerate(pieces))
    grid = _Ends(pieces, within_mm)
    closed: list[Contour] = []
    broken: list[tuple[Edge, ...]] = []
    while left:
        first = next(iter(left))
        chain = [left.pop(first)]
        shut = _shut(chain, within_mm)
        for _ in range(2):
            while not shut:
                found = grid.next_after(chain[-1].b, left)
                if found is None:
                    break
                index, turned = found
                piece = left.pop(index)
                chain.append(reversed_edge(piece) if turned else piece)
                shut = _shut(chain, within_mm)
            if shut:
                break
            chain = [reversed_edge(e) for e in reversed(chain)]
        if shut:
            closed.append(_snapped(chain))
        else:
            broken.append(tuple(chain))
    return Joined(tuple(closed), tuple(broken))


def _shut(chain: Sequence[Edge], within_mm: float) -> bool:
    if len(chain) == 1 and not isinstance(chain[0], Arc):
        return False
    total = sum(e.length_mm for e in chain)
    return abs(chain[-1].b - chain[0].a) <= within_mm and total > 4.0 * within_mm


def reversed_edge(e: Edge) -> Edge:
    """The same edge travelled the other way."""
    if isinstance(e, Line):
        return Line(e.b, e.a)
    return Arc(e.b, e.a, e.centre, e.radius, -e.sweep_rad)


def _snapped(chain: Sequence[Edge]) -> Contour:
    """The contour through the pieces' first ends: every gap is closed by moving the other end."""
    return from_edges(chain)


class _Ends:
    """Ends of pieces in squares of the plane, so that near ones are found at once."""

    def __init__(self, pieces: Sequence[Edge], within_mm: float) -> None:
        self.within = within_mm
        self.cell = max(2.0 * within_mm, 1e-6)
        self.at: dict[tuple[int, int], list[tuple[int, complex, bool]]] = {}
        for i, e in enumerate(pieces):
            for p, turned in ((e.a, False), (e.b, True)):
                self.at.setdefault(self._square(p), []).append((i, p, turned))

    def _square(self, p: complex) -> tuple[int, int]:
        return round(p.real / self.cell), round(p.imag / self.cell)

    def next_after(self, p: complex, left: dict[int, Edge]) -> tuple[int, bool] | None:
        """The unused piece whose end is nearest to p, and whether it has to be turned round."""
        x, y = self._square(p)
        near = [
            (abs(q - p), i, turned)
            for dx in (-1, 0, 1)
            for dy in (-1, 0, 1)
            for i, q, turned in self.at.get((x + dx, y + dy), ())
            if i in left and abs(q - p) <= self.within
        ]
        if not near:
            return None
        _, index, turned = min(near)
        return index, turned
