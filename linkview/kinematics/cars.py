"""Many cars at one pose: one linkage whose hard points differ a little from car to car.

The axis that a sweep runs its poses along carries the cars. Each car is brought to the pose from
the nominal car's by the nominal car's own inverse (the chord method: no car's slopes are needed,
and what is near converges); a car that will not come that way is given Newton steps of its own.
Accepted is what a sweep accepts: rows closed, and the signs of the watched determinants as the
nominal car has them, so that no car is read on another assembly.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from linkview.geometry import Array, Flags, Index, turn_about
from linkview.kinematics.closure import (
    GROUND,
    SLIDE,
    Direction,
    Height,
    Place,
    Rod,
    Square,
    State,
)
from linkview.kinematics.corner import (
    AXLE_LEVEL,
    CornerLinkage,
    held_joints,
    linkage_of,
    origin_of,
)
from linkview.kinematics.motion import Moving, column, cross, in_row_order, row_motion, turned
from linkview.kinematics.solve import Problem
from linkview.model.layout import BODY, KNUCKLE, RACK, WHEEL
from linkview.model.parts import Corner, Hold

CLOSED_MM = 1e-8
MOST_CHORDS, MOST_NEWTONS = 12, 12
Rowed = Rod | Height | Square
Racks = float | Array  # one rack position for all cars, or each one's own (n,)


@dataclass(frozen=True, eq=False)
class CarPoses:
    """n cars at one pose; reads like a `PoseList`. corner: points (n, 3). solved (n,).

    other_twist: of a beam axle, per mm that the other wheel alone goes up, while travel_twist is of
    both together; NaN for any other.
    """

    corner: Corner
    rack_mm: Array
    parts: tuple[str, ...]
    origins: tuple[Array, ...]
    state: State
    solved: Flags
    travel_twist: Array
    rack_twist: Array
    screw_twist: Array
    travel_twists: Mapping[str, Array]
    bends: Mapping[str, Array]
    other_twist: Array

    def pose(self, part: str) -> Array:
        """A part's moves (n, 4, 4); the body's are the identity."""
        if part == BODY:
            return np.eye(4)
        if part == RACK:
            assert self.corner.rack is not None
            out = np.repeat(np.eye(4)[None], len(self.rack_mm), axis=0)
            out[:, :3, 3] = self.rack_mm[:, None] * self.corner.rack.axis
            return out
        k = self.parts.index(KNUCKLE if part == WHEEL else part)
        turn = np.moveaxis(self.state.turn[k], -1, 0)
        about = np.broadcast_to(self.origins[k], (len(turn), 3))
        return turn_about(turn, about, self.state.origin[k].T)

    def point(self, name: str) -> Array:
        """Where a hard point goes, (n, 3)."""
        owner, at = self.corner.layout.owner(name), self.corner.points[name]
        if owner == BODY:
            return np.broadcast_to(at, (len(self.rack_mm), 3))
        if owner == RACK:
            assert self.corner.rack is not None
            return np.asarray(at + self.rack_mm[:, None] * self.corner.rack.axis)
        k = self.parts.index(owner)
        arm = turned(self.state.turn[k], column(at) - column(self.origins[k]))
        return np.asarray((self.state.origin[k] + arm).T)

    @property
    def wheel_centre(self) -> Array:
        return self.point("wheel_centre")

    @property
    def spin_axis(self) -> Array:
        return np.asarray(turned(self.state.turn[0], column(self.corner.wheel.spin_axis)).T)


class Cars:
    """n cars like one corner, their hard points (n, 3) in `points`; what is held is `hold`."""

    def __init__(self, corner: Corner, points: Mapping[str, Array], hold: Hold) -> None:
        self.hold = hold
        self.nominal = linkage_of(corner)
        self.problem = self.nominal.problem(hold)
        self.height = self.nominal.problem(Hold.WHEEL_HEIGHT)
        self.corner = corner.measured_at(points)
        self.count = len(next(iter(points.values())))
        locks = [j for j in self.nominal.linkage.joints if isinstance(j, Square)]
        rows = in_row_order((*held_joints(self.corner, self.corner), *locks))
        self.rows: tuple[Rowed, ...] = rows
        self.origins = tuple(origin_of(self.corner, part) for part in self.nominal.parts)
        self._places = {id(p): self._held(p) for j in rows for p in _places_of(j)}
        self._normals = {id(d): column(d.along) for j in rows for d in _directions_of(j)}
        self._sizes = {id(j): np.atleast_1d(j.length_mm) for j in rows if isinstance(j, Rod)}

    def _held(self, what: Place) -> Array:
        """Where a place is from its part's origin, (3, 1 or n)."""
        at = column(what.at)
        return np.ascontiguousarray(at if what.part < 0 else at - column(self.origins[what.part]))

    def start(self, state: State) -> State:
        """The nominal car's pose (n = 1), with every car's own origins carried along."""
        turn = np.repeat(state.turn, self.count, axis=-1)
        moved = [
            state.origin[k] + turned(state.turn[k], column(own) - base[:, None])
            for k, (own, base) in enumerate(
                zip(self.origins, self.nominal.linkage.origins, strict=True)
            )
        ]
        return State(turn, np.stack([np.broadcast_to(m, (3, self.count)) for m in moved]).copy())

    def brought(
        self, problem: Problem, state: State, inverse: Array, rack_mm: Racks, held: Array
    ) -> tuple[State, Flags]:
        """Every car at the pose, from `state`; inverse (6P, 6P): of the nominal car's slopes.

        rack_mm: one for all, or each car's own (n,).
        """
        used = problem.used
        slot = int(np.flatnonzero(used == problem.driven)[0])
        last = np.full(self.count, np.inf)
        for _ in range(MOST_CHORDS):
            value = self.values(state, rack_mm, used)
            value[slot] -= held
            off = np.abs(value).max(axis=0)
            if not np.any(off > CLOSED_MM):
                break
            # A car that comes no nearer stands still, for Newton to take it from here.
            going = off < last
            last = np.where(going, off, last)
            step = -(inverse @ value)
            step[:, ~going] = 0.0
            state = state.stepped(step)
        closed = off <= CLOSED_MM
        if not closed.all():
            state, closed = self._by_newton(problem, state, closed, rack_mm, held)
        return state, closed

    def _by_newton(
        self, problem: Problem, state: State, closed: Flags, rack_mm: Racks, held: Array
    ) -> tuple[State, Flags]:
        used = problem.used
        slot = int(np.flatnonzero(used == problem.driven)[0])
        some = np.flatnonzero(~closed)
        few = self.taken(some)
        here, want = state.take(some), held[some]
        rack_mm = np.broadcast_to(rack_mm, (self.count,))[some]
        for _ in range(MOST_NEWTONS):
            value = few.values(here, rack_mm, used)
            value[slot] -= want
            slope = np.moveaxis(few.slopes(here, rack_mm, used), -1, 0)
            det = np.linalg.det(slope)
            slope = np.where((det == 0.0)[:, None, None], np.eye(slope.shape[1]), slope)
            step = np.asarray(-np.linalg.solve(slope, value.T[..., None])[..., 0].T, dtype=float)
            size = np.abs(step).max(axis=0)
            step *= np.minimum(1.0, 20.0 / np.maximum(size, 1e-12))
            here = here.stepped(step)
        value = few.values(here, rack_mm, used)
        value[slot] -= want
        good = np.abs(value).max(axis=0) <= CLOSED_MM
        state.put(some, here)
        closed = closed.copy()
        closed[some] = good
        return state, closed

    def taken(self, some: Index) -> Cars:
        """A few of the cars."""
        few = object.__new__(Cars)
        few.__dict__.update(self.__dict__)
        few.count = len(some)

        def cut(a: Array) -> Array:
            return a[..., some] if a.shape[-1] == self.count and self.count > 1 else a

        few._places = {k: cut(v) for k, v in self._places.items()}
        few._normals = {k: cut(v) for k, v in self._normals.items()}
        few._sizes = {k: cut(v) for k, v in self._sizes.items()}
        return few

    # -- rows --------------------------------------------------------------------------------------

    def _arm(self, what: Place, state: State) -> Array:
        return np.asarray(turned(state.turn[what.part], self._places[id(what)]))

    def _at(self, what: Place, state: State, rack_mm: Racks) -> Array:
        if what.part == GROUND:
            return self._places[id(what)]
        if what.part == SLIDE:
            return self._places[id(what)] + self.nominal.linkage.slide_axis[:, None] * rack_mm
        return np.asarray(state.origin[what.part] + self._arm(what, state))

    def _way(self, what: Direction, state: State) -> Array:
        along = self._normals[id(what)]
        return np.asarray(along if what.part < 0 else turned(state.turn[what.part], along))

    def values(self, state: State, rack_mm: Racks, used: Sequence[int] | Index) -> Array:
        """The chosen rows' misfits (m, n)."""
        out = np.empty((len(used), self.count))
        for i, row in enumerate(used):
            joint = self.rows[row]
            if isinstance(joint, Square):
                out[i] = _sum(self._way(joint.u, state), self._way(joint.w, state)) - joint.cosine
                continue
            span = self._at(joint.b, state, rack_mm) - self._at(joint.a, state, rack_mm)
            if isinstance(joint, Rod):
                size = self._sizes[id(joint)]
                out[i] = (_sum(span, span) - size**2) / (2.0 * size)
            else:
                out[i] = _sum(self._way(joint.normal, state), span) - joint.value_mm
        return out

    def slopes(self, state: State, rack_mm: Racks, used: Sequence[int] | Index) -> Array:
        """Their slopes by the parts' shifts and turns, (m, 6P, n)."""
        out = np.zeros((len(used), 6 * len(self.origins), self.count))
        for i, row in enumerate(used):
            joint = self.rows[row]
            if isinstance(joint, Square):
                u, w = self._way(joint.u, state), self._way(joint.w, state)
                lever = cross(u, w)
                for direction, sign in ((joint.u, 1.0), (joint.w, -1.0)):
                    if direction.part >= 0:
                        k = 6 * direction.part
                        out[i, k + 3 : k + 6] += sign * lever
                continue
            span = self._at(joint.b, state, rack_mm) - self._at(joint.a, state, rack_mm)
            if isinstance(joint, Rod):
                line = span / self._sizes[id(joint)]
            else:
                line = self._way(joint.normal, state)
                if joint.normal.part >= 0:
                    k = 6 * joint.normal.part
                    out[i, k + 3 : k + 6] += cross(line, span)
            for place, sign in ((joint.b, 1.0), (joint.a, -1.0)):
                if place.part >= 0:
                    k = 6 * place.part
                    out[i, k : k + 3] += sign * line
                    out[i, k + 3 : k + 6] += sign * cross(self._arm(place, state), line)
        return out

    def by_rack(self, state: State, rack_mm: Racks, used: Sequence[int] | Index) -> Array:
        """Their slopes by the rack, (m, n)."""
        axis = self.nominal.linkage.slide_axis[:, None]
        out = np.zeros((len(used), self.count))
        for i, row in enumerate(used):
            joint = self.rows[row]
            if isinstance(joint, Square) or SLIDE not in (joint.a.part, joint.b.part):
                continue
            if isinstance(joint, Rod):
                span = self._at(joint.b, state, rack_mm) - self._at(joint.a, state, rack_mm)
                line = span / self._sizes[id(joint)]
            else:
                line = self._way(joint.normal, state)
            sign = float(joint.b.part == SLIDE) - float(joint.a.part == SLIDE)
            out[i] = sign * _sum(line, axis)
        return out

    # -- one pose ----------------------------------------------------------------------------------

    def read(self, state: State, closed: Flags, rack_mm: Racks, signs: Array) -> CarPoses:
        """The poses with their velocities, wheel height driven; cars not solved are NaN.

        signs: of the nominal car's determinants (`grips`).
        """
        used, built = self.height.used, self.nominal
        slope = self.slopes(state, rack_mm, np.arange(len(self.rows)))
        square = np.moveaxis(slope[used], -1, 0)
        det = np.linalg.det(square)
        safe = np.where((det == 0.0)[:, None, None], np.eye(len(used)), square)
        inverse = np.linalg.inv(safe)
        by_held = inverse[:, :, int(np.flatnonzero(used == self.height.driven)[0])].T
        by_rack = -np.einsum("nij,jn->in", inverse, self.by_rack(state, rack_mm, used))
        grip = [np.sign(det)]
        for row in self.height.watched:
            grip.append(np.sign(det * _sum(slope[row], by_held)))
        closed = closed & (np.stack(grip) == signs[:, None]).all(axis=0)
        screw = np.full_like(by_rack, np.nan)
        if built.damper_mm is not None:
            row = next(i for i, j in enumerate(self.rows) if j.name == "damper length")
            line = slope[row]
            rack = self.by_rack(state, rack_mm, [row])[0]
            screw = by_rack - (_sum(line, by_rack) + rack) / _sum(line, by_held) * by_held
        if self.hold is Hold.DAMPER_LENGTH:
            by_rack = screw
        other = np.full_like(by_rack, np.nan)
        level = [k for k, row in enumerate(used) if self.rows[row].name == AXLE_LEVEL]
        if level:  # the row is this wheel's height over the other's
            other = -inverse[:, :, level[0]].T
        slide = np.broadcast_to(np.asarray(rack_mm, dtype=float), (self.count,)).copy()
        moving = Moving(
            self.origins, state, by_held, np.zeros_like(by_held), slide, 0.0,
            built.linkage.slide_axis,
        )  # fmt: skip
        curve = row_motion(tuple(self.rows[i] for i in used), moving).second
        bend = -np.einsum("nij,jn->in", inverse, curve)
        twists = [np.where(closed, t, np.nan) for t in (by_held, by_rack, screw, bend, other)]
        by_part = [{p: t[6 * k : 6 * k + 6].T for k, p in enumerate(built.parts)} for t in twists]
        turn = np.where(closed, state.turn, np.nan)
        return CarPoses(
            self.corner, slide, built.parts, self.origins, State(turn, state.origin), closed,
            by_part[0][KNUCKLE], by_part[1][KNUCKLE], by_part[2][KNUCKLE], by_part[0], by_part[3],
            by_part[4][KNUCKLE],
        )  # fmt: skip


def _places_of(joint: Rowed) -> tuple[Place, ...]:
    return () if isinstance(joint, Square) else (joint.a, joint.b)


def _directions_of(joint: Rowed) -> tuple[Direction, ...]:
    if isinstance(joint, Square):
        return joint.u, joint.w
    return (joint.normal,) if isinstance(joint, Height) else ()


def grips(built: CornerLinkage, problem: Problem, slope: Array) -> Array:
    """Signs of one pose's determinant and of its watched swaps, (1 + k,), from all rows' slopes."""
    sets = [problem.used, *(problem.swapped(row) for row in problem.watched)]
    return np.array([np.sign(np.linalg.det(slope[some])) for some in sets])


def _sum(a: Array, b: Array) -> Array:
    return np.asarray((a * b).sum(axis=0))
