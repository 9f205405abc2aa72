"""The sheet of four views with its main dimensions: front or rear, side, top and corner.

Call `graphics.require_graphics()` first. Figures are large enough for the report's page.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from PIL import Image

from linkview.export.captions import CAUTION, DRAWN_PLAINLY, Titles, pose_words
from linkview.export.overlay import Line, Sheet, fitting, text_width
from linkview.export.views import Size, View, shot, write_still
from linkview.geometry import Array, length
from linkview.model.parts import Axle, Side
from linkview.model.wording import spoken
from linkview.scene.colours import FADED_INK, HAIRLINE, INK, PAPER
from linkview.scene.riding import standing_at
from linkview.scene.stage import AxlePose, Stage

SHEET: Size = (1920, 1394)
_HEAD_PX = 104


def four_views(
    path: Path, stage: Stage, pose: AxlePose, titles: Titles, *, beside: str = ""
) -> dict[str, float]:
    """Front (or rear), side, top and corner on one sheet; returns the dimensions drawn on it, mm.

    Every dimension is taken from the solved pose, not from the picture. beside: dimensions that
    reach beyond the axle, in words.
    """
    wide, high = SHEET[0] // 2, (SHEET[1] - _HEAD_PX) // 2
    sheet = Sheet(np.full((SHEET[1], SHEET[0], 3), 255, dtype=np.uint8))
    end = View.FRONT if stage.axle.left.rack is not None else View.REAR
    drawn: dict[str, float] = {}
    lines: list[Line] = []
    labels: list[tuple[Array, _Dimension]] = []
    places = ((end, 0, 0), (View.LEFT, 1, 0), (View.TOP, 0, 1), (View.CORNER, 1, 1))
    for view, column, row in places:
        size = (wide, high)
        inside = (90.0, 84.0, wide - 90.0, high - 156.0)
        pixels, camera = shot(stage, pose, view, size, inside)
        left, top = column * wide, _HEAD_PX + row * high
        sheet.pixels[top : top + high, left : left + wide] = pixels
        lines.append(((left + 18.0, top + 14.0), _NAMES[view], 20, INK, "la"))
        for dimension in _dimensions(stage.axle, pose, view):
            drawn[dimension.name] = dimension.mm
            ends = camera.pixels(np.array([dimension.a, dimension.b])) + np.array([left, top])
            line = dimension.line(ends, float(left), float(wide))
            at = _drawn_on(sheet, ends, line, dimension, left + wide / 2)
            labels.append((at, dimension))
    for at, dimension in labels:
        lines += _labelled(sheet, at, dimension)
    title = f"{titles.car}: {stage.axle.name} axle, {titles.state}, {pose_words(stage.axle, pose)}"
    lines.append(((24.0, 12.0), fitting(title, 28, SHEET[0] - 48.0), 28, INK, "la"))
    measures = f"Dimensions in mm, from the solved pose{'; ' if beside else ''}{beside}."
    for y, words in ((50.0, measures), (75.0, f"{CAUTION} {DRAWN_PLAINLY}")):
        lines.append(((24.0, y), fitting(words, 19, SHEET[0] - 48.0), 19, FADED_INK, "la"))
    for y in (_HEAD_PX, _HEAD_PX + high):
        sheet.stroke(np.array([0.0, y]), np.array([float(SHEET[0]), y]), 1.4, HAIRLINE)
    x = float(wide)
    sheet.stroke(np.array([x, float(_HEAD_PX)]), np.array([x, float(SHEET[1])]), 1.4, HAIRLINE)
    sheet.texts(lines)
    write_still(path, Image.fromarray(sheet.pixels), title)
    return drawn


_NAMES = {
    View.FRONT: "from the front",
    View.REAR: "from the rear",
    View.LEFT: "from the left",
    View.TOP: "from above, forward is up",
    View.CORNER: "in perspective",
}


@dataclass(frozen=True, eq=False)
class _Dimension:
    """What is measured between two places (3,) mm at the pose, square to the picture's edges.

    below_px: a line across the picture, that far under the lower end (over the upper one where
    negative). share: or an upright line at this share of the view's width. just one is given.
    """

    name: str
    a: Array
    b: Array
    below_px: float | None = None
    share: float = 0.5

    @property
    def mm(self) -> float:
        return float(length(self.b - self.a))

    @property
    def figure(self) -> str:
        return f"{self.mm:.1f}"

    def line(self, ends: Array, left: float, wide: float) -> Array:
        """The dimension line's ends in pixels; ends: those of the two places."""
        if self.below_px is None:
            x = left + self.share * wide
            return np.array([[x, ends[0][1]], [x, ends[1][1]]])
        under = self.below_px > 0
        y = (ends[:, 1].max() if under else ends[:, 1].min()) + self.below_px
        return np.array([[ends[0][0], y], [ends[1][0], y]])


def _dimensions(axle: Axle, pose: AxlePose, view: View) -> Iterator[_Dimension]:
    at = {side: _places(axle, pose, side) for side in Side}
    left, right = at[Side.LEFT], at[Side.RIGHT]
    ground = [standing_at(c, pose.corners[c.side]) for c in axle.corners]
    on_body = [n for n in left if axle.left.layout.owner(n) == "body" and n != "wheel_centre"]
    high = max(left, key=lambda n: float(left[n][2]))
    low = min(on_body, key=lambda n: float(left[n][2]), default="")
    if view in (View.FRONT, View.REAR):
        yield _Dimension("track", ground[1], ground[0], 122.0)
        if low:
            yield _Dimension(
                f"{spoken(low)}, both sides", right[low], left[low], _under(left, ground, low)
            )
        if high in on_body and high != low:
            yield _Dimension(f"{spoken(high)}, both sides", right[high], left[high], -46.0)
    elif view is View.LEFT:
        shares = {"wheel_centre": 0.10, low: 0.21, high: 0.90, _foot(axle, left): 0.79}
        for name, share in shares.items():
            if name:
                foot = np.array([*left[name][:2], ground[0][2]])
                yield _Dimension(f"{spoken(name)} height", foot, left[name], None, share)
    elif view is View.TOP:
        ahead = np.array([1.0, 0.0, 0.0])
        centre = left["wheel_centre"]
        fore = max(on_body, key=lambda n: float(left[n][0]), default="")
        aft = min(on_body, key=lambda n: float(left[n][0]), default="")
        for name, share in {fore: 0.44, aft: 0.58}.items():
            if name and abs(float(left[name][0] - centre[0])) > _LEAST_MM:
                level = left[name] * ahead + centre * (1.0 - ahead)
                words = f"wheel centre to {spoken(name)}"
                yield _Dimension(words, centre, level, None, share)
        yield _Dimension("wheel centres", right["wheel_centre"], centre, 150.0)


_LEAST_MM = 5.0  # a shorter dimension has no room for its ticks


def _under(left: Mapping[str, Array], ground: Sequence[Array], low: str) -> float:
    """Below the pivots, so that their line runs just under the wheels."""
    return 46.0 + 0.30 * float(left[low][2] - ground[0][2])


def _foot(axle: Axle, left: Mapping[str, Array]) -> str:
    """The lowest joint on the knuckle: what lowering the car brings to the ground first."""
    outer = [n for n in left if axle.left.layout.owner(n) == "knuckle" and n != "wheel_centre"]
    return min(outer, key=lambda n: float(left[n][2]), default="")


def _places(axle: Axle, pose: AxlePose, side: Side) -> dict[str, Array]:
    """Every hard point of one side at the pose."""
    corner = axle.left if side is Side.LEFT else axle.right
    out = {}
    for name, point in corner.points.items():
        part = "knuckle" if name == "wheel_centre" else corner.layout.owner(name)
        move = pose.corners[side].get(part, np.eye(4))
        out[name] = np.asarray(move[:3, :3] @ point + move[:3, 3])
    return out


def _drawn_on(
    sheet: Sheet, ends: Array, line: Array, dimension: _Dimension, middle_px: float
) -> Array:
    """Two extension lines and a line with ticks between; where its words come to stand, pixels.

    middle_px: of the view the dimension belongs to, so that its words stay inside.
    """
    for place, corner in zip(ends, line, strict=True):
        sheet.stroke(place, corner, 3.0, PAPER, 0.8)
        sheet.stroke(place, corner, 1.0, FADED_INK)
    sheet.stroke(line[0], line[1], 4.0, PAPER, 0.8)
    sheet.stroke(line[0], line[1], 1.6, INK)
    tick = np.array([5.0, -5.0])
    for corner in line:
        sheet.stroke(corner - tick, corner + tick, 2.2, INK)
    half = _half_px(dimension)
    upright = abs(line[0, 0] - line[1, 0]) < 1.0
    # The outer of two upright lines has its words higher, so that they do not meet.
    outer = upright and abs(line[0, 0] - middle_px) > 0.35 * SHEET[0] / 2
    low, high = sorted(line[:, 1], reverse=True)
    x, y = line.mean(axis=0)
    if upright and low - high < 2.0 * _TALL_PX:
        x += half + 24.0
    elif upright:
        y = low + (0.68 if outer else 0.36) * (high - low)
    elif 2.0 * half + 40.0 > abs(line[0, 0] - line[1, 0]):
        y += 0.5 * _TALL_PX + 4.0
    room = SHEET[0] / 4 - half - 12.0
    return np.array([np.clip(x, middle_px - room, middle_px + room), y])


_FIGURE_PX, _NAME_PX, _TALL_PX = 26, 17, 50.0


def _half_px(dimension: _Dimension) -> float:
    """Half as wide as a dimension's words with their plate."""
    wide = max(text_width(dimension.name, _NAME_PX), text_width(dimension.figure, _FIGURE_PX))
    return wide / 2.0 + 12.0


def _labelled(sheet: Sheet, at: Array, dimension: _Dimension) -> list[Line]:
    """The figure, large enough for the report's page, over what it is; on a plate, over lines."""
    x, y = float(at[0]), float(at[1])
    half, tall = round(_half_px(dimension)), round(0.5 * _TALL_PX)
    sheet.pixels[round(y) - tall : round(y) + tall, round(x) - half : round(x) + half] = PAPER
    return [
        ((x, y - 10.0), dimension.figure, _FIGURE_PX, INK, "mm"),
        ((x, y + 13.0), dimension.name, _NAME_PX, FADED_INK, "mm"),
    ]
