"""Joints as closure equations: how far a set of poses is from fitting together, and which way.

A `Linkage` is rigid moving parts tied by typed joints. Every joint becomes scalar rows of three
forms, which are all that rigid linkages need:

    distance     (|b - a|^2 - L^2) / 2L           its derivative is the line's Pluecker row
    projection   n . (b - a) - d                  n turns with the part it is fixed to
    alignment    u . w - c                        two directions on two parts

a and b are points on parts; `GROUND` does not move and `SLIDE` shifts along one axis by the rack
input. Each row is in mm (alignment: unitless) and has six derivatives per moving part, for a small
shift v and a small turn w of the part about its own origin: dp = v + w x r.

Every point and direction is linear in the parts' poses, so all vectors of all rows come from one
product with a matrix put together once. Arrays are pose-last, (..., n), so that every numpy call
runs along the poses; vectors on their way through hold x y z x y, which makes a cross product two
products of slices (a third of the time of nine single ones at 82 poses).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from linkview.geometry import Array, Flags, Index, frozen, perpendicular, unit

GROUND, SLIDE = -1, -2
ONE_THREAD = 200_000  # multiplications that a matrix product does in one thread
_WRAP = np.array([0, 1, 2, 0, 1])


@dataclass(frozen=True, eq=False)
class Place:
    """A point on a part: `part` is its index, GROUND or SLIDE; `at` (3,) mm at the reference."""

    part: int
    at: Array


@dataclass(frozen=True, eq=False)
class Direction:
    """A unit vector (3,) fixed to a part, given at the reference pose."""

    part: int
    along: Array


@dataclass(frozen=True, eq=False)
class Rod:
    """Holds the distance between two points, mm."""

    name: str
    a: Place
    b: Place
    length_mm: float


@dataclass(frozen=True, eq=False)
class Slider:
    """Holds `point` on the line through `line` along `direction` (a strut in its tube)."""

    name: str
    line: Place
    direction: Array
    point: Place


@dataclass(frozen=True, eq=False)
class Height:
    """Holds the component of b - a along a direction, mm."""

    name: str
    a: Place
    b: Place
    normal: Direction
    value_mm: float


@dataclass(frozen=True, eq=False)
class Square:
    """Holds the cosine between two directions (0: square to each other)."""

    name: str
    u: Direction
    w: Direction
    cosine: float = 0.0


Joint = Rod | Slider | Height | Square


@dataclass(frozen=True, eq=False)
class State:
    """Poses of the moving parts: turn (P, 3, 3, n), origin (P, 3, n) mm."""

    turn: Array
    origin: Array

    @property
    def count(self) -> int:
        return int(self.origin.shape[-1])

    def take(self, which: Index | Flags | slice) -> State:
        """The chosen poses, by index or mask."""
        return State(self.turn[..., which], self.origin[..., which])

    def put(self, which: Index, other: State) -> None:
        """Overwrites the chosen poses, in place."""
        self.turn[..., which], self.origin[..., which] = other.turn, other.origin

    def stepped(self, step: Array) -> State:
        """Each part shifted by v and turned by w; step is (6P, n) as v, w per part."""
        vw = step.reshape(self.origin.shape[0], 6, -1)
        return State(_turned(self.turn, vw[:, 3:]), self.origin + vw[:, :3])

    def nudged(self, step: Array) -> State:
        """`stepped` by a turn whose square is lost in rounding (under 1e-8 rad)."""
        vw = step.reshape(self.origin.shape[0], 6, -1)
        turn = self.turn + cross(wrapped(vw[:, 3:])[:, :, None], wrapped(self.turn))
        return State(turn, self.origin + vw[:, :3])


@dataclass(frozen=True, eq=False)
class Rows:
    """Rows evaluated at n poses: value (m, n), slope (m, 6P, n), by_slide (m, n) = d/d(rack)."""

    value: Array
    slope: Array
    by_slide: Array


class Linkage:
    """Moving parts and joints, compiled to one matrix.

    origins: (P, 3) mm, a point of each moving part at the reference pose, about which it turns.
    joints: what ties the parts together. slide_axis: (3,) unit, the rack's direction.
    row_names: the joint behind each row: rods first, then heights and sliders, then squares.
    """

    def __init__(
        self, origins: Sequence[Array], joints: Sequence[Joint], slide_axis: Array | None = None
    ) -> None:
        self.origins = frozen(np.reshape(origins, (-1, 3)))
        self.joints = tuple(joints)
        self.slide_axis = frozen(np.zeros(3) if slide_axis is None else unit(slide_axis))
        rods = [j for j in self.joints if isinstance(j, Rod)]
        heights = [h for j in self.joints for h in heights_of(j)]
        squares = [j for j in self.joints if isinstance(j, Square)]
        straight: list[Rod | Height] = [*rods, *heights]
        self.row_names = [*(j.name for j in straight), *(j.name for j in squares)]
        self._length = np.array([j.length_mm for j in rods])[:, None]
        self._offset = np.array([h.value_mm for h in heights])[:, None]
        self._cosine = np.array([j.cosine for j in squares])[:, None]
        parts = range(len(origins))
        self._carried = [_column([_on(j.b, p) - _on(j.a, p) for j in straight]) for p in parts]
        self._sense = [_column([_on(j.u, p) - _on(j.w, p) for j in squares]) for p in parts]
        self._sliding = [
            (i, _on(j.b, SLIDE) - _on(j.a, SLIDE))
            for i, j in enumerate(straight)
            if SLIDE in (j.a.part, j.b.part)
        ]
        self._matrix = self._put_together(rods, heights, squares)
        many = len(straight)
        sizes = [many, len(heights), len(squares), len(squares), *(many for _ in parts)]
        ends = np.cumsum(sizes).tolist()
        self._blocks = [slice(end - size, end) for end, size in zip(ends, sizes, strict=True)]

    @property
    def row_count(self) -> int:
        return len(self.row_names)

    @property
    def unknown_count(self) -> int:
        return 6 * len(self.origins)

    def reference(self, count: int = 1) -> State:
        """The pose in which the points were given, `count` times."""
        turn = np.repeat(np.eye(3)[None, :, :, None], len(self.origins), axis=0)
        return State(
            np.repeat(turn, count, axis=-1), np.repeat(self.origins[:, :, None], count, axis=-1)
        )

    def rows(self, state: State, slide_mm: Array) -> Rows:
        """All rows at each pose; slide_mm (n,) is the rack's shift."""
        n, rods, straight = state.count, len(self._length), len(self._length) + len(self._offset)
        vectors = _product(self._matrix, self._basis(state, slide_mm))
        vectors = vectors.reshape(len(self._matrix), 5, n)
        line, span, u, w, *arms = (vectors[block] for block in self._blocks)
        value = np.empty((self.row_count, n))
        slope, by_slide = np.zeros((len(value), self.unknown_count, n)), np.zeros((len(value), n))
        value[:rods] = 0.5 * self._length * (_dots(line[:rods], line[:rods]) - 1.0)
        value[rods:straight] = _dots(line[rods:], span) - self._offset
        for p, carried in enumerate(self._carried):
            k = 6 * p
            np.multiply(carried, line[:, :3], out=slope[:straight, k : k + 3])
            slope[:straight, k + 3 : k + 6] = cross(arms[p], line)
        for i, sign in self._sliding:
            by_slide[i] = sign * (self.slide_axis @ line[i, :3])
        if self._cosine.size:
            value[straight:] = _dots(u, w) - self._cosine
            lever = cross(u, w)
            for p, sense in enumerate(self._sense):
                slope[straight:, 6 * p + 3 : 6 * p + 6] = sense * lever
        return Rows(value, slope, by_slide)

    def _basis(self, state: State, slide_mm: Array) -> Array:
        """What all vectors are made of, each (5, n): the axes of every part, the origins, the
        rack's shift and the car's axes. (4P + 4, 5n)."""
        parts, n = len(self.origins), state.count
        out = np.empty((4 * parts + 4, 5, n))
        axes = state.turn.swapaxes(1, 2).take(_WRAP, axis=2)
        out[: 3 * parts] = axes.reshape(3 * parts, 5, n)
        out[3 * parts : 4 * parts] = state.origin.take(_WRAP, axis=1)
        np.multiply(self.slide_axis[_WRAP, None], slide_mm, out=out[4 * parts])
        out[4 * parts + 1 :] = np.eye(3)[:, _WRAP, None]
        return out.reshape(len(out), 5 * n)

    def _put_together(self, rods: list[Rod], heights: list[Height], squares: list[Square]) -> Array:
        """The matrix (k, 4P + 4) that makes, from the basis, the vectors that `rows` needs.

        line: the rods' spans over their length, then the heights' normals. span: of the heights.
        u and w of the squares. For each part, each line's arm: what the part has in its span; less
        the whole span where the normal turns with the part, for that adds n x span.
        """
        normals = [self._made_of(h.normal) for h in heights]
        straight: list[Rod | Height] = [*rods, *heights]
        spans = [self._made_of(j.b) - self._made_of(j.a) for j in straight]
        line = [s / j.length_mm for s, j in zip(spans, rods, strict=False)] + normals
        arms = []
        for p in range(len(self.origins)):
            own = np.zeros(4 * len(self.origins) + 4)
            own[3 * p : 3 * p + 3] = 1.0
            arms += [own * span for span in spans[: len(rods)]]
            turning = [_on(h.normal, p) for h in heights]
            arms += [(own - t) * s for t, s in zip(turning, spans[len(rods) :], strict=True)]
        ends = [self._made_of(j.u) for j in squares] + [self._made_of(j.w) for j in squares]
        rows = [*line, *spans[len(rods) :], *ends, *arms]
        return np.reshape(rows, (-1, 4 * len(self.origins) + 4))

    def _made_of(self, what: Place | Direction) -> Array:
        """One vector's coefficients in the basis."""
        parts = len(self.origins)
        out = np.zeros(4 * parts + 4)
        first = 4 * parts + 1 if what.part < 0 else 3 * what.part
        axes = slice(first, first + 3)
        if isinstance(what, Direction):
            out[axes] = what.along
        else:
            out[axes] = what.at - (self.origins[what.part] if what.part >= 0 else 0.0)
            if what.part != GROUND:
                out[4 * parts if what.part == SLIDE else 3 * parts + what.part] = 1.0
        return out


def _product(matrix: Array, basis: Array) -> Array:
    """matrix @ basis in pieces too small for the BLAS to share out among threads.

    Waiting for each other on a busy machine, two threads took 16 ms for a product of
    (224, 24) x (24, 410) that one does in 0.1 ms.
    """
    many = matrix.shape[0] * matrix.shape[1]
    step = max(1, ONE_THREAD // max(many, 1))
    if basis.shape[1] <= step:
        return np.asarray(matrix @ basis)
    out = np.empty((len(matrix), basis.shape[1]))
    for first in range(0, basis.shape[1], step):
        np.matmul(matrix, basis[:, first : first + step], out=out[:, first : first + step])
    return out


def _on(what: Place | Direction, part: int) -> float:
    return float(what.part == part)


def _column(values: list[float]) -> Array:
    return np.array(values)[:, None, None]


def heights_of(joint: object) -> tuple[Height, ...]:
    """The projection rows of a joint: itself, a slider's two, or none."""
    if isinstance(joint, Height):
        return (joint,)
    if not isinstance(joint, Slider):
        return ()
    first = perpendicular(joint.direction)
    normals = first, np.cross(unit(joint.direction), first)
    held = (Direction(joint.line.part, normal) for normal in normals)
    return tuple(Height(joint.name, joint.line, joint.point, normal, 0.0) for normal in held)


def _dots(a: Array, b: Array) -> Array:
    """Scalar products of (k, 5, n) wrapped vectors: (k, n)."""
    return np.asarray(np.einsum("kin,kin->kn", a[:, :3], b[:, :3]))


def cross(a: Array, b: Array) -> Array:
    """Cross products of wrapped vectors (k, 5, ..., n): (k, 3, ..., n), not wrapped."""
    out = a[:, 1:4] * b[:, 2:5]
    out -= a[:, 2:5] * b[:, 1:4]
    return np.asarray(out)


def wrapped(a: Array) -> Array:
    """Vectors (k, 3, ..., n) as x y z x y."""
    return a.take(_WRAP, axis=1)


def _turned(turn: Array, w: Array) -> Array:
    """The turn w (P, 3, n), small, made after `turn` (P, 3, 3, n).

    Cayley's form: an exact rotation without sines, about w, by 2 atan(|g| / 2) for
    g = w (1 + |w|^2 / 12), which is |w| to fifth order.
    """
    g = w * (1.0 + np.einsum("pin,pin->pn", w, w)[:, None] / 12.0)
    share = 1.0 / (1.0 + 0.25 * np.einsum("pin,pin->pn", g, g))
    g = wrapped(g)[:, :, None]
    once = cross(g, wrapped(turn))
    twice = cross(g, wrapped(once))
    twice *= 0.5
    twice += once
    twice *= share[:, None, None]
    return np.asarray(turn + twice)
