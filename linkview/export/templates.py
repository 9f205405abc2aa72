"""The plate at 1:1 on paper, to lay on sheet or car: a 100 mm check bar on every page, and where
the plate is larger than one page, tiles that overlap and are cut and joined on marked lines.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import Enum
from pathlib import Path

from linkview.export.paper import A4_MM, GREY, LETTER_MM, RED, Page, write_pdf
from linkview.geometry import Array
from linkview.plates.outline import bounding_box
from linkview.plates.plate import Plate

MARGIN_MM = 12.0  # what printers leave white, and room for the bar
OVERLAP_MM = 10.0
BAR_MM = 100.0


class Paper(Enum):
    """What is in the printer."""

    A4 = "A4"
    LETTER = "Letter"

    @property
    def size_mm(self) -> tuple[float, float]:
        return A4_MM if self is Paper.A4 else LETTER_MM


@dataclass(frozen=True)
class _Tile:
    """One page: its column and row, and the plate's place at its printable lower left corner."""

    column: int
    row: int
    left: float
    low: float


def write_template(plate: Plate, path: Path, *, paper: Paper = Paper.A4) -> int:
    """The template as one PDF; returns the number of pages."""
    left, low, right, high = bounding_box(plate.outline)
    tall = paper.size_mm
    flat = tall[1], tall[0]
    size = min((tall, flat), key=lambda s: _count(right - left, high - low, s))
    room = size[0] - 2.0 * MARGIN_MM, size[1] - 2.0 * MARGIN_MM - 10.0
    columns, rows = _spans(right - left, room[0]), _spans(high - low, room[1])
    step = room[0] - OVERLAP_MM, room[1] - OVERLAP_MM
    slack = [
        (n - 1) * s + r - w
        for n, s, r, w in zip((columns, rows), step, room, (right - left, high - low), strict=True)
    ]
    pages = []
    for row in range(rows):
        for column in range(columns):
            tile = _Tile(
                column,
                row,
                left - slack[0] / 2.0 + column * step[0],
                low - slack[1] / 2.0 + row * step[1],
            )
            pages.append(_page(plate, tile, size, room, (columns, rows)))
    write_pdf(pages, path, title=f"{plate.name}, 1:1 template")
    return len(pages)


def _spans(length: float, room: float) -> int:
    return 1 if length <= room else math.ceil((length - OVERLAP_MM) / (room - OVERLAP_MM))


def _count(wide: float, tall: float, size: tuple[float, float]) -> int:
    room = size[0] - 2.0 * MARGIN_MM, size[1] - 2.0 * MARGIN_MM - 10.0
    return _spans(wide, room[0]) * _spans(tall, room[1])


def _page(
    plate: Plate,
    tile: _Tile,
    size: tuple[float, float],
    room: tuple[float, float],
    count: tuple[int, int],
) -> Page:
    page = Page(*size)
    x0, y0 = MARGIN_MM, MARGIN_MM + 10.0
    at = x0 - tile.left, y0 - tile.low
    for loop in (plate.outline, *plate.inner_loops):
        page.loop(loop, scale=1.0, at=at, width_mm=0.2)
    for hole in plate.holes:
        _cross(page, hole.centre, hole.diameter_mm / 2.0 + 4.0, at)
    for slot in plate.slots:
        _cross(page, slot.middle, min(slot.width_mm / 2.0 + 4.0, 8.0), at)
    for bend in plate.bends:
        ends = [(at[0] + p[0], at[1] + p[1]) for p in (bend.start, bend.end)]
        page.line(ends, ink=RED, width_mm=0.3, dashes=(4.0, 1.0, 1.0, 1.0))
    _white_border(page, x0, y0, room)
    _cut_marks(page, tile, (x0, y0), room, count)
    _bar(page, plate, tile, size, count)
    return page


def _cross(page: Page, middle: Array, arm: float, at: tuple[float, float]) -> None:
    x, y = at[0] + middle[0], at[1] + middle[1]
    page.line([(x - arm, y), (x + arm, y)], width_mm=0.12)
    page.line([(x, y - arm), (x, y + arm)], width_mm=0.12)


def _white_border(page: Page, x0: float, y0: float, room: tuple[float, float]) -> None:
    """What lies beyond the tile belongs to the next page."""
    w, h = page.width_mm, page.height_mm
    x1, y1 = x0 + room[0], y0 + room[1]
    for a, b, c, d in ((0, 0, w, y0), (0, y1, w, h), (0, 0, x0, h), (x1, 0, w, h)):
        page.blank((a, b), (c, d))


def _cut_marks(
    page: Page,
    tile: _Tile,
    corner: tuple[float, float],
    room: tuple[float, float],
    count: tuple[int, int],
) -> None:
    """Cut this page on its left and lower joins, lay it on its neighbour's line."""
    (x0, y0), (w, h) = corner, room
    dashes = (3.0, 2.0)
    if tile.column > 0:
        page.line([(x0, y0), (x0, y0 + h)], ink=GREY, dashes=dashes)
        page.text(
            x0 + 3.0,
            y0 + h / 2.0,
            "cut here, lay on the page to the left",
            turn_deg=90.0,
            size_mm=1.8,
            ink=GREY,
        )
    if tile.row > 0:
        page.line([(x0, y0), (x0 + w, y0)], ink=GREY, dashes=dashes)
        page.text(x0 + w / 2.0, y0 + 3.0, "cut here, lay on the page below", size_mm=1.8, ink=GREY)
    if tile.column < count[0] - 1:
        x = x0 + w - OVERLAP_MM
        page.line([(x, y0), (x, y0 + h)], ink=GREY, width_mm=0.15)
        page.text(
            x + 3.0,
            y0 + h / 2.0,
            "the next page's edge lies on this line",
            turn_deg=90.0,
            size_mm=1.8,
            ink=GREY,
        )
    if tile.row < count[1] - 1:
        y = y0 + h - OVERLAP_MM
        page.line([(x0, y), (x0 + w, y)], ink=GREY, width_mm=0.15)
        page.text(
            x0 + w / 2.0,
            y + 3.0,
            "the edge of the page above lies on this line",
            size_mm=1.8,
            ink=GREY,
        )
    for x in (x0, x0 + w):
        for y in (y0, y0 + h):
            for a, b in (((x - 4.0, y), (x + 4.0, y)), ((x, y - 4.0), (x, y + 4.0))):
                page.line([a, b], width_mm=0.15)


def _bar(
    page: Page, plate: Plate, tile: _Tile, size: tuple[float, float], count: tuple[int, int]
) -> None:
    x, y = MARGIN_MM, 11.0
    page.line([(x, y), (x + BAR_MM, y)], width_mm=0.3)
    for mm in range(0, int(BAR_MM) + 1, 10):
        tall = 3.0 if mm % 50 == 0 else 1.8
        page.line([(x + mm, y), (x + mm, y + tall)], width_mm=0.2)
    page.text(x, y - 3.0, "100 mm: measure it; print at 100 %, not 'fit to page'", size_mm=2.0)
    place = f"column {tile.column + 1} of {count[0]}, row {tile.row + 1} of {count[1]}"
    where = "one page" if count == (1, 1) else place
    words = f"{plate.name}, rev {plate.revision}, {plate.thickness_mm:g} mm {plate.material}"
    page.text(size[0] - MARGIN_MM, y + 1.5, words, size_mm=2.2, align="right")
    seen = f"1:1, seen on the good face; {where}"
    page.text(size[0] - MARGIN_MM, y - 3.0, seen, size_mm=2.0, align="right")
