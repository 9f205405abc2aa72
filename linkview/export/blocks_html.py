"""Blocks as one HTML file: no script, nothing from outside, prints well."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Callable, Mapping
from html import escape
from importlib.resources import files
from pathlib import Path
from typing import Any
from urllib.parse import quote

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
    Words,
)
from linkview.export.files import write_whole
from linkview.scene.colours import Rgb


def write_html(path: Path, paper: Document, *, links: frozenset[str] = frozenset()) -> None:
    """links: words of table cells that name a file beside this one, to be followed."""
    style = (files("linkview.export") / "web" / "document.css").read_text(encoding="utf-8")
    body = "\n".join(
        _table(block, links) if isinstance(block, Table) else _SET_BY[type(block)](block)
        for block in paper.blocks
    )
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    policy = f"default-src 'none'; style-src 'sha256-{digest}'; img-src data:"
    write_whole(
        path,
        f"""<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta http-equiv="Content-Security-Policy" content="{policy}">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>{escape(paper.title)}</title>
<style>{style}</style>
</head>
<body>
<main>
<header><p>{escape(paper.head[0])}</p><p>{escape(paper.head[1])}</p></header>
{body}
<footer><p>{escape(paper.foot[0])}</p><p>{escape(paper.foot[1])}</p></footer>
</main>
</body>
</html>
""",
    )


def _heading(block: Heading) -> str:
    tag = f"h{block.level + 1}"
    return f"<{tag}>{escape(block.text)}</{tag}>"


def _para(block: Para) -> str:
    return f'<p class="{block.tone.value}">{escape(block.text)}</p>'


def _bullets(block: Bullets) -> str:
    items = "".join(f"<li>{escape(line)}</li>" for line in block.lines)
    return f'<ul class="{block.tone.value}">{items}</ul>'


def _caution(block: CautionBox) -> str:
    lines = "".join(f"<p>{escape(line)}</p>" for line in block.lines)
    return f"<aside><p><strong>{escape(block.title)}</strong></p>{lines}</aside>"


def _table(block: Table, links: frozenset[str] = frozenset()) -> str:
    head = "".join(
        f'<th scope="col"{_right(c.right)}>{escape(c.title)}</th>' for c in block.columns
    )
    rows = []
    for row in block.rows:
        cells = "".join(
            f"<td{_right(c.right)}>{_cell(text, links)}</td>"
            for c, text in zip(block.columns, row.cells, strict=True)
        )
        rows.append(f'<tr class="{row.tone.value}">{cells}</tr>')
    caption = f'<p class="note">{escape(block.caption)}</p>' if block.caption else ""
    body = "\n".join(rows)
    return (
        f'<div class="scroll"><table><thead><tr>{head}</tr></thead>\n<tbody>{body}</tbody>'
        f"</table></div>{caption}"
    )


def _cell(text: str, links: frozenset[str]) -> str:
    if text in links:
        return f'<a href="{escape(quote(text))}">{escape(text)}</a>'
    return '<span class="box"></span>' if text == BOX else escape(text)


def _right(right: bool) -> str:
    return ' class="r"' if right else ""


def _figures(block: Figures) -> str:
    items = "".join(
        f"<figure>{svg_of(drawing)}<figcaption>{escape(caption)}</figcaption></figure>"
        for drawing, caption in block.drawings
    )
    return f'<div class="pair">{items}</div>'


def _picture(block: Picture) -> str:
    data = base64.b64encode(block.path.read_bytes()).decode()
    kind = "jpeg" if block.path.suffix == ".jpg" else "png"
    return (
        f'<figure><img src="data:image/{kind};base64,{data}" alt="{escape(block.alt)}">'
        f"<figcaption>{escape(block.caption)}</figcaption></figure>"
    )


def _signatures(block: Signatures) -> str:
    items = "".join(
        f'<section><p class="note">{escape(w)}</p><div></div><p class="note">name, signature, '
        "date</p></section>"
        for w in block.who
    )
    return f'<div class="sign">{items}</div>'


def _new_page(_: NewPage) -> str:
    return '<div class="page"></div>'


def svg_of(drawing: Drawing) -> str:
    """A line drawing as an SVG element, one unit a mm."""
    high = drawing.height_mm
    marks = "".join(_mark(mark, high) for mark in drawing.marks)
    return (
        f'<svg role="img" aria-label="{escape(drawing.alt)}" '
        f'viewBox="0 0 {drawing.width_mm:g} {high:g}">{marks}</svg>'
    )


def _mark(mark: Stroke | Area | Words, high: float) -> str:
    if isinstance(mark, Words):
        anchor = {-1: "start", 0: "middle", 1: "end"}[mark.anchor]
        return (
            f'<text x="{mark.at[0]:.2f}" y="{high - mark.at[1]:.2f}" font-size="{mark.size_mm:g}" '
            f'text-anchor="{anchor}" fill="{_hex(mark.colour)}">{escape(mark.text)}</text>'
        )
    places = " ".join(f"{x:.2f},{high - y:.2f}" for x, y in mark.points)
    if isinstance(mark, Area):
        return f'<polygon points="{places}" fill="{_hex(mark.colour)}"></polygon>'
    dash = ' stroke-dasharray="1.4 0.9"' if mark.dashed else ""
    return (
        f'<polyline points="{places}" fill="none" stroke="{_hex(mark.colour)}" '
        f'stroke-width="{mark.width_mm:g}"{dash}></polyline>'
    )


def _hex(rgb: Rgb) -> str:
    return "#{:02x}{:02x}{:02x}".format(*rgb)


_SET_BY: Mapping[type[Block], Callable[[Any], str]] = {
    Heading: _heading,
    Para: _para,
    Bullets: _bullets,
    CautionBox: _caution,
    Table: _table,
    Figures: _figures,
    Picture: _picture,
    Signatures: _signatures,
    NewPage: _new_page,
}
