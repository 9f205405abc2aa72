"""Naming what a picture shows: which place each label points at, and the labels drawn."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from linkview.export.overlay import STRIP_PX, Label, Sheet
from linkview.export.theatre import Theatre
from linkview.geometry import Array
from linkview.scene.camera import Camera, Frame
from linkview.scene.colours import Paint
from linkview.scene.stage import Prop, Stage

_HIDDEN_MM = 9.0  # a place this far behind what is drawn there is hidden


@dataclass(frozen=True, eq=False)
class Lettered:
    """A written picture and where its labels are: boxes (n, 4) pixels, NaN for one left out."""

    path: Path
    labels: tuple[Label, ...]
    boxes: Array
    anchors: Array
    taken: tuple[Frame, ...]

    @property
    def left_out(self) -> tuple[str, ...]:
        """Labels for which there was no room."""
        gone = ~np.isfinite(self.boxes[:, 0])
        return tuple(label.text for label, g in zip(self.labels, gone, strict=True) if g)


def frame_of(size: tuple[int, int]) -> Frame:
    """Where labels may stand: clear of the margins and of the caption strip."""
    return 14.0, 14.0, size[0] - 14.0, size[1] - STRIP_PX - 8.0


@dataclass(frozen=True, eq=False)
class Pointer:
    """A place (3,) mm on one prop at the reference pose, that its label points at."""

    prop: int
    at: Array

    def place(self, placings: Array) -> Array:
        move = placings[self.prop]
        return np.asarray(move[:3, :3] @ self.at + move[:3, 3])


def find_anchors(
    stage: Stage, theatre: Theatre, placings: Array, camera: Camera
) -> list[tuple[Label, Pointer]]:
    """One label for each name, on the side where more of it is seen, on a place that is seen."""
    found: dict[str, tuple[int, Label, Pointer]] = {}
    for k, prop in enumerate(stage.props):
        for name, (start, end) in prop.pieces.items():
            points = spread_over(prop, start, end)
            places = points @ placings[k][:3, :3].T + placings[k][:3, 3]
            seen = theatre.sees(places, camera, hidden_mm(prop))
            count = int(seen.sum())
            if count < 3 or (name in found and found[name][0] >= count):
                continue
            pixels = camera.pixels(places)
            middle = np.median(pixels[seen], axis=0)
            nearest = np.where(seen, np.linalg.norm(pixels - middle, axis=1), np.inf)
            pointer = Pointer(k, points[int(np.argmin(nearest))])
            found[name] = (count, Label(name.replace("_", " "), prop.paint), pointer)
    return [(label, pointer) for _, label, pointer in found.values()]


def hidden_mm(prop: Prop) -> float:
    """How far behind what is drawn a place counts as hidden; the shell's can be seen through."""
    return 60.0 if prop.paint is Paint.SHELL else _HIDDEN_MM


def spread_over(prop: Prop, start: int, end: int, *, count: int = 240) -> Array:
    """Places (count, 3) spread by area over the faces between two vertices, always the same."""
    faces = prop.mesh.regular_faces
    faces = faces[(faces[:, 0] >= start) & (faces[:, 0] < end)]
    a, b, c = (np.asarray(prop.mesh.points[faces[:, k]], dtype=float) for k in range(3))
    grown = np.cumsum(np.linalg.norm(np.cross(b - a, c - a), axis=1))
    step = (np.arange(count) + 0.5) / count
    face = np.searchsorted(grown, step * grown[-1])
    # The golden ratio and its square's fractions fill the unit square evenly.
    u, v = (np.arange(count) * 0.7548776662) % 1.0, (np.arange(count) * 0.5698402910) % 1.0
    over = u + v > 1.0
    u, v = np.where(over, 1.0 - u, u)[:, None], np.where(over, 1.0 - v, v)[:, None]
    return np.asarray(a[face] + u * (b - a)[face] + v * (c - a)[face])


def letter(
    sheet: Sheet,
    labels: Sequence[Label],
    boxes: Array,
    anchors: Array,
    strength: Array | None = None,
) -> None:
    """Leaders first, then plates, so that no leader strikes through words.

    strength (n,): 1 for a label in full, 0 for one not drawn; left out: all in full.
    """
    full = np.ones(len(labels)) if strength is None else strength
    there = np.isfinite(boxes).all(axis=1) & np.isfinite(anchors).all(axis=1) & (full > 0.02)
    shown = [k for k in range(len(labels)) if there[k]]
    for k in shown:
        sheet.leader(boxes[k], anchors[k], float(full[k]))
    for k in shown:
        sheet.label(labels[k], boxes[k], float(full[k]))
