"""Chosen views: any pose from any side at any size, on our background or none; and the sheet of
four views with its main dimensions.

Call `graphics.require_graphics()` first. Every picture carries the caution: as a line on it, or,
where the background is left out, as a text inside the file.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
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
from linkview.scene.stage import AxlePose, Stage, standing_at
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


def four_views(path: Path, stage: Stage, pose: AxlePose, titles: Titles) -> dict[str, float]:
    """Front (or rear), side, top and corner on one sheet; returns the dimensions drawn on it, mm.

    Every dimension is taken from the solved pose, not from the picture.
    """
    wide, high = SHEET[0] // 2, (SHEET[1] - _HEAD_PX) // 2
    sheet = Sheet(np.full((SHEET[1], SHEET[0], 3), 255, dtype=np.uint8))
    end = View.FRONT if stage.axle.left.rack is not None else View.REAR
    drawn: dict[str, float] = {}
    lines: list[Line] = []
    places = ((end, 0, 0), (View.LEFT, 1, 0), (View.TOP, 0, 1), (View.CORNER, 1, 1))
    for view, column, row in places:
        size = (wide, high)
        inside = (90.0, 60.0, wide - 90.0, high - 95.0)
        pixels, camera = _shot(stage, pose, view, size, inside)
        left, top = column * wide, _HEAD_PX + row * high
        sheet.pixels[top : top + high, left : left + wide] = pixels
        lines.append(((left + 18.0, top + 14.0), _NAMES[view], 20, INK, "la"))
        for name, a, b, down in _dimensions(stage.axle, pose, view):
            drawn[name] = float(length(b - a))
            ends = camera.pixels(np.array([a, b])) + np.array([left, top])
            lines += _dimension(sheet, ends, down, f"{name} {drawn[name]:.1f}", left + wide / 2)
    title = f"{titles.car}: {stage.axle.name} axle, {titles.state}, {pose_words(stage.axle, pose)}"
    lines.append(((24.0, 12.0), fitting(title, 24, SHEET[0] - 48.0), 24, INK, "la"))
    words = f"Dimensions in mm, from the solved pose. {CAUTION} {DRAWN_PLAINLY}"
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

# (name, one end (3,), other end (3,), which way on the picture it is set off, pixels)
_Dimension = tuple[str, Array, Array, tuple[float, float]]


def _dimensions(axle: Axle, pose: AxlePose, view: View) -> Sequence[_Dimension]:
    left, right = axle.corners
    ground = [standing_at(c, pose.corners[c.side]) for c in (left, right)]
    at = {name: _at(axle, pose, name) for name in left.points}
    centre, rack = at["wheel_centre"], np.array([0.0, 0.0, 1.0])
    foot = centre * [1.0, 1.0, 0.0] + ground[0][2] * rack
    if view in (View.FRONT, View.REAR):
        return [("track", ground[1], ground[0], (0.0, 46.0))]
    if view is View.LEFT:
        out: list[_Dimension] = [("wheel centre height", foot, centre, (-330.0, 0.0))]
        top = max(at, key=lambda n: float(at[n][2]))
        low = at[top] * [1.0, 1.0, 0.0] + ground[0][2] * rack
        out.append((f"{spoken(top)} height", low, at[top], (300.0, 0.0)))
        return out
    if view is View.TOP:
        names = [n for n in at if left.layout.owner(n) == "body" and n != "wheel_centre"]
        if len(names) < 2:
            return []
        fore = max(names, key=lambda n: float(at[n][0]))
        aft = min(names, key=lambda n: float(at[n][0]))
        level = np.array([1.0, 0.0, 0.0])
        a = at[aft] * level + at[fore] * (1.0 - level)
        return [(f"{spoken(aft)} to {spoken(fore)}", a, at[fore], (150.0, 0.0))]
    return []


def _at(axle: Axle, pose: AxlePose, name: str) -> Array:
    """A left hard point at a pose."""
    corner = axle.left
    part = "knuckle" if name == "wheel_centre" else corner.layout.owner(name)
    poses = pose.corners[Side.LEFT]
    move = poses[part] if part in poses else np.eye(4)
    return np.asarray(move[:3, :3] @ corner.points[name] + move[:3, 3])


def _dimension(
    sheet: Sheet, ends: Array, off: tuple[float, float], words: str, middle_px: float
) -> list[Line]:
    """Two extension lines, a line with ticks between, and its words on a plate; square to axes.

    middle_px: of the view the dimension belongs to, so that its words stay inside.
    """
    a, b = ends
    if off[1]:
        level = max(a[1], b[1]) + off[1]
        line = np.array([[a[0], level], [b[0], level]])
    else:
        level = (max(a[0], b[0]) if off[0] > 0 else min(a[0], b[0])) + off[0]
        line = np.array([[level, a[1]], [level, b[1]]])
    for place, corner in zip(ends, line, strict=True):
        sheet.stroke(place, corner, 3.0, PAPER, 0.8)
        sheet.stroke(place, corner, 1.0, FADED_INK)
    sheet.stroke(line[0], line[1], 4.0, PAPER, 0.8)
    sheet.stroke(line[0], line[1], 1.6, INK)
    tick = np.array([5.0, -5.0])
    for corner in line:
        sheet.stroke(corner - tick, corner + tick, 2.2, INK)
    middle = line.mean(axis=0)
    half = text_width(words, 17) / 2.0 + 8.0
    room = SHEET[0] / 4 - half - 6.0
    x = float(np.clip(middle[0], middle_px - room, middle_px + room))
    sheet.stroke(np.array([x - half, middle[1]]), np.array([x + half, middle[1]]), 26.0, PAPER)
    return [((x, float(middle[1])), words, 17, INK, "mm")]
