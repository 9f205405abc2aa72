"""What is cut inside an outline: round holes, slots straight and curved, openings of any shape.

Every one has its `loop`, a `use` for the drawing, `width_mm` (its narrowest), `middle` (2,), and
`mirrored()`, itself on the turned-over plate.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import TypeAlias

import numpy as np

from linkview.geometry import Array, frozen
from linkview.plates.corners import curved_slot
from linkview.plates.outline import Contour, circle, flipped, slot
from linkview.units import to_rad


def flip(p: Array) -> Array:
    """A place (2,) of the plate on its mirror image."""
    return frozen(p * np.array([-1.0, 1.0]))


@dataclass(frozen=True, eq=False)
class Hole:
    """A round hole: centre (2,) mm in the plate. use: what goes through it.

    bolted: False for a bore or opening that no bolt presses on.
    """

    centre: Array
    diameter_mm: float
    use: str
    bolted: bool = True

    @cached_property
    def loop(self) -> Contour:
        return circle(self.centre, self.diameter_mm / 2.0)

    @property
    def middle(self) -> Array:
        return self.centre

    @property
    def width_mm(self) -> float:
        return self.diameter_mm

    def mirrored(self) -> Hole:
        return replace(self, centre=flip(self.centre))


@dataclass(frozen=True, eq=False)
class Slot:
    """An obround between start and end (2,) mm: all within width_mm / 2 of the line between.

    bolted: whether a bolt in it carries load, so that the edge rules for slotted holes apply.
    """

    start: Array
    end: Array
    width_mm: float
    use: str
    bolted: bool

    @cached_property
    def loop(self) -> Contour:
        return slot(self.start, self.end, self.width_mm)

    @property
    def middle(self) -> Array:
        return frozen((self.start + self.end) / 2.0)

    def mirrored(self) -> Slot:
        return replace(self, start=flip(self.start), end=flip(self.end))


@dataclass(frozen=True, eq=False)
class CurvedSlot:
    """All within width_mm / 2 of an arc about centre (2,), counter-clockwise from .. to."""

    centre: Array
    radius_mm: float
    from_deg: float
    to_deg: float
    width_mm: float
    use: str
    bolted: bool

    @cached_property
    def loop(self) -> Contour:
        ends = float(to_rad(self.from_deg)), float(to_rad(self.to_deg))
        return curved_slot(self.centre, self.radius_mm, *ends, self.width_mm)

    @property
    def middle(self) -> Array:
        angle = to_rad((self.from_deg + self.to_deg) / 2.0)
        return frozen(self.centre + self.radius_mm * np.array([np.cos(angle), np.sin(angle)]))

    def mirrored(self) -> CurvedSlot:
        ends = 180.0 - self.to_deg, 180.0 - self.from_deg
        return replace(self, centre=flip(self.centre), from_deg=ends[0], to_deg=ends[1])


@dataclass(frozen=True, eq=False)
class Opening:
    """A cut-out of any shape, such as the slot for a tab; middle (2,) lies inside it."""

    loop: Contour
    middle: Array
    width_mm: float
    use: str
    bolted: bool = False

    def mirrored(self) -> Opening:
        return replace(self, loop=flipped(self.loop), middle=flip(self.middle))


Cutout: TypeAlias = Hole | Slot | CurvedSlot | Opening
