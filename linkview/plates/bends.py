"""Bend lines: where a flat blank is folded, and how much of it the bend takes up.

    allowance L = angle (r + k t)   angle turned, inside radius r, thickness t; k the share of the
                                    thickness at which the sheet keeps its length
    setback   S = (r + t) tan(angle / 2)   tangent line to the outside corner of the two legs,
              s = r tan(angle / 2)         to their inside corner; past 90 deg the corners run
                                           away, so legs are measured to the bend's outermost
                                           line: S = r + t, s = r

L is the arc of the neutral line; k is measured on a test bend, about 0.33 to 0.5 (common
practice): copies of DIN 6935 contradict each other, so k is always the builder's own number.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from linkview.geometry import Array, frozen
from linkview.plates.cutouts import flip
from linkview.plates.edges import Line, crossings
from linkview.plates.outline import Contour, contains
from linkview.units import to_rad


@dataclass(frozen=True, eq=False)
class Bend:
    """The middle line of a bend, start to end (2,) mm; angle_deg turned out of flat, + toward the
    good face. radius_mm: inside. k: see above.
    """

    start: Array
    end: Array
    angle_deg: float
    radius_mm: float
    k: float

    def allowance_mm(self, thickness_mm: float) -> float:
        return allowance_mm(abs(self.angle_deg), self.radius_mm, thickness_mm, self.k)

    def setback_mm(self, thickness_mm: float) -> float:
        """S: what a leg measures outside beyond its flat part."""
        return (self.radius_mm + thickness_mm) * self._corner

    def inside_setback_mm(self) -> float:
        """s: the same, inside."""
        return self.radius_mm * self._corner

    @property
    def _corner(self) -> float:
        return math.tan(float(to_rad(min(abs(self.angle_deg), 90.0))) / 2.0)

    @property
    def measured_to(self) -> str:
        """Where a leg's outside and inside dimensions end."""
        return "corner" if abs(self.angle_deg) <= 90.0 else "outermost line"

    @property
    def words(self) -> str:
        way = "up, toward the good face" if self.angle_deg > 0.0 else "down, away from it"
        return f"bend {abs(self.angle_deg):g} deg {way}, inside radius {self.radius_mm:g} mm"

    def trimmed(self, outline: Contour) -> Bend:
        """Its line no longer than the blank: what runs past it would lie in the next part."""
        start, end = complex(*self.start), complex(*self.end)
        hits = [p for e in outline.edges for p in crossings(Line(start, end), e)]
        if abs(end - start) == 0.0 or not hits:
            return self
        along = [abs(p - start) for p in hits]
        ends = {
            name: place if contains(outline, place) else frozen([p.real, p.imag])
            for name, place, p in (
                ("start", self.start, hits[int(np.argmin(along))]),
                ("end", self.end, hits[int(np.argmax(along))]),
            )
        }
        return replace(self, start=ends["start"], end=ends["end"])

    def mirrored(self) -> Bend:
        return replace(self, start=flip(self.start), end=flip(self.end))


def allowance_mm(angle_deg: float, radius_mm: float, thickness_mm: float, k: float) -> float:
    """Length of flat sheet that a bend takes up. Source: the neutral line's arc."""
    return float(to_rad(angle_deg)) * (radius_mm + k * thickness_mm)


def flat_length_mm(legs_mm: tuple[float, float], bend: Bend, thickness_mm: float) -> float:
    """Developed length of two legs measured to their outside corner."""
    lost = 2.0 * bend.setback_mm(thickness_mm) - bend.allowance_mm(thickness_mm)
    return sum(legs_mm) - lost


def outside_leg_mm(flat_mm: float, bend: Bend, thickness_mm: float) -> float:
    """What a leg measures to the outside corner, from the flat edge to the bend's middle line."""
    return flat_mm - bend.allowance_mm(thickness_mm) / 2.0 + bend.setback_mm(thickness_mm)
