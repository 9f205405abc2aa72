"""Pictures and films of a study, with the car as found as a faint ghost where it differs."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from linkview.app.folder import Written
from linkview.clearance.advice import falls_short
from linkview.export.films import GhostCast, film_of
from linkview.export.graphics import require_graphics
from linkview.export.pictures import Ghost, Titles, gap_picture_of, picture_of
from linkview.export.window import load_window
from linkview.kinematics.sweep import sweep_axle
from linkview.model.parts import Axle, Car, Side
from linkview.model.wording import spoken
from linkview.plates.plate import Plate
from linkview.scene.gap_view import DrawnGap
from linkview.scene.stage import ghost_stage, pose_of, stage_of
from linkview.scene.story import poses_along, story_of
from linkview.study import AxleStudy, CarStudy, Tell

MOST_GAP_PICTURES = 12  # close-ups of one axle
SAME_MM = 0.05  # a state whose points lie this near to another's is not drawn as its ghost


def load_drawing() -> None:
    """Loads what the first picture would wait for; draws nothing."""
    load_window()


def draw_at_ride_height(study: CarStudy, found: Car, folder: Path, name: str) -> list[Written]:
    """One axle at ride height; needs no gaps, so that it can be drawn while they are measured.

    Call `graphics.require_graphics()` first, here and for all below: without OpenGL the drawing
    library ends the process.
    """
    return [_at_ride_height(_Cast.of(study, study.axles[name], found), folder)]


def draw_worst_gap(study: CarStudy, found: Car, folder: Path, name: str) -> list[Written]:
    """The worst gap of one axle, close up."""
    return _worst_gap(_Cast.of(study, study.axles[name], found), folder, 1)


def draw_film(study: CarStudy, found: Car, folder: Path, tell: Tell, name: str) -> list[Written]:
    """One axle's film, MP4 and GIF."""
    return _films(_Cast.of(study, study.axles[name], found), folder, tell)


def draw_gap_pictures(study: CarStudy, found: Car, folder: Path, tell: Tell) -> list[Written]:
    """A close-up of every pair that falls short, at its worst pose.

    Raises GraphicsMissing before anything is drawn where the machine has no usable OpenGL.
    """
    tell("looking for OpenGL", 0, 1)
    require_graphics()
    written = []
    for name, axle in study.axles.items():
        tell(f"{name} axle: pictures of gaps", 0, 1)
        written += _worst_gap(_Cast.of(study, axle, found), folder, MOST_GAP_PICTURES)
    return written


@dataclass(frozen=True, eq=False)
class _Cast:
    """What all pictures of one axle share. before: the axle as found, where it differs."""

    study: AxleStudy
    titles: Titles
    plates: Mapping[Side, Sequence[Plate]]
    before: Axle | None

    @classmethod
    def of(cls, study: CarStudy, axle: AxleStudy, found: Car) -> _Cast:
        car, old = study.car, found.axles[axle.axle.name]
        before = old if _differs(axle.axle, old) else None
        state = spoken(car.variant)
        titles = Titles(car.name, state, "as found" if before else "")
        return cls(axle, titles, axle.plates_by_side, before)


def _differs(axle: Axle, other: Axle) -> bool:
    """Whether any hard point stands elsewhere."""
    return any(
        np.linalg.norm(point - b.points[name]) > SAME_MM
        for a, b in zip(axle.corners, other.corners, strict=True)
        for name, point in a.points.items()
        if name in b.points
    )


def _middle(study: AxleStudy) -> tuple[int, int]:
    sweep = study.sweep.left
    return int(np.argmin(np.abs(sweep.rack_mm))), int(np.argmin(np.abs(sweep.travel_mm)))


def _at_ride_height(cast: _Cast, folder: Path) -> Written:
    study = cast.study
    name = f"{study.axle.name}_ride_height.png"
    ghost = None
    if cast.before is not None:
        at = sweep_axle(cast.before, np.zeros(1), np.zeros(1))
        ghost = Ghost(ghost_stage(cast.before), pose_of(at, 0, 0))
    stage = stage_of(study.axle, plates=cast.plates)
    picture_of(
        folder / name, stage, pose_of(study.sweep, *_middle(study)), cast.titles, ghost=ghost
    )
    return Written(name, f"{study.axle.name} axle at ride height, every body named")


def _worst_gap(cast: _Cast, folder: Path, most: int) -> list[Written]:
    """The worst pairs that fall short and have a place: close up, drawn and labelled."""
    study = cast.study
    certain = [
        (side, pair.certain)
        for side, pair in study.worst_pairs(10_000)
        if pair.certain is not None
        and falls_short(pair.certain)
        and np.isfinite(pair.certain.on_a).all()
    ]
    out = []
    for k, (side, found) in enumerate(certain[:most]):
        a, b = found.pair
        name = (
            f"{study.axle.name}_worst_gap.png" if k == 0 else f"{study.axle.name}_gap_{a}_{b}.png"
        )
        at = sweep_axle(study.axle, np.array([found.rack_mm]), np.array([found.travel_mm]))
        if all(corner.solved.all() for corner in at.corners):
            drawn = DrawnGap(side, found.pair, found.on_a, found.on_b, found.upper_mm)
            pose = pose_of(at, 0, 0)
            gap_picture_of(folder / name, study.axle, pose, drawn, cast.titles, plates=cast.plates)
            words = (
                f"{study.axle.name} axle: {spoken(a)} to {spoken(b)} at its worst pose, close up"
            )
            out.append(Written(name, words))
    return out or _worst_on_grid(cast, folder)


def _worst_on_grid(cast: _Cast, folder: Path) -> list[Written]:
    """The worst pair of the grid that has a place, where nothing certain falls short."""
    study = cast.study
    for side, pair in study.worst_pairs(10_000):
        least = pair.least
        if least.steer is None or least.travel is None or not np.isfinite(least.on_a).all():
            continue
        gap = least.gap_mm if np.isfinite(least.gap_mm) else 0.0
        drawn = DrawnGap(side, pair.pair, least.on_a, least.on_b, gap)
        name = f"{study.axle.name}_worst_gap.png"
        pose = pose_of(study.sweep, least.steer, least.travel)
        gap_picture_of(folder / name, study.axle, pose, drawn, cast.titles, plates=cast.plates)
        a, b = (spoken(n) for n in pair.pair)
        return [Written(name, f"{study.axle.name} axle: the worst gap close up: {a} to {b}")]
    return []


def _films(cast: _Cast, folder: Path, tell: Tell) -> list[Written]:
    axle = cast.study.axle
    name = axle.name
    story = story_of(axle)
    ghost = None
    if cast.before is not None:
        ghost = GhostCast(ghost_stage(cast.before), poses_along(cast.before, story.path))

    def heard(done: int, count: int) -> None:
        tell(f"{name} axle: film", done, count)

    filmed = film_of(
        folder / f"{name}.mp4",
        folder / f"{name}.gif",
        stage_of(axle, plates=cast.plates),
        story,
        cast.titles,
        ghost=ghost,
        progress=heard,
    )
    words = "; ".join([f"{filmed.frames} frames of steer and travel", *filmed.notes])
    return [
        Written(f"{name}.mp4", words),
        Written(f"{name}.gif", "the same, smaller, for a mail or a page"),
    ]
