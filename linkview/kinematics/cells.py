"""Whole cells of rack and travel, not only their middles: how far the knuckle can go inside one.

A cell is a rectangle of inputs q = (rack, held value), |q| <= half either way of its middle, whose
pose is solved. The *held value* is the driven row's (see `Problem`): the wheel-centre height, or
the damper's length row. Write a knuckle pose near the middle's as x = (v, w): shifted by v and
turned by exp(w). The joint rows are then F(x, q) = 0, and Taylor along the straight way from the
middle, row by row and exactly, gives

    J x + F_q q + k = 0,   |k_i| <= K_i = 1/2 max |F_i''|,   so   x = T q + d,   |d| <= |J^-1| K

with J at the middle and T = -J^-1 F_q the exact rates. The K_i are closed forms of the three kinds
of row below, and hold for every x = T q + d with d within bounds assumed (the ball round T q): F''
along T q is taken exactly at the middle, what d and the third derivatives add is bounded by
lengths. `_settled` iterates to bounds on d that come out smaller than they were assumed. A solution
that sets out from the middle along any straight way of inputs can then never touch the ball's edge:
as long as it exists it is inside, and it exists all the way, by the implicit function theorem,
because J(x) is regular throughout (|J^-1 (J(x) - J)| <= 1/2 in the norm max(|v| / 300 mm, |w|),
again from closed forms). The same bound makes the solution in the ball the only one: in the
coordinates x, the mean of J(x) dexp(w) between two solutions differs from J by less than 1/2 * 1.30
+ 0.30 < 1 for |w| <= 0.5 rad. So a pose solved by Newton inside a sure parent's ball is on its
assembly.

Nothing here is a finite difference or a sample: the only numbers taken on trust are those of floats
(1e-9 mm and rad are added) and the middle's pose, whose misfit is 1e-10 mm.
A cell is *sure* when all this could be shown; if not it must be split, or be left undecided.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from linkview.geometry import Array, Flags, Index, length, perpendicular, unit
from linkview.kinematics.closure import GROUND, Height, Linkage, Place, Rod, Slider, State
from linkview.kinematics.solve import SCALE_MM, Problem, pose_first

MOST_TURN_RAD = 0.5
MOST_SLOPE_CHANGE = 0.5
_ROUNDING = 1e-9
_MOST_TRIES = 12


@dataclass(frozen=True, eq=False)
class Inputs:
    """n cells: middles rack_mm, held_mm (n,) and half sizes half_rack_mm, half_held_mm (n,)."""

    rack_mm: Array
    held_mm: Array
    half_rack_mm: Array
    half_held_mm: Array

    def take(self, which: Index | Flags) -> Inputs:
        return Inputs(
            self.rack_mm[which],
            self.held_mm[which],
            self.half_rack_mm[which],
            self.half_held_mm[which],
        )

    @property
    def half(self) -> Array:
        """(n, 2): rack, held."""
        return np.stack([self.half_rack_mm, self.half_held_mm], axis=1)


@dataclass(frozen=True, eq=False)
class Reach:
    """How far the knuckle goes in each of n cells.

    by (n, 6, 2): exact d(shift of the origin, turn)/d(rack, held) at the middle. shift_mm, turn_rad
    (n,): nowhere more than this. off_mm, off_rad (n,): nor further than this from the straight
    motion `by`. sure (n,): all of it is shown to hold over the whole cell; else they are infinite.
    """

    by: Array
    shift_mm: Array
    turn_rad: Array
    off_mm: Array
    off_rad: Array
    sure: Flags


def farthest(by: Array, half: Array) -> Array:
    """The longest of by @ q over a cell: (n, ..., 3, 2), (n, 2) -> (n, ...).

    The length is convex in q and even, so it is greatest at one of two corners.
    """
    half = half.reshape(half.shape[0], *(1,) * (by.ndim - 3), 2)
    along, across = by[..., 0] * half[..., :1], by[..., 1] * half[..., 1:]
    return np.asarray(np.maximum(length(along + across), length(along - across)))


def reach_of(problem: Problem, state: State, inputs: Inputs) -> Reach:
    """The knuckle's reach in cells whose middles are solved at `state`.

    ValueError for a linkage of several moving parts or with joints other than rods, sliders and
    heights on a fixed direction: their rows' second derivatives are not written here.
    """
    n, rows = state.count, problem.linkage.rows(state, inputs.rack_mm)
    slope = pose_first(rows.slope[problem.used])
    with np.errstate(all="ignore"):
        singular = ~(np.abs(np.linalg.det(slope)) > 0.0)
        slope = np.where(singular[:, None, None], np.eye(6), slope)
        back = np.linalg.inv(slope)
    by = np.empty((n, 6, 2))
    by[:, :, 0] = -np.einsum("nij,jn->ni", back, rows.by_slide[problem.used])
    by[:, :, 1] = back[:, :, int(np.flatnonzero(problem.used == problem.driven)[0])]
    rows_now = _rows_of(problem.linkage, state, inputs, by)
    used = [rows_now[i] for i in problem.used]
    with np.errstate(over="ignore", invalid="ignore"):
        found = _settled(used, np.abs(back), by, inputs.half)
    shift, turn, off, sure = found
    sure = sure & ~singular
    huge = np.where(sure, 0.0, np.inf)
    return Reach(
        by,
        shift + huge,
        turn + huge,
        length(off[:, :3]) + _ROUNDING + huge,
        length(off[:, 3:]) + _ROUNDING + huge,
        sure,
    )


def _settled(
    rows: list[_Row], back: Array, by: Array, half: Array
) -> tuple[Array, Array, Array, Flags]:
    """V, W (n,), the bound on d (n, 6), and where they are shown to hold."""
    straight_v, straight_w = farthest(by[:, :3], half), farthest(by[:, 3:], half)
    off = np.full((len(straight_v), 6), _ROUNDING)
    sure = np.zeros(len(off), dtype=bool)
    shift, turn = straight_v, straight_w
    for _ in range(_MOST_TRIES):
        off_v, off_w = length(off[:, :3]), length(off[:, 3:])
        ball = _Ball(straight_v + off_v, straight_w + off_w, off_v, off_w)
        bend = np.einsum("nij,jn->ni", back, 0.5 * np.stack([row.bend(ball) for row in rows]))
        change = np.einsum("nij,jn->ni", back, np.stack([row.slope_change(ball) for row in rows]))
        regular = length(change[:, :3]) <= MOST_SLOPE_CHANGE * SCALE_MM
        regular &= length(change[:, 3:]) <= MOST_SLOPE_CHANGE
        fits = ~sure & (length(bend[:, :3]) < off_v) & (length(bend[:, 3:]) < off_w)
        fits &= (ball.w <= MOST_TURN_RAD) & regular
        shift, turn = np.where(fits, ball.v, shift), np.where(fits, ball.w, turn)
        sure |= fits
        going = ~sure & regular & (ball.w <= MOST_TURN_RAD)
        if not going.any():
            break
        off = np.where(going[:, None], 1.05 * bend + _ROUNDING, off)
    return shift, turn, off, sure


@dataclass(frozen=True, eq=False)
class _Ball:
    """Half way along a settling: v, w (n,) bounds on the ball, off_v, off_w (n,) on d in it."""

    v: Array
    w: Array
    off_v: Array
    off_w: Array


@dataclass(frozen=True, eq=False)
class _RodRow:
    """f = (|D|^2 - L^2) / 2L, D from the far end to the knuckle's; all (n,) but arm and size.

    r: the knuckle's arm; D' = v + w x r - slide along the straight motion is at most `speed`;
    `bent`: |D . (w x (w x r))| of it. turning: how far r x D goes on the straight motion.
    """

    arm: float
    size: float
    span: Array
    speed: Array
    bent: Array
    turning: Array

    @classmethod
    def of(
        cls, arm: Array, line: Array, size: float, slide: Array, by: Array, half: Array
    ) -> _RodRow:
        """arm, line (n, 3): r and D. slide (3,): the rack's direction, or zero."""
        v, w = by[:, :3].copy(), by[:, 3:]
        v[:, :, 0] -= slide
        speed = v + np.cross(w, arm[:, :, None], axis=1)
        swept = np.cross(w, arm[:, :, None], axis=1)
        turning = np.cross(swept, line[:, :, None], axis=1) + np.cross(
            arm[:, :, None], speed, axis=1
        )
        bent = _most(w, w, lambda a, b: _dots(line, np.cross(a, np.cross(b, arm))), half)
        return cls(
            float(length(arm[:1])[0]) if len(arm) else 0.0,
            size,
            length(line),
            farthest(speed, half),
            bent,
            farthest(turning, half),
        )

    def fast(self, ball: _Ball) -> Array:
        """|D'| anywhere: the turned arm is no more than |w| |r| from where it was."""
        return np.asarray(self.speed + ball.off_v + self.arm * (ball.off_w + ball.w**2))

    def bend(self, ball: _Ball) -> Array:
        w, fast = ball.w, self.fast(ball)
        loose = 2.0 * w * ball.off_w + ball.off_w**2 + w**3
        inner = self.bent + self.arm * (self.span * loose + fast * w**2)
        return np.asarray((fast**2 + inner) / self.size)

    def slope_change(self, ball: _Ball) -> Array:
        w, fast = ball.w, self.fast(ball)
        second = ball.off_v + self.arm * (ball.off_w + w**2)
        turning = self.turning + self.arm * (
            self.span * (ball.off_w + 0.5 * w**2) + second + w * fast
        )
        return np.asarray((SCALE_MM * fast + turning) / self.size)


@dataclass(frozen=True, eq=False)
class _SliderRow:
    """f = n . (B - p) + const, the normal n turning with the knuckle, B off it; y = B - p.

    f'' = y . n'' + 2 n' . y'; `bent` bounds it on the straight motion, speed: |y'| there.
    """

    span: Array
    speed: Array
    bent: Array

    @classmethod
    def of(cls, normal: Array, apart: Array, slide: Array, by: Array, half: Array) -> _SliderRow:
        v, w = -by[:, :3], by[:, 3:]
        v[:, :, 0] += slide

        def second(a: Array, b: Array) -> Array:
            turned = _dots(apart, np.cross(a[:, 3:], np.cross(b[:, 3:], normal)))
            mixed = _dots(np.cross(a[:, 3:], normal), b[:, :3])
            return turned + mixed + _dots(np.cross(b[:, 3:], normal), a[:, :3])

        both = np.concatenate([v, w], axis=1)
        return cls(length(apart), farthest(v, half), _most(both, both, second, half))

    def bend(self, ball: _Ball) -> Array:
        w, fast = ball.w, self.speed + ball.off_v
        loose = 2.0 * w * ball.off_w + ball.off_w**2 + w**3
        mixed = w * ball.off_v + ball.off_w * fast + w**2 * fast
        return np.asarray(self.bent + self.span * loose + fast * w**2 + 2.0 * mixed)

    def slope_change(self, ball: _Ball) -> Array:
        fast = self.speed + ball.off_v
        return np.asarray(SCALE_MM * ball.w + fast + ball.w * (self.span + fast))


@dataclass(frozen=True, eq=False)
class _HeightRow:
    """f = n . (p + r) + const with n standing still."""

    arm: float

    def bend(self, ball: _Ball) -> Array:
        return ball.w**2 * self.arm

    def slope_change(self, ball: _Ball) -> Array:
        return ball.w * self.arm


_Row = _RodRow | _SliderRow | _HeightRow


def _dots(a: Array, b: Array) -> Array:
    return np.asarray(np.einsum("ni,ni->n", a, b))


def _most(a: Array, b: Array, form: Callable[[Array, Array], Array], half: Array) -> Array:
    """A bound (n,) on |form(a q, b q)| over the cell; a, b (n, k, 2), form bilinear."""
    s, h = half.T
    mixed = form(a[..., 0], b[..., 1]) + form(a[..., 1], b[..., 0])
    own = np.abs(form(a[..., 0], b[..., 0])) * s**2 + np.abs(form(a[..., 1], b[..., 1])) * h**2
    return np.asarray(own + np.abs(mixed) * s * h)


def _rows_of(linkage: Linkage, state: State, inputs: Inputs, by: Array) -> list[_Row]:
    """The rows in the linkage's order: rods first, then heights and sliders."""
    if linkage.unknown_count != 6:
        raise ValueError("cells are bounded for one moving part only")
    half = inputs.half
    turn, origin = np.moveaxis(state.turn[0], -1, 0), state.origin[0].T
    rods: list[_Row] = []
    others: list[_Row] = []

    def arm_of(place: Place) -> Array:
        return np.asarray(np.einsum("nij,j->ni", turn, place.at - linkage.origins[0]))

    def fixed(place: Place) -> tuple[Array, Array]:
        slide = linkage.slide_axis if place.part != GROUND else np.zeros(3)
        return place.at + inputs.rack_mm[:, None] * slide, slide

    for joint in linkage.joints:
        if isinstance(joint, Rod):
            own, far = (joint.a, joint.b) if joint.a.part == 0 else (joint.b, joint.a)
            if own.part != 0 or far.part == 0:
                raise ValueError(f"{joint.name}: one end must be on the moving part")
            arm, (at, slide) = arm_of(own), fixed(far)
            rods.append(_RodRow.of(arm, origin + arm - at, joint.length_mm, slide, by, half))
        elif isinstance(joint, Slider):
            if joint.line.part != 0 or joint.point.part == 0:
                raise ValueError(f"{joint.name}: its line must be on the moving part")
            at, slide = fixed(joint.point)
            first = perpendicular(joint.direction)
            for normal in (first, np.cross(unit(joint.direction), first)):
                now = np.einsum("nij,j->ni", turn, normal)
                others.append(_SliderRow.of(now, at - origin, slide, by, half))
        elif isinstance(joint, Height) and joint.normal.part != 0:
            own_ends = [p for p in (joint.a, joint.b) if p.part == 0]
            others.append(
                _HeightRow(sum(float(length(p.at - linkage.origins[0])) for p in own_ends))
            )
        else:
            raise ValueError("cells are bounded for rods, sliders and heights only")
    return [*rods, *others]


def inside(reach: Reach, home: State, way: Array, other: State) -> Flags:
    """Whether each pose of `other`, a solution at the middle's inputs + way (n, 2), is the one that
    the cell's bounds speak of: within off_mm and off_rad of the straight motion from `home`."""
    straight = np.einsum("nij,nj->ni", reach.by, way)
    shift = (other.origin[0] - home.origin[0]).T - straight[:, :3]
    turned = np.einsum("ijn,kjn->nik", other.turn[0], home.turn[0])
    # |R - 1| (Frobenius) = 2 sqrt 2 sin(angle / 2); the skew part is sin(angle) times the axis.
    chord = np.sqrt(np.square(turned - np.eye(3)).sum(axis=(1, 2))) / np.sqrt(8.0)
    angle = 2.0 * np.arcsin(np.minimum(chord, 1.0))
    skew = 0.5 * np.stack(
        [
            turned[:, 2, 1] - turned[:, 1, 2],
            turned[:, 0, 2] - turned[:, 2, 0],
            turned[:, 1, 0] - turned[:, 0, 1],
        ],
        axis=1,
    )
    vector = skew / np.sinc(angle / np.pi)[:, None]
    near = (length(shift) <= reach.off_mm) & (length(vector - straight[:, 3:]) <= reach.off_rad)
    return np.asarray(reach.sure & near & (angle < 2.0))
