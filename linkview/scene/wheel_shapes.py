"""Tyre, rim and hub for looking at. The tyre's outside is the very section that gaps measure;
grooves only take away from it, and the spokes start in the solid disc that gaps measure and curve
outboard from it.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pyvista as pv

from linkview.geometry import Array, perpendicular, unit
from linkview.model.bodies import Revolved
from linkview.model.parts import Rim, Wheel
from linkview.model.wheels import (
    BARREL_WALL_MM,
    DISC_MM,
    FLANGE_HEIGHT_MM,
    FLANGE_MM,
    rim_body,
    rim_diameter_mm,
    tyre_body,
)
from linkview.scene.primitives import (
    built_of,
    capsule,
    cylinder,
    ring,
    rounded_section,
    shaded,
    turned,
)
from linkview.units import inch_to_mm

GROOVE_DEPTH_MM, GROOVE_MM, GROOVES = 7.0, 9.0, 4
SPOKES = 7
_ROUND = 96  # points round a tyre: its chords leave the true circle by 0.17 mm


def stands_for_wheel(body: Revolved, wheel: Wheel) -> bool:
    """Whether a body is the wheel's own tyre or rim, which are drawn here in more detail."""
    own = (tyre_body(wheel, body.axis), rim_body(wheel, body.axis))
    return body.part == own[0].part and any(
        len(body.profiles) == len(solid.profiles)
        and all(
            a.corners.shape == b.corners.shape and np.allclose(a.corners, b.corners)
            for a, b in zip(body.profiles, solid.profiles, strict=True)
        )
        for solid in own
    )


def tyre(wheel: Wheel, outboard: Array) -> pv.PolyData:
    """The tyre: rounded section, circumferential grooves, a fitting line on each wall."""
    (profile,) = tyre_body(wheel, outboard).profiles
    section = rounded_section(profile.corners, profile.rounding_mm)
    wide, top = section.max(axis=0)
    lowest, highest = profile.corners[:, 1].min(), profile.corners[:, 1].max()
    flat = float(profile.corners[:, 0].max())
    ring = lowest + 0.3 * (highest - lowest)
    lines = np.array(
        [[wide, ring - 3], [wide - 2, ring - 1], [wide - 2, ring + 1], [wide, ring + 3]]
    )
    pieces = []
    for place in section:
        pieces.append(place[None])
        on_tread = place[1] > top - 1e-9 and place[0] > 0.0
        if on_tread and abs(place[0] - flat) < 1e-9:
            pieces.append(_grooves(flat, float(top)))
        elif abs(place[0] - wide) < 1e-9 and abs(place[1] - lowest) < 1e-9:
            pieces.append(lines)
        elif abs(place[0] + wide) < 1e-9 and abs(place[1] - highest) < 1e-9:
            pieces.append(lines[::-1] * [-1.0, 1.0])
    return turned(np.concatenate(pieces), wheel.centre, outboard, count=_ROUND)


def _grooves(flat: float, top: float) -> Array:
    """The tread's grooves as points (k, 2), running from + to - along the axis."""
    half, cut = GROOVE_MM / 2.0, top - GROOVE_DEPTH_MM
    places = np.linspace(0.76, -0.76, GROOVES) * flat
    points = [
        [[p + half, top], [p + half - 1.5, cut], [p - half + 1.5, cut], [p - half, top]]
        for p in places
    ]
    return np.array(points).reshape(-1, 2)


def rim(wheel: Wheel, outboard: Array) -> pv.PolyData:
    """Barrel, lips, spokes and centre of our own plain pattern, at the rim's own offset."""
    half = inch_to_mm(wheel.rim.width_in) / 2.0
    seat = rim_diameter_mm(wheel.rim.diameter_in) / 2.0
    bore, lip, end = seat - BARREL_WALL_MM, seat + FLANGE_HEIGHT_MM, half + FLANGE_MM
    section = [[-end, bore], [end, bore], [end, lip - 3], [end - 3, lip], [half, lip], [half, seat]]
    section += [[-half, seat], [-half, lip], [3 - end, lip], [-end, lip - 3]]
    barrel = turned(np.array(section), wheel.centre, outboard, count=84)
    face = wheel.centre + wheel.rim.offset_mm * outboard
    back = face + DISC_MM * outboard
    hub = cylinder(face, back, 74.0, end_radius=66.0)
    cap = cylinder(back - 4.0 * outboard, back + 3.0 * outboard, 27.0, end_radius=24.0)
    up = perpendicular(outboard)
    across = np.cross(outboard, up)
    rows = _spoke_rows(wheel.rim, bore, end)
    spokes, nuts = [], []
    for k in range(SPOKES):
        turn = 2.0 * np.pi * k / SPOKES
        out = np.cos(turn) * up + np.sin(turn) * across
        spokes.append(_spoke(face, outboard, out, rows))
    for k in range(5):
        turn = 2.0 * np.pi * k / 5.0
        at = back + 54.0 * (np.cos(turn) * up + np.sin(turn) * across)
        nuts.append(cylinder(at - 10.0 * outboard, at + 5.0 * outboard, 9.0, count=6))
    return built_of([barrel, hub, cap, *spokes, *nuts])


def _spoke_rows(rim: Rim, bore: float, end: float) -> list[tuple[float, float, float, float]]:
    """Radius, half width, thickness and how far outboard of the face, along a spoke.

    The file's own profile where there is one; else curving out from the hub to the lip.
    """
    if rim.spokes:
        back = rim.offset_mm + rim.spoke_mm / 2.0
        width = np.linspace(25.0, 17.0, len(rim.spokes))
        return [
            (r, float(w), rim.spoke_mm, out - back)
            for (out, r), w in zip(rim.spokes, width, strict=True)
        ]
    dish = max(end - rim.offset_mm - DISC_MM - 12.0, 0.0)
    return [
        (48.0, 25.0, DISC_MM, 0.0),
        (0.45 * bore, 17.0, DISC_MM - 2.0, 0.12 * dish),
        (0.75 * bore, 14.0, DISC_MM - 3.0, 0.52 * dish),
        (bore - 10.0, 15.0, DISC_MM - 2.0, 0.92 * dish),
        (bore + 3.0, 26.0, DISC_MM, dish),
    ]


def _spoke(
    face: Array, outboard: Array, out: Array, rows: Sequence[tuple[float, float, float, float]]
) -> pv.PolyData:
    """One spoke: a tapered bar with a raised back."""
    side = np.cross(outboard, out)
    rings = []
    for radius, width, thick, forward in rows:
        middle = face + radius * out + forward * outboard
        rings.append(
            [
                middle - width * side,
                middle + width * side,
                middle + width * side + 0.55 * thick * outboard,
                middle + 0.62 * width * side + thick * outboard,
                middle - 0.62 * width * side + thick * outboard,
                middle - width * side + 0.55 * thick * outboard,
            ]
        )
    n = len(rings[0])
    faces = [
        f
        for i in range(len(rings) - 1)
        for j in range(n)
        for a, b in [(i * n + j, i * n + (j + 1) % n)]
        for f in ([a, b, b + n], [a, b + n, a + n])
    ]
    last = n * (len(rings) - 1)
    caps = [f for k in range(1, n - 1) for f in ([0, k + 1, k], [last, last + k, last + k + 1])]
    return shaded(np.array(rings).reshape(-1, 3), np.array(faces + caps))


def knuckle(centre: Array, outboard: Array, joints: Array) -> pv.PolyData:
    """A hub carrier in outline: bearing, flange and a limb to each joint (k, 3).

    For orientation only: the file gives no shape for it, so no gap is measured to it.
    """
    back, front = centre - 48.0 * outboard, centre + 22.0 * outboard
    parts = [
        cylinder(back, front, 52.0, end_radius=46.0),
        ring(front, outboard, inner=20.0, outer=68.0, half_width=6.0),
    ]
    root = centre - 16.0 * outboard
    for joint in joints:
        away = unit(joint - root)
        start = root + 26.0 * away
        parts += [_limb(start, joint, 23.0, 13.0), capsule(joint, joint, 15.0, count=20)]
    return built_of(parts)


def _limb(a: Array, b: Array, radius_a: float, radius_b: float) -> pv.PolyData:
    reach = float(np.linalg.norm(b - a))
    along = np.array([0.0, 0.45, 0.8, 1.0])
    radius = np.interp(
        along, [0.0, 0.45, 0.8, 1.0], [radius_a, 0.72 * radius_a, radius_b, radius_b]
    )
    line = np.stack([reach * along, radius], -1)
    section = np.concatenate([[[0.0, 0.0], [reach, 0.0]], line[::-1]])
    return turned(section, a, b - a, count=24)
