"""What flows on a PDF page beside words: line drawings, and frames to write in."""

from __future__ import annotations

from reportlab.lib.colors import Color
from reportlab.lib.units import mm
from reportlab.platypus import Flowable

from linkview.export.blocks import Area, Drawing, Stroke, Words
from linkview.scene.colours import INK, Rgb


def colour_of(rgb: Rgb) -> Color:
    return Color(*(c / 255 for c in rgb))


class WriteIn(Flowable):  # type: ignore[misc]
    """An empty frame as wide as its cell."""

    def __init__(self, height_mm: float) -> None:
        super().__init__()
        self.height = height_mm * mm

    def wrap(self, width: float, _: float) -> tuple[float, float]:
        self.width = width
        return width, self.height

    def draw(self) -> None:
        self.canv.setStrokeColor(colour_of(INK))
        self.canv.setLineWidth(0.6)
        self.canv.rect(0.5, 0.5, self.width - 1, self.height - 1)


class Drawn(Flowable):  # type: ignore[misc]
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
        pen.setFillColor(colour_of(mark.colour))
        pen.setFont("Sans", mark.size_mm * f)
        draw = {-1: pen.drawString, 0: pen.drawCentredString, 1: pen.drawRightString}[mark.anchor]
        draw(mark.at[0] * f, mark.at[1] * f, mark.text)

    def _path(self, mark: Stroke | Area) -> None:
        pen, f = self.canv, self.factor
        path = pen.beginPath()
        for k, (x, y) in enumerate(mark.points):
            (path.lineTo if k else path.moveTo)(x * f, y * f)
        if isinstance(mark, Stroke):
            pen.setStrokeColor(colour_of(mark.colour))
            pen.setLineWidth(mark.width_mm * f)
            pen.setDash([1.4 * f, 0.9 * f] if mark.dashed else [])
            pen.drawPath(path, stroke=1, fill=0)
            pen.setDash([])
            return
        path.close()
        pen.setFillColor(colour_of(mark.colour))
        pen.drawPath(path, stroke=0, fill=1)
