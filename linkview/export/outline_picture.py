"""A foreign drawing on one page with its faults ringed and numbered."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from linkview.errors import CannotWrite
from linkview.export.paper import A4_MM, GREY, INK, RED, Page, write_pdf, write_png
from linkview.plates.edges import Arc, Edge
from linkview.plates.mending import Trouble

_ROOM = (15.0, 20.0, 190.0, 190.0)
MOST = 60
AMBER = "#c77700"


@dataclass(frozen=True)
class Remark:
    """One line beside the picture; at (mm of the drawing) is ringed. refused: red, else amber."""

    what: str
    at: complex | None
    refused: bool


def remarks_of(troubles: Sequence[Trouble]) -> tuple[Remark, ...]:
    """Faults of the drawing itself: all of them would send it back."""
    return tuple(Remark(t.what, t.at, True) for t in troubles)


def write_picture(
    pieces: Sequence[Edge], remarks: Sequence[Remark], path: Path, *, title: str
) -> None:
    """PNG or PDF, by the path's ending. Raises CannotWrite for any other."""
    if path.suffix.lower() not in (".png", ".pdf"):
        raise CannotWrite(f"{path}: pictures are .png or .pdf; give a name that ends so")
    page = Page(A4_MM[1], A4_MM[0])
    spots = [p for e in pieces for p in along(e)]
    left, right = min(p.real for p in spots), max(p.real for p in spots)
    low, high = min(p.imag for p in spots), max(p.imag for p in spots)
    wide, tall = _ROOM[2] - _ROOM[0], _ROOM[3] - _ROOM[1]
    scale = min(wide / max(right - left, 1e-6), tall / max(high - low, 1e-6))
    shift = complex(
        (_ROOM[0] + _ROOM[2]) / 2.0 - scale * (left + right) / 2.0,
        (_ROOM[1] + _ROOM[3]) / 2.0 - scale * (low + high) / 2.0,
    )
    for e in pieces:
        line = [shift + scale * p for p in along(e)]
        page.line([(p.real, p.imag) for p in line], width_mm=0.35)
    page.text(15.0, 200.0, title, size_mm=3.6, weight="bold")
    page.text(15.0, 12.0, f"{right - left:.2f} x {high - low:.2f} mm over all", ink=GREY)
    ringed: list[complex] = []
    for i, remark in enumerate(remarks[:MOST], start=1):
        ink = RED if remark.refused else AMBER
        page.text(196.0, 190.0 - 2.9 * i, f"{i}  {remark.what[:92]}", size_mm=1.55, ink=ink)
        if remark.at is not None:
            at = shift + scale * remark.at
            crowd = sum(abs(at - p) < 3.0 for p in ringed)
            ringed.append(at)
            _ring(page, at, str(i), ink, crowd)
    if len(remarks) > MOST:
        page.text(196.0, 12.0, f"and {len(remarks) - MOST} more in the list on screen", size_mm=1.8)
    if not remarks:
        page.text(196.0, 187.0, "nothing found that a shop would send back", size_mm=2.0, ink=INK)
    if path.suffix.lower() == ".pdf":
        write_pdf([page], path, title=title)
    else:
        write_png(page, path)


def along(e: Edge) -> list[complex]:
    """Places along an edge, near enough to draw it by straight lines."""
    if not isinstance(e, Arc):
        return [e.a, e.b]
    count = max(2, math.ceil(abs(e.sweep_rad) / math.radians(4.0)))
    return [e.at(k / count) for k in range(count + 1)]


def _ring(page: Page, at: complex, number: str, ink: str, crowd: int) -> None:
    turns = [math.radians(a) for a in range(0, 361, 10)]
    page.line(
        [(at.real + 2.2 * math.cos(a), at.imag + 2.2 * math.sin(a)) for a in turns],
        ink=ink,
        width_mm=0.35,
    )
    page.text(at.real + 2.6 + 3.2 * crowd, at.imag + 2.6, number, size_mm=1.9, ink=ink)
