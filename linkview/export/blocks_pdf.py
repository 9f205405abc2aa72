"""Blocks set on A4 pages as PDF: numbered pages, the same head and foot on each, text as text.

The typeface is embedded, so that any name can be printed and every machine shows the same.
"""

from __future__ import annotations

import io
from functools import cache
from itertools import zip_longest
from pathlib import Path
from typing import Any

from reportlab.lib.pagesizes import A4
from reportlab.lib.units import mm
from reportlab.pdfbase.pdfmetrics import registerFont, registerFontFamily
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import BaseDocTemplate, CondPageBreak, Flowable, Frame, PageTemplate

from linkview.export.blocks import Document, Figures, Heading
from linkview.export.files import write_whole
from linkview.export.pdf_flowables import colour_of
from linkview.export.pdf_setter import AMBER, Setter
from linkview.export.typefaces import bold, regular
from linkview.scene.colours import FADED_INK, HAIRLINE

MARGIN_MM, HEAD_MM, FOOT_MM = 16.0, 14.0, 17.0
WIDE_MM = 210.0 - 2 * MARGIN_MM
_SCALES = (0.94, 0.88, 0.82, 0.76, 0.7, 0.64)  # tried in turn for a paper of one page
_MOST_PAGES = 3  # at full size: more do not fit on one, 0.64 x 0.64 of three is already 1.2


def write_pdf(path: Path, paper: Document) -> int:
    """Writes the paper and returns its number of pages.

    A paper of one page that would not fit on one at a size that can be read flows on, full size.
    """
    _typeface()
    data, pages = _set(paper, 1.0)
    if paper.one_page and 1 < pages <= _MOST_PAGES:
        for scale in _SCALES:
            smaller, count = _set(paper, scale)
            if count == 1:
                data, pages = smaller, 1
                break
    write_whole(path, data)
    return pages


@cache
def _typeface() -> None:
    for name, file in (("Sans", regular()), ("Sans-Bold", bold())):
        registerFont(TTFont(name, str(file)))
    registerFontFamily(
        "Sans", normal="Sans", bold="Sans-Bold", italic="Sans", boldItalic="Sans-Bold"
    )


def _set(paper: Document, scale: float) -> tuple[bytes, int]:
    out = io.BytesIO()
    template = BaseDocTemplate(
        out,
        pagesize=A4,
        title=paper.title,
        author="linkview",
        invariant=1,
        lang="en",
        leftMargin=MARGIN_MM * mm,
        rightMargin=MARGIN_MM * mm,
    )
    height = 297.0 - HEAD_MM - FOOT_MM - 8.0
    frame = Frame(MARGIN_MM * mm, FOOT_MM * mm, WIDE_MM * mm, height * mm, 0, 0, 0, 0, id="body")
    template.addPageTemplates(PageTemplate("page", [frame]))
    setter = Setter(scale, WIDE_MM)
    story: list[Flowable] = []
    for block, then in zip_longest(paper.blocks, paper.blocks[1:]):
        if isinstance(block, Heading) and isinstance(then, Figures):
            tallest = max(drawing.height_mm for drawing, _ in then.drawings)
            story.append(CondPageBreak((tallest + 26.0) * mm * scale))
        story += setter.flow(block) if block is not None else []
    counted: list[int] = []

    class Numbered(Canvas):  # type: ignore[misc]
        """Knows how many pages there are once all are set."""

        def __init__(self, *args: Any, **kwargs: Any) -> None:
            super().__init__(*args, **kwargs)
            self._kept: list[dict[str, Any]] = []

        def showPage(self) -> None:
            self._kept.append(dict(self.__dict__))
            self._startPage()

        def save(self) -> None:
            counted.append(len(self._kept))
            for number, kept in enumerate(self._kept, start=1):
                self.__dict__.update(kept)
                _running(self, paper, number, len(self._kept))
                super().showPage()
            super().save()

    template.build(story, canvasmaker=Numbered)
    return out.getvalue(), counted[-1]


def _running(pen: Canvas, paper: Document, number: int, count: int) -> None:
    left, right, top = MARGIN_MM * mm, (210.0 - MARGIN_MM) * mm, (297.0 - HEAD_MM) * mm
    pen.setFillColor(AMBER)
    pen.rect(0, 297 * mm - 3.2 * mm, 210 * mm, 3.2 * mm, stroke=0, fill=1)
    pen.setFillColor(colour_of(FADED_INK))
    pen.setFont("Sans", 7.4)
    room = 0.62 * (right - left)
    pen.drawString(left, top + 2.4 * mm, _cut(pen, paper.head[0], room))
    pen.drawRightString(right, top + 2.4 * mm, _cut(pen, paper.head[1], right - left - room))
    pen.setStrokeColor(colour_of(HAIRLINE))
    pen.setLineWidth(0.5)
    pen.line(left, top, right, top)
    pen.line(left, (FOOT_MM - 3.5) * mm, right, (FOOT_MM - 3.5) * mm)
    pen.drawString(left, (FOOT_MM - 7.4) * mm, _cut(pen, paper.foot[0], right - left))
    pen.drawString(left, (FOOT_MM - 11) * mm, _cut(pen, paper.foot[1], 0.8 * (right - left)))
    pen.setFont("Sans-Bold", 7.4)
    pen.drawRightString(right, (FOOT_MM - 11) * mm, f"page {number} of {count}")


def _cut(pen: Canvas, words: str, room: float) -> str:
    while len(words) > 4 and pen.stringWidth(words, "Sans", 7.4) > room:
        words = words[:-5].rstrip() + " ..."
    return words
