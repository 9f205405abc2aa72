"""Still pictures: the axle at one pose, and its worst gap close up, lettered and captioned.

Every picture is rendered off screen, lettered with labels that never overlap, and written whole.
Call `graphics.require_graphics()` first.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path

import numpy as np
from PIL import Image

from linkview.export.captions import Titles, caption_of
from linkview.export.files import written_beside
from linkview.export.ghost import GhostTheatre
from linkview.export.lettering import (
    Lettered,
    find_anchors,
    frame_of,
    hidden_mm,
    letter,
    spread_over,
)
from linkview.export.overlay import (
    STRIP_PX,
    Label,
    Pixels,
    Sheet,
    label_size,
    strip_box,
    title_box,
    write_caption,
)
from linkview.export.theatre import Theatre
from linkview.geometry import Array
from linkview.model.parts import Axle, Side
from linkview.plates.plate import Plate
from linkview.scene.camera import Camera, Frame, fitted
from linkview.scene.colours import HAIRLINE, INK, PAPER, Paint
from linkview.scene.gap_view import DrawnGap, gap_camera
from linkview.scene.labels import place_labels
from linkview.scene.stage import AxlePose, Stage, stage_of

__all__ = ["Ghost", "Lettered", "Titles", "gap_picture_of", "picture_of"]

SIZE, INSET = (1280, 720), (336, 189)
VIEW_ANGLE_DEG = 19.0
STILL_FINER = 1.5  # 2 looks no smoother and took 3.8 s for a front axle where this took 2.7


@dataclass(frozen=True, eq=False)
class Ghost:
    """Another state of the same axle and where it stands: its own pose at the same inputs."""

    stage: Stage
    pose: AxlePose


def axle_camera(stage: Stage, placings: Sequence[Array], size: tuple[int, int]) -> Camera:
    """Sees the axle at all these placings: from ahead where it steers, else from behind."""
    ahead = 1.0 if stage.axle.left.layout.tie_rod else -1.0
    places = np.concatenate([stage.framing(p) for p in placings])
    inside = (36.0, 84.0, size[0] - 36.0, size[1] - STRIP_PX - 14.0)
    return fitted(
        places,
        np.array([ahead, 0.40, 0.42]),
        size=size,
        inside=inside,
        view_angle_deg=VIEW_ANGLE_DEG,
    )


def picture_of(
    path: Path,
    stage: Stage,
    pose: AxlePose,
    titles: Titles,
    *,
    ghost: Ghost | None = None,
    notes: tuple[str, ...] = (),
) -> Lettered:
    """The whole axle at one pose, every body named. Written to path as PNG."""
    placings = stage.placings(pose)
    camera = axle_camera(stage, [placings], SIZE)
    with Theatre(stage, SIZE, finer=STILL_FINER) as theatre:
        theatre.shade_corners()
        theatre.place(placings)
        theatre.look(camera)
        pixels = theatre.shoot()
        anchors = find_anchors(stage, theatre, placings, camera)
        busy = theatre.covered()
    if ghost is not None:
        with GhostTheatre(ghost.stage, SIZE, finer=STILL_FINER) as pale:
            pale.look(camera)
            pixels = pale.over(pixels, ghost.stage.placings(ghost.pose), busy)
    caption = caption_of(stage.axle, pose, titles, notes)
    labels = tuple(label for label, _ in anchors)
    at = camera.pixels(np.array([anchor.place(placings) for _, anchor in anchors]).reshape(-1, 3))
    taken = (strip_box(SIZE), title_box(caption))
    boxes = place_labels(
        at,
        np.array([label_size(label) for label in labels], dtype=float).reshape(-1, 2),
        frame=frame_of(SIZE),
        taken=taken,
        busy=busy,
    )
    sheet = Sheet(pixels)
    letter(sheet, labels, boxes, at)
    write_caption(sheet, caption)
    write_png(path, sheet.pixels)
    return Lettered(path, labels, boxes, at, taken)


def gap_picture_of(
    path: Path,
    axle: Axle,
    pose: AxlePose,
    gap: DrawnGap,
    titles: Titles,
    *,
    plates: Mapping[Side, Sequence[Plate]] | None = None,
    notes: tuple[str, ...] = (),
) -> Lettered:
    """One gap close up, drawn and labelled, its two bodies striped, the rest see-through.

    A small picture of the whole axle says where it is. Written to path as PNG.
    """
    stage = stage_of(axle, plates=plates, marked={gap.side: frozenset(gap.names)})
    placings = stage.placings(pose)
    camera = gap_camera(stage, placings, gap, size=SIZE)
    marked = {k for k, p in enumerate(stage.props) if p.marked}
    with Theatre(stage, INSET, finer=3) as theatre:
        theatre.place(placings)
        inset = _inset(theatre, stage, placings, gap)
        theatre.resize(SIZE, finer=STILL_FINER)
        theatre.look(camera)
        theatre.fade((k for k in range(len(stage.props)) if k not in marked), 0.16)
        pixels = theatre.shoot()
        ends = camera.pixels(np.array([gap.on_a, gap.on_b]))
        bodies = [_near_gap(stage, theatre, placings, camera, gap, n) for n in gap.names]
    caption = caption_of(axle, pose, replace(titles, ghost=""), notes)
    labels = [Label(gap.words, Paint.WARNING, 20)]
    anchors = [ends.mean(axis=0)]
    for name, at in zip(gap.names, bodies, strict=True):
        if at is not None:
            labels.append(Label(name.replace("_", " "), Paint.WARNING))
            anchors.append(at)
    inset_box = (SIZE[0] - INSET[0] - 18.0, 18.0, SIZE[0] - 18.0, 18.0 + INSET[1])
    taken = (strip_box(SIZE), title_box(caption), inset_box)
    at = np.array(anchors)
    sizes = np.array([label_size(label) for label in labels], dtype=float)
    clear = [*taken, *_round_line(ends)]
    boxes = place_labels(at, sizes, frame=frame_of(SIZE), taken=clear)
    sheet = Sheet(pixels)
    sheet.mist(title_box(caption))
    letter(sheet, labels, boxes, at)
    if gap.gap_mm > 0.0:
        draw_gap(sheet, ends)
    else:
        draw_contact(sheet, ends.mean(axis=0))
    _lay(sheet, inset, inset_box)
    write_caption(sheet, caption)
    write_png(path, sheet.pixels)
    return Lettered(path, tuple(labels), boxes, at, taken)


def draw_gap(sheet: Sheet, ends: Array) -> None:
    """A line between the two nearest places (2, 2), pixels, with a dot on each."""
    a, b = ends
    dot = float(np.clip(np.linalg.norm(b - a) / 5.0, 3.6, 7.4))  # dots of a small gap stay apart
    for colour, width, radius in (
        (PAPER, 8.0, dot + 1.6),
        (INK, 5.2, dot),
        (Paint.STEERING.rgb, 2.6, dot - 2.0),
    ):
        sheet.stroke(a, b, width, colour)
        sheet.dot(a, radius, colour)
        sheet.dot(b, radius, colour)


def draw_contact(sheet: Sheet, at: Array) -> None:
    """A ringed dot where two bodies touch: there is no distance to draw."""
    for radius, width, colour in ((19.0, 7.0, PAPER), (19.0, 3.6, INK)):
        sheet.circle(at, radius, width, colour)
    for colour, radius in ((PAPER, 9.0), (INK, 7.4), (Paint.STEERING.rgb, 5.4)):
        sheet.dot(at, radius, colour)


def _round_line(ends: Array) -> list[Frame]:
    """Boxes along the gap's line, so that no label covers it."""
    steps = ends[0] + np.linspace(0.0, 1.0, 9)[:, None] * (ends[1] - ends[0])
    return [(x - 14.0, y - 14.0, x + 14.0, y + 14.0) for x, y in steps]


def _near_gap(
    stage: Stage, theatre: Theatre, placings: Array, camera: Camera, gap: DrawnGap, name: str
) -> Array | None:
    """A pixel on a marked body, seen and some way off the gap, to label it at; None if unseen."""
    middle = camera.pixels(gap.middle)
    left, top, right, bottom = frame_of(SIZE)
    for k, prop in enumerate(stage.props):
        if prop.side is not gap.side or name not in prop.pieces:
            continue
        points = spread_over(prop, *prop.pieces[name], count=3000)
        places = points @ placings[k][:3, :3].T + placings[k][:3, 3]
        pixels = camera.pixels(places)
        seen = theatre.sees(places, camera, hidden_mm(prop))
        seen &= (pixels > [left + 60, top + 60]).all(1) & (pixels < [right - 60, bottom - 40]).all(
            1
        )
        off = np.linalg.norm(pixels - middle, axis=1)
        if seen.any():
            wish = np.where(seen, np.abs(off - 170.0), np.inf)
            return np.asarray(pixels[int(np.argmin(wish))])
    return None


def _inset(theatre: Theatre, stage: Stage, placings: Array, gap: DrawnGap) -> Sheet:
    """The whole axle, small, with a ring round the gap."""
    places = stage.framing(placings)
    ahead = axle_camera(stage, [placings], SIZE).look
    inside = (14.0, 12.0, INSET[0] - 14.0, INSET[1] - 12.0)
    camera = fitted(places, -ahead, size=INSET, inside=inside, view_angle_deg=VIEW_ANGLE_DEG)
    theatre.look(camera)
    small = Sheet(theatre.shoot())
    at = camera.pixels(gap.middle)
    small.circle(at, 17.0, 5.0, PAPER)
    small.circle(at, 17.0, 2.6, INK)
    return small


def _lay(sheet: Sheet, small: Sheet, box: Frame) -> None:
    """One picture into another, framed by a hairline."""
    left, top, right, bottom = (int(edge) for edge in box)
    sheet.pixels[top:bottom, left:right] = small.pixels
    edge = np.array([[left, top], [right, top], [right, bottom], [left, bottom], [left, top]])
    for a, b in pairwise(edge.astype(float)):
        sheet.stroke(a, b, 1.4, HAIRLINE)


def write_png(path: Path, pixels: Pixels) -> None:
    with written_beside(path) as beside:
        Image.fromarray(pixels).save(beside, compress_level=3)
