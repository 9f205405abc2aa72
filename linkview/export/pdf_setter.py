"""Each block as what flows on a PDF page, all sizes times one scale."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from html import escape
from typing import Any

from reportlab.lib.colors import HexColor
from reportlab.lib.enums import TA_RIGHT
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.lib.utils import ImageReader
from reportlab.platypus import (
    CondPageBreak,
    Flowable,
    Image,
    KeepTogether,
    ListFlowable,
    ListItem,
    PageBreak,
    Paragraph,
    Spacer,
)
from reportlab.platypus import Table as PdfTable

from linkview.export.blocks import (
    BOX,
    Block,
    Bullets,
    CautionBox,
    Column,
    Figures,
    Heading,
    NewPage,
    Para,
    Picture,
    Signatures,
    Table,
    Tone,
)
from linkview.export.pdf_flowables import Drawn, WriteIn, colour_of
from linkview.scene.colours import FADED_INK, HAIRLINE, INK

AMBER, _RED_WASH, _AMBER_WASH = HexColor("#f2b31b"), HexColor("#fdeceb"), HexColor("#fff5da")
_RED = HexColor("#b3211d")
BOX_MM = 5.0  # high, to write in by hand
_LONG = 1500  # letters: a cell that may not fit on a page goes on overleaf
_SIGN_GAP_MM = 6.0  # between the places to sign


class Setter:
    """Turns blocks into what flows on a page wide_mm of text wide, all sizes times `scale`."""

    def __init__(self, scale: float, wide_mm: float) -> None:
        self.scale, self.wide_mm = scale, wide_mm
        s = scale
        ink = colour_of(INK)
        base: dict[str, Any] = {"fontName": "Sans", "textColor": ink, "splitLongWords": 1}
        self.styles = {
            Tone.PLAIN: ParagraphStyle(
                "plain", fontSize=9.2 * s, leading=13.2 * s, spaceAfter=4 * s, **base
            ),
            Tone.NOTE: ParagraphStyle(
                "note", fontSize=7.8 * s, leading=10.8 * s, spaceAfter=4 * s,
                **{**base, "textColor": colour_of(FADED_INK)},
            ),
            Tone.LEAD: ParagraphStyle(
                "lead", fontSize=11 * s, leading=15.5 * s, spaceAfter=6 * s, **base
            ),
        }  # fmt: skip
        plain = self.styles[Tone.PLAIN]
        self.styles[Tone.BAD] = ParagraphStyle("bad", plain, textColor=_RED)
        self.styles[Tone.DOUBT] = plain
        bold = {**base, "fontName": "Sans-Bold"}
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
        """With room for the first lines of what follows: kept with a whole table, the heading
        would go over to a new page with it and leave the old one empty.
        """
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
        style = ParagraphStyle(
            "c", self.styles[Tone.NOTE], textColor=colour_of(INK), spaceAfter=1.5 * s
        )
        title = ParagraphStyle("ct", style, fontName="Sans-Bold", fontSize=9 * s, leading=12 * s)
        inside = [Paragraph(escape(block.title), title)]
        inside += [Paragraph(escape(line), style) for line in block.lines]
        frame = PdfTable([[inside]], colWidths=[self.wide_mm * mm])
        frame.setStyle([
            ("BACKGROUND", (0, 0), (-1, -1), _AMBER_WASH),
            ("LINEBEFORE", (0, 0), (0, -1), 3, AMBER),
            ("LEFTPADDING", (0, 0), (-1, -1), 8),
        ])  # fmt: skip
        return [frame, Spacer(1, 5 * s)]

    def table(self, block: Table) -> list[Flowable]:
        s = self.scale * (0.86 if block.dense else 1.0)
        total = sum(c.share for c in block.columns)
        out = PdfTable(
            self._cells(block, s),
            colWidths=[c.share / total * self.wide_mm * mm for c in block.columns],
            repeatRows=1,
            splitInRow=int(any(len(text) > _LONG for row in block.rows for text in row.cells)),
        )
        out.setStyle(_table_style(block, s))
        caption = (
            [Paragraph(escape(block.caption), self.styles[Tone.NOTE])] if block.caption else []
        )
        return [out, Spacer(1, 3 * s), *caption]

    def _cells(self, block: Table, s: float) -> list[list[Flowable]]:
        """The head and every row, sizes times s."""
        cell = ParagraphStyle("cell", self.styles[Tone.PLAIN], fontSize=8 * s, leading=10.4 * s)
        cell.spaceAfter = 0
        right = ParagraphStyle("right", cell, alignment=TA_RIGHT)
        head = ParagraphStyle(
            "head", cell, fontName="Sans-Bold", fontSize=7 * s, leading=9 * s,
            textColor=colour_of(FADED_INK),
        )  # fmt: skip
        head_right = ParagraphStyle("headr", head, alignment=TA_RIGHT)

        def set_in(column: Column, text: str) -> Flowable:
            if text == BOX:
                return WriteIn(BOX_MM * self.scale)
            return Paragraph(escape(text), right if column.right else cell)

        first = [Paragraph(escape(c.title), head_right if c.right else head) for c in block.columns]
        rows = [[set_in(c, text) for c, text in zip(block.columns, row.cells, strict=True)]
                for row in block.rows]  # fmt: skip
        return [first, *rows]

    def figures(self, block: Figures) -> list[Flowable]:
        note = self.styles[Tone.NOTE]
        room = self.wide_mm / len(block.drawings)
        drawn, words = [], []
        for drawing, caption in block.drawings:
            drawn.append(Drawn(drawing, min(self.scale, (room - 2) / drawing.width_mm)))
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
        width = self.wide_mm * mm * self.scale
        image = Image(str(block.path), width=width, height=width * high / wide)
        return [KeepTogether([image, Paragraph(escape(block.caption), self.styles[Tone.NOTE])])]

    def signatures(self, block: Signatures) -> list[Flowable]:
        note = self.styles[Tone.NOTE]
        rows: list[list[object]] = [[], [], []]
        widths: list[float] = []
        style: list[tuple[object, ...]] = []
        wide = (self.wide_mm + _SIGN_GAP_MM) / len(block.who) - _SIGN_GAP_MM
        for k, who in enumerate(block.who):
            if k:
                widths.append(_SIGN_GAP_MM * mm)
                for row in rows:
                    row.append("")
            style.append(("LINEABOVE", (len(widths), 2), (len(widths), 2), 0.7, colour_of(INK)))
            widths.append(wide * mm)
            words = (Paragraph(escape(who), note), "", Paragraph("name, signature, date", note))
            for row, cell in zip(rows, words, strict=True):
                row.append(cell)
        style += [(f"{side}PADDING", (0, 0), (-1, -1), 0) for side in ("LEFT", "RIGHT")]
        out = PdfTable(rows, colWidths=widths, rowHeights=[None, 13 * mm * self.scale, None])
        out.setStyle(style)
        return [KeepTogether([Spacer(1, 4 * mm * self.scale), out])]

    def new_page(self, _: NewPage) -> list[Flowable]:
        return [PageBreak()]


def _table_style(block: Table, s: float) -> list[tuple[object, ...]]:
    """Lines, room and washes. Rows with boxes stand close: the box itself keeps them apart."""
    boxed = any(BOX in row.cells for row in block.rows)
    above, below = (0.7, 0.9) if boxed else (2.0, 2.4)
    style: list[tuple[object, ...]] = [
        ("LINEBELOW", (0, 0), (-1, 0), 0.8, colour_of(INK)),
        ("LINEBELOW", (0, 1), (-1, -1), 0.3, colour_of(HAIRLINE)),
        ("TOPPADDING", (0, 0), (-1, -1), above * s),
        ("BOTTOMPADDING", (0, 0), (-1, -1), below * s),
        ("LEFTPADDING", (0, 0), (-1, -1), 3),
        ("RIGHTPADDING", (0, 0), (-1, -1), 3),
        ("VALIGN", (0, 0), (-1, -1), "MIDDLE"),
    ]
    for r, row in enumerate(block.rows, start=1):
        if row.tone in (Tone.BAD, Tone.DOUBT):
            wash = _RED_WASH if row.tone is Tone.BAD else _AMBER_WASH
            style.append(("BACKGROUND", (0, r), (-1, r), wash))
    return style


_SET_BY: Mapping[type, Callable[[Setter, Any], list[Flowable]]] = {
    Heading: Setter.heading,
    Para: Setter.para,
    Bullets: Setter.bullets,
    CautionBox: Setter.caution,
    Table: Setter.table,
    Figures: Setter.figures,
    Picture: Setter.picture,
    Signatures: Setter.signatures,
    NewPage: Setter.new_page,
}
