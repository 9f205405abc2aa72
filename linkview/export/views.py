"""Chosen views: any pose from any side at any size, on our background or none; and the sheet of
four views with its main dimensions.

Call `graphics.require_graphics()` first. Every picture carries the caution: as a line on it, or,
where the background is left out, as a text inside the file.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from enum import Enum
from pathlib import Path

import numpy as np
from PIL import Image
from PIL.PngImagePlugin import PngInfo

from linkview.export.captions import CAUTION, DRAWN_PLAINLY, Titles, pose_words
from linkview.export.files import written_beside
from linkview.export.overlay import Line, Pixels, Sheet, fitting, text_width
from linkview.export.theatre import Theatre
from linkview.geometry import Array, length
from linkview.model.parts import Axle, Side
from linkview.scene.camera import Camera, Frame, fitted
from linkview.scene.colours import FADED_INK, HAIRLINE, INK, PAPER
from linkview.scene.riding import standing_at
from linkview.scene.stage import AxlePose, Stage
from linkview.study import spoken

Size = tuple[int, int]
STILL_FINER = 1.5
_FLAT_DEG, _DEEP_DEG = 3.0, 19.0  # view angles: nearly parallel for measuring, deep for looking


class View(Enum):
    """Where the eye stands, from the axle: x forward, y left, z up."""

    CORNER = "corner"
    FRONT = "front"
    REAR = "rear"
    LEFT = "left"
    RIGHT = "right"
    TOP = "top"

    @property
    def looking_from(self) -> Array:
        return np.array(_FROM[self])

    @property
    def angle_deg(self) -> float:
        return _DEEP_DEG if self is View.CORNER else _FLAT_DEG


_FROM: Mapping[View, tuple[float, float, float]] = {
    View.CORNER: (1.0, 0.40, 0.42),
    View.FRONT: (1.0, 0.0, 0.0),
    View.REAR: (-1.0, 0.0, 0.0),
    View.LEFT: (0.0, 1.0, 0.0),
    View.RIGHT: (0.0, -1.0, 0.0),
    View.TOP: (-0.0005, 0.0, 1.0),  # z cannot stand upright and point at the eye
}


def view_of(
    path: Path, stage: Stage, pose: AxlePose, view: View, titles: Titles, *, size: Size
) -> None:
    """One view on our background, with car, state, pose and caution along its lower edge."""
    foot = 46
    inside = (24.0, 24.0, size[0] - 24.0, size[1] - foot - 18.0)
    pixels, _ = _shot(stage, pose, view, size, inside)
    sheet = Sheet(pixels)
    sheet.panel((0, size[1] - foot, size[0], size[1]))
    words = f"{titles.car}, {stage.axle.name} axle, {titles.state}: {pose_words(stage.axle, pose)}"
    room = size[0] - 32.0
    sheet.texts(
        [
            ((16.0, size[1] - foot + 7.0), fitting(words, 15, room), 15, INK, "la"),
            ((16.0, size[1] - foot + 27.0), fitting(CAUTION, 12, room), 12, FADED_INK, "la"),
        ]
    )
    _write(path, Image.fromarray(sheet.pixels), words)


def cut_out_of(
    path: Path, stage: Stage, pose: AxlePose, view: View, titles: Titles, *, size: Size
) -> None:
    """One view with nothing behind it, to be laid over something else; PNG with cover."""
    placings = stage.placings(pose)
    camera = _camera(stage, placings, view, size, (8.0, 8.0, size[0] - 8.0, size[1] - 8.0))
    with Theatre(stage, size, finer=STILL_FINER) as theatre:
        theatre.shade_corners()
        theatre.place(placings)
        theatre.look(camera)
        pixels = theatre.cut_out()
    words = f"{titles.car}, {stage.axle.name} axle, {titles.state}: {pose_words(stage.axle, pose)}"
    _write(path, Image.fromarray(pixels, "RGBA"), words)


def _write(path: Path, image: Image.Image, words: str) -> None:
    info = PngInfo()
    info.add_itxt("Description", words)
    info.add_itxt("Warning", CAUTION)
    with written_beside(path) as beside:
        image.save(beside, compress_level=6, pnginfo=info)


def _camera(stage: Stage, placings: Array, view: View, size: Size, inside: Frame) -> Camera:
    return fitted(
        stage.framing(placings),
        view.looking_from,
        size=size,
        inside=inside,
        view_angle_deg=view.angle_deg,
    )


def _shot(
    stage: Stage, pose: AxlePose, view: View, size: Size, inside: Frame
) -> tuple[Pixels, Camera]:
    placings = stage.placings(pose)
    camera = _camera(stage, placings, view, size, inside)
    with Theatre(stage, size, finer=STILL_FINER) as theatre:
        theatre.shade_corners()
        theatre.place(placings)
        theatre.look(camera)
        return theatre.shoot(), camera


# --- the sheet of four views ----------------------------------------------------------------------

SHEET: Size = (1920, 1360)
_HEAD_PX = 70


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
    places = ((end, 0, 0), (View.LEFT, 1, 0), (View.TOP, 0, 1), (View.CORNER, 1, 1))
    for view, column, row in places:
        size = (wide, high)
        inside = (90.0, 84.0, wide - 90.0, high - 112.0)
        pixels, camera = _shot(stage, pose, view, size, inside)
        left, top = column * wide, _HEAD_PX + row * high
        sheet.pixels[top : top + high, left : left + wide] = pixels
        lines.append(((left + 18.0, top + 14.0), _NAMES[view], 20, INK, "la"))
        for dimension in _dimensions(stage.axle, pose, view):
            drawn[dimension.name] = dimension.mm
            ends = camera.pixels(np.array([dimension.a, dimension.b])) + np.array([left, top])
            line = dimension.line(ends, float(left), float(wide))
            words = f"{dimension.name} {dimension.mm:.1f}"
            lines += _drawn_on(sheet, ends, line, words, left + wide / 2)
    for (x, y), words, size_px, _, anchor in lines:
        if anchor == "mm":  # a dimension's words stand on a plate, over every line
            half = np.array([text_width(words, size_px) / 2.0 + 8.0, 0.0])
            sheet.stroke(np.array([x, y]) - half, np.array([x, y]) + half, 26.0, PAPER)
    title = f"{titles.car}: {stage.axle.name} axle, {titles.state}, {pose_words(stage.axle, pose)}"
    lines.append(((24.0, 12.0), fitting(title, 24, SHEET[0] - 48.0), 24, INK, "la"))
    measures = f"Dimensions in mm, from the solved pose{'; ' if beside else ''}{beside}."
    words = f"{measures} {CAUTION} {DRAWN_PLAINLY}"
    lines.append(((24.0, 44.0), fitting(words, 15, SHEET[0] - 48.0), 15, FADED_INK, "la"))
    for y in (_HEAD_PX, _HEAD_PX + high):
        sheet.stroke(np.array([0.0, y]), np.array([float(SHEET[0]), y]), 1.4, HAIRLINE)
    x = float(wide)
    sheet.stroke(np.array([x, float(_HEAD_PX)]), np.array([x, float(SHEET[1])]), 1.4, HAIRLINE)
    sheet.texts(lines)
    _write(path, Image.fromarray(sheet.pixels), title)
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
        yield _Dimension("track", ground[1], ground[0], 88.0)
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


def _drawn_on(sheet: Sheet, ends: Array, line: Array, words: str, middle_px: float) -> list[Line]:
    """Two extension lines, a line with ticks between, and its words on a plate.

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
    half = text_width(words, 17) / 2.0 + 8.0
    upright = abs(line[0, 0] - line[1, 0]) < 1.0
    # The outer of two upright lines has its words higher, so that they do not meet.
    outer = upright and abs(line[0, 0] - middle_px) > 0.35 * SHEET[0] / 2
    low, high = sorted(line[:, 1], reverse=True)
    x, y = line.mean(axis=0)
    if upright and low - high < 60.0:
        x += half + 24.0
    elif upright:
        y = low + (0.68 if outer else 0.36) * (high - low)
    elif 2.0 * half + 40.0 > abs(line[0, 0] - line[1, 0]):
        y += 26.0
    room = SHEET[0] / 4 - half - 20.0
    x = float(np.clip(x, middle_px - room, middle_px + room))
    return [((x, float(y)), words, 17, INK, "mm")]
