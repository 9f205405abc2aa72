"""The placing sheet as pages: each welded plate's holes seen from above and from the left, with the
three tapes to them, and the numbers beside.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np

from linkview.export.paper import A4_MM, BLUE, GREY, INK, RED, Page, write_pdf
from linkview.geometry import Array
from linkview.model.parts import Side
from linkview.plates.placing import Placing
from linkview.plates.plate import CAUTIONS, Plate

# View: (what is right on paper, what is up on paper), with their signs, in the car's x, y, z.
ABOVE = ("from above, the car's front up", (1, -1.0), (0, 1.0))
FROM_LEFT = ("from the left, the car's front to the left", (0, -1.0), (2, 1.0))
_ROOMS = ((12.0, 108.0, 176.0, 196.0), (12.0, 16.0, 176.0, 98.0))


def write_placing_sheets(
    placings: Mapping[str, Mapping[Side, Sequence[Placing]]],
    plates: Mapping[str, Plate],
    path: Path,
) -> int:
    """One page for every plate and side; returns how many."""
    pages = [
        _page(name, plates[name], side, held)
        for name, sides in placings.items()
        for side, held in sides.items()
    ]
    write_pdf(pages, path, title="placing sheets")
    return len(pages)


def _page(name: str, plate: Plate, side: Side, held: Sequence[Placing]) -> Page:
    page = Page(A4_MM[1], A4_MM[0])
    page.text(12.0, 202.5, f"PLACING SHEET  {name}, {side.value} side", size_mm=4.0, weight="bold")
    for view, room in zip((ABOVE, FROM_LEFT), _ROOMS, strict=True):
        _view(page, held, view, room)
    y = 194.0
    for i, placing in enumerate(held, start=1):
        many = f" {i} of {len(held)}" if len(held) > 1 else ""
        page.text(
            182.0, y, f"hole{many}: {plate.holes[0].use}", size_mm=2.6, weight="bold", ink=RED
        )
        for tape, letter in zip(placing.tapes, "abc", strict=True):
            y -= 5.0
            page.text(182.0, y, f"{letter}  {tape.distance_mm:.1f} mm", size_mm=2.6, weight="bold")
            page.text(206.0, y, f"to {tape.to}", size_mm=2.2)
        for line in placing.words[len(placing.tapes) :]:
            y -= 4.4
            page.text(182.0, y, line, size_mm=1.9, ink=INK if "NOT FIX" not in line else RED)
        y -= 8.0
    notes = (
        "Body at ride height and level, as it was measured.",
        "A pointed plug in the hole; tape from the named point's middle to",
        "the plug's tip on the named face. Tack, measure again, then weld.",
    )
    for i, line in enumerate(notes):
        page.text(182.0, 40.0 - 4.0 * i, line, size_mm=1.9)
    for i, text in enumerate(CAUTIONS):
        for k, part in enumerate(_halves(text)):
            page.text(182.0, 24.0 - 3.0 * (2 * i + k), part, size_mm=1.5, ink=RED)
    return page


def _halves(text: str) -> tuple[str, str]:
    cut = text.rfind(" ", 0, 80)
    return text[:cut], text[cut + 1 :]


def _view(
    page: Page,
    held: Sequence[Placing],
    view: tuple[str, tuple[int, float], tuple[int, float]],
    room: tuple[float, float, float, float],
) -> None:
    words, (i, right), (j, up) = view
    spots = {f"hole {k}": p.spot for k, p in enumerate(held, start=1)}
    spots |= {tape.to: tape.at for p in held for tape in p.tapes}
    flat = {name: np.array([right * p[i], up * p[j]]) for name, p in spots.items()}
    low, high = (f(list(flat.values()), axis=0) for f in (np.min, np.max))
    span = np.maximum(high - low, 50.0)
    scale = min((room[2] - room[0] - 50.0) / span[0], (room[3] - room[1] - 16.0) / span[1])
    middle = np.array([room[0] + room[2], room[1] + room[3]]) / 2.0

    def place(p: Array) -> tuple[float, float]:
        q = middle + scale * (p - (low + high) / 2.0)
        return float(q[0]), float(q[1])

    page.text(room[0], room[3] - 1.0, words, size_mm=2.0, ink=GREY)
    for k, placing in enumerate(held, start=1):
        for tape, letter in zip(placing.tapes, "abc", strict=True):
            ends = place(flat[f"hole {k}"]), place(flat[tape.to])
            page.line(ends, ink=BLUE, width_mm=0.2)
            at = np.array(ends[0]) * 0.45 + np.array(ends[1]) * 0.55
            page.text(
                float(at[0]),
                float(at[1]),
                letter,
                size_mm=1.9,
                ink=BLUE,
                align="center",
                backed=True,
            )
    taken: list[tuple[float, float]] = []
    for name, p in flat.items():
        x, y = place(p)
        ink = RED if name.startswith("hole ") else INK
        for way in ((1.6, 1.6), (1.6, -1.6)):
            page.line([(x - way[0], y - way[1]), (x + way[0], y + way[1])], ink=ink, width_mm=0.4)
        side = -1.0 if x > middle[0] else 1.0
        label_y = y + 2.4
        while any(abs(label_y - v) < 2.9 and abs(x - u) < 30.0 for u, v in taken):
            label_y -= 3.0
        taken.append((x, label_y))
        align = "left" if side > 0.0 else "right"
        page.text(x + 2.6 * side, label_y, name, size_mm=1.9, ink=ink, align=align, backed=True)
