"""A flat blank with bend lines as the folded part: where every place of it comes to lie.

    zone   the strip of blank that a bend takes up, half its allowance each side of its line
    leg    what stays flat between zones; the one nearest x = y = 0 stands where the plate is placed
    s      distance into a zone from the leg it is folded from, 0 to the allowance L

In a zone the sheet runs round an axis beside the inner face. With r the inside radius, t the
thickness, w the height over the middle of the thickness (+ toward the inside), a point turns by
s / (r + k t) and lies r + t/2 - w from the axis; past the zone everything has turned by the whole
angle. The layer at k t from the inside keeps its length: the flat pattern's allowance.

Frame: the plate's own, mm; z toward the good face, to which a bend of + angle turns.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from linkview.geometry import Array, Index, apply, rigid, rotation_from_vector
from linkview.plates.bends import Bend
from linkview.plates.slicing import Sheet, nearest_triangle


@dataclass(frozen=True, eq=False)
class Zone:
    """One piece of a bend's strip, whose number from 0 is `number`.

    foot (2,): a point of the tangent line it is folded from; out (2,) unit, away from those legs.
    move (4, 4): theirs.  before, after: the numbers of the legs on both sides.
    """

    number: int
    bend: Bend
    thickness_mm: float
    foot: Array
    out: Array
    move: Array
    before: tuple[int, ...]
    after: tuple[int, ...]

    @property
    def length_mm(self) -> float:
        return self.bend.allowance_mm(self.thickness_mm)

    def turned_rad(self, s: Array) -> Array:
        return np.asarray(s / (self.bend.radius_mm + self.bend.k * self.thickness_mm))

    def into_mm(self, places: Array) -> Array:
        """s of places (..., 2) of the blank."""
        return np.asarray((places - self.foot) @ self.out)

    def carried(self, s: float) -> Array:
        """The move (4, 4) of the cross-section at s: back to the tangent line, then round."""
        sense = math.copysign(1.0, self.bend.angle_deg)
        axis = np.array([*self.foot, sense * (self.bend.radius_mm + self.thickness_mm / 2.0)])
        # A right-handed turn about this carries `out` toward z.
        about = sense * float(self.turned_rad(np.array(s))) * np.array([*self.out[::-1], 0.0])
        turn = rigid(rotation_from_vector(about * [1.0, -1.0, 0.0]), np.zeros(3))
        back = rigid(np.eye(3), -axis - s * np.array([*self.out, 0.0]))
        return np.asarray(self.move @ rigid(np.eye(3), axis) @ turn @ back)

    def folded(self, flat: Array) -> Array:
        """Places (n, 3) of this zone of the blank, folded: the same without matrices."""
        sense = math.copysign(1.0, self.bend.angle_deg)
        s = np.clip(self.into_mm(flat[:, :2]), 0.0, self.length_mm)
        middle = self.bend.radius_mm + self.thickness_mm / 2.0
        away, turned = middle - sense * flat[:, 2], self.turned_rad(s)
        in_sheet = flat[:, :2] + (away * np.sin(turned) - s)[:, None] * self.out
        height = sense * (middle - away * np.cos(turned))
        return apply(self.move, np.column_stack([in_sheet, height]))


@dataclass(frozen=True, eq=False)
class Fold:
    """sheet: the blank, sliced.  region (m,): for each triangle its leg, or -1 - its zone.

    moves (n, 4, 4): how each leg has been carried from where it lies in the blank.
    """

    sheet: Sheet
    region: Index
    moves: Array
    zones: tuple[Zone, ...]

    def at(self, place: Array) -> Array:
        """The rigid move (4, 4) of the sheet at a place (2,) of the blank, metal or hole.

        A hole that a bend runs through is taken at its middle.
        """
        place = np.asarray(place, dtype=float)
        region = int(self.region[nearest_triangle(self.sheet, place)])
        for zone in self.zones:
            if region in (-1 - zone.number, *zone.before, *zone.after):
                s = float(zone.into_mm(place))
                if 0.0 < s < zone.length_mm:
                    return zone.carried(s)
                if region < 0:
                    region = (zone.before if s <= 0.0 else zone.after)[0]
        return np.asarray(self.moves[region])

    def level(self, height_mm: float) -> Array:
        """Every vertex of the sheet (n, 3), folded, at this height over the middle."""
        flat = np.column_stack([self.sheet.vertices, np.full(len(self.sheet.vertices), height_mm)])
        out = flat.copy()
        for number, move in enumerate(self.moves):
            mine = np.unique(self.sheet.triangles[self.region == number])
            out[mine] = apply(move, flat[mine])
        for zone in self.zones:
            mine = np.unique(self.sheet.triangles[self.region == -1 - zone.number])
            out[mine] = zone.folded(flat[mine])
        return out
