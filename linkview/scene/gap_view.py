"""From where a gap is best seen: square to it, and not through another body."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from vtkmodules.vtkCommonCore import vtkPoints
from vtkmodules.vtkCommonDataModel import vtkStaticCellLocator

from linkview.geometry import Array, X, Z, apply, dot, frozen, length, perpendicular, unit
from linkview.model.parts import Side
from linkview.scene.camera import Camera
from linkview.scene.stage import Prop, Stage

# Height of what the picture shows, mm: so many gaps, within limits; a contact has none to go by.
_GAPS_HIGH, _NEAREST_MM, _FARTHEST_MM, _CONTACT_MM = 18.0, 160.0, 640.0, 300.0

# One of the gap's two bodies: what a line strikes of it, and the move (4, 4) into its own frame.
_Marked = tuple[vtkStaticCellLocator, Array]


@dataclass(frozen=True, eq=False)
class DrawnGap:
    """Two bodies of one side, their nearest points (3,) mm at the pose shown, and the gap, mm.

    gap_mm <= 0: contact.
    """

    side: Side
    names: tuple[str, str]
    on_a: Array
    on_b: Array
    gap_mm: float

    @property
    def middle(self) -> Array:
        return frozen(0.5 * (np.asarray(self.on_a) + np.asarray(self.on_b)))

    @property
    def words(self) -> str:
        """'tyre to front leg 7.3 mm', or that they touch."""
        a, b = (name.replace("_", " ") for name in self.names)
        return f"{a} to {b} {self.gap_mm:.1f} mm" if self.gap_mm > 0.0 else f"{a} touches {b}"


def gap_camera(stage: Stage, placings: Array, gap: DrawnGap, *, size: tuple[int, int]) -> Camera:
    """A camera that looks square at the gap from where neither of its two bodies hides it.

    Of many directions the one is taken that sees most of the gap, then the one nearest to level,
    from outside the car and square to the gap.
    """
    marked = [
        (_locator(prop), np.linalg.inv(placing))
        for prop, placing in zip(stage.props, placings, strict=True)
        if prop.side is gap.side and set(prop.pieces) & set(gap.names)
    ]
    directions = _directions(gap)
    best = max(directions, key=lambda d: _merit(d, gap, marked))
    tall = float(np.clip(_GAPS_HIGH * gap.gap_mm, _NEAREST_MM, _FARTHEST_MM))
    tall = tall if gap.gap_mm > 0.0 else _CONTACT_MM
    angle = 12.0
    away = tall / 2.0 / float(np.tan(np.radians(angle / 2.0)))
    return Camera(frozen(gap.middle + away * best), frozen(-best), size, angle)


def _directions(gap: DrawnGap) -> list[Array]:
    """Unit directions from the gap to the eye: a ring square to the gap and two leaning ones."""
    line = np.asarray(gap.on_b, dtype=float) - np.asarray(gap.on_a, dtype=float)
    along = unit(line) if float(length(line)) > 1e-3 else X
    one = perpendicular(along)
    two = np.cross(along, one)
    out = []
    for turn in np.linspace(0.0, 2.0 * np.pi, 36, endpoint=False):
        flat = np.cos(turn) * one + np.sin(turn) * two
        for lean in (-0.45, 0.0, 0.45):
            direction = unit(flat + lean * along)
            if abs(float(direction[2])) < 0.93:
                out.append(direction)
    return out


def _merit(direction: Array, gap: DrawnGap, marked: Sequence[_Marked]) -> float:
    """Share of the gap that is seen, and smaller wishes."""
    a, b = np.asarray(gap.on_a, dtype=float), np.asarray(gap.on_b, dtype=float)
    reach = max(float(length(b - a)), 1.0)
    along = unit(b - a) if float(length(b - a)) > 1e-3 else X
    sideways = np.cross(direction, along)
    places = [a + t * (b - a) + s * sideways for t in (0.15, 0.5, 0.85) for s in (-0.6, 0.0, 0.6)]
    seen = sum(not _hidden(p, direction, marked, reach) for p in places) / len(places)
    square = 1.0 - abs(float(dot(direction, along)))
    level = 1.0 - abs(float(dot(direction, Z)) - 0.2)
    inboard = -float(direction[1]) * gap.side.outboard
    return 10.0 * seen + 1.0 * square + 0.8 * level + 0.4 * abs(float(direction[0])) + 0.3 * inboard


def _hidden(place: Array, toward_eye: Array, marked: Sequence[_Marked], reach: float) -> bool:
    start, end = place + 0.02 * reach * toward_eye, place + 1500.0 * toward_eye
    struck = vtkPoints()
    for locator, back in marked:
        ends = apply(back, np.stack([start, end])).tolist()
        locator.IntersectWithLine(ends[0], ends[1], struck, None)
        if struck.GetNumberOfPoints():
            return True
    return False


def _locator(prop: Prop) -> vtkStaticCellLocator:
    """Finds what a line strikes, its tree built once for all the lines that are tried."""
    locator = vtkStaticCellLocator()
    locator.SetDataSet(prop.mesh)
    locator.BuildLocator()
    return locator
