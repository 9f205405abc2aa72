"""Frames into files: MP4 for phones and browsers, GIF for mails; edges softened beforehand."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

import imageio_ffmpeg
import numpy as np
from PIL import Image

from linkview.errors import CannotWrite
from linkview.export.files import written_beside
from linkview.export.overlay import Pixels
from linkview.scene.colours import TOLD_APART
from linkview.scene.story import FRAMES_PER_S

GIF_EVERY, GIF_COLOURS = 2, 72
_EDGE_STEP = 18  # of 255, between two pixels: more than shading does on these shapes
_NEIGHBOURS = tuple(
    ((dy, dx), (2 - abs(dy)) * (2 - abs(dx))) for dy in (-1, 0, 1) for dx in (-1, 0, 1)
)


def softened(pixels: Pixels) -> Pixels:
    """Stair-steps along edges blended away with their neighbours; all else is left as drawn."""
    green = pixels[..., 1].astype(np.int16)
    steep = np.zeros(green.shape, dtype=bool)
    for step, here, there in (
        (green[:, 1:] - green[:, :-1], steep[:, 1:], steep[:, :-1]),
        (green[1:] - green[:-1], steep[1:], steep[:-1]),
    ):
        edge = np.abs(step) > _EDGE_STEP
        here |= edge
        there |= edge
    steep[[0, -1]] = steep[:, [0, -1]] = False
    width = pixels.shape[1]
    at = np.flatnonzero(steep)
    flat = pixels.reshape(-1, 3)
    mixed = np.zeros((len(at), 3), dtype=np.uint16)
    for shift, weight in _NEIGHBOURS:
        mixed += flat[at + shift[0] * width + shift[1]] * np.uint16(weight)
    out = pixels.copy()
    out.reshape(-1, 3)[at] = (mixed + 8) // 16
    return out


class Mp4:
    """H.264 in the form that every browser and phone plays, at a constant quality."""

    def __init__(self, path: Path, size: tuple[int, int]) -> None:
        self._path, self._size = path, size

    def __enter__(self) -> Callable[[Pixels], None]:
        self._pipe = imageio_ffmpeg.write_frames(
            str(self._path),
            self._size,
            fps=FRAMES_PER_S,
            codec="libx264",
            pix_fmt_in="rgb24",
            pix_fmt_out="yuv420p",
            macro_block_size=2,
            ffmpeg_log_level="error",
            output_params=["-crf", "21", "-preset", "veryfast", "-movflags", "+faststart"],
        )
        self._pipe.send(None)
        return self._send

    def _send(self, pixels: Pixels) -> None:
        try:
            self._pipe.send(np.ascontiguousarray(pixels))
        except OSError as fault:
            raise CannotWrite(f"{self._path}: the film encoder stopped: {fault}") from fault

    def __exit__(self, *_: object) -> None:
        self._pipe.close()


def _paint_shades() -> list[int]:
    """The parts' own colours, from shaded to lit: too small on the picture to be found in it."""
    return [
        round(shade * channel)
        for paint in TOLD_APART
        for shade in (0.35, 0.6, 0.8, 1.0)
        for channel in paint.rgb
    ]


def write_gif(path: Path, frames: Sequence[Image.Image]) -> None:
    """One palette for all frames, so that still areas stay still and cost nothing."""
    sample = frames[:: max(len(frames) // 6, 1)]
    wide, high = frames[0].size
    sheet = Image.new("RGB", (wide, high * len(sample)))
    for k, frame in enumerate(sample):
        sheet.paste(frame, (0, high * k))
    found = sheet.quantize(GIF_COLOURS, method=Image.Quantize.MEDIANCUT).getpalette() or []
    palette = Image.new("P", (1, 1))
    palette.putpalette([*found[: 3 * GIF_COLOURS], *_paint_shades()])
    flat = [f.quantize(palette=palette, dither=Image.Dither.NONE) for f in frames]
    lasts_ms = 1000 * GIF_EVERY // FRAMES_PER_S
    with written_beside(path) as beside:
        flat[0].save(
            beside, save_all=True, append_images=flat[1:], duration=lasts_ms, loop=0, disposal=1
        )
