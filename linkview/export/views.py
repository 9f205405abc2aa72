"""Chosen views: any pose from any side at any size, on our background or none.

Call `graphics.require_graphics()` first. Every picture carries the caution: as a line on it, or,
where the background is left out, as a text inside the file.
"""

from __future__ import annotations

from collections.abc import Mapping
from enum import Enum
from pathlib import Path

import numpy as np
from PIL import Image
from PIL.PngImagePlugin import PngInfo

from linkview.export.captions import CAUTION, Titles, pose_words
from linkview.export.files import written_beside
from linkview.export.overlay import Pixels, Sheet, fitting
from linkview.export.theatre import Theatre
from linkview.geometry import Array
from linkview.scene.camera import Camera, Frame, fitted
from linkview.scene.colours import FADED_INK, INK
from linkview.scene.stage import AxlePose, Stage

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
    pixels, _ = shot(stage, pose, view, size, inside)
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
    write_still(path, Image.fromarray(sheet.pixels), words)


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
    write_still(path, Image.fromarray(pixels, "RGBA"), words)


def write_still(path: Path, image: Image.Image, words: str) -> None:
    """A PNG that carries what it shows and the caution as texts."""
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


def shot(
    stage: Stage, pose: AxlePose, view: View, size: Size, inside: Frame
) -> tuple[Pixels, Camera]:
    """The stage at a pose with ambient shade, fitted inside a frame, and the camera it took."""
    placings = stage.placings(pose)
    camera = _camera(stage, placings, view, size, inside)
    with Theatre(stage, size, finer=STILL_FINER) as theatre:
        theatre.shade_corners()
        theatre.place(placings)
        theatre.look(camera)
        return theatre.shoot(), camera
