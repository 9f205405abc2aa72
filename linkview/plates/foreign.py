"""Contours from anybody's drawing -> plates that the shop's rules can judge."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from linkview.geometry import frozen
from linkview.plates.edges import Arc
from linkview.plates.outline import Contour, area_mm2, bounding_box, contains, edges, sampled
from linkview.plates.plate import Hole, Opening, Plate

SAME_BOLT_MM = 0.11  # a drawing's 10.5 may be 10.4 once it went through inches


def plates_of(
    contours: Sequence[Contour],
    *,
    name: str,
    thickness_mm: float,
    material: str,
    round_mm: float,
    bolts_mm: Sequence[float] = (),
) -> tuple[Plate, ...]:
    """One plate per outline, with what lies inside it cut out; parts inside holes count apart.

    round_mm: how far from round a cut-out may be and still be a hole.  bolts_mm: diameters of
    holes that take bolts, which no drawing tells; the rules for bolt holes are for these alone.
    """
    loops = [_counter_clockwise(loop) for loop in contours]
    order = sorted(range(len(loops)), key=lambda i: -area_mm2(loops[i]))
    depth: dict[int, int] = {}
    owner: dict[int, int] = {}
    for k, i in enumerate(order):
        round_it = [j for j in order[:k] if contains(loops[j], loops[i].points[0])]
        depth[i] = len(round_it)
        if round_it:
            owner[i] = round_it[-1]
    out = []
    outlines = [i for i in order if depth[i] % 2 == 0]
    for number, i in enumerate(outlines, start=1):
        inner = [loops[j] for j in order if owner.get(j) == i and depth[j] == depth[i] + 1]
        many = f"{name}_{number}" if len(outlines) > 1 else name
        plate = _plate(many, loops[i], inner, thickness_mm, material, round_mm)
        out.append(replace(plate, holes=tuple(_bolted(hole, bolts_mm) for hole in plate.holes)))
    return tuple(out)


def _bolted(hole: Hole, bolts_mm: Sequence[float]) -> Hole:
    taken = any(abs(hole.diameter_mm - d) <= SAME_BOLT_MM for d in bolts_mm)
    return replace(hole, bolted=taken, use="bolt hole" if taken else "round hole")


def _counter_clockwise(loop: Contour) -> Contour:
    if area_mm2(loop) >= 0.0:
        return loop
    return Contour(frozen(loop.points[::-1]), frozen(-np.roll(loop.bulges[::-1], -1)))


def _plate(
    name: str,
    outline: Contour,
    inner: Sequence[Contour],
    thickness_mm: float,
    material: str,
    round_mm: float,
) -> Plate:
    holes, slots = [], []
    for loop in inner:
        hole = _as_hole(loop, round_mm)
        if hole is not None:
            holes.append(hole)
        else:
            left, low, right, high = bounding_box(loop)
            middle = frozen([(left + right) / 2.0, (low + high) / 2.0])
            slots.append(Opening(loop, middle, _narrowest(loop), "opening"))
    return Plate(
        name=name,
        kind="drawing",
        outline=outline,
        holes=tuple(holes),
        slots=tuple(slots),
        texts=(),
        crosses=(),
        thickness_mm=thickness_mm,
        material=material,
        quantity=1,
        mirrored=0,
        placement=frozen(np.eye(4)),
        also_at=(),
        part="body",
        pins=(),
    )


def _as_hole(loop: Contour, round_mm: float) -> Hole | None:
    """A circle, where every edge is an arc about one centre with one radius."""
    arcs = edges(loop)
    if not all(isinstance(e, Arc) for e in arcs):
        return None
    left, low, right, high = bounding_box(loop)
    centre = complex((left + right) / 2.0, (low + high) / 2.0)
    radius = (right - left + high - low) / 4.0
    for e in arcs:
        assert isinstance(e, Arc)
        if abs(e.centre - centre) > round_mm or abs(e.radius - radius) > round_mm:
            return None
    return Hole(frozen([centre.real, centre.imag]), 2.0 * radius, "round hole")


def _narrowest(loop: Contour) -> float:
    """Least width between two parallel lines that hold the loop, over its own directions."""
    spots = sampled(loop, error_mm=0.05)
    ways = np.roll(spots, -1, axis=0) - spots
    ways = ways[np.linalg.norm(ways, axis=1) > 1e-9]
    ways = ways / np.linalg.norm(ways, axis=1, keepdims=True)
    across = np.column_stack([-ways[:, 1], ways[:, 0]])
    reach = spots @ across.T
    return float((reach.max(axis=0) - reach.min(axis=0)).min())
