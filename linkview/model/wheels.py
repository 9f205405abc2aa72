"""Tyre size codes, and tyre and rim as solids of revolution."""

from __future__ import annotations

import re
from itertools import pairwise

import numpy as np

from linkview.geometry import Array, frozen
from linkview.model.bodies import Profile, Revolved
from linkview.model.parts import Rim, Tyre, Wheel
from linkview.units import MM_PER_INCH, inch_to_mm

# Rim diameters in mm by code; rim 15 and 16 to 18: UN Regulation 30 (from memory, 15 read).
RIM_DIAMETER_MM = {15: 381.0, 16: 406.0, 17: 432.0, 18: 457.0}
# Measuring-rim width as a share of section width, by aspect ratio (from memory).
_RIM_SHARE = ((75, 0.70), (60, 0.75), (50, 0.80), (45, 0.85), (30, 0.90), (0, 0.92))
_CODE = re.compile(r"^\s*(\d{3})\s*/\s*(\d{2})\s*Z?R\s*(\d{2}(?:\.\d)?)\b.*$", re.IGNORECASE)

# A rim's metal, common practice where the builder gives none: wall of the barrel with its drop,
# thickness of a flange, and its height over the seat (J flange 17.5 mm, from memory).
BARREL_WALL_MM, FLANGE_MM, FLANGE_HEIGHT_MM, DISC_MM = 10.0, 8.0, 17.5, 18.0


def tyre_of_code(code: str, rim_width_in: float | None = None) -> tuple[Tyre, float]:
    """A tyre and its rim diameter in inches from a size code such as '225/45R17'.

    The outer diameter is d + 2 H, H the width times the aspect ratio, to whole mm with a half
    taken down, which gives both published diameters in the tests. The width is corrected to the
    rim fitted by 0.4 mm per mm of rim (UN Regulation 30, 6.1.1.1). The shoulder radius is an
    eighth of the width (common practice). Raises ValueError on another form of code.
    """
    found = _CODE.match(code)
    if not found:
        raise ValueError("a size code looks like '225/45R17'")
    width, aspect, rim_in = float(found[1]), float(found[2]), float(found[3])
    rim = rim_diameter_mm(rim_in)
    diameter = float(np.ceil(rim + 2.0 * width * aspect / 100.0 - 0.5))
    if rim_width_in is not None:
        share = next(s for least, s in _RIM_SHARE if aspect >= least)
        measuring_in = round(width * share / MM_PER_INCH * 2.0) / 2.0
        width += 0.4 * inch_to_mm(rim_width_in - measuring_in)
    tyre = Tyre(diameter / 2.0, rim / 2.0, width / 2.0, width / 8.0, code.strip())
    return tyre, rim_in


def rim_diameter_mm(diameter_in: float) -> float:
    """Nominal rim diameter over the bead seats, mm."""
    return RIM_DIAMETER_MM.get(int(diameter_in), round(inch_to_mm(diameter_in)))


def _rectangle(a0: float, a1: float, r0: float, r1: float) -> Array:
    return frozen([[a0, r0], [a1, r0], [a1, r1], [a0, r1]])


def tyre_body(wheel: Wheel, outboard: Array) -> Revolved:
    """The tyre as a ring with rounded edges; outboard (3,) unit along the spin axis.

    All four edges of the section carry the shoulder radius: at the bead the sidewall comes in to
    the rim, whose flange is a body of its own.
    """
    t = wheel.tyre
    shoulder = min(
        t.shoulder_radius_mm, t.half_width_mm, (t.outer_radius_mm - t.inner_radius_mm) / 2.0
    )
    w = t.half_width_mm - shoulder
    section = _rectangle(-w, w, t.inner_radius_mm + shoulder, t.outer_radius_mm - shoulder)
    return Revolved("tyre", "wheel", wheel.centre, frozen(outboard), (Profile(section, shoulder),))


def rim_body(wheel: Wheel, outboard: Array) -> Revolved:
    """The rim as a hollow barrel with flanges and a closed disc at the mounting face.

    The bore between barrel and disc is open, so that a joint inside the wheel is judged truly;
    the disc is solid where a real rim has spokes, which is on the safe side. Spokes with a profile
    of their own are what it sweeps as the wheel turns, round a hub as wide as where they begin.
    """
    rim = wheel.rim
    half = inch_to_mm(rim.width_in) / 2.0
    seat = rim_diameter_mm(rim.diameter_in) / 2.0
    bore, lip = seat - BARREL_WALL_MM, seat + FLANGE_HEIGHT_MM
    face = rim.offset_mm
    pieces = (
        _rectangle(-half - FLANGE_MM, half + FLANGE_MM, bore, seat),
        _rectangle(-half - FLANGE_MM, -half, bore, lip),
        _rectangle(half, half + FLANGE_MM, bore, lip),
        _rectangle(face, face + DISC_MM, 0.0, rim.spokes[0][1] if rim.spokes else bore),
    )
    profiles = tuple(Profile(piece) for piece in pieces) + tuple(
        Profile(frozen([a, b]), rim.spoke_mm / 2.0) for a, b in pairwise(rim.spokes)
    )
    return Revolved("rim", "wheel", wheel.centre, frozen(outboard), profiles)


def moved_by_fitting(before: Rim, after: Rim) -> float:
    """How far outboard the wheel centre goes, mm, when spacer or offset change."""
    return (after.spacer_mm - before.spacer_mm) - (after.offset_mm - before.offset_mm)
