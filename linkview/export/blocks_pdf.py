"""Blocks set on A4 pages as PDF: numbered pages, the same head and foot on each, text as text.

The typeface is embedded, so that any name can be printed and every machine shows the same.
"""

from __future__ import annotations

import io
from collections.abc import Callable, Mapping
from functools import cache
from html import escape
from itertools import zip_longest
from pathlib import Path
from typing import Any

from reportlab.lib.colors import Color, HexColor
from reportlab.lib.enums import TA_RIGHT
from reportlab.lib.pagesizes import A4
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.lib.utils import ImageReader
from reportlab.pdfbase.pdfmetrics import registerFont, registerFontFamily
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import (
    BaseDocTemplate,
    CondPageBreak,
    Flowable,
    Frame,
    Image,
    KeepTogether,
    ListFlowable,
    ListItem,
    PageBreak,
    PageTemplate,
    Paragraph,
    Spacer,
)
from reportlab.platypus import Table as PdfTable

from linkview.export.blocks import (
    BOX,
    Area,
    Block,
    Bullets,
    CautionBox,
    Document,
    Drawing,
    Figures,
    Heading,
    NewPage,
    Para,
    Picture,
    Signatures,
    Stroke,
    Table,
    Tone,
    Words,
)
from linkview.export.files import write_whole
from linkview.export.typefaces import bold, regular
from linkview.scene.colours import FADED_INK, HAIRLINE, INK, Rgb

MARGIN_MM, HEAD_MM, FOOT_MM = 16.0, 14.0, 17.0
WIDE_MM = 210.0 - 2 * MARGIN_MM
_SCALES = (1.0, 0.94, 0.88, 0.82, 0.76, 0.7, 0.64)  # tried in turn for a paper of one page
_AMBER, _RED_WASH, _AMBER_WASH = HexColor("#f2b31b"), HexColor("#fdeceb"), HexColor("#fff5da")
_RED = HexColor("#b3211d")


def write_pdf(path: Path, paper: Document) -> int:
    """Writes the paper and returns its number of pages.

    A paper of one page that would not fit on one at a size that can be read flows on, full size.
    """
    _typeface()
    for scale in _SCALES if paper.one_page else (1.0,):
        data, pages = _set(paper, scale)
        if not paper.one_page or pages == 1:
            write_whole(path, data)
            return pages
    data, pages = _set(paper, 1.0)
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
    setter = _Setter(scale)
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
    pen.setFillColor(_AMBER)
    pen.rect(0, 297 * mm - 3.2 * mm, 210 * mm, 3.2 * mm, stroke=0, fill=1)
    pen.setFillColor(_of(FADED_INK))
    pen.setFont("Sans", 7.4)
    room = 0.62 * (right - left)
    pen.drawString(left, top + 2.4 * mm, _cut(pen, paper.head[0], room))
    pen.drawRightString(right, top + 2.4 * mm, _cut(pen, paper.head[1], right - left - room))
    pen.setStrokeColor(_of(HAIRLINE))
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


def _of(rgb: Rgb) -> Color:
    return Color(*(c / 255 for c in rgb))


class _Setter:
    """Turns blocks into what flows on a page, all sizes times `scale`."""

    def __init__(self, scale: float) -> None:
        self.scale = scale
        s = scale
        ink = _of(INK)
        base: dict[str, Any] = {"fontName": "Sans", "textColor": ink, "splitLongWords": 1}
        self.styles = {
            Tone.PLAIN: ParagraphStyle(
                "plain", fontSize=9.2 * s, leading=13.2 * s, spaceAfter=4 * s, **base
            ),
            Tone.NOTE: ParagraphStyle(
                "note", fontSize=7.8 * s, leading=10.8 * s, spaceAfter=4 * s,
                **{**base, "textColor": _of(FADED_INK)},
            ),
            Tone.LEAD: ParagraphStyle(
                "lead", fontSize=11 * s, leading=15.5 * s, spaceAfter=6 * s, **base
            ),
        }  # fmt: skip
        plain = self.styles[Tone.PLAIN]
        self.styles[Tone.BAD] = ParagraphStyle("bad", plain, textColor=_RED)
        self.styles[Tone.DOUBT] = plain
        bold = {**base, "fontName": "Sans-Bold", "keepWithNext": 1}
        self.headings = {
            0: ParagraphStyle("h0", fontSize=19 * s, leading=23 * s, spaceAfter=3 * s, **bold),
            1: ParagraphStyle(
                "h1", fontSize=13 * s, leading=17 * s, spaceBefore=11 * s, spaceAfter=5 * s, **bold
            ),
            2: ParagraphStyle(
                "h2", fontSize=10 * s, leading=13 * s, spaceBefore=7 * s, spaceAfter=3 * s, **bold
            ),
        }

    def flow(self, block: Block) -> list[Flowable]:
        return _SET_BY[type(block)](self, block)

    def heading(self, block: Heading) -> list[Flowable]:
        room = CondPageBreak(36 * mm * self.scale)
        return [room, Paragraph(escape(block.text), self.headings[block.level])]

    def para(self, block: Para) -> list[Flowable]:
        return [Paragraph(escape(block.text), self.styles[block.tone])]

    def bullets(self, block: Bullets) -> list[Flowable]:
        style = self.styles[block.tone]
        items = [ListItem(Paragraph(escape(t), style), leftIndent=10) for t in block.lines]
        return [ListFlowable(items, bulletType="bullet", start="–", bulletFontName="Sans",
                             bulletFontSize=8 * self.scale, leftIndent=10)]  # fmt: skip

    def caution(self, block: CautionBox) -> list[Flowable]:
        s = self.scale
        style = ParagraphStyle("c", self.styles[Tone.NOTE], textColor=_of(INK), spaceAfter=1.5 * s)
        title = ParagraphStyle("ct", style, fontName="Sans-Bold", fontSize=9 * s, leading=12 * s)
        inside = [Paragraph(escape(block.title), title)]
        inside += [Paragraph(escape(line), style) for line in block.lines]
        frame = PdfTable([[inside]], colWidths=[WIDE_MM * mm])
        frame.setStyle([
            ("BACKGROUND", (0, 0), (-1, -1), _AMBER_WASH),
            ("LINEBEFORE", (0, 0), (0, -1), 3, _AMBER),
            ("LEFTPADDING", (0, 0), (-1, -1), 8),
        ])  # fmt: skip
        return [frame, Spacer(1, 5 * s)]

    def table(self, block: Table) -> list[Flowable]:
        s = self.scale * (0.86 if block.dense else 1.0)
        cell = ParagraphStyle("cell", self.styles[Tone.PLAIN], fontSize=8 * s, leading=10.4 * s)
        cell.spaceAfter = 0
        right = ParagraphStyle("right", cell, alignment=TA_RIGHT)
        head = ParagraphStyle(
            "head", cell, fontName="Sans-Bold", fontSize=7 * s, leading=9 * s,
            textColor=_of(FADED_INK),
        )  # fmt: skip
        head_right = ParagraphStyle("headr", head, alignment=TA_RIGHT)
        total = sum(c.share for c in block.columns)
        widths = [c.share / total * WIDE_MM * mm for c in block.columns]
        rows: list[list[object]] = [
            [Paragraph(escape(c.title), head_right if c.right else head) for c in block.columns]
        ]
        style: list[tuple[object, ...]] = [
            ("LINEBELOW", (0, 0), (-1, 0), 0.8, _of(INK)),
            ("LINEBELOW", (0, 1), (-1, -1), 0.3, _of(HAIRLINE)),
            ("TOPPADDING", (0, 0), (-1, -1), 2 * s),
            ("BOTTOMPADDING", (0, 0), (-1, -1), 2.4 * s),
            ("LEFTPADDING", (0, 0), (-1, -1), 3),
            ("RIGHTPADDING", (0, 0), (-1, -1), 3),
            ("VALIGN", (0, 0), (-1, -1), "MIDDLE"),
        ]
        for r, row in enumerate(block.rows, start=1):
            cells: list[object] = []
            for column, text in zip(block.columns, row.cells, strict=True):
                if text == BOX:
                    cells.append(_WriteIn(5.2 * self.scale))
                else:
                    cells.append(Paragraph(escape(text), right if column.right else cell))
            rows.append(cells)
            if row.tone in (Tone.BAD, Tone.DOUBT):
                wash = _RED_WASH if row.tone is Tone.BAD else _AMBER_WASH
                style.append(("BACKGROUND", (0, r), (-1, r), wash))
        out = PdfTable(rows, colWidths=widths, repeatRows=1)
        out.setStyle(style)
        caption = (
            [Paragraph(escape(block.caption), self.styles[Tone.NOTE])] if block.caption else []
        )
        return [out, Spacer(1, 3 * s), *caption]

    def figures(self, block: Figures) -> list[Flowable]:
        note = self.styles[Tone.NOTE]
        room = WIDE_MM / len(block.drawings)
        drawn, words = [], []
        for drawing, caption in block.drawings:
            drawn.append(_Drawn(drawing, min(self.scale, (room - 2) / drawing.width_mm)))
            words.append(Paragraph(escape(caption), note))
        out = PdfTable([drawn, words], colWidths=[room * mm] * len(drawn))
        out.setStyle(
            [
                ("LEFTPADDING", (0, 0), (-1, -1), 0),
                ("RIGHTPADDING", (0, 0), (-1, -1), 4),
                ("RIGHTPADDING", (0, 1), (-2, 1), 14),
                ("VALIGN", (0, 1), (-1, 1), "TOP"),
            ]
        )
        return [KeepTogether([out])]

    def picture(self, block: Picture) -> list[Flowable]:
        wide, high = ImageReader(str(block.path)).getSize()
        width = WIDE_MM * mm * self.scale
        image = Image(str(block.path), width=width, height=width * high / wide)
        return [KeepTogether([image, Paragraph(escape(block.caption), self.styles[Tone.NOTE])])]

    def signatures(self, block: Signatures) -> list[Flowable]:
        note = self.styles[Tone.NOTE]
        head = [Paragraph(escape(w), note) for w in block.who]
        lines = [Paragraph("name, signature, date", note) for _ in block.who]
        out = PdfTable(
            [head, [""] * len(head), lines],
            colWidths=[WIDE_MM / len(head) * mm] * len(head),
            rowHeights=[None, 13 * mm * self.scale, None],
        )
        out.setStyle([("LINEABOVE", (k, 2), (k, 2), 0.7, _of(INK)) for k in range(len(head))])
        return [KeepTogether([Spacer(1, 4 * mm * self.scale), out])]

    def new_page(self, _: NewPage) -> list[Flowable]:
        return [PageBreak()]


class _WriteIn(Flowable):  # type: ignore[misc]
    """An empty frame as wide as its cell."""

    def __init__(self, height_mm: float) -> None:
        super().__init__()
        self.height = height_mm * mm

    def wrap(self, width: float, _: float) -> tuple[float, float]:
        self.width = width
        return width, self.height

    def draw(self) -> None:
        self.canv.setStrokeColor(_of(INK))
        self.canv.setLineWidth(0.6)
        self.canv.rect(0.5, 0.5, self.width - 1, self.height - 1)


class _Drawn(Flowable):  # type: ignore[misc]
    """A line drawing, as lines."""

    def __init__(self, drawing: Drawing, scale: float) -> None:
        super().__init__()
        self.drawing, self.factor = drawing, scale * mm

    def wrap(self, *_: float) -> tuple[float, float]:
        return self.drawing.width_mm * self.factor, self.drawing.height_mm * self.factor

    def draw(self) -> None:
        for mark in self.drawing.marks:
            if isinstance(mark, Words):
                self._words(mark)
            else:
                self._path(mark)

    def _words(self, mark: Words) -> None:
        pen, f = self.canv, self.factor
        pen.setFillColor(_of(mark.colour))
        pen.setFont("Sans", mark.size_mm * f)
        draw = {-1: pen.drawString, 0: pen.drawCentredString, 1: pen.drawRightString}[mark.anchor]
        draw(mark.at[0] * f, mark.at[1] * f, mark.text)

    def _path(self, mark: Stroke | Area) -> None:
        pen, f = self.canv, self.factor
        path = pen.beginPath()
        for k, (x, y) in enumerate(mark.points):
            (path.lineTo if k else path.moveTo)(x * f, y * f)
        if isinstance(mark, Stroke):
            pen.setStrokeColor(_of(mark.colour))
            pen.setLineWidth(mark.width_mm * f)
            pen.setDash([1.4 * f, 0.9 * f] if mark.dashed else [])
            pen.drawPath(path, stroke=1, fill=0)
            pen.setDash([])
            return
        path.close()
        pen.setFillColor(_of(mark.colour))
        pen.drawPath(path, stroke=0, fill=1)


_SET_BY: Mapping[type, Callable[[_Setter, Any], list[Flowable]]] = {
    Heading: _Setter.heading,
    Para: _Setter.para,
    Bullets: _Setter.bullets,
    CautionBox: _Setter.caution,
    Table: _Setter.table,
    Figures: _Setter.figures,
    Picture: _Setter.picture,
    Signatures: _Setter.signatures,
    NewPage: _Setter.new_page,
}
