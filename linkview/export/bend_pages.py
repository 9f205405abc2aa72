"""The page of a bent plate's drawing that shows it bent: a section through every bend with outside
and inside dimensions, so that the bender measures what is meant.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator

import numpy as np

from linkview.export.paper import A4_MM, BLUE, GREY, INK, RED, Page
from linkview.geometry import Array
from linkview.plates.folding import Zone
from linkview.plates.legs import LegSize, leg_sizes
from linkview.plates.plate import CAUTIONS, Plate
from linkview.plates.slicing import rim

_PER_PAGE = 3  # the fourth room shows the whole part
_ROOMS = ((14.0, 108.0), (152.0, 108.0), (14.0, 26.0), (152.0, 26.0))  # lower left corners, mm
_WIDE, _TALL = 130.0, 78.0
_LONGEST = 5.0  # legs longer than this many times the bend's outside radius are drawn broken off


def bend_pages(plate: Plate) -> Iterator[Page]:
    """Nothing for a flat plate."""
    found = leg_sizes(plate) if plate.bends else ()
    for start in range(0, len(found), _PER_PAGE):
        page = Page(A4_MM[1], A4_MM[0])
        page.text(
            12.0,
            201.0,
            f"{plate.name}, revision {plate.revision}: BENT",
            size_mm=4.0,
            weight="bold",
        )
        page.text(
            12.0,
            195.0,
            f"sections square to the bend lines, good face as shown; {plate.material}, "
            f"{plate.thickness_mm:g} mm; lengths in mm; long legs drawn short",
            size_mm=2.0,
            ink=GREY,
        )
        _whole(page, plate)
        for room, (number, legs) in zip(_ROOMS, found[start : start + _PER_PAGE], strict=False):
            _section(page, plate, number, legs, room)
        for i, words in enumerate(CAUTIONS):
            page.text(12.0, 14.0 - 3.2 * i, words, size_mm=1.7, ink=RED)
        yield page


def _section(
    page: Page,
    plate: Plate,
    number: int,
    legs: tuple[LegSize, LegSize],
    room: tuple[float, float],
) -> None:
    """One bend: the first leg lies flat to the left, its good face up where it bends up."""
    bend, t = plate.bends[number], plate.thickness_mm
    turned = math.radians(abs(bend.angle_deg))
    r, longest = bend.radius_mm, _LONGEST * (bend.radius_mm + t)
    drawn = [min(leg.flat_mm, longest) for leg in legs]
    arc = np.linspace(0.0, turned, 40)
    ways = np.column_stack([np.sin(arc), 1.0 - np.cos(arc)])
    axis = np.array([0.0, r])
    along = np.array([math.cos(turned), math.sin(turned)])
    inner = _side(axis, r, ways, drawn, along)
    outer = _side(axis, r + t, ways, drawn, along)
    ring = np.concatenate([inner, outer[::-1], inner[:1]])
    low, span = ring.min(axis=0), np.ptp(ring, axis=0)
    scale = min((_WIDE - 46.0) / span[0], (_TALL - 34.0) / span[1], 4.0)
    at = np.add(room, (22.0, 17.0)) - scale * low

    def place(p: Array) -> tuple[float, float]:
        return float(at[0] + scale * p[0]), float(at[1] + scale * p[1])

    page.line([place(p) for p in ring], width_mm=0.5)
    good = "good face" if bend.angle_deg > 0.0 else "back face"
    page.text(*place(inner[0] + [0.0, 2.6 / scale]), good, size_mm=1.8, ink=GREY)
    _measured(page, place, outer, legs, turned, bend.setback_mm(t))
    words = (
        f"B{number + 1}: {bend.words}",
        f"turned {abs(bend.angle_deg):g} deg, so {180.0 - abs(bend.angle_deg):g} deg between the "
        f"legs; takes up {bend.allowance_mm(t):.2f} of the flat (k = {bend.k:g})",
        *(_told(letter, leg, bend.measured_to) for letter, leg in zip("ab", legs, strict=True)),
    )
    for i, line in enumerate(words):
        page.text(
            room[0],
            room[1] + _TALL - 3.6 * i,
            line,
            size_mm=2.1,
            weight="bold" if i == 0 else "normal",
            ink=RED if i == 0 else INK,
        )


def _whole(page: Page, plate: Plate) -> None:
    """The bent part from its front right, above: good face black, back face grey, bends red."""
    fold, half = plate.fold, plate.thickness_mm / 2.0
    away = np.array([[-0.5, math.sqrt(0.75), 0.0], [-0.5, -0.289, 0.816]])
    lines = []
    for height, ink, width in ((-half, GREY, 0.18), (half, INK, 0.4)):
        spots = fold.level(height) @ away.T
        lines += [(spots[edge], ink, width) for edge in rim(fold.sheet)]
        for zone in fold.zones:
            for s in (0.0, zone.length_mm):
                lines += [(spots[e], RED, 0.15) for e in _tangent_edges(plate, zone, s)]
    every = np.concatenate([spots for spots, _, _ in lines])
    low, span = every.min(axis=0), np.ptp(every, axis=0)
    room = _ROOMS[-1]
    scale = min((_WIDE - 20.0) / span[0], (_TALL - 14.0) / span[1], 2.0)
    at = np.add(room, (6.0, 4.0)) - scale * low
    for spots, ink, width in lines:
        page.line([tuple(at + scale * p) for p in spots], ink=ink, width_mm=width)
    words = "the whole part, good face black; legs a and b of each bend: see the flat view"
    page.text(room[0], room[1] + _TALL, words, size_mm=2.1, ink=GREY)


def _tangent_edges(plate: Plate, zone: Zone, s: float) -> Iterator[Array]:
    """The sheet's edges that lie on one tangent line of a bent piece."""
    sheet = plate.fold.sheet
    mine = sheet.triangles[plate.fold.region == -1 - zone.number]
    on = np.abs(zone.into_mm(sheet.vertices[mine]) - s) < 1e-5
    for corners, here in zip(mine[on.sum(axis=1) == 2], on[on.sum(axis=1) == 2], strict=True):
        yield corners[here]


def _told(letter: str, leg: LegSize, to: str) -> str:
    return (
        f"{letter}: OUTSIDE {leg.outside_mm:.1f} / inside {leg.inside_mm:.1f}, from {leg.end} to "
        f"the {to} ({leg.flat_mm:.1f} of it flat)"
    )


def _side(axis: Array, radius: float, ways: Array, drawn: list[float], along: Array) -> Array:
    """One face of the section: leg, arc, leg; the tangent line of the first leg is x = 0."""
    rim = axis + np.column_stack([radius * ways[:, 0], radius * (ways[:, 1] - 1.0)])
    return np.array([rim[0] - [drawn[0], 0.0], *rim, rim[-1] + drawn[1] * along])


def _measured(
    page: Page,
    place: Callable[[Array], tuple[float, float]],
    outer: Array,
    legs: tuple[LegSize, LegSize],
    turned: float,
    beyond_mm: float,
) -> None:
    """Both outside dimensions, each along its leg."""
    along = np.array([math.cos(turned), math.sin(turned)])
    first = outer[0], np.add(outer[1], (beyond_mm, 0.0))
    second = outer[-2] - beyond_mm * along, outer[-1]
    for (a, b), leg, letter in zip((first, second), legs, "ab", strict=True):
        page.size(place(a), place(b), f"{letter} {leg.outside_mm:.1f}", off_mm=7.0)
    if abs(turned - math.pi) > 0.05:
        page.line([place(first[1]), place(outer[1])], ink=BLUE, width_mm=0.15, dashes=(1.5, 1.0))
        page.line([place(second[0]), place(outer[-2])], ink=BLUE, width_mm=0.15, dashes=(1.5, 1.0))
