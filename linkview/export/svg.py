"""A plate as SVG in true millimetres, its arcs true arcs."""

from __future__ import annotations

import math
from collections.abc import Iterator
from pathlib import Path
from xml.sax.saxutils import escape

from linkview.export.files import write_whole
from linkview.plates.edges import Arc
from linkview.plates.outline import Contour, bounding_box, edges
from linkview.plates.plate import Plate


def write_svg(plate: Plate, path: Path) -> None:
    """One group each for what is cut, marked and bent; SVG's y runs down, so y is turned over."""
    left, low, right, high = bounding_box(plate.outline)
    box = f"{_n(left)} {_n(-high)} {_n(right - left)} {_n(high - low)}"
    size = f'width="{_n(right - left)}mm" height="{_n(high - low)}mm"'
    lines = [
        '<?xml version="1.0" encoding="UTF-8"?>',
        f'<svg xmlns="http://www.w3.org/2000/svg" {size} viewBox="{box}">',
        f"<title>{escape(plate.name)}</title>",
        '<g id="CUT" fill="none" stroke="#000000" stroke-width="0.1">',
        *(f'<path d="{path_data(loop)}"/>' for loop in (plate.outline, *_slots(plate))),
        *(
            f'<circle cx="{_n(h.centre[0])}" cy="{_n(-h.centre[1])}" '
            f'r="{_n(h.diameter_mm / 2.0)}"/>'
            for h in plate.holes
        ),
        "</g>",
        '<g id="MARK" fill="none" stroke="#c00000" stroke-width="0.1">',
        *_marks(plate),
        "</g>",
        '<g id="BEND" fill="none" stroke="#0000c0" stroke-width="0.1">',
        *(_line(b.start[0], b.start[1], b.end[0], b.end[1]) for b in plate.bends),
        "</g>",
        "</svg>",
        "",
    ]
    write_whole(path, "\n".join(lines))


def _slots(plate: Plate) -> tuple[Contour, ...]:
    return tuple(slot.loop for slot in plate.slots)


def path_data(loop: Contour) -> str:
    """M, L, A and Z for one contour. Sweep flag 0 is counter-clockwise once y is turned over."""
    pieces = edges(loop)
    out = [f"M {_n(pieces[0].a.real)} {_n(-pieces[0].a.imag)}"]
    for e in pieces:
        end = f"{_n(e.b.real)} {_n(-e.b.imag)}"
        if isinstance(e, Arc):
            large = int(abs(e.sweep_rad) > math.pi)
            turn = int(e.sweep_rad < 0.0)
            out.append(f"A {_n(e.radius)} {_n(e.radius)} 0 {large} {turn} {end}")
        else:
            out.append(f"L {end}")
    return " ".join([*out, "Z"])


def _marks(plate: Plate) -> Iterator[str]:
    for cross in plate.crosses:
        x, y, arm = cross.at[0], cross.at[1], cross.size_mm / 2.0
        yield _line(x - arm, y, x + arm, y)
        yield _line(x, y - arm, x, y + arm)
    for mark in plate.texts:
        yield (
            f'<text x="{_n(mark.at[0])}" y="{_n(-mark.at[1])}" fill="#c00000" stroke="none" '
            f'font-size="{mark.height_mm / 0.73:.3f}" '
            'font-family="monospace" text-anchor="middle" dominant-baseline="central">'
            f"{escape(mark.text)}</text>"
        )


def _line(x1: float, y1: float, x2: float, y2: float) -> str:
    return f'<line x1="{_n(x1)}" y1="{_n(-y1)}" x2="{_n(x2)}" y2="{_n(-y2)}"/>'


def _n(value: float) -> str:
    return f"{value + 0.0:.6f}".rstrip("0").rstrip(".")
