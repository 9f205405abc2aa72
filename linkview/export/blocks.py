"""What a paper is made of, whatever it is printed on: headings, words, tables, drawings, pictures.

A report or sheet is a tuple of blocks; `blocks_pdf` sets them on pages, `blocks_html` in a browser.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum
from pathlib import Path
from typing import TypeAlias

from linkview.scene.colours import Rgb

# --- line drawings ------------------------------------------------------------------------------


@dataclass(frozen=True)
class Stroke:
    """A line through points, mm on the paper from its lower left corner."""

    points: tuple[tuple[float, float], ...]
    colour: Rgb
    width_mm: float = 0.25
    dashed: bool = False


@dataclass(frozen=True)
class Area:
    """A filled polygon."""

    points: tuple[tuple[float, float], ...]
    colour: Rgb


@dataclass(frozen=True)
class Words:
    """Text at a place, its baseline's start, middle or end there (-1, 0, +1); size in mm."""

    at: tuple[float, float]
    text: str
    size_mm: float = 2.6
    anchor: int = -1
    colour: Rgb = (0x16, 0x1D, 0x27)


Mark: TypeAlias = Stroke | Area | Words


@dataclass(frozen=True)
class Drawing:
    """Lines, areas and words on a piece of paper width x height mm. alt: the same in words."""

    width_mm: float
    height_mm: float
    marks: tuple[Mark, ...]
    alt: str


# --- blocks -------------------------------------------------------------------------------------


class Tone(Enum):
    """How a paragraph or a table's row is meant."""

    PLAIN = "plain"
    NOTE = "note"
    LEAD = "lead"
    BAD = "bad"
    DOUBT = "doubt"


@dataclass(frozen=True)
class Heading:
    text: str
    level: int = 1


@dataclass(frozen=True)
class Para:
    text: str
    tone: Tone = Tone.PLAIN


@dataclass(frozen=True)
class Bullets:
    lines: tuple[str, ...]
    tone: Tone = Tone.PLAIN


@dataclass(frozen=True)
class CautionBox:
    """Words that stay with every paper, framed."""

    title: str
    lines: tuple[str, ...]


BOX = "\u2610"  # as a cell: an empty frame to write a measured value in


@dataclass(frozen=True)
class Column:
    """share: of the table's width. right: figures line up on the right."""

    title: str
    share: float
    right: bool = False


@dataclass(frozen=True)
class Row:
    cells: tuple[str, ...]
    tone: Tone = Tone.PLAIN


@dataclass(frozen=True)
class Table:
    """dense: a smaller size, for many rows."""

    columns: tuple[Column, ...]
    rows: tuple[Row, ...]
    caption: str = ""
    dense: bool = False


@dataclass(frozen=True)
class Figures:
    """Drawings side by side, each with its caption."""

    drawings: tuple[tuple[Drawing, str], ...]


@dataclass(frozen=True)
class Picture:
    """A picture file across the page. alt: what it shows."""

    path: Path
    caption: str
    alt: str


@dataclass(frozen=True)
class Signatures:
    """A place to sign for each, with name and date."""

    who: tuple[str, ...]


@dataclass(frozen=True)
class NewPage:
    pass


Block: TypeAlias = (
    Heading | Para | Bullets | CautionBox | Table | Figures | Picture | Signatures | NewPage
)


@dataclass(frozen=True)
class Document:
    """title: of the document. head: on every page, left and right; foot: its two lines.

    one_page: to be set on a single page, smaller if need be.
    """

    title: str
    head: tuple[str, str]
    foot: tuple[str, str]
    blocks: tuple[Block, ...]
    one_page: bool = False


def rows_of(cells: Sequence[Sequence[str]], tone: Tone = Tone.PLAIN) -> tuple[Row, ...]:
    return tuple(Row(tuple(c), tone) for c in cells)
