"""Blocks as one HTML file: no script, nothing from outside, prints well."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Callable, Mapping
from html import escape
from pathlib import Path
from typing import Any

from linkview.export.blocks import (
    BOX,
    Area,
    Block,
    Bullets,
    CautionBox,
    Drawing,
    Figures,
    Heading,
    NewPage,
    Paper,
    Para,
    Picture,
    Signatures,
    Stroke,
    Table,
    Words,
)
from linkview.export.files import write_whole
from linkview.scene.colours import Rgb

_STYLE = """
:root{--ink:#161d27;--soft:#4b5665;--line:#c5ceda}
body{font:16px/1.55 system-ui,"Segoe UI",Roboto,Helvetica,Arial,sans-serif;color:var(--ink);
margin:0;background:#eef2f7;font-variant-numeric:tabular-nums;overflow-wrap:anywhere}
main{max-width:900px;margin:0 auto;background:#fff;padding:28px 36px 48px;border-top:6px solid #f2b31b}
h1{font-size:30px;line-height:1.2;margin:6px 0}h2{font-size:21px;margin:36px 0 8px}
h3{font-size:16px;margin:22px 0 6px}p,ul{margin:8px 0}.note{color:var(--soft);font-size:14px}
.lead{font-size:18px}.bad{color:#b3211d}header p,footer p{color:var(--soft);font-size:14px;margin:2px 0}
table{border-collapse:collapse;width:100%;font-size:14px;margin:10px 0}
th{text-align:left;color:var(--soft);font-size:13px;border-bottom:2px solid var(--ink);padding:4px 6px}
td{border-bottom:1px solid var(--line);padding:4px 6px}.r{text-align:right}
tr.bad td{background:#fdeceb;color:var(--ink)}tr.doubt td{background:#fff5da}.scroll{overflow-x:auto}
.box{display:block;border:1px solid var(--ink);height:22px;min-width:60px}
aside{background:#fff5da;border-left:6px solid #f2b31b;padding:10px 16px;margin:14px 0}aside p{margin:4px 0}
figure{margin:14px 0}figure img,figure svg{width:100%;height:auto}figcaption{color:var(--soft);font-size:14px}
.pair{display:grid;grid-template-columns:repeat(auto-fit,minmax(280px,1fr));gap:0 20px}
.sign{display:grid;grid-template-columns:repeat(auto-fit,minmax(180px,1fr));gap:24px;margin-top:28px}
.sign div{border-bottom:1px solid var(--ink);height:64px}
svg text{font-family:system-ui,sans-serif}
@media print{body{background:#fff;font-size:11pt}main{max-width:none;padding:0;border:0}
h2,h3{break-after:avoid}tr,figure,aside{break-inside:avoid}.page{break-before:page}}
@media (max-width:600px){main{padding:16px}}
"""


def write_html(path: Path, paper: Paper) -> None:
    body = "\n".join(_SET_BY[type(block)](block) for block in paper.blocks)
    digest = base64.b64encode(hashlib.sha256(_STYLE.encode()).digest()).decode()
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
<style>{_STYLE}</style>
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


def _table(block: Table) -> str:
    head = "".join(
        f'<th scope="col"{_right(c.right)}>{escape(c.title)}</th>' for c in block.columns
    )
    rows = []
    for row in block.rows:
        cells = "".join(
            f"<td{_right(c.right)}>{_cell(text)}</td>"
            for c, text in zip(block.columns, row.cells, strict=True)
        )
        rows.append(f'<tr class="{row.tone.value}">{cells}</tr>')
    caption = f'<p class="note">{escape(block.caption)}</p>' if block.caption else ""
    body = "\n".join(rows)
    return (
        f'<div class="scroll"><table><thead><tr>{head}</tr></thead>\n<tbody>{body}</tbody>'
        f"</table></div>{caption}"
    )


def _cell(text: str) -> str:
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
