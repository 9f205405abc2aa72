"""Lettering and thin lines drawn over a rendered picture, smooth at its own size.

The typeface comes with a library that is always there, so every machine draws the same picture.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from linkview.export.typefaces import regular
from linkview.geometry import Array
from linkview.scene.colours import FADED_INK, HAIRLINE, INK, PAPER, SKY, Paint, Rgb
from linkview.scene.labels import leader_start

Pixels = NDArray[np.uint8]  # (height, width, 3)

LABEL_PX, _FINE = 15, 4  # letter size; label plates are drawn this many times finer
_PAD_X, _PAD_Y, _DOT = 9, 5, 9
_FACE = 0.9  # of the size asked for: this face is drawn large on its body


@dataclass(frozen=True)
class Label:
    """One call-out: its words and the colour of what it names."""

    text: str
    paint: Paint
    size_px: int = LABEL_PX


@functools.cache
def typeface(size_px: int) -> ImageFont.FreeTypeFont:
    return ImageFont.truetype(str(regular()), _FACE * size_px)


def text_width(text: str, size_px: int) -> float:
    return float(typeface(size_px).getlength(text))


def label_size(label: Label) -> tuple[int, int]:
    """Width and height of a label's plate, pixels."""
    width = text_width(label.text, label.size_px) + 2 * _PAD_X + _DOT + 7
    return int(np.ceil(width)), label.size_px + 2 * _PAD_Y + 2


@functools.lru_cache(maxsize=256)
def _plate(label: Label) -> Pixels:
    """The label's plate with its text, RGBA, two pixels of soft edge on each side."""
    width, height = label_size(label)
    big = Image.new("RGBA", ((width + 4) * _FINE, (height + 4) * _FINE), (*PAPER, 0))
    pen = ImageDraw.Draw(big)
    f = _FINE
    box = (2 * f, 2 * f, (width + 2) * f - 1, (height + 2) * f - 1)
    pen.rounded_rectangle((1 * f, 2 * f, (width + 3) * f, (height + 3.4) * f), 7 * f, (*INK, 26))
    pen.rounded_rectangle(box, 6 * f, (*PAPER, 244), (*HAIRLINE, 255), max(f * 5 // 4, 1))
    dot = _DOT * f
    left, top = (2 + _PAD_X) * f, (2 + height / 2) * f - dot / 2
    pen.ellipse((left, top, left + dot, top + dot), (*label.paint.rgb, 255), (*INK, 120), f // 2)
    small = big.resize((width + 4, height + 4), Image.Resampling.LANCZOS)
    ImageDraw.Draw(small).text(
        (2 + _PAD_X + _DOT + 7, 2 + height / 2), label.text, INK, typeface(label.size_px), "lm"
    )
    return np.array(small)


class Sheet:
    """A picture being lettered; positions in pixels from its upper left corner."""

    def __init__(self, pixels: Pixels) -> None:
        self.pixels: Pixels = np.ascontiguousarray(pixels)

    def stroke(self, a: Array, b: Array, width: float, colour: Rgb, opacity: float = 1.0) -> None:
        """A straight line with round ends and smooth edges; a dot where a = b."""
        a, b = np.asarray(a, dtype=float), np.asarray(b, dtype=float)
        reach = width / 2.0 + 1.5
        height, wide = self.pixels.shape[:2]
        low = np.floor(np.minimum(a, b) - reach).astype(int).clip(0, [wide, height])
        high = np.ceil(np.maximum(a, b) + reach).astype(int).clip(0, [wide, height])
        if (low >= high).any():
            return
        x = np.arange(low[0], high[0]) + 0.5
        y = (np.arange(low[1], high[1]) + 0.5)[:, None]
        along, squared = b - a, max(float((b - a) @ (b - a)), 1e-9)
        t = (((x - a[0]) * along[0] + (y - a[1]) * along[1]) / squared).clip(0.0, 1.0)
        off = np.hypot(x - a[0] - t * along[0], y - a[1] - t * along[1])
        cover = opacity * np.clip(width / 2.0 + 0.5 - off, 0.0, 1.0)[..., None]
        part = self.pixels[low[1] : high[1], low[0] : high[0]]
        part[:] = (part + (np.array(colour) - part) * cover + 0.5).astype(np.uint8)

    def dot(self, at: Array, radius: float, colour: Rgb, opacity: float = 1.0) -> None:
        self.stroke(at, at, 2.0 * radius, colour, opacity)

    def circle(self, at: Array, radius: float, width: float, colour: Rgb) -> None:
        turn = np.linspace(0.0, 2.0 * np.pi, 49)
        rim = np.asarray(at) + radius * np.stack([np.cos(turn), np.sin(turn)], -1)
        for a, b in pairwise(rim):
            self.stroke(a, b, width, colour)

    def leader(self, box: Array, anchor: Array, opacity: float = 1.0) -> None:
        start = leader_start(box, anchor)
        self.stroke(start, anchor, 3.4, PAPER, 0.75 * opacity)
        self.stroke(start, anchor, 1.3, INK, opacity)
        self.dot(anchor, 4.4, PAPER, opacity)
        self.dot(anchor, 3.0, INK, opacity)

    def label(self, label: Label, box: Array, opacity: float = 1.0) -> None:
        """The plate alone; box as `place_labels` gave it."""
        self.paste(_plate(label), int(box[0]) - 2, int(box[1]) - 2, opacity)

    def paste(self, tile: Pixels, left: int, top: int, opacity: float = 1.0) -> None:
        """An RGBA tile (height, width, 4) over the picture; what hangs over the edge is cut."""
        height, width = self.pixels.shape[:2]
        x0, y0 = max(left, 0), max(top, 0)
        x1, y1 = min(left + tile.shape[1], width), min(top + tile.shape[0], height)
        if x0 >= x1 or y0 >= y1:
            return
        patch = tile[y0 - top : y1 - top, x0 - left : x1 - left].astype(np.uint16)
        cover = (patch[..., 3:] * opacity).astype(np.uint16)
        under = self.pixels[y0:y1, x0:x1]
        under[:] = (under * (255 - cover) + patch[..., :3] * cover + 127) // 255

    def texts(self, lines: list[Line]) -> None:
        """Several lines at once: (at, words, size, colour, anchor)."""
        image = Image.fromarray(self.pixels)
        pen = ImageDraw.Draw(image)
        for at, words, size_px, colour, anchor in lines:
            pen.text(at, words, colour, typeface(size_px), anchor)
        self.pixels = np.array(image)

    def mist(self, box: tuple[float, float, float, float]) -> None:
        """A pale veil over a corner, so that words on it can be read; it fades out at its edges."""
        _, _, right, bottom = (int(v) for v in box)
        part = self.pixels[: bottom + 24, : right + 90]
        x = np.clip((right + 90 - np.arange(part.shape[1])) / 90.0, 0.0, 1.0)
        y = np.clip((bottom + 24 - np.arange(part.shape[0])) / 24.0, 0.0, 1.0)[:, None]
        cover = (0.8 * x * y)[..., None]
        part[:] = (part + (np.array(SKY) - part) * cover + 0.5).astype(np.uint8)

    def panel(self, box: tuple[int, int, int, int], opacity: float = 0.97) -> None:
        """A pale band with a hairline on its upper edge."""
        left, top, right, bottom = box
        part = self.pixels[top:bottom, left:right]
        part[:] = (part + (np.array(PAPER) - part.astype(float)) * opacity).astype(np.uint8)
        self.pixels[top, left:right] = HAIRLINE


@dataclass(frozen=True)
class Reading:
    """A named number on the strip: 'camber' over '-4.00°'."""

    name: str
    value: str


@dataclass(frozen=True)
class Gauge:
    """A slider showing where an input stands in its range; + to the right."""

    name: str
    value: float
    low: float
    high: float
    unit: str = "mm"


@dataclass(frozen=True)
class Caption:
    """The words on a picture. title: the car; subtitle: axle and variant; pose: what is shown."""

    title: str
    subtitle: str
    pose: str
    notes: tuple[str, ...]
    gauges: tuple[Gauge, ...] = ()
    readings: tuple[Reading, ...] = ()


STRIP_PX, GAUGE_PX, READING_PX = 98, 146.0, 92.0

# (at, words, size, colour, anchor)
Line = tuple[tuple[float, float], str, int, Rgb, str]


def strip_box(size: tuple[int, int]) -> tuple[float, float, float, float]:
    """The caption strip's box on a picture of this size."""
    return 0.0, float(size[1] - STRIP_PX), float(size[0]), float(size[1])


def title_box(caption: Caption) -> tuple[float, float, float, float]:
    """The box that title and subtitle fill."""
    wide = max(text_width(caption.title, 27), text_width(caption.subtitle, 17))
    return 24.0, 16.0, 24.0 + wide, 82.0


def write_caption(sheet: Sheet, caption: Caption) -> None:
    """Title at the top left, strip with pose, gauges, readings and notes along the bottom."""
    height, width = sheet.pixels.shape[:2]
    top = height - STRIP_PX
    sheet.panel((0, top, width, height))
    lines: list[Line] = [
        ((24, 18), caption.title, 27, INK, "la"),
        ((25, 53), fitting(caption.subtitle, 17, width - 60), 17, FADED_INK, "la"),
    ]
    at = width - 24.0
    for reading in reversed(caption.readings):
        lines.append(((at, top + 14), reading.name, 14, FADED_INK, "ra"))
        lines.append(((at, top + 35), reading.value, 21, INK, "ra"))
        at -= READING_PX
    at -= 8.0
    for gauge in reversed(caption.gauges):
        at -= GAUGE_PX
        draw_gauge(sheet, gauge, at, top, lines)
        at -= 26.0
    room = at - 24.0
    lines.append(((24, top + 12), fitting(caption.pose, 19, room), 19, INK, "la"))
    rows = [row for note in caption.notes for row in wrapped(note, 13, room)]
    for k, row in enumerate(rows[:3]):
        lines.append(((24, top + 40 + 17 * k), row, 13, FADED_INK, "la"))
    sheet.texts(lines)


def draw_gauge(
    sheet: Sheet,
    gauge: Gauge,
    left: float,
    top: float,
    lines: list[Line],
) -> None:
    """A gauge GAUGE_PX wide and 90 high; its words are added to lines."""
    wide, y = GAUGE_PX, top + 72.0
    lines.append(((left, top + 14), gauge.name, 14, FADED_INK, "la"))
    lines.append(((left + wide, top + 11), f"{signed(gauge.value, 1)} {gauge.unit}", 17, INK, "ra"))
    span = max(gauge.high - gauge.low, 1e-9)

    def place(value: float) -> Array:
        return np.array([left + wide * (value - gauge.low) / span, y - 16.0])

    sheet.stroke(place(gauge.low), place(gauge.high), 5.0, HAIRLINE)
    sheet.stroke(place(0.0), place(gauge.value), 5.0, Paint.ARM.rgb)
    tick = np.array([0.0, 6.0])
    sheet.stroke(place(0.0) - tick, place(0.0) + tick, 1.4, FADED_INK)
    sheet.dot(place(gauge.value), 7.5, PAPER)
    sheet.dot(place(gauge.value), 6.0, Paint.ARM.rgb)
    lines.append(((left, y), f"{gauge.low:+.0f}", 12, FADED_INK, "la"))
    lines.append(((left + wide, y), f"{gauge.high:+.0f}", 12, FADED_INK, "ra"))


def signed(value: float, decimals: int) -> str:
    """With its sign; never a signed zero."""
    rounded = round(value, decimals) + 0.0
    return f"{rounded:+.{decimals}f}" if rounded else f"{0:.{decimals}f}"


def wrapped(words: str, size_px: int, width: float) -> list[str]:
    """The words in lines no wider than the room for them."""
    rows: list[str] = []
    for word in words.split():
        longer = f"{rows[-1]} {word}" if rows else word
        if rows and text_width(longer, size_px) <= width:
            rows[-1] = longer
        else:
            rows.append(word)
    return rows


def fitting(words: str, size_px: int, width: float) -> str:
    """The words, cut with dots where they are wider than the room for them."""
    if text_width(words, size_px) <= width:
        return words
    cut = words
    while cut and text_width(cut + " ...", size_px) > width:
        cut = cut[:-1]
    return cut.rstrip(" ,;:") + " ..."
