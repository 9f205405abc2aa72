"""Straight lines and true arcs in the plane, and the exact distance between them.

Points are complex numbers x + iy in mm, so that turning is multiplying:

    cross(u, v) = (u* v).imag      dot(u, v) = (u* v).real      u* = conjugate

Every distance here is between real points of the two edges, found from end points and common
normals: nothing is sampled, so a web of 1.8 mm reads 1.8 mm. An edge runs from `a` to `b`.
"""

from __future__ import annotations

import cmath
import math
from dataclasses import dataclass
from typing import TypeAlias

# Two points nearer than this are one point: far below any cut, far above round-off at 1 m.
SAME_MM = 1e-7
_ANGLE_SLACK_RAD = 1e-12


@dataclass(frozen=True)
class Line:
    """A straight edge."""

    a: complex
    b: complex

    @property
    def length_mm(self) -> float:
        return abs(self.b - self.a)


@dataclass(frozen=True)
class Arc:
    """A circular edge about `centre`; sweep_rad + counter-clockwise, under a full turn."""

    a: complex
    b: complex
    centre: complex
    radius: float
    sweep_rad: float

    @property
    def length_mm(self) -> float:
        return self.radius * abs(self.sweep_rad)

    def spans(self, p: complex) -> bool:
        """Whether the ray from the centre through p meets the arc."""
        turned = cmath.phase((p - self.centre) / (self.a - self.centre))
        along = math.copysign(1.0, self.sweep_rad) * turned
        swept = abs(self.sweep_rad) + _ANGLE_SLACK_RAD
        return along % math.tau <= swept or -_ANGLE_SLACK_RAD <= along <= 0.0

    def at(self, fraction: float) -> complex:
        """The point at a fraction 0..1 of the way along."""
        return self.centre + (self.a - self.centre) * cmath.exp(1j * fraction * self.sweep_rad)


Edge: TypeAlias = Line | Arc


def edge(a: complex, b: complex, bulge: float) -> Edge:
    """The edge from a to b; bulge = tan(sweep / 4), + counter-clockwise, 0 a straight line.

    Source: DXF reference, LWPOLYLINE, group code 42.
    """
    if bulge == 0.0:
        return Line(a, b)
    chord = b - a
    centre = (a + b) / 2.0 + 1j * chord * (1.0 - bulge * bulge) / (4.0 * bulge)
    radius = abs(chord) * (1.0 + bulge * bulge) / (4.0 * abs(bulge))
    return Arc(a, b, centre, radius, 4.0 * math.atan(bulge))


def nearest_on(e: Edge, p: complex) -> complex:
    """The point of an edge nearest to p."""
    if isinstance(e, Line):
        along = e.b - e.a
        squared = abs(along) ** 2
        t = (along.conjugate() * (p - e.a)).real / squared if squared > 0.0 else 0.0
        return e.a + min(max(t, 0.0), 1.0) * along
    ray = p - e.centre
    if abs(ray) > 0.0 and e.spans(p):
        return e.centre + ray * (e.radius / abs(ray))
    return e.a if abs(p - e.a) <= abs(p - e.b) else e.b


def reach(e: Edge, p: complex) -> float:
    """Distance in mm from p to an edge."""
    return abs(p - nearest_on(e, p))


def crossings(e: Edge, f: Edge) -> tuple[complex, ...]:
    """The points where two edges cross; edges lying on each other give none."""
    if isinstance(e, Line) and isinstance(f, Line):
        return _line_line(e, f)
    if isinstance(e, Line) and isinstance(f, Arc):
        return _line_arc(e, f)
    if isinstance(e, Arc) and isinstance(f, Line):
        return _line_arc(f, e)
    assert isinstance(e, Arc)
    assert isinstance(f, Arc)
    return _arc_arc(e, f)


def _line_line(e: Line, f: Line) -> tuple[complex, ...]:
    u, v, across = e.b - e.a, f.b - f.a, f.a - e.a
    area = (u.conjugate() * v).imag
    if abs(area) <= 1e-14 * abs(u) * abs(v):
        return ()
    s = (across.conjugate() * v).imag / area
    t = (across.conjugate() * u).imag / area
    return (e.a + s * u,) if 0.0 <= s <= 1.0 and 0.0 <= t <= 1.0 else ()


def _line_arc(e: Line, f: Arc) -> tuple[complex, ...]:
    if e.length_mm == 0.0:
        return ()
    u = (e.b - e.a) / e.length_mm
    foot = (u.conjugate() * (f.centre - e.a)).real
    height = (u.conjugate() * (f.centre - e.a)).imag
    half = f.radius**2 - height**2
    if half < 0.0:
        return ()
    along = {foot - math.sqrt(half), foot + math.sqrt(half)}
    hits = (e.a + s * u for s in sorted(along) if 0.0 <= s <= e.length_mm)
    return tuple(p for p in hits if f.spans(p))


def _arc_arc(e: Arc, f: Arc) -> tuple[complex, ...]:
    apart = f.centre - e.centre
    d = abs(apart)
    if d <= SAME_MM:
        return ()
    along = (d * d + e.radius**2 - f.radius**2) / (2.0 * d)
    half = e.radius**2 - along**2
    if half < 0.0:
        return ()
    u = apart / d
    hits = (e.centre + u * complex(along, side * math.sqrt(half)) for side in (-1.0, 1.0))
    return tuple(p for p in hits if e.spans(p) and f.spans(p))


def gap(e: Edge, f: Edge) -> float:
    """Shortest distance in mm between two edges; 0 where they cross or touch."""
    if crossings(e, f):
        return 0.0
    found = min(reach(f, e.a), reach(f, e.b), reach(e, f.a), reach(e, f.b))
    for near_e, near_f in _common_normals(e, f):
        found = min(found, abs(near_e - near_f))
    return found


def _common_normals(e: Edge, f: Edge) -> tuple[tuple[complex, complex], ...]:
    """Pairs of points, one on each edge, joined by a line square to both."""
    if isinstance(e, Line) and isinstance(f, Arc):
        foot = nearest_on(e, f.centre)
        return ((foot, nearest_on(f, foot)),)
    if isinstance(e, Arc) and isinstance(f, Line):
        foot = nearest_on(f, e.centre)
        return ((nearest_on(e, foot), foot),)
    if isinstance(e, Arc) and isinstance(f, Arc):
        apart = f.centre - e.centre
        if abs(apart) <= SAME_MM:
            return ()
        u = apart / abs(apart)
        on_e = [p for s in (-1.0, 1.0) if e.spans(p := e.centre + s * e.radius * u)]
        on_f = [p for s in (-1.0, 1.0) if f.spans(p := f.centre + s * f.radius * u)]
        return tuple((p, q) for p in on_e for q in on_f)
    return ()
