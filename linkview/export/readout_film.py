"""A film that reads out alignment and gaps in every frame: chosen view, size and kind of file.

Every frame shows a solved pose with the figures of that very pose beside it; a number in a ring
marks where a pair's bodies are nearest each other. Call `graphics.require_graphics()` first.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from enum import Enum
from pathlib import Path

import numpy as np
from PIL import Image

from linkview.alignment.quantities import Quantity
from linkview.errors import CannotWrite
from linkview.export.captions import Titles, caption_of
from linkview.export.encode import GIF_EVERY, Mp4, softened, write_gif
from linkview.export.files import written_beside
from linkview.export.overlay import (
    GAUGE_PX,
    Caption,
    Line,
    Pixels,
    Sheet,
    draw_gauge,
    fitting,
    signed,
    text_width,
    wrapped,
)
from linkview.export.readouts import GapRow, ReadOuts
from linkview.export.theatre import Theatre
from linkview.export.views import Size, View
from linkview.geometry import Array
from linkview.model.parts import Side
from linkview.model.wording import spoken
from linkview.scene.camera import Camera, Frame, fitted
from linkview.scene.colours import FADED_INK, HAIRLINE, INK, PAPER, Rgb
from linkview.scene.stage import AxlePose, Stage
from linkview.scene.story import Story

PANEL_PX, _MARGIN_PX, _ROW_PX = 430, 22, 23
_PICTURE_PX = (480, 300)  # the least room that the linkage needs beside or over the panel
_FOOT_PX, _BADGE_PX, _NAME_PX = 13, 22.0, 190.0
_RED: Rgb = (0xB3, 0x21, 0x1D)  # dark enough for words on paper
Progress = Callable[[int, int], None]


class FilmKind(Enum):
    """What is written; the value is the ending of the file, or of the folder of frames."""

    MP4 = ".mp4"
    GIF = ".gif"
    FRAMES = "_frames"


@dataclass(frozen=True, eq=False)
class ReadOutFilm:
    """What was written. names: of every file, under the folder. frames: how many were shot.

    camera: of all frames. panel: where the figures stand.
    """

    names: tuple[str, ...]
    frames: int
    left_out: int
    camera: Camera
    panel: Frame


def read_out_film(
    folder: Path,
    name: str,
    stage: Stage,
    story: Story,
    figures: ReadOuts,
    titles: Titles,
    *,
    view: View,
    size: Size,
    kind: FilmKind,
    progress: Progress,
) -> ReadOutFilm:
    """Shoots the story. figures: of its frames within reach, in their order.

    Raises CannotWrite where the size leaves no room or no frame is within reach.
    """
    poses = [pose for pose in story.poses if pose is not None]
    path = folder / f"{name}{kind.value}"
    if not poses:
        raise CannotWrite(f"{path.name}: no frame of the film is within reach of the linkage")
    panel = _panel(path, size, figures)
    placings = [stage.placings(pose) for pose in poses]
    camera = _camera(stage, placings, view, size, panel)
    scene = _Scene(stage, figures, titles, story.notes, camera, panel)
    shots = _counted(scene.shots(poses, placings), len(poses), progress)
    names = _WRITERS[kind](path, shots, size)
    return ReadOutFilm(names, len(poses), story.left_out, camera, panel)


def _counted(shots: Iterator[Pixels], count: int, progress: Progress) -> Iterator[Pixels]:
    for done, pixels in enumerate(shots, start=1):
        yield pixels
        progress(done, count)


def _panel(path: Path, size: Size, figures: ReadOuts) -> Frame:
    """Right of the linkage, or under it where the picture is upright."""
    tall = _height_of(figures)
    if size[0] - PANEL_PX >= _PICTURE_PX[0] and size[1] >= tall:
        return float(size[0] - PANEL_PX), 0.0, float(size[0]), float(size[1])
    if size[0] >= PANEL_PX and size[1] - tall >= _PICTURE_PX[1]:
        return 0.0, float(size[1] - tall), float(size[0]), float(size[1])
    beside = f"{PANEL_PX + _PICTURE_PX[0]}x{tall + tall % 2}"
    under = f"{PANEL_PX}x{tall + tall % 2 + _PICTURE_PX[1]}"
    raise CannotWrite(
        f"{path.name}: {size[0]}x{size[1]} leaves no room for the read-outs; with "
        f"{len(figures.gaps)} gaps give at least {beside}, or {under} for an upright film"
    )


def _camera(stage: Stage, placings: list[Array], view: View, size: Size, panel: Frame) -> Camera:
    """One for the whole film: the nearest that holds all of it beside, or above, the panel."""
    left, top, _, _ = panel
    right, bottom = (left, float(size[1])) if left else (float(size[0]), top)
    places = np.concatenate([stage.framing(p) for p in placings[:: max(len(placings) // 40, 1)]])
    return fitted(
        places,
        view.looking_from,
        size=size,
        inside=(24.0, 24.0, right - 24.0, bottom - 24.0),
        view_angle_deg=view.angle_deg,
    )


def _height_of(figures: ReadOuts) -> int:
    rows = len(figures.alignment) + len(figures.gaps)
    second = 18 * sum(len(_named(row)) - 1 for row in figures.gaps)
    return second + 16 + 132 + 86 + 2 * 24 + 10 + _ROW_PX * rows + 12 + 5 * (_FOOT_PX + 4) + 12


@dataclass(frozen=True, eq=False)
class _Scene:
    stage: Stage
    figures: ReadOuts
    titles: Titles
    notes: tuple[str, ...]
    camera: Camera
    panel: Frame

    def shots(self, poses: list[AxlePose], placings: list[Array]) -> Iterator[Pixels]:
        with Theatre(self.stage, self.camera.size) as theatre:
            theatre.look(self.camera)
            theatre.skip_insides()
            for frame, (pose, placing) in enumerate(zip(poses, placings, strict=True)):
                theatre.place(placing)
                sheet = Sheet(softened(theatre.shoot()))
                self._badges(sheet, frame)
                caption = caption_of(self.stage.axle, pose, self.titles, self.notes)
                self._write(sheet, caption, frame)
                yield sheet.pixels

    @property
    def _held(self) -> str:
        axle = self.stage.axle
        return axle.hold.words if axle.left.rack is not None else ""

    def _badges(self, sheet: Sheet, frame: int) -> None:
        """Where bodies of a pair come near each other; contact that has no one place has no mark.

        Badges that would hide each other stand side by side.
        """
        lines: list[Line] = []
        taken: list[Array] = []
        for number, row in enumerate(self.figures.gaps, start=1):
            for side, found in row.sides.items():
                ends = self.camera.pixels(np.array([found.on_a[frame], found.on_b[frame]]))
                if not np.isfinite(ends).all() or not row.is_near(side, frame):
                    continue
                at = ends.mean(axis=0)
                while any(np.abs(at - other).max() < _BADGE_PX for other in taken):
                    at = at + np.array([_BADGE_PX, 0.0])
                taken.append(at)
                colour = _RED if row.falls_short(side, frame) else INK
                sheet.stroke(ends[0], ends[1], 3.6, PAPER)
                sheet.stroke(ends[0], ends[1], 1.8, INK)
                sheet.dot(at, 10.5, colour)
                sheet.dot(at, 8.6, PAPER)
                lines.append(((float(at[0]), float(at[1])), str(number), 13, colour, "mm"))
        sheet.texts(lines)

    def _write(self, sheet: Sheet, caption: Caption, frame: int) -> None:
        left, top, right, bottom = self.panel
        sheet.pixels[int(top) : int(bottom), int(left) : int(right)] = PAPER
        if left:
            sheet.pixels[:, int(left)] = HAIRLINE
        else:
            sheet.pixels[int(top)] = HAIRLINE
        lines: list[Line] = []
        x, end = left + _MARGIN_PX, right - _MARGIN_PX
        room = end - x
        y = top + 16.0
        for words, px, colour, step in (
            (caption.title, 21, INK, 30.0),
            (caption.subtitle, 15, FADED_INK, 34.0),
            (caption.pose, 19, INK, 28.0),
            (self._held, 13, FADED_INK, 40.0),
        ):
            lines.append(((x, y), fitting(words, px, room), px, colour, "la"))
            y += step
        for k, gauge in enumerate(caption.gauges):
            draw_gauge(sheet, gauge, x + k * (GAUGE_PX + 44.0), y - 14.0, lines)
        y += 86.0
        y = self._alignment(lines, x, end, y, frame)
        y = self._gaps(sheet, lines, x, end, y + 10.0, frame)
        rest = (_measured(self.figures), *(n for n in caption.notes if n != self._held))
        rows = [row for words in rest for row in wrapped(words, _FOOT_PX, room)]
        at = max(y + 12.0, bottom - 12.0 - (_FOOT_PX + 4) * min(len(rows), 5))
        for row in [*rows[:4], *rows[4:][-1:]]:  # the caution comes last and stays
            lines.append(((x, at), row, _FOOT_PX, FADED_INK, "la"))
            at += _FOOT_PX + 4.0
        sheet.texts(lines)

    def _alignment(
        self, lines: list[Line], x: float, end: float, y: float, frame: int
    ) -> float:  # fmt: skip
        columns = (end - 76.0, end)
        lines.append(((x, y), "ALIGNMENT", 13, FADED_INK, "la"))
        for at, side in zip(columns, Side, strict=True):
            lines.append(((at, y), side.value, 13, FADED_INK, "ra"))
        y += 24.0
        for row in self.figures.alignment:
            q = row.quantity
            lines.append(((x, y), f"{q.label} ({q.unit})", 15, INK, "la"))
            for at, value in zip(columns, row.values[frame], strict=True):
                lines.append(((at, y), _figure(float(value), q), 15, INK, "ra"))
            y += _ROW_PX
        return y

    def _gaps(
        self, sheet: Sheet, lines: list[Line], x: float, end: float, y: float, frame: int
    ) -> float:
        columns = {"left": end - 122.0, "right": end - 56.0, "wanted": end}
        lines.append(((x, y), "GAPS (mm)", 13, FADED_INK, "la"))
        for words, at in columns.items():
            lines.append(((at, y), words, 13, FADED_INK, "ra"))
        y += 24.0
        for number, row in enumerate(self.figures.gaps, start=1):
            lines.append(((x, y), str(number), 15, FADED_INK, "la"))
            named = _named(row)
            for k, words in enumerate(named):
                lines.append(((x + 20.0, y + 18.0 * k), words, 15, INK, "la"))
            self._both_sides(sheet, lines, columns, row, y, frame)
            wanted = "-" if row.wanted_mm is None else f"{row.wanted_mm:g}"
            lines.append(((columns["wanted"], y), wanted, 15, FADED_INK, "ra"))
            y += _ROW_PX + 18.0 * (len(named) - 1)
        return y

    def _both_sides(
        self,
        sheet: Sheet,
        lines: list[Line],
        columns: Mapping[str, float],
        row: GapRow,
        y: float,
        frame: int,
    ) -> None:
        for side in row.sides:
            at, words = columns[side.value], row.figure(side, frame)
            colour = INK
            if row.falls_short(side, frame):
                colour = _RED
                line = np.array([[at - 58.0, y + 19.0], [at, y + 19.0]])
                sheet.stroke(line[0], line[1], 2.0, colour)  # told without colour too
            lines.append(((at, y), words, 15, colour, "ra"))


def _named(row: GapRow) -> list[str]:
    """A pair's name in one line, or in two, each cut where it is too long."""
    if text_width(row.words, 15) <= _NAME_PX:
        return [row.words]
    a, b = (spoken(name) for name in row.pair)
    return [fitting(f"{a} -", 15, _NAME_PX), fitting(b, 15, _NAME_PX)]


def _measured(figures: ReadOuts) -> str:
    if not figures.gaps:
        return "No pair of bodies was measured: nothing is known of gaps."
    return f"{figures.measured} pairs were measured in this film; 1, 2 ... mark the places."


def _figure(value: float, q: Quantity) -> str:
    if not np.isfinite(value):
        return "-"
    has_sense = "+ " in q.meaning
    return signed(value, q.decimals) if has_sense else f"{value:.{q.decimals}f}"


# --- the kinds of file ----------------------------------------------------------------------------


def _mp4(path: Path, shots: Iterator[Pixels], size: Size) -> tuple[str, ...]:
    if size[0] % 2 or size[1] % 2:
        raise CannotWrite(f"{path.name}: an MP4 needs even sides, not {size[0]}x{size[1]}")
    with written_beside(path) as beside, Mp4(beside, size) as encode:
        for pixels in shots:
            encode(pixels)
    return (path.name,)


def _gif(path: Path, shots: Iterator[Pixels], size: Size) -> tuple[str, ...]:
    write_gif(path, [Image.fromarray(s) for k, s in enumerate(shots) if k % GIF_EVERY == 0])
    return (path.name,)


def _frames(path: Path, shots: Iterator[Pixels], size: Size) -> tuple[str, ...]:
    path.mkdir(exist_ok=True)
    names = []
    for number, pixels in enumerate(shots, start=1):
        name = f"{number:04d}.png"
        with written_beside(path / name) as beside:
            Image.fromarray(pixels).save(beside, format="PNG", compress_level=3)
        names.append(f"{path.name}/{name}")
    return tuple(names)


_WRITERS: Mapping[FilmKind, Callable[[Path, Iterator[Pixels], Size], tuple[str, ...]]] = {
    FilmKind.MP4: _mp4,
    FilmKind.GIF: _gif,
    FilmKind.FRAMES: _frames,
}
