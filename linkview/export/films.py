"""The film of an axle steering and travelling: MP4 for phones and browsers, and a smaller GIF.

Every frame shows a pose solved at its own inputs. Labels keep their places, their leaders follow;
what has no room near its part goes unnamed here (the stills name everything).
Call `graphics.require_graphics()` first.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from linkview.errors import CannotWrite
from linkview.export.captions import Titles, caption_of
from linkview.export.encode import GIF_EVERY, Mp4, softened, write_gif
from linkview.export.files import written_beside
from linkview.export.ghost import GhostTheatre
from linkview.export.lettering import (
    Lettered,
    Pointer,
    find_anchors,
    frame_of,
    hidden_mm,
    letter,
)
from linkview.export.overlay import (
    Label,
    Pixels,
    Sheet,
    label_size,
    strip_box,
    title_box,
    write_caption,
)
from linkview.export.pictures import SIZE, axle_camera
from linkview.export.theatre import Theatre
from linkview.geometry import Array
from linkview.scene.camera import Camera
from linkview.scene.labels import leader_start, place_labels
from linkview.scene.stage import AxlePose, Stage
from linkview.scene.story import Story

GIF_REDUCED = 2
_LONGEST_LEADER_PX = 130.0  # on average; a label that far off only clutters a moving picture
_LOOK_EVERY = 5
Progress = Callable[[int, int], None]  # frames done, frames in all


@dataclass(frozen=True, eq=False)
class Filmed:
    """What was written. lettering: of every frame, in order; left_out: frames out of reach."""

    mp4: Path
    gif: Path
    frames: int
    left_out: int
    notes: tuple[str, ...]
    lettering: tuple[Lettered, ...]


@dataclass(frozen=True, eq=False)
class GhostCast:
    """Another state of the axle for a film: its stage, and its pose in each frame or None."""

    stage: Stage
    poses: Sequence[AxlePose | None]


def film_of(
    mp4: Path,
    gif: Path,
    stage: Stage,
    story: Story,
    titles: Titles,
    *,
    ghost: GhostCast | None = None,
    progress: Progress | None = None,
) -> Filmed:
    """Shoot the story and write both films whole. Frames out of reach are left out and counted."""
    shown = [k for k, pose in enumerate(story.poses) if pose is not None]
    if not shown:
        raise CannotWrite(f"{mp4}: no frame of the film is within reach of the linkage")
    lettering: list[Lettered] = []
    small: list[Image.Image] = []
    with written_beside(mp4) as beside, Mp4(beside, SIZE) as encode:
        for done, (pixels, lettered) in enumerate(_frames(mp4, stage, story, titles, ghost)):
            encode(pixels)
            lettering.append(lettered)
            if done % GIF_EVERY == 0:
                small.append(Image.fromarray(pixels).reduce(GIF_REDUCED))
            if progress is not None:
                progress(done + 1, len(shown))
    write_gif(gif, small)
    return Filmed(mp4, gif, len(shown), story.left_out, story.notes, tuple(lettering))


def _frames(
    path: Path, stage: Stage, story: Story, titles: Titles, ghost: GhostCast | None
) -> Iterator[tuple[Pixels, Lettered]]:
    shown = [(k, pose) for k, pose in enumerate(story.poses) if pose is not None]
    placings = [stage.placings(pose) for _, pose in shown]
    camera = axle_camera(stage, _spread(placings), SIZE)
    with Theatre(stage, SIZE) as theatre, _Pale(ghost, camera) as pale:
        theatre.look(camera)
        theatre.skip_insides()
        cast = _lettering(stage, theatre, placings, camera, shown[0][1], titles)
        strength = _strengths(stage, placings, camera, cast)
        for frame, ((k, pose), placing) in enumerate(zip(shown, placings, strict=True)):
            theatre.place(placing)
            pixels = softened(theatre.shoot())
            if ghost is not None and (ghost_pose := ghost.poses[k]) is not None:
                pixels = pale.over(pixels, ghost_pose, theatre)
            anchors = camera.pixels(np.array([p.place(placing) for p in cast.pointers]))
            sheet = Sheet(pixels)
            letter(sheet, cast.labels, cast.boxes, anchors, strength[frame])
            write_caption(sheet, caption_of(stage.axle, pose, titles, story.notes))
            yield sheet.pixels, Lettered(path, cast.labels, cast.boxes, anchors, cast.taken)


def _spread(placings: Sequence[Array]) -> list[Array]:
    """Enough of the film's placings to frame it by."""
    return list(placings[:: max(len(placings) // 40, 1)])


class _Pale:
    """The ghost's window, or nothing where there is no ghost."""

    def __init__(self, ghost: GhostCast | None, camera: Camera) -> None:
        self._window = None if ghost is None else GhostTheatre(ghost.stage, SIZE)
        self._stage = None if ghost is None else ghost.stage
        if self._window is not None:
            self._window.look(camera)
            self._window.skip_insides()

    def __enter__(self) -> _Pale:
        return self

    def __exit__(self, *_: object) -> None:
        if self._window is not None:
            self._window.close()

    def over(self, pixels: Pixels, pose: AxlePose, theatre: Theatre) -> Pixels:
        if self._window is None or self._stage is None:
            return pixels
        return self._window.over(pixels, self._stage.placings(pose), theatre.covered())


@dataclass(frozen=True, eq=False)
class _Cast:
    labels: tuple[Label, ...]
    pointers: tuple[Pointer, ...]
    boxes: Array
    taken: tuple[tuple[float, float, float, float], ...]


def _lettering(
    stage: Stage,
    theatre: Theatre,
    placings: Sequence[Array],
    camera: Camera,
    first: AxlePose,
    titles: Titles,
) -> _Cast:
    """Labels placed once for the whole film, clear of everywhere its parts go."""
    some = _spread(placings)[::4]
    busy = np.zeros((SIZE[1], SIZE[0]), dtype=bool)
    for placing in some[1:]:
        theatre.place(placing)
        theatre.shoot()
        busy |= theatre.covered()
    theatre.place(placings[0])
    theatre.shoot()
    found = find_anchors(stage, theatre, placings[0], camera)
    busy |= theatre.covered()
    labels, pointers = tuple(f[0] for f in found), tuple(f[1] for f in found)
    tracks = np.array([camera.pixels(np.array([p.place(m) for p in pointers])) for m in some])
    taken = (strip_box(SIZE), title_box(caption_of(stage.axle, first, titles)))
    boxes = place_labels(
        tracks.mean(axis=0),
        np.array([label_size(label) for label in labels], dtype=float).reshape(-1, 2),
        frame=frame_of(SIZE),
        taken=taken,
        busy=busy,
    )
    far = np.linalg.norm(leader_start(boxes, tracks) - tracks, axis=-1).mean(axis=0)
    boxes[~(far <= _LONGEST_LEADER_PX)] = np.nan
    return _Cast(labels, pointers, boxes, taken)


def _strengths(
    stage: Stage, placings: Sequence[Array], camera: Camera, cast: _Cast
) -> NDArray[np.float64]:
    """(frames, labels), 0 to 1: a label fades while the place it points at is hidden.

    Looked for in every fifth frame on a small picture, and smoothed between them.
    """
    size = (SIZE[0] // 4, SIZE[1] // 4)
    small = replace(camera, size=size)
    looked = range(0, len(placings), _LOOK_EVERY)
    seen = np.zeros((len(looked), len(cast.pointers)))
    with Theatre(stage, size) as theatre:
        theatre.look(small)
        for row, frame in enumerate(looked):
            theatre.place(placings[frame])
            theatre.shoot()
            for k, pointer in enumerate(cast.pointers):
                at = pointer.place(placings[frame])[None]
                limit = 25.0 + hidden_mm(stage.props[pointer.prop])
                seen[row, k] = theatre.sees(at, small, limit)[0]
    around = np.pad(seen, ((1, 1), (0, 0)), mode="edge")
    smooth = (around[:-2] + around[1:-1] + around[2:]) / 3.0
    frames = np.arange(len(placings))
    columns = [np.interp(frames, looked, smooth[:, k]) for k in range(smooth.shape[1])]
    return np.stack(columns, axis=1) if columns else np.zeros((len(placings), 0))
