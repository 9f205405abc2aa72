"""Room for lettering on a plate: where a line of text lies on metal, clear of every cut."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from linkview.geometry import Array, frozen
from linkview.plates.edges import gap
from linkview.plates.outline import Contour, bounding_box, contains, edges, edges_near, polygon
from linkview.plates.plate import TextMark

# Tried from the tallest; under 2.5 mm a marking head no longer writes legibly (common practice).
NAME_HEIGHTS_MM = (5.0, 4.0, 3.0, 2.5)
SIZE_HEIGHTS_MM = (3.0, 2.5)
CLEAR_MM = 1.5
# Width of one letter over its height: the widest plain machine lettering, so an upper bound.
LETTER_WIDTH = 1.0
_GRID_MM = 3.0


def text_box(mark: TextMark) -> Contour:
    """The rectangle a line of text can take up."""
    half = np.array([len(mark.text) * LETTER_WIDTH, 1.0]) * mark.height_mm / 2.0
    corners = np.array([[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]])
    return polygon(mark.at + corners * half)


def place_text(
    text: str,
    wish: Array,
    heights_mm: Sequence[float],
    outline: Contour,
    cuts: Sequence[Contour],
    *,
    taken: Sequence[TextMark] = (),
) -> TextMark | None:
    """The first of the heights that fits, as near to the wished place (2,) as it will go.

    cuts: loops to keep clear of; taken: lines already placed. None where nothing fits.
    """
    blocked = [*cuts, *(text_box(mark) for mark in taken)]
    boxes = np.array([bounding_box(loop) for loop in blocked]).reshape(-1, 4)
    for height in heights_mm:
        for at in _places(wish, outline):
            mark = TextMark(text, frozen(at), height)
            half = np.array([len(text) * LETTER_WIDTH, 1.0]) * height / 2.0 + CLEAR_MM
            near = (boxes[:, :2] <= at + half).all(axis=1) & (boxes[:, 2:] >= at - half).all(axis=1)
            # Only loops whose box meets the lettering's can be too near to it.
            if _on_metal(mark, outline, [outline, *(blocked[i] for i in np.flatnonzero(near))]):
                return mark
    return None


def _places(wish: Array, outline: Contour) -> Iterator[Array]:
    """The wish, then a grid over the outline, nearest to the wish first."""
    yield wish
    left, low, right, high = bounding_box(outline)
    xs = wish[0] + _GRID_MM * np.arange(
        np.ceil((left - wish[0]) / _GRID_MM), np.floor((right - wish[0]) / _GRID_MM) + 1
    )
    ys = wish[1] + _GRID_MM * np.arange(
        np.ceil((low - wish[1]) / _GRID_MM), np.floor((high - wish[1]) / _GRID_MM) + 1
    )
    grid = np.stack(np.meshgrid(xs, ys), axis=-1).reshape(-1, 2)
    yield from grid[np.argsort(np.linalg.norm(grid - wish, axis=1), kind="stable")]


def _on_metal(mark: TextMark, outline: Contour, blocked: Sequence[Contour]) -> bool:
    if not contains(outline, mark.at):
        return False
    if any(contains(loop, mark.at) for loop in blocked[1:]):
        return False
    box = text_box(mark)
    beyond = float(np.linalg.norm(box.points[0] - mark.at)) + CLEAR_MM
    # Edges farther from the middle than the box's corners are clear of the box.
    near = [edge for loop in blocked for edge in edges_near(loop, mark.at, beyond)]
    if any(away < mark.height_mm / 2.0 + CLEAR_MM for away, _ in near):
        return False
    if not contains(outline, box.points[0]) or any(contains(box, b.points[0]) for b in blocked):
        return False
    return all(gap(side, edge) >= CLEAR_MM for side in edges(box) for _, edge in near)
