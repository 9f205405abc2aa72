"""Closed contours of straight lines and true arcs: the vocabulary every plate is drawn in.

    contour   a closed loop of vertices; `bulges[i]` belongs to the edge from vertex i to the next
    bulge     tan(angle / 4) of an edge's arc, + counter-clockwise, 0 a straight line, 1 a half turn
              (DXF reference, LWPOLYLINE group code 42)
    circle, slot, rounded polygon, hull   the features outlines are made of
    loop      a contour that is cut: one outline, and the holes, slots and openings inside it

Coordinates are mm in the plate's own frame, x and y in its plane. A contour has no first and last
point to close: the edge after the last vertex returns to the first. Wherever a contour has a
straight edge, that closing edge is a straight one, since some readers drop the last bulge.
"""

from __future__ import annotations

import cmath
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike

from linkview.geometry import Array, frozen
from linkview.plates.edges import SAME_MM, Arc, Edge, crossings, edge, gap, reach


@dataclass(frozen=True, eq=False)
class Contour:
    """A closed loop: points (n, 2) mm and bulges (n,); build it with `contour()`."""

    points: Array
    bulges: Array

    @cached_property
    def edges(self) -> tuple[Edge, ...]:
        """The n edges, in order; kept, since every rule asks for them again."""
        corners = [complex(x, y) for x, y in self.points.tolist()]
        following = corners[1:] + corners[:1]
        bulges = self.bulges.tolist()
        return tuple(edge(a, b, k) for a, b, k in zip(corners, following, bulges, strict=True))

    @cached_property
    def box(self) -> tuple[float, float, float, float]:
        """(least x, least y, greatest x, greatest y) of the true arcs, mm."""
        ends = [e.a for e in self.edges]
        for e in self.edges:
            if isinstance(e, Arc):
                poles = (e.centre + e.radius * 1j**quarter for quarter in range(4))
                ends += [p for p in poles if e.spans(p)]
        xs, ys = [p.real for p in ends], [p.imag for p in ends]
        return min(xs), min(ys), max(xs), max(ys)


def contour(points: ArrayLike, bulges: ArrayLike) -> Contour:
    """A contour from vertices (n, 2) and bulges (n,), turned so that it closes on a straight."""
    points, bulges = np.asarray(points, dtype=float), np.asarray(bulges, dtype=float)
    straight = np.flatnonzero(bulges == 0.0)
    if len(straight):
        shift = -int(straight[-1]) - 1
        points, bulges = np.roll(points, shift, axis=0), np.roll(bulges, shift)
    return Contour(frozen(points), frozen(bulges))


def circle(centre: ArrayLike, radius: float) -> Contour:
    """A full circle as two half turns, counter-clockwise."""
    x, y = np.asarray(centre, dtype=float)
    return contour([[x - radius, y], [x + radius, y]], [1.0, 1.0])


def slot(start: ArrayLike, end: ArrayLike, width: float) -> Contour:
    """An obround: all points within width / 2 of the line from start to end."""
    a, b = np.asarray(start, dtype=float), np.asarray(end, dtype=float)
    along = (b - a) / np.linalg.norm(b - a)
    side = np.array([-along[1], along[0]]) * width / 2.0
    return contour([a - side, b - side, b + side, a + side], [0.0, 1.0, 0.0, 1.0])


def polygon(points: ArrayLike) -> Contour:
    """A contour with straight edges only."""
    points = np.asarray(points, dtype=float)
    return contour(points, np.zeros(len(points)))


def hull(centres: ArrayLike, radii: ArrayLike) -> Contour:
    """The tightest band round circles: outer tangent lines and true arcs, counter-clockwise.

    centres (n, 2), radii (n,) > 0. A circle inside another one changes nothing.
    """
    discs = [
        (complex(*c), float(r)) for c, r in zip(np.asarray(centres), np.asarray(radii), strict=True)
    ]
    kept = [d for i, d in enumerate(discs) if not _swallowed(i, discs)]
    if len(kept) == 1:
        (c, r) = kept[0]
        return circle([c.real, c.imag], r)
    tangents = [t for i in kept for j in kept if i != j and (t := _outer_tangent(i, j, kept))]
    tangents.sort(key=lambda t: t[0])
    points: list[list[float]] = []
    bulges: list[float] = []
    for k, (angle, _, arc_from) in enumerate(tangents):
        next_angle, arc_to, _ = tangents[(k + 1) % len(tangents)]
        turn = (next_angle - angle) % math.tau
        points += [[arc_from.real, arc_from.imag], [arc_to.real, arc_to.imag]]
        bulges += [math.tan(turn / 4.0), 0.0]
    return contour(points, bulges)


def _swallowed(i: int, discs: Sequence[tuple[complex, float]]) -> bool:
    """Whether disc i lies inside another one; of two equal discs the first stays."""
    c, r = discs[i]
    for j, (other, radius) in enumerate(discs):
        if j == i:
            continue
        slack = radius - r - abs(other - c)
        if slack > SAME_MM or (slack >= -SAME_MM and (radius > r + SAME_MM or j < i)):
            return True
    return False


def _outer_tangent(
    i: tuple[complex, float], j: tuple[complex, float], discs: Sequence[tuple[complex, float]]
) -> tuple[float, complex, complex] | None:
    """The tangent from disc i to disc j if it is an edge of the hull (the discs on its left).

    Returns (direction of its outward normal, point on i, point on j). Where one line touches
    several discs only the farthest two count, so that no edge is drawn twice.
    """
    (ci, ri), (cj, rj) = i, j
    v = (cj - ci) / abs(cj - ci)
    k = (ri - rj) / abs(cj - ci)
    normal = v * complex(k, -math.sqrt(1.0 - k * k))
    along = normal * 1j
    height = (normal.conjugate() * ci).real + ri
    low, high = (along.conjugate() * ci).real, (along.conjugate() * cj).real
    for c, r in discs:
        above = (normal.conjugate() * c).real + r - height
        place = (along.conjugate() * c).real
        if above > SAME_MM:
            return None
        if above > -SAME_MM and not low - SAME_MM <= place <= high + SAME_MM:
            return None
    return cmath.phase(normal), ci + ri * normal, cj + rj * normal


def flipped(loop: Contour) -> Contour:
    """The mirror image across the y axis, same sense of turning; twice gives the same loop."""
    points = loop.points[::-1] * np.array([-1.0, 1.0])
    return Contour(frozen(points), frozen(np.roll(loop.bulges[::-1], -1)))


def edges(loop: Contour) -> tuple[Edge, ...]:
    """The n edges of a contour, in order; the last one closes it."""
    return loop.edges


def area_mm2(loop: Contour) -> float:
    """Exact signed area: + counter-clockwise. The polygon plus each arc's segment."""
    total = 0.0
    for e in edges(loop):
        total += (e.a.conjugate() * e.b).imag / 2.0
        if isinstance(e, Arc):
            total += e.radius**2 * (e.sweep_rad - math.sin(e.sweep_rad)) / 2.0
    return total


def length_mm(loop: Contour) -> float:
    """Exact length once round."""
    return sum(e.length_mm for e in edges(loop))


def bounding_box(loop: Contour) -> tuple[float, float, float, float]:
    """(least x, least y, greatest x, greatest y) of the true arcs, mm."""
    return loop.box


def contains(loop: Contour, point: ArrayLike) -> bool:
    """Whether a point lies inside; on the line itself the answer is undefined.

    Counts turns of the line of sight along the chords; a point between an arc and its chord
    is passed on the other side by the arc, which is one whole turn more or less. Which side of
    a chord the point lies on is read from that same turn, so that a point on a chord (the middle
    of a circle drawn as two half turns) is counted once.
    """
    p = complex(*np.asarray(point, dtype=float))
    turns = 0.0
    for e in edges(loop):
        if p in (e.a, e.b):
            return False
        turn = cmath.phase((e.b - p) / (e.a - p)) / math.tau
        turns += turn
        if isinstance(e, Arc) and turn * e.sweep_rad < 0.0 and abs(p - e.centre) < e.radius:
            turns += math.copysign(1.0, e.sweep_rad)
    return round(turns) != 0


def web_mm(one: Contour, other: Contour) -> float:
    """Exact least distance between two contours' lines; 0 where they cross or touch."""
    return min(gap(e, f) for e in edges(one) for f in edges(other))


def margin_mm(loop: Contour, point: ArrayLike) -> float:
    """Exact least distance from a point to a contour's line, inside or out."""
    p = complex(*np.asarray(point, dtype=float))
    return min(reach(e, p) for e in edges(loop))


def edges_near(loop: Contour, point: ArrayLike, within_mm: float) -> list[tuple[float, Edge]]:
    """The edges nearer to a point than this, each with its distance in mm before it."""
    p = complex(*np.asarray(point, dtype=float))
    away = ((reach(e, p), e) for e in edges(loop))
    return [found for found in away if found[0] < within_mm]


def near_pairs(loops: Sequence[Contour], within_mm: float) -> Iterator[tuple[int, int]]:
    """The pairs (i < j) whose boxes are this near: only they can be nearer themselves."""
    if len(loops) < 2:
        return
    boxes = np.array([bounding_box(loop) for loop in loops])
    low, high = boxes[:, :2] - within_mm, boxes[:, 2:]
    near = (low[:, None] <= high[None]).all(axis=-1)
    yield from zip(*(k.tolist() for k in np.nonzero(np.triu(near & near.T, 1))), strict=True)


def sampled(loop: Contour, *, error_mm: float) -> Array:
    """A polygon (m, 2) with vertices on the contour, its chords within error_mm of the arcs."""
    out: list[complex] = []
    for e in edges(loop):
        out.append(e.a)
        if isinstance(e, Arc):
            step = 2.0 * math.acos(max(1.0 - error_mm / e.radius, 0.0))
            count = max(math.ceil(abs(e.sweep_rad) / step), 1)
            out += [e.at(k / count) for k in range(1, count)]
    return frozen([[p.real, p.imag] for p in out])


def faults(loop: Contour) -> tuple[str, ...]:
    """What makes a contour uncuttable, one phrase each: bad numbers, zero lengths, crossings."""
    if len(loop.points) < 2 or len(loop.points) != len(loop.bulges):
        return (f"has {len(loop.points)} vertices and {len(loop.bulges)} bulges",)
    if not (np.isfinite(loop.points).all() and np.isfinite(loop.bulges).all()):
        return ("has a vertex or bulge that is not a number",)
    found = [
        f"has an edge of no length at ({e.a.real:.3f}, {e.a.imag:.3f})"
        for e in edges(loop)
        if abs(e.b - e.a) <= SAME_MM
    ]
    if found:
        return tuple(found)
    where = dict.fromkeys(f"({p.real:.3f}, {p.imag:.3f})" for p in _knots(loop))
    if where:
        return tuple(f"crosses or touches itself at {place}" for place in where)
    return ("encloses no area",) if abs(area_mm2(loop)) <= SAME_MM else ()


def _knots(loop: Contour) -> Iterator[complex]:
    """Points where two edges of one contour meet that are not a shared vertex."""
    pieces = edges(loop)
    for i, e in enumerate(pieces):
        for f in pieces[i + 1 :]:
            shared = [p for p in (e.a, e.b) if min(abs(p - f.a), abs(p - f.b)) <= SAME_MM]
            hits = [
                *crossings(e, f),
                *(p for p in (e.a, e.b) if reach(f, p) <= SAME_MM),
                *(p for p in (f.a, f.b) if reach(e, p) <= SAME_MM),
            ]
            # A tangent neighbour meets in a double root; round-off spreads it by its square root.
            yield from (p for p in hits if all(abs(p - q) > 1e-3 for q in shared))
            neighbours = pieces[(i + 1) % len(pieces)] is f or pieces[i - 1] is f
            if shared and not neighbours:
                yield shared[0]
