"""Joints as closure equations: how far a set of poses is from fitting together, and which way.

A `Linkage` is rigid moving parts tied by typed joints. Every joint becomes scalar rows of three
forms, which are all that rigid linkages need:

    distance     (|b - a|^2 - L^2) / 2L           its derivative is the line's Pluecker row
    projection   n . (b - a) - d                  n turns with the part it is fixed to
    alignment    u . w - c                        two directions on two parts

a and b are points on parts; `GROUND` does not move and `SLIDE` shifts along one axis by the rack
input. Each row is in mm (alignment: unitless) and has six derivatives per moving part, for a small
shift v and a small turn w of the part about its own origin: dp = v + w x r.

Arrays are pose-last, (..., n), so that every numpy call runs along the poses.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from linkview.geometry import Array, frozen, perpendicular, unit

GROUND, SLIDE = -1, -2


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

    def take(self, which: Array | slice) -> State:
        """The chosen poses, by index or mask."""
        return State(self.turn[..., which], self.origin[..., which])

    def stepped(self, step: Array) -> State:
        """Each part shifted by v and turned by w; step is (6P, n) as v, w per part."""
        parts = self.origin.shape[0]
        vw = step.reshape(parts, 6, -1)
        return State(_turned(self.turn, vw[:, 3:]), self.origin + vw[:, :3])


@dataclass(frozen=True, eq=False)
class Rows:
    """Rows evaluated at n poses: value (m, n), slope (m, 6P, n), by_slide (m, n) = d/d(rack)."""

    value: Array
    slope: Array
    by_slide: Array


class Linkage:
    """Moving parts and joints, compiled to arrays once.

    origins: (P, 3) mm, a point of each moving part at the reference pose, about which it turns.
    joints: what ties the parts together. slide_axis: (3,) unit, the rack's direction.
    """

    def __init__(
        self, origins: Sequence[Array], joints: Sequence[Joint], slide_axis: Array | None = None
    ) -> None:
        self.origins = frozen(np.reshape(origins, (-1, 3)))
        self.joints = tuple(joints)
        self.slide_axis = frozen(np.zeros(3) if slide_axis is None else unit(slide_axis))
        self.row_names: list[str] = []
        self._points: list[Place] = []
        distance, projection, alignment = [], [], []
        for joint in self.joints:
            if isinstance(joint, Rod):
                distance.append((self._point(joint.a), self._point(joint.b), joint.length_mm))
            elif isinstance(joint, Height):
                projection.append((self._point(joint.a), self._point(joint.b), joint))
            elif isinstance(joint, Slider):
                for normal in _two_normals(joint.direction):
                    held = Height(
                        joint.name, joint.line, joint.point, Direction(joint.line.part, normal), 0.0
                    )
                    projection.append((self._point(joint.line), self._point(joint.point), held))
            else:
                alignment.append(joint)
        self._set_rows(distance, projection, alignment)

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
        n = state.count
        arm, place = self._places(state, slide_mm)
        value = np.empty((self.row_count, n))
        slope = np.zeros((self.row_count, self.unknown_count, n))
        by_slide = np.zeros((self.row_count, n))
        nd, np_ = len(self._length), len(self._offset)
        if nd:
            span = place[self._db] - place[self._da]
            value[:nd] = (np.sum(span * span, axis=1) - self._length2) / (2.0 * self._length)
            line = span / self._length[:, :, None]
            self._attach(slope[:nd], line, arm, self._da, self._db)
            self._slide(by_slide[:nd], line, self._da, self._db)
        if np_:
            span = place[self._pb] - place[self._pa]
            normal = self._directions(state, self._normals)
            rows = slice(nd, nd + np_)
            value[rows] = np.sum(span * normal, axis=1) - self._offset[:, None]
            self._attach(slope[rows], normal, arm, self._pa, self._pb)
            self._slide(by_slide[rows], normal, self._pa, self._pb)
            lever = _cross(normal, span)
            for i, direction in enumerate(self._normals):
                if direction.part >= 0:
                    k = 6 * direction.part + 3
                    slope[nd + i, k : k + 3] += lever[i]
        if self._cosine.size:
            rows = slice(nd + np_, self.row_count)
            u, w = self._directions(state, self._us), self._directions(state, self._ws)
            value[rows] = np.sum(u * w, axis=1) - self._cosine[:, None]
            lever = _cross(u, w)
            for i, (du, dw) in enumerate(zip(self._us, self._ws, strict=True)):
                for direction, sign in ((du, 1.0), (dw, -1.0)):
                    if direction.part >= 0:
                        k = 6 * direction.part + 3
                        slope[nd + np_ + i, k : k + 3] += sign * lever[i]
        return Rows(value, slope, by_slide)

    # -- compiled form ---------------------------------------------------------------------

    def _point(self, place: Place) -> int:
        self._points.append(place)
        return len(self._points) - 1

    def _set_rows(
        self,
        distance: list[tuple[int, int, float]],
        projection: list[tuple[int, int, Height]],
        alignment: list[Square],
    ) -> None:
        rods = [j for j in self.joints if isinstance(j, Rod)]
        self.row_names = [
            *(j.name for j in rods),
            *(h.name for _, _, h in projection),
            *(j.name for j in alignment),
        ]
        self._da = np.array([a for a, _, _ in distance], dtype=int)
        self._db = np.array([b for _, b, _ in distance], dtype=int)
        self._length = np.array([v for _, _, v in distance], dtype=float)[:, None]
        self._length2 = self._length**2
        self._pa = np.array([a for a, _, _ in projection], dtype=int)
        self._pb = np.array([b for _, b, _ in projection], dtype=int)
        self._normals = [h.normal for _, _, h in projection]
        self._offset = np.array([h.value_mm for _, _, h in projection], dtype=float)
        self._us, self._ws = [j.u for j in alignment], [j.w for j in alignment]
        self._cosine = np.array([j.cosine for j in alignment], dtype=float)
        self._owner = np.array([p.part for p in self._points], dtype=int)
        base = np.array([p.at for p in self._points], dtype=float).reshape(-1, 3)
        moving = self._owner >= 0
        self._local = base - np.where(moving[:, None], self.origins[self._owner.clip(0)], 0.0)
        self._on = [np.flatnonzero(self._owner == k) for k in range(len(self.origins))]
        self._still = np.flatnonzero(~moving)
        self._slides = np.flatnonzero(self._owner == SLIDE)

    def _places(self, state: State, slide_mm: Array) -> tuple[Array, Array]:
        """Lever arms from the part's origin and places in the car, both (points, 3, n)."""
        n = state.count
        arm = np.zeros((len(self._points), 3, n))
        place = np.empty_like(arm)
        for k, which in enumerate(self._on):
            arm[which] = np.tensordot(self._local[which], state.turn[k], axes=(1, 1))
            place[which] = arm[which] + state.origin[k]
        place[self._still] = self._local[self._still][:, :, None]
        place[self._slides] += self.slide_axis[:, None] * slide_mm
        return arm, place

    def _directions(self, state: State, directions: list[Direction]) -> Array:
        """Directions (k, 3, n) as they stand at each pose."""
        out = np.empty((len(directions), 3, state.count))
        for i, d in enumerate(directions):
            out[i] = (
                np.tensordot(d.along, state.turn[d.part], axes=(0, 1))
                if d.part >= 0
                else np.asarray(d.along)[:, None]
            )
        return out

    def _attach(self, slope: Array, line: Array, arm: Array, a: Array, b: Array) -> None:
        """Adds d(line . (b - a)) for the parts that carry a and b."""
        for ends, sign in ((b, 1.0), (a, -1.0)):
            owner = self._owner[ends]
            for part in {int(p) for p in owner if p >= 0}:
                held = np.flatnonzero(owner == part)
                pull = sign * line[held]
                k = 6 * part
                slope[held, k : k + 3] += pull
                slope[held, k + 3 : k + 6] += _cross(arm[ends[held]], pull)

    def _slide(self, by_slide: Array, line: Array, a: Array, b: Array) -> None:
        for ends, sign in ((b, 1.0), (a, -1.0)):
            if not self._slides.size:
                return
            for i in np.flatnonzero(self._owner[ends] == SLIDE):
                by_slide[i] += sign * (self.slide_axis @ line[i])


def _two_normals(direction: Array) -> tuple[Array, Array]:
    first = perpendicular(direction)
    return first, np.cross(unit(direction), first)


def _cross(a: Array, b: Array) -> Array:
    """Cross product of (k, 3, n) arrays along axis 1, without np.cross' copies."""
    out = np.empty_like(b)
    out[:, 0] = a[:, 1] * b[:, 2] - a[:, 2] * b[:, 1]
    out[:, 1] = a[:, 2] * b[:, 0] - a[:, 0] * b[:, 2]
    out[:, 2] = a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]
    return out


def _turned(turn: Array, w: Array) -> Array:
    """exp(w) @ turn for pose-last (P, 3, 3, n) and (P, 3, n), by Rodrigues' formula."""
    angle2 = np.sum(w * w, axis=1, keepdims=True)[:, :, None]
    small = angle2 < 1e-8
    angle = np.sqrt(np.where(small, 1.0, angle2))
    a = np.where(small, 1.0 - angle2 / 6.0, np.sin(angle) / angle)
    b = np.where(small, 0.5 - angle2 / 24.0, 2.0 * (np.sin(angle / 2.0) / angle) ** 2)
    once = np.stack([_cross(w, turn[:, :, j]) for j in range(3)], axis=2)
    twice = np.stack([_cross(w, once[:, :, j]) for j in range(3)], axis=2)
    return turn + a * once + b * twice
