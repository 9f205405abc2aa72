"""Brake disc and caliper as envelopes round the wheel's spin axis, in the car's frame, mm."""

from __future__ import annotations

import numpy as np

from linkview.geometry import Array, Index, Z, frozen, unit
from linkview.model.bodies import Facets, Profile, Revolved
from linkview.model.layout import KNUCKLE, WHEEL
from linkview.model.parts import Side, Wheel
from linkview.units import to_rad

_STEP_DEG = 6.0


def brake_disc(
    name: str, wheel: Wheel, side: Side, *, radius: float, thickness: float, offset: float
) -> Revolved:
    """A plain disc. offset: its middle outboard of the wheel centre."""
    w = thickness / 2.0
    profile = Profile(
        frozen([[offset - w, 0], [offset + w, 0], [offset + w, radius], [offset - w, radius]])
    )
    return Revolved(name, WHEEL, wheel.centre, frozen(side.outboard * wheel.spin_axis), (profile,))


def caliper(
    name: str,
    wheel: Wheel,
    side: Side,
    *,
    radii: tuple[float, float],
    outboard: tuple[float, float],
    angles_deg: tuple[float, float],
) -> Facets:
    """The block that holds the caliper: a part of a ring, on the knuckle.

    radii: inner, outer. outboard: from, to, of the wheel centre. angles: from, to, 0 ahead of the
    spin axis, 90 above it, rising. Its arcs are chords that stand outside the true ones.
    """
    out = side.outboard * wheel.spin_axis
    ahead = unit(np.cross(wheel.spin_axis, Z))
    up = np.cross(ahead, wheel.spin_axis)
    first, last = (float(to_rad(a)) for a in angles_deg)
    count = int(np.ceil((angles_deg[1] - angles_deg[0]) / _STEP_DEG)) + 1
    angle = np.linspace(first, last, count)
    spoke = np.cos(angle)[:, None] * ahead + np.sin(angle)[:, None] * up
    outer = radii[1] / np.cos((last - first) / (count - 1) / 2.0)
    section = [(radii[0], outboard[0]), (outer, outboard[0]), (outer, outboard[1]),
               (radii[0], outboard[1])]  # fmt: skip
    rings = np.stack([wheel.centre + r * spoke + a * out for r, a in section], axis=1)
    vertices = rings.reshape(-1, 3)
    triangles = []
    for i in range(count - 1):
        for j in range(4):
            a, b = 4 * i + j, 4 * i + (j + 1) % 4
            triangles += [[a, b, b + 4], [a, b + 4, a + 4]]
    end = 4 * (count - 1)
    triangles += [[0, 2, 1], [0, 3, 2], [end, end + 1, end + 2], [end, end + 2, end + 3]]
    faces = np.array(triangles, dtype=np.intp)
    if _volume(vertices, faces) < 0.0:
        faces = faces[:, ::-1].copy()
    faces.flags.writeable = False
    return Facets(name, KNUCKLE, frozen(vertices), faces)


def _volume(vertices: Array, faces: Index) -> float:
    a, b, c = (vertices[faces[:, k]] for k in range(3))
    return float(np.einsum("ij,ij->i", a, np.cross(b, c)).sum() / 6.0)
