"""Changes to a contour's corners and edges: fillets, dog-bones, tabs, notches; still true arcs.

Corner i is the vertex between edge i - 1 and edge i. Metal lies left of an outline, right of an
inner loop, both drawn counter-clockwise.
"""

from __future__ import annotations

import cmath
import math
from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import ArrayLike

from linkview.errors import PlateRefused
from linkview.plates.edges import SAME_MM, Arc, Edge, Line
from linkview.plates.outline import Contour, contour, edges, polygon


def bulge_of(e: Edge) -> float:
    """tan(sweep / 4), 0 for a straight line."""
    return math.tan(e.sweep_rad / 4.0) if isinstance(e, Arc) else 0.0


def heading(e: Edge, p: complex) -> complex:
    """Unit direction of travel along an edge's line or circle at a point of it."""
    if isinstance(e, Line):
        return (e.b - e.a) / abs(e.b - e.a)
    ray = (p - e.centre) / abs(p - e.centre)
    return ray * (1j if e.sweep_rad > 0.0 else -1j)


def shifted(e: Edge, right_mm: float) -> Edge | None:
    """The edge moved to its right (of travel), all points by the same distance; None if it folds.

    A negative distance moves it to its left.
    """
    if isinstance(e, Line):
        by = heading(e, e.a) * -1j * right_mm
        return Line(e.a + by, e.b + by)
    radius = e.radius + math.copysign(1.0, e.sweep_rad) * right_mm
    if radius <= SAME_MM:
        return None
    grow = radius / e.radius
    a, b = (e.centre + (p - e.centre) * grow for p in (e.a, e.b))
    return Arc(a, b, e.centre, radius, e.sweep_rad)


def trimmed(e: Edge, a: complex, b: complex) -> Edge:
    """The part of an edge from a to b, both on it and in its own order."""
    if isinstance(e, Line):
        return Line(a, b)
    turn = cmath.phase((b - e.centre) / (a - e.centre))
    sweep = turn % math.tau if e.sweep_rad > 0.0 else -(-turn % math.tau)
    return Arc(a, b, e.centre, e.radius, sweep)


def from_edges(pieces: Sequence[Edge]) -> Contour:
    """A contour of edges that follow each other, the last closing to the first."""
    points = [[e.a.real, e.a.imag] for e in pieces]
    return contour(points, [bulge_of(e) for e in pieces])


def filleted(loop: Contour, radii: Mapping[int, float]) -> Contour:
    """Corners rounded by true arcs tangent to both edges. radii: corner -> mm.

    Raises PlateRefused where a fillet is larger than its edges allow.
    """
    pieces = list(edges(loop))
    extra: dict[int, Edge] = {}
    for i, radius in radii.items():
        before, after = (i - 1) % len(pieces), i % len(pieces)
        e, f = pieces[before], pieces[after]
        arc = _fillet(e, f, radius)
        if arc is None or not _on(e, arc.a) or not _on(f, arc.b):
            at = f.a
            room = min(e.length_mm, f.length_mm)
            raise PlateRefused(
                f"fillet = {radius:g} at corner {i} ({at.real:.1f}, {at.imag:.1f}): its edges are "
                f"too short for it (the shorter has {room:.1f} mm left); use a smaller fillet"
            )
        pieces[before], pieces[after] = trimmed(e, e.a, arc.a), trimmed(f, arc.b, f.b)
        extra[after] = arc
    out: list[Edge] = []
    for i, piece in enumerate(pieces):
        out += [extra[i]] if i in extra else []
        out += [piece] if piece.length_mm > SAME_MM else []
    return from_edges(out)


def _fillet(e: Edge, f: Edge, radius: float) -> Arc | None:
    corner = f.a
    turn = cmath.phase(heading(f, corner) / heading(e, corner))
    if abs(turn) < 1e-6 or radius <= 0.0:
        return None
    left = math.copysign(radius, turn)
    near, far = shifted(e, -left), shifted(f, -left)
    if near is None or far is None:
        return None
    centres = carriers_meet(near, far)
    if not centres:
        return None
    centre = min(centres, key=lambda c: abs(c - corner))
    a, b = _foot(e, centre), _foot(f, centre)
    sweep = cmath.phase((b - centre) / (a - centre))
    if sweep * turn < 0.0:
        sweep += math.copysign(math.tau, turn)
    return Arc(a, b, centre, radius, sweep)


def _foot(e: Edge, p: complex) -> complex:
    """The point of an edge's whole line or circle nearest to p."""
    if isinstance(e, Line):
        u = heading(e, e.a)
        return e.a + u * (u.conjugate() * (p - e.a)).real
    return e.centre + (p - e.centre) * (e.radius / abs(p - e.centre))


def _on(e: Edge, p: complex) -> bool:
    if isinstance(e, Line):
        along = (heading(e, e.a).conjugate() * (p - e.a)).real
        return -SAME_MM <= along <= e.length_mm + SAME_MM
    return e.spans(p) or min(abs(p - e.a), abs(p - e.b)) <= SAME_MM


def carriers_meet(e: Edge, f: Edge) -> tuple[complex, ...]:
    """Where the whole lines or circles that two edges lie on meet."""
    if isinstance(e, Line) and isinstance(f, Line):
        u, v = heading(e, e.a), heading(f, f.a)
        area = (u.conjugate() * v).imag
        if abs(area) < 1e-12:
            return ()
        return (e.a + u * (((f.a - e.a).conjugate() * v).imag / area),)
    if isinstance(e, Line) and isinstance(f, Arc):
        u = heading(e, e.a)
        foot = (u.conjugate() * (f.centre - e.a)).real
        half = f.radius**2 - (u.conjugate() * (f.centre - e.a)).imag ** 2
        return tuple(e.a + u * (foot + s * math.sqrt(half)) for s in (-1, 1) if half >= 0.0)
    if isinstance(e, Arc) and isinstance(f, Line):
        return carriers_meet(f, e)
    assert isinstance(e, Arc)
    assert isinstance(f, Arc)
    d = abs(f.centre - e.centre)
    if d <= SAME_MM:
        return ()
    along = (d * d + e.radius**2 - f.radius**2) / (2.0 * d)
    half = e.radius**2 - along**2
    u = (f.centre - e.centre) / d
    return tuple(e.centre + u * complex(along, s * math.sqrt(half)) for s in (-1, 1) if half >= 0)


def dog_boned(loop: Contour, corners: Sequence[int], radius_mm: float) -> Contour:
    """Corners between straight edges cut out by a circle through the corner point.

    So that a square-cornered part seats though the cut leaves a radius. The circle's middle lies
    on the bisector, on the open side of the corner.
    """
    pieces = list(edges(loop))
    extra: dict[int, Edge] = {}
    for i in corners:
        before, after = (i - 1) % len(pieces), i % len(pieces)
        e, f = pieces[before], pieces[after]
        corner = f.a
        back, on = -heading(e, corner), heading(f, corner)
        half = abs(cmath.phase(on / back)) / 2.0
        away = 2.0 * radius_mm * math.cos(half)
        if isinstance(e, Arc) or isinstance(f, Arc) or away > min(e.length_mm, f.length_mm):
            raise PlateRefused(
                f"dog-bone of radius {radius_mm:g} at corner {i} ({corner.real:.1f}, "
                f"{corner.imag:.1f}): it needs {away:.1f} mm of straight edge on both sides; use a "
                "smaller radius"
            )
        sweep = math.copysign(math.tau - 4.0 * half, cmath.phase(on / -back))
        centre = corner + radius_mm * (back + on) / abs(back + on)
        a, b = corner + away * back, corner + away * on
        pieces[before], pieces[after] = Line(e.a, a), Line(b, f.b)
        extra[after] = Arc(a, b, centre, radius_mm, sweep)
    out: list[Edge] = []
    for i, piece in enumerate(pieces):
        out += [extra[i]] if i in extra else []
        out += [piece] if piece.length_mm > SAME_MM else []
    return from_edges(out)


def with_tab(
    loop: Contour, index: int, *, middle_mm: float, width_mm: float, depth_mm: float
) -> Contour:
    """A rectangular tab on straight edge `index`, its middle so far along; a negative depth cuts
    a notch. The edge's number grows by four for what lies after the tab.
    """
    e = edges(loop)[index]
    first, last = middle_mm - width_mm / 2.0, middle_mm + width_mm / 2.0
    if isinstance(e, Arc) or first < SAME_MM or last > e.length_mm - SAME_MM:
        raise PlateRefused(
            f"tab of {width_mm:g} mm at {middle_mm:g} mm along edge {index}: the edge is "
            f"{e.length_mm:.1f} mm long and has to be straight; make the tab narrower or move it"
        )
    u = heading(e, e.a)
    out = -1j * u * depth_mm
    path = [e.a + u * first, e.a + u * first + out, e.a + u * last + out, e.a + u * last]
    points = np.insert(loop.points, index + 1, [[p.real, p.imag] for p in path], axis=0)
    bulges = np.insert(loop.bulges, index + 1, np.zeros(4))
    return Contour(points, bulges)


def with_round_notch(
    loop: Contour, index: int, *, middle_mm: float, radius_mm: float, depth_mm: float
) -> Contour:
    """A round tube's seat in straight edge `index`: an arc of the tube's radius, so deep."""
    e = edges(loop)[index]
    if not 0.0 < depth_mm <= radius_mm:
        raise PlateRefused(
            f"tube notch {depth_mm:g} mm deep: between 0 and the tube's radius {radius_mm:g} is "
            "possible; change the depth"
        )
    half = math.sqrt(radius_mm**2 - (radius_mm - depth_mm) ** 2)
    if isinstance(e, Arc) or middle_mm - half <= SAME_MM or middle_mm + half >= e.length_mm:
        raise PlateRefused(
            f"tube notch {2.0 * half:.1f} mm wide at {middle_mm:g} mm along edge {index}, which is "
            f"{e.length_mm:.1f} mm long; make the edge longer or the notch shallower"
        )
    u = heading(e, e.a)
    ends = [e.a + u * (middle_mm - half), e.a + u * (middle_mm + half)]
    turn = 2.0 * math.asin(min(half / radius_mm, 1.0))
    points = np.insert(loop.points, index + 1, [[p.real, p.imag] for p in ends], axis=0)
    bulges = np.insert(loop.bulges, index + 1, [-math.tan(turn / 4.0), 0.0])
    return Contour(points, bulges)


def tab_opening(
    centre: ArrayLike, along: ArrayLike, *, length_mm: float, width_mm: float, relief_mm: float
) -> Contour:
    """A slot for a tab: a rectangle with a dog-bone of this radius in each corner (0: none)."""
    c, u = complex(*np.asarray(centre, dtype=float)), complex(*np.asarray(along, dtype=float))
    u /= abs(u)
    half = length_mm / 2.0 * u, width_mm / 2.0 * 1j * u
    spots = [c + a * half[0] + b * half[1] for a, b in ((-1, -1), (1, -1), (1, 1), (-1, 1))]
    box = polygon([[p.real, p.imag] for p in spots])
    return dog_boned(box, range(4), relief_mm) if relief_mm > 0.0 else box


def curved_slot(
    centre: ArrayLike, radius_mm: float, from_rad: float, to_rad: float, width_mm: float
) -> Contour:
    """All points within width / 2 of an arc about `centre`, counter-clockwise from .. to."""
    c, sweep = complex(*np.asarray(centre, dtype=float)), to_rad - from_rad
    inner, outer = radius_mm - width_mm / 2.0, radius_mm + width_mm / 2.0
    tail = abs(cmath.exp(1j * sweep) - 1.0) * radius_mm
    if inner <= SAME_MM or not 0.0 < sweep < math.tau or (sweep > math.pi and tail <= width_mm):
        raise PlateRefused(
            f"curved slot of radius {radius_mm:g}, width {width_mm:g}, over "
            f"{math.degrees(sweep):.1f} deg: it would close on itself; use a larger radius, or end "
            "it earlier"
        )
    spots = [outer * cmath.exp(1j * from_rad), outer * cmath.exp(1j * to_rad)]
    spots += [inner * cmath.exp(1j * to_rad), inner * cmath.exp(1j * from_rad)]
    bulge = math.tan(sweep / 4.0)
    return contour([[(c + p).real, (c + p).imag] for p in spots], [bulge, 1.0, -bulge, 1.0])
