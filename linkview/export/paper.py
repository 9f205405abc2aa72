"""Pages in millimetres: one full-page axes per page, so that 100 mm drawn is 100 mm in the PDF.

Arcs go to the page as cubic curves of at most 45 degrees each, which stray from the true arc by
under 5e-6 of its radius.
"""

from __future__ import annotations

import logging
import math
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import matplotlib
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.figure import Figure
from matplotlib.patches import PathPatch
from matplotlib.path import Path as Curve

from linkview.export.files import written_beside
from linkview.export.typefaces import boxes_for_unknown_letters, in_every_reader
from linkview.plates.edges import Arc
from linkview.plates.outline import Contour, edges
from linkview.units import MM_PER_INCH

A4_MM, LETTER_MM = (210.0, 297.0), (215.9, 279.4)
THIN, THICK = 0.25, 0.6  # line widths, mm
INK, BLUE, RED, GREY = "#111111", "#1c4f8f", "#c21f1f", "#8a8a8a"
POINTS_PER_MM = 72.0 / MM_PER_INCH


class Page:
    """One sheet of paper, x right and y up from its lower left corner, mm."""

    def __init__(self, width_mm: float, height_mm: float) -> None:
        self.width_mm, self.height_mm = width_mm, height_mm
        self.figure = Figure(figsize=(width_mm / MM_PER_INCH, height_mm / MM_PER_INCH))
        self.axes = self.figure.add_axes((0.0, 0.0, 1.0, 1.0))
        self.axes.set_xlim(0.0, width_mm)
        self.axes.set_ylim(0.0, height_mm)
        self.axes.axis("off")
        self._painted = 0
        self.in_every_reader = True  # whether every PDF reader has all its letters

    def _order(self) -> int:
        """What is drawn later lies on top."""
        self._painted += 1
        return self._painted

    def line(
        self,
        spots: Sequence[tuple[float, float]],
        *,
        width_mm: float = THIN,
        ink: str = INK,
        dashes: tuple[float, ...] = (),
    ) -> None:
        xs, ys = zip(*spots, strict=True)
        style: object = "-"
        if dashes:
            style = (0.0, tuple(d / width_mm for d in dashes))
        self.axes.plot(
            xs,
            ys,
            color=ink,
            linewidth=width_mm * POINTS_PER_MM,
            linestyle=style,
            solid_capstyle="butt",
            zorder=self._order(),
        )

    def loop(
        self,
        loop: Contour,
        *,
        scale: float,
        at: tuple[float, float],
        width_mm: float = THICK,
        ink: str = INK,
        fill: str = "none",
    ) -> None:
        """A contour, its own origin standing at `at`."""
        curve = curve_of(loop, scale=scale, at=at)
        patch = PathPatch(
            curve,
            edgecolor=ink,
            facecolor=fill,
            linewidth=width_mm * POINTS_PER_MM,
            joinstyle="miter",
            zorder=self._order(),
        )
        self.axes.add_patch(patch)

    def blank(self, low: tuple[float, float], high: tuple[float, float]) -> None:
        """A white rectangle over all that was drawn before."""
        xs, ys = (low[0], high[0], high[0], low[0]), (low[1], low[1], high[1], high[1])
        self.axes.fill(xs, ys, color="white", linewidth=0, zorder=self._order())

    def text(
        self,
        x: float,
        y: float,
        words: str,
        *,
        size_mm: float = 2.6,
        ink: str = INK,
        align: str = "left",
        turn_deg: float = 0.0,
        weight: str = "normal",
        backed: bool = False,
    ) -> None:
        """Words whose capitals are size_mm tall, y at their middle. backed: on white."""
        box = {"facecolor": "white", "edgecolor": "none", "pad": 0.6} if backed else None
        self.in_every_reader = self.in_every_reader and in_every_reader(words)
        self.axes.text(
            x,
            y,
            words.replace("$", r"\$"),
            fontsize=size_mm / 0.73 * POINTS_PER_MM,
            color=ink,
            ha=align,
            va="center",
            rotation=turn_deg,
            rotation_mode="anchor",
            weight=weight,
            bbox=box,
            zorder=self._order(),
        )

    def arrow(self, tip: tuple[float, float], way: tuple[float, float], ink: str = INK) -> None:
        """An arrow head of 2.5 mm that points along `way` (unit) to its tip."""
        (x, y), (u, v) = tip, way
        back = (x - 2.5 * u, y - 2.5 * v)
        spots = [
            tip,
            (back[0] - 0.45 * v, back[1] + 0.45 * u),
            (back[0] + 0.45 * v, back[1] - 0.45 * u),
        ]
        self.axes.add_patch(
            PathPatch(Curve([*spots, tip]), facecolor=ink, linewidth=0.0, zorder=self._order())
        )

    def size(
        self, a: tuple[float, float], b: tuple[float, float], words: str, *, off_mm: float
    ) -> None:
        """A dimension from a to b, its line off_mm to the right of the way from a to b."""
        length = math.dist(a, b)
        u, v = (b[0] - a[0]) / length, (b[1] - a[1]) / length
        n = (v, -u)
        p, q = ((s[0] + off_mm * n[0], s[1] + off_mm * n[1]) for s in (a, b))
        for s, end in ((a, p), (b, q)):
            self.line(
                [(s[0] + 1.5 * n[0], s[1] + 1.5 * n[1]), (end[0] + 1.5 * n[0], end[1] + 1.5 * n[1])]
            )
        self.line([p, q])
        self.arrow(p, (-u, -v))
        self.arrow(q, (u, v))
        turn = math.degrees(math.atan2(v, u))
        turn = turn - 180.0 if turn > 90.0 else turn + 180.0 if turn <= -90.0 else turn
        middle = ((p[0] + q[0]) / 2.0, (p[1] + q[1]) / 2.0)
        self.text(*middle, words, align="center", turn_deg=turn, backed=True)


def curve_of(loop: Contour, *, scale: float, at: tuple[float, float]) -> Curve:
    """The contour as a closed path of lines and cubic curves."""
    origin = complex(*at)
    pieces = edges(loop)
    spots, codes = [pieces[0].a], [Curve.MOVETO]
    for e in pieces:
        if not isinstance(e, Arc):
            spots.append(e.b)
            codes.append(Curve.LINETO)
            continue
        count = max(1, math.ceil(abs(e.sweep_rad) / (math.pi / 4.0)))
        handle = 4.0 / 3.0 * math.tan(e.sweep_rad / count / 4.0)
        for k in range(count):
            a, b = e.at(k / count), e.at((k + 1) / count)
            spots += [a + 1j * handle * (a - e.centre), b - 1j * handle * (b - e.centre), b]
            codes += [Curve.CURVE4] * 3
    spots.append(pieces[0].a)
    codes.append(Curve.CLOSEPOLY)
    placed = [origin + scale * p for p in spots]
    return Curve([(p.real, p.imag) for p in placed], codes)


@contextmanager
def steady() -> Iterator[None]:
    """Settings that make pages the same on every machine, whatever the user's own are."""
    fonts = logging.getLogger("matplotlib.font_manager")
    before = fonts.level
    # It warns when a font has a "medium" but no "normal" weight, or the other way round.
    fonts.setLevel(logging.ERROR)
    with matplotlib.rc_context(), boxes_for_unknown_letters():
        matplotlib.rcdefaults()
        matplotlib.rcParams["path.simplify"] = False
        try:
            yield
        finally:
            fonts.setLevel(before)


def write_pdf(pages: Sequence[Page], path: Path, *, title: str) -> None:
    """All pages as one PDF, whole or not at all.

    Letters that not every reader has are embedded: 0.2 s more for a paper, so only where needed.
    """
    told = {"Title": title, "Creator": "linkview", "CreationDate": None}
    plain = all(page.in_every_reader for page in pages)
    with written_beside(path) as beside, steady():
        matplotlib.rcParams["pdf.use14corefonts"] = plain
        matplotlib.rcParams["pdf.fonttype"] = 42  # text stays text
        with PdfPages(beside, metadata=told) as book:
            for page in pages:
                book.savefig(page.figure)


def write_png(page: Page, path: Path, *, dots_per_inch: int = 130) -> None:
    """One page as a picture."""
    FigureCanvasAgg(page.figure)
    with written_beside(path) as beside, steady():
        page.figure.savefig(beside, dpi=dots_per_inch, facecolor="white")
