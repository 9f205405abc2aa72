"""The dimensioned drawing of one plate as PDF: seen on its good face, sizes from its lower left.

Every hole, slot, bend and outline corner stands in a table with its place, so that the plate can be
made from the paper alone; the tables go on over further pages where they are long.
"""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterator, Sequence, Set
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from linkview.export.bend_pages import bend_pages
from linkview.export.cut_labels import Box, Spot, beside_cut, corner_of_round, square_round
from linkview.export.paper import A4_MM, BLUE, GREY, INK, RED, Page, write_pdf
from linkview.geometry import Array
from linkview.plates.edges import Arc
from linkview.plates.outline import Contour, bounding_box, edges, sampled
from linkview.plates.plate import CAUTIONS, CurvedSlot, Hole, Opening, Plate, Slot, mass_kg
from linkview.plates.profiles import ShopProfile
from linkview.plates.verdicts import Level, Verdict, told_together

SCALES = (2.0, 1.0, 0.5, 0.4, 0.2, 0.1, 0.05)
_VIEW = (24.0, 58.0, 184.0, 192.0)  # left, low, right, high of the drawing's room, mm
_TABLE_X, _TABLE_TOP, _TABLE_LOW = 190.0, 192.0, 78.0
_ROW = 3.6
_CONTINUED_ROWS = 2 * 48
_LETTER_MM = 1.7  # a character of a name
AMBER = "#c77700"
_Cut = Hole | Slot | CurvedSlot | Opening


@dataclass(frozen=True, eq=False)
class _View:
    """Where the plate stands on the page: page = at + scale (plate)."""

    scale: float
    at: tuple[float, float]
    corner: tuple[float, float]

    def __call__(self, x: float, y: float) -> tuple[float, float]:
        return self.at[0] + self.scale * x, self.at[1] + self.scale * y

    def along(self, chain: Array) -> Array:
        """A closed chain (n, 2) of the plate, on the page, its first point again at the end."""
        return np.array(self.at) + self.scale * np.vstack([chain, chain[:1]])

    def from_corner(self, x: float, y: float) -> str:
        return f"{x - self.corner[0]:8.2f} {y - self.corner[1]:8.2f}"


def write_drawing(
    plate: Plate,
    path: Path,
    *,
    profile: ShopProfile,
    verdicts: Sequence[Verdict] = (),
    extra_notes: Sequence[str] = (),
) -> None:
    """The drawing, one PDF. verdicts: those that warn or refuse are ringed and told."""
    view = _fitted(plate)
    rows = list(_rows(plate, profile, view))
    room = int((_TABLE_TOP - _TABLE_LOW) / _ROW)
    first = Page(A4_MM[1], A4_MM[0])
    _frame(first)
    _plate_on(first, plate, view, verdicts)
    _table(first, rows[:room], _TABLE_X, _TABLE_TOP)
    _title(first, plate, profile, view)
    notes = [*plate.notes, *extra_notes, *_judged(verdicts)]
    left = _notes(first, notes)
    pages = [first, *bend_pages(plate)]
    rest = rows[room:]
    for start in range(0, len(rest), _CONTINUED_ROWS):
        pages.append(_continued(plate, rest[start : start + _CONTINUED_ROWS]))
    if left:
        pages.append(_note_page(plate, left))
    write_pdf(pages, path, title=f"{plate.name}, revision {plate.revision}")


def _fitted(plate: Plate) -> _View:
    left, low, right, high = bounding_box(plate.outline)
    wide, tall = _VIEW[2] - _VIEW[0], _VIEW[3] - _VIEW[1]
    scale = next(
        (s for s in SCALES if s * (right - left) <= wide and s * (high - low) <= tall), SCALES[-1]
    )
    middle = (_VIEW[0] + _VIEW[2]) / 2.0, (_VIEW[1] + _VIEW[3]) / 2.0
    at = middle[0] - scale * (left + right) / 2.0, middle[1] - scale * (low + high) / 2.0
    return _View(scale, at, (left, low))


def _frame(page: Page) -> None:
    w, h = page.width_mm, page.height_mm
    edge = [(7.0, 7.0), (w - 7.0, 7.0), (w - 7.0, h - 7.0), (7.0, h - 7.0), (7.0, 7.0)]
    page.line(edge, width_mm=0.4)


def _plate_on(page: Page, plate: Plate, view: _View, verdicts: Sequence[Verdict]) -> None:
    page.loop(plate.outline, scale=view.scale, at=view.at, fill="#eef1f4")
    for loop in plate.inner_loops:
        page.loop(loop, scale=view.scale, at=view.at, fill="white")
    ringed = {v.at for v in verdicts if v.at is not None and v.level is not Level.PASS}
    room = {name: _room(plate, cut, view, ringed) for name, cut in _named(plate)}
    taken = [own for own, _ in room.values()]
    edge = view.along(sampled(plate.outline, error_mm=0.1))
    few, sized = len(plate.inner_loops) <= 40, len(plate.inner_loops) <= 6
    for name, cut in _named(plate):
        x, y = view(*cut.middle)
        arm = view.scale * cut.width_mm / 2.0 + 1.6
        for a, b in (((x - arm, y), (x + arm, y)), ((x, y - arm), (x, y + arm))):
            page.line([a, b], width_mm=0.15, ink=GREY, dashes=(2.0, 0.6, 0.5, 0.6))
        if few:
            words = name + (
                f" \u00d8{cut.diameter_mm:g}" if sized and isinstance(cut, Hole) else ""
            )
            spot, align = beside_cut(*room[name], _LETTER_MM * len(words), taken, [edge])
            page.text(*spot, words, size_mm=2.2, ink=BLUE, align=align)
    for i, bend in enumerate(plate.bends, start=1):
        ends = [view(*bend.start), view(*bend.end)]
        page.line(ends, width_mm=0.35, ink=RED, dashes=(4.0, 1.0, 1.0, 1.0))
        page.text(ends[1][0] + 1.5, ends[1][1], f"B{i}", ink=RED)
    for zone in plate.fold.zones if plate.bends else ():
        x, y = view(*zone.bend.end)
        for letter, way in (("a", -4.0), ("b", 4.0)):
            u, v = way * zone.out
            page.text(x + 2.5 + u, y + v, letter, size_mm=2.2, ink=RED)
    for v in verdicts:
        if v.at is not None and v.level is not Level.PASS:
            ink = RED if v.level is Level.REFUSAL else AMBER
            _ring(page, view(*v.at), _ring_mm(plate, v.at, view.scale), ink)
    left, low, right, high = bounding_box(plate.outline)
    corners = view(left, low), view(right, low), view(right, high), view(left, high)
    wide, tall = plate.size_mm
    page.size(corners[0], corners[1], f"{wide:.1f}", off_mm=9.0)
    page.size(corners[3], corners[0], f"{tall:.1f}", off_mm=9.0)
    _datum(page, corners[0])


def _room(
    plate: Plate, cut: _Cut, view: _View, ringed: Set[tuple[float, float]]
) -> tuple[Box, Spot]:
    """The box that a cut takes on the page, its ring with it, and where a name may begin."""
    if isinstance(cut, Hole):
        rung = [at for at in ringed if math.dist(at, cut.middle) < 1e-6]
        rings = [_ring_mm(plate, at, view.scale) for at in rung]
        half = max([view.scale * cut.width_mm / 2.0, *rings])
        return square_round(view(*cut.middle), half), corner_of_round(half)
    left, low, right, high = bounding_box(cut.loop)
    own = (*view(left, low), *view(right, high))
    return own, ((own[2] - own[0]) / 2.0, (own[3] - own[1]) / 2.0)


def _datum(page: Page, at: tuple[float, float]) -> None:
    x, y = at
    page.line([(x - 4.0, y), (x + 3.0, y)], ink=RED)
    page.line([(x, y - 4.0), (x, y + 3.0)], ink=RED)
    page.text(x - 0.8, y - 2.2, "0,0", size_mm=2.0, ink=RED, align="right")


def _ring_mm(plate: Plate, at: tuple[float, float], scale: float) -> float:
    """A ring stands clear of the hole that it is drawn round."""
    at_it = [c.width_mm for _, c in _named(plate) if math.dist(c.middle, at) < 1e-6]
    return max(4.0, scale * max(at_it, default=0.0) / 2.0 + 1.6)


def _ring(page: Page, at: tuple[float, float], radius_mm: float, ink: str) -> None:
    angles = [a / 18.0 * math.pi for a in range(37)]
    spots = [(at[0] + radius_mm * math.cos(a), at[1] + radius_mm * math.sin(a)) for a in angles]
    page.line(spots, ink=ink, width_mm=0.35)


def _named(plate: Plate) -> Iterator[tuple[str, _Cut]]:
    yield from ((f"H{i}", hole) for i, hole in enumerate(plate.holes, start=1))
    yield from ((f"S{i}", cut) for i, cut in enumerate(plate.slots, start=1))


def _rows(plate: Plate, profile: ShopProfile, view: _View) -> Iterator[tuple[str, bool]]:
    """(line of the table, whether it is a heading)."""
    if plate.holes:
        yield "HOLES        x        y   diameter, use", True
        for i, hole in enumerate(plate.holes, start=1):
            size = f"{hole.diameter_mm:g}{_deviation(plate, profile, hole.diameter_mm)}"
            yield f"H{i:<4} {view.from_corner(*hole.centre)}   {size} {hole.use}", False
    if plate.slots:
        yield "SLOTS        x        y   width, use", True
        for i, cut in enumerate(plate.slots, start=1):
            yield from ((row, False) for row in _slot_rows(f"S{i}", cut, view))
    if plate.bends:
        yield "BENDS        x        y", True
        for i, bend in enumerate(plate.bends, start=1):
            yield f"B{i:<4} {view.from_corner(*bend.start)}   from", False
            yield f"      {view.from_corner(*bend.end)}   to", False
            yield f"      {bend.words}", False
    yield "OUTLINE      x        y   to the next corner", True
    yield from ((row, False) for row in _corner_rows(plate.outline, view))
    for i, cut in enumerate(plate.slots, start=1):
        if isinstance(cut, Opening):
            yield f"OPENING S{i}  x        y   to the next corner", True
            yield from ((row, False) for row in _corner_rows(cut.loop, view))


def _corner_rows(loop: Contour, view: _View) -> Iterator[str]:
    for i, e in enumerate(edges(loop), start=1):
        way = "line"
        if isinstance(e, Arc):
            sense = "out" if e.sweep_rad > 0.0 else "in"
            way = f"arc R{e.radius:.2f} {sense}, {abs(math.degrees(e.sweep_rad)):.1f} deg"
        yield f"P{i:<4} {view.from_corner(e.a.real, e.a.imag)}   {way}"


def _slot_rows(name: str, cut: Slot | CurvedSlot | Opening, view: _View) -> Iterator[str]:
    if isinstance(cut, Slot):
        yield f"{name:<5} {view.from_corner(*cut.start)}   {cut.width_mm:g} {cut.use}, from"
        yield f"      {view.from_corner(*cut.end)}   to (middles of its ends)"
    elif isinstance(cut, CurvedSlot):
        yield f"{name:<5} {view.from_corner(*cut.centre)}   {cut.width_mm:g} {cut.use}, centre"
        yield f"      R{cut.radius_mm:g}, {cut.from_deg:g} to {cut.to_deg:g} deg from x"
    else:
        left, low, right, high = bounding_box(cut.loop)
        size = f"{right - left:.2f} x {high - low:.2f}"
        yield f"{name:<5} {view.from_corner(*cut.middle)}   {size} {cut.use}, middle"


def _deviation(plate: Plate, profile: ShopProfile, nominal_mm: float) -> str:
    off = profile.deviation_mm(plate.thickness_mm, nominal_mm)
    return "" if off is None else f" \u00b1{off:g}"


def _table(page: Page, rows: Sequence[tuple[str, bool]], x: float, top: float) -> None:
    for i, (words, heading) in enumerate(rows):
        page.axes.text(
            x,
            top - i * _ROW,
            words,
            family="monospace",
            fontsize=5.9,
            va="center",
            weight="bold" if heading else "normal",
            color=INK,
        )


def _title(page: Page, plate: Plate, profile: ShopProfile, view: _View) -> None:
    left, right, low, high = 188.0, 290.0, 7.0, 74.0
    page.line([(left, low), (left, high), (right, high)], width_mm=0.4)
    scale = f"{view.scale:g}:1" if view.scale >= 1.0 else f"1:{1.0 / view.scale:g}"
    wide, tall = plate.size_mm
    lines = (
        ("material", f"{plate.material}, {plate.thickness_mm:g} mm"),
        ("quantity", f"{plate.quantity}, of which mirrored {plate.mirrored}"),
        ("check size", f"{wide:.1f} x {tall:.1f} mm{', flat' if plate.bends else ''}"),
        ("mass, area", f"{mass_kg(plate):.3f} kg, {plate.net_area_mm2 / 100.0:.1f} cm2"),
        ("cut", f"{plate.cut_length_mm:.0f} mm, {1 + len(plate.inner_loops)} pierces"),
        ("tolerance", f"{profile.tolerance_words}; drawn nominal"),
        ("good face", "as drawn; deburr the other, break edges 0.3"),
        ("revision", f"{plate.revision}      scale {scale}      lengths in mm"),
    )
    page.text(left + 3.0, high - 5.0, plate.name, size_mm=4.2, weight="bold")
    for i, (what, told) in enumerate(lines):
        y = high - 12.0 - i * 5.0
        page.text(left + 3.0, y, what, size_mm=1.9, ink=GREY)
        page.text(left + 20.0, y, told, size_mm=2.1)
    for i, words in enumerate(_wrapped("CAUTION: " + " ".join(CAUTIONS), 76)):
        page.text(left + 3.0, low + 15.0 - i * 2.7, words, size_mm=1.6, ink=RED)


def _judged(verdicts: Sequence[Verdict]) -> list[str]:
    told = {Level.WARNING: "warning", Level.REFUSAL: "REFUSED"}
    return [f"{word}: {line}" for level, word in told.items()
            for line in told_together(verdicts, level)]  # fmt: skip


def _notes(page: Page, notes: Sequence[str]) -> list[str]:
    """Notes under the drawing; returns the lines that found no room there."""
    lines = [line for note in notes for line in _wrapped("- " + note, 128)]
    room = 11
    page.line([(7.0, 48.0), (188.0, 48.0)])
    for i, line in enumerate(lines[:room]):
        page.text(10.0, 44.5 - i * 3.4, line, size_mm=1.8)
    return lines[room:]


def _continued(plate: Plate, rows: Sequence[tuple[str, bool]]) -> Page:
    page = Page(A4_MM[1], A4_MM[0])
    _frame(page)
    page.text(12.0, 200.0, f"{plate.name}, revision {plate.revision}, continued", weight="bold")
    half = _CONTINUED_ROWS // 2
    _table(page, rows[:half], 12.0, 193.0)
    _table(page, rows[half:], 150.0, 193.0)
    return page


def _note_page(plate: Plate, lines: Sequence[str]) -> Page:
    page = Page(A4_MM[1], A4_MM[0])
    _frame(page)
    page.text(12.0, 200.0, f"{plate.name}, revision {plate.revision}, notes", weight="bold")
    for i, line in enumerate(lines[:50]):
        page.text(12.0, 192.0 - i * 3.6, line, size_mm=1.9)
    if len(lines) > 50:
        page.text(12.0, 12.0, f"and {len(lines) - 50} lines more in the cut list's report")
    return page


def _wrapped(words: str, width: int) -> list[str]:
    return textwrap.wrap(words, width, subsequent_indent="  ")
