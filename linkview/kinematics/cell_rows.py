"""The second derivatives of joint rows over whole cells, in closed form; `cells.py` says what for.

On the way s -> (s v, exp(s w)) of every part, 0 <= s <= 1, a place with arm r has the velocity
v + w x r(s) and the acceleration w x (w x r(s)), and a direction n fixed to a part w x n(s) and
w x (w x n(s)), where |r(s) - r| <= |w| |r|. At the middle, s = 0, a row's second derivative is a
quadratic form of (v, w), which is x = T q + d: that of the straight motion T q is kept exactly
(`quad`), so is what d does to the first order (`slope_rate`, the change of the row's slopes along
the straight motion), and the rest is bounded by lengths (`loose`): what d does to the second order,
by |d_v| <= off_v and |d_w| <= off_w, and what s > 0 does, by |w| <= w.

`slope_loose` bounds how far the slopes J(x) are from J + J' q, |(J(x) - J - J' q) u|, for every u
that shifts and turns each part by no more than it is told.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from linkview.geometry import Array, dot, length
from linkview.kinematics.closure import (
    GROUND,
    SLIDE,
    Direction,
    Height,
    Linkage,
    Place,
    Rod,
    Square,
    State,
    heights_of,
)


@dataclass(frozen=True, eq=False)
class Ball:
    """What a solution is taken to keep to, each (n, P): v, w bound every part's shift and turn,
    off_v, off_w how far they are from the straight motion."""

    v: Array
    w: Array
    off_v: Array
    off_w: Array


@dataclass(frozen=True, eq=False)
class Most:
    """The most that each part is shifted, v, and turned, w, (n, P)."""

    v: Array
    w: Array


class Row(Protocol):
    """quad (n, 3): the straight motion's second derivative, by rack^2, rack x held, held^2.

    slope_rate (n, 6P, 2): how the slopes change with the inputs along it.
    """

    quad: Array
    slope_rate: Array

    def loose(self, ball: Ball) -> Array:
        """(n,): see the top of this file."""

    def slope_loose(self, ball: Ball, most: Most) -> Array:
        """(n,): see the top of this file."""


def farthest(by: Array, half: Array) -> Array:
    """The longest of by @ q over a cell: (n, ..., 3, 2), (n, 2) -> (n, ...).

    The length is convex in q and even, so it is greatest at one of two corners.
    """
    half = half.reshape(half.shape[0], *(1,) * (by.ndim - 3), 2)
    along, across = by[..., 0] * half[..., :1], by[..., 1] * half[..., 1:]
    return np.asarray(np.maximum(length(along + across), length(along - across)))


def rows_of(
    linkage: Linkage, state: State, slide_mm: Array, by: Array, half: Array, used: Sequence[int]
) -> list[Row]:
    """The rows `used` of a linkage, in its order: rods, then heights and sliders, then squares.

    by (n, 6P, 2): the straight motion; half (n, 2): the cells' half sizes.
    """
    here = _Here(linkage, state, slide_mm, by, half)
    rods = [j for j in linkage.joints if isinstance(j, Rod)]
    heights = [h for j in linkage.joints for h in heights_of(j)]
    squares = [j for j in linkage.joints if isinstance(j, Square)]
    makers = [
        *((_RodRow.of, j) for j in rods),
        *((_HeightRow.of, j) for j in heights),
        *((_SquareRow.of, j) for j in squares),
    ]
    return [makers[i][0](here, makers[i][1]) for i in used]  # type: ignore[operator]


@dataclass(frozen=True, eq=False)
class _Here:
    """n poses of a linkage and their straight motion over the cells round them."""

    linkage: Linkage
    state: State
    slide_mm: Array
    by: Array
    half: Array

    def turn_by(self, part: int) -> Array:
        """(n, 3, 2): how the part turns with the inputs."""
        return self.by[:, 6 * part + 3 : 6 * part + 6]

    def swept(self, part: int, arm: Array) -> Array:
        """(n, 3, 2): how an arm or a direction (n, 3) of the part goes with the inputs."""
        if part < 0:
            return np.zeros((len(arm), 3, 2))
        return np.cross(self.turn_by(part), arm[:, :, None], axis=1)

    def along(self, what: Direction) -> Array:
        """(n, 3): where a direction points."""
        if what.part < 0:
            return np.broadcast_to(what.along, (len(self.slide_mm), 3))
        return np.asarray(np.einsum("ijn,j->ni", self.state.turn[what.part], what.along))

    def arm(self, place: Place) -> Array:
        """(n, 3): a part's place, from the part's origin."""
        off = place.at - self.linkage.origins[place.part]
        return np.asarray(np.einsum("ijn,j->ni", self.state.turn[place.part], off))


@dataclass(frozen=True, eq=False)
class _Span:
    """The way from one place to another: now (n, 3) mm; rate (n, 3, 2) per input.

    arms: part -> how often its origin counts (-1, 0, 1), its arm (n, 3) and the arm's length (n,).
    """

    now: Array
    rate: Array
    speed: Array
    arms: dict[int, tuple[float, Array, Array]]
    here: _Here

    @classmethod
    def of(cls, here: _Here, a: Place, b: Place, without: int = GROUND) -> _Span:
        """From a to b; without: a part whose places are taken to be its origin."""
        n, axis = len(here.slide_mm), here.linkage.slide_axis
        now, rate = np.zeros((n, 3)), np.zeros((n, 3, 2))
        arms: dict[int, tuple[float, Array]] = {}
        for place, sense in ((a, -1.0), (b, 1.0)):
            if place.part < 0:
                now = now + sense * place.at
                if place.part == SLIDE:
                    now = now + sense * here.slide_mm[:, None] * axis
                    rate[:, :, 0] += sense * axis
                continue
            count, arm = arms.get(place.part, (0.0, np.zeros((n, 3))))
            own = np.zeros((n, 3)) if place.part == without else here.arm(place)
            arms[place.part] = count + sense, arm + sense * own
        for part, (count, arm) in arms.items():
            now = now + count * here.state.origin[part].T + arm
            rate += count * here.by[:, 6 * part : 6 * part + 3]
            rate += here.swept(part, arm)
        sized = {part: (count, arm, length(arm)) for part, (count, arm) in arms.items()}
        return cls(now, rate, farthest(rate, here.half), sized, here)

    def bend(self, along: Array) -> Array:
        """(n, 3): the component along (n, 3) of the straight motion's acceleration; see `quad`."""
        out = np.zeros((len(along), 3))
        for part, (_, arm, _) in self.arms.items():
            out += _turned_twice(along, self.here.turn_by(part), arm)
        return out

    def strays(self, ball: Ball) -> tuple[Array, Array]:
        """Bounds on what d does to the velocity, and on what s > 0 does."""
        by_d, by_s = np.zeros(len(self.now)), np.zeros(len(self.now))
        for part, (count, _, arm) in self.arms.items():
            by_d = by_d + abs(count) * ball.off_v[:, part] + arm * ball.off_w[:, part]
            by_s = by_s + arm * ball.w[:, part] ** 2
        return by_d, by_s

    def powers(self, turn: Array, power: int) -> Array:
        """(n,): the sum of arm |w|^power over the parts; turn (n, P)."""
        out = np.zeros(len(self.now))
        for part, (_, _, arm) in self.arms.items():
            out = out + arm * turn[:, part] ** power
        return out


@dataclass(frozen=True, eq=False)
class _RodRow:
    """f = (|y|^2 - L^2) / 2L, so f'' = (y'.y' + y.y'') / L; its slopes are y / L for a shift and
    arm x y / L for a turn."""

    quad: Array
    slope_rate: Array
    span: _Span
    size: float

    @classmethod
    def of(cls, here: _Here, joint: Rod) -> _RodRow:
        span = _Span.of(here, joint.a, joint.b)
        quad = _products(span.rate, span.rate) + span.bend(span.now)
        slope_rate = np.zeros_like(here.by)
        for part, (count, arm, _) in span.arms.items():
            k = 6 * part
            slope_rate[:, k : k + 3] = count * span.rate
            slope_rate[:, k + 3 : k + 6] = _crossed(here.swept(part, arm), span.now)
            slope_rate[:, k + 3 : k + 6] -= _crossed(span.rate, arm)
        size = joint.length_mm
        return cls(quad / size, slope_rate / size, span, size)

    def loose(self, ball: Ball) -> Array:
        span, long = self.span, length(self.span.now)
        by_d, by_s = span.strays(ball)
        at_start = span.speed + by_d
        out = by_d**2 + long * span.powers(ball.off_w, 2)
        out += by_s * (2.0 * at_start + by_s)
        out += long * span.powers(ball.w, 3) + (at_start + by_s) * span.powers(ball.w, 2)
        return np.asarray(out / self.size)

    def slope_loose(self, ball: Ball, most: Most) -> Array:
        span, (by_d, by_s) = self.span, self.span.strays(ball)
        stray, out = by_d + by_s, np.zeros(len(by_d))
        for part, (count, _, arm) in span.arms.items():
            w, off = ball.w[:, part], ball.off_w[:, part]
            turning = length(span.now) * (off + 0.5 * w**2) + stray + w * (span.speed + stray)
            out = out + abs(count) * stray * most.v[:, part] + arm * turning * most.w[:, part]
        return np.asarray(out / self.size)


@dataclass(frozen=True, eq=False)
class _HeightRow:
    """f = n . y + const, so f'' = n''.y + 2 n'.y' + n.y''.

    Its slopes are n for a shift, arm x n for a turn, and n x y more for that of n's part.
    A place on the part that n turns with may be any other of that part, for n . (R r) is constant:
    its origin is taken, which has no arm. holder: that part, or GROUND.
    """

    quad: Array
    slope_rate: Array
    span: _Span
    holder: int

    @classmethod
    def of(cls, here: _Here, joint: Height) -> _HeightRow:
        holder = max(joint.normal.part, GROUND)
        n, span = here.along(joint.normal), _Span.of(here, joint.a, joint.b, joint.normal.part)
        quad, swept, slope_rate = span.bend(n), here.swept(holder, n), np.zeros_like(here.by)
        for part, (count, arm, _) in span.arms.items():
            k = 6 * part
            slope_rate[:, k : k + 3] = count * swept
            slope_rate[:, k + 3 : k + 6] = _crossed(here.swept(part, arm), n) - _crossed(swept, arm)
        if holder >= 0:
            quad = quad + _turned_twice(span.now, here.turn_by(holder), n)
            quad = quad + 2.0 * _products(swept, span.rate)
            slope_rate[:, 6 * holder + 3 : 6 * holder + 6] += _crossed(swept, span.now)
            slope_rate[:, 6 * holder + 3 : 6 * holder + 6] -= _crossed(span.rate, n)
        return cls(quad, slope_rate, span, holder)

    def loose(self, ball: Ball) -> Array:
        span = self.span
        out = span.powers(ball.off_w, 2) + span.powers(ball.w, 3)
        if self.holder < 0:
            return out
        w, off, long = ball.w[:, self.holder], ball.off_w[:, self.holder], length(span.now)
        by_d, by_s = span.strays(ball)
        fast = span.speed + by_d + by_s
        out = out + off**2 * long + 2.0 * off * by_d
        out = out + w**3 * long + w**2 * fast + 2.0 * (w**2 * fast + w * by_s)
        return np.asarray(out + w * span.powers(ball.w, 2))

    def slope_loose(self, ball: Ball, most: Most) -> Array:
        span, still = self.span, np.zeros(len(self.span.now))
        w, off = still, still
        if self.holder >= 0:
            w = ball.w[:, self.holder]
            off = ball.off_w[:, self.holder] + 0.5 * w**2
        out = still
        for part, (count, _, arm) in span.arms.items():
            own = ball.w[:, part]
            turning = ball.off_w[:, part] + 0.5 * own**2 + off + own * w
            out = out + abs(count) * off * most.v[:, part] + arm * turning * most.w[:, part]
        if self.holder >= 0:
            stray = sum(span.strays(ball))
            turning = off * length(span.now) + stray + w * (span.speed + stray)
            out = out + turning * most.w[:, self.holder]
        return out


@dataclass(frozen=True, eq=False)
class _SquareRow:
    """f = a . b - const of two directions, each on a part or still; its slopes are a x b for the
    turn of the first one's part and the other way for the second's."""

    quad: Array
    slope_rate: Array
    parts: tuple[int, int]

    @classmethod
    def of(cls, here: _Here, joint: Square) -> _SquareRow:
        a, b = here.along(joint.u), here.along(joint.w)
        i, j = joint.u.part, joint.w.part
        swept = here.swept(i, a), here.swept(j, b)
        quad, slope_rate = 2.0 * _products(*swept), np.zeros_like(here.by)
        lever = _crossed(swept[0], b) - _crossed(swept[1], a)
        for part, sense, one, other in ((i, 1.0, a, b), (j, -1.0, b, a)):
            if part >= 0:
                quad = quad + _turned_twice(other, here.turn_by(part), one)
                slope_rate[:, 6 * part + 3 : 6 * part + 6] += sense * lever
        return cls(quad, slope_rate, (i, j))

    def loose(self, ball: Ball) -> Array:
        a, b = (_turns(ball.w, part) for part in self.parts)
        off = sum(_turns(ball.off_w, part) for part in self.parts)
        return np.asarray(off**2 + (a + b) ** 3)

    def slope_loose(self, ball: Ball, most: Most) -> Array:
        (a, b), (off_a, off_b) = (
            [_turns(x, part) for part in self.parts] for x in (ball.w, ball.off_w)
        )
        lever = off_a + 0.5 * a**2 + off_b + 0.5 * b**2 + a * b
        return np.asarray(lever * sum(_turns(most.w, part) for part in self.parts))


def _turns(turn: Array, part: int) -> Array:
    """A part's column of (n, P); zeros for what stands still."""
    return turn[:, part] if part >= 0 else np.zeros(len(turn))


def _products(a: Array, b: Array) -> Array:
    """(n, 3): (a q) . (b q) of a, b (n, 3, 2), by rack^2, rack x held and held^2."""
    a0, a1, b0, b1 = a[..., 0], a[..., 1], b[..., 0], b[..., 1]
    return np.stack([dot(a0, b0), dot(a0, b1) + dot(a1, b0), dot(a1, b1)], axis=1)


def _turned_twice(along: Array, turn: Array, arm: Array) -> Array:
    """(n, 3): along . (w x (w x arm)) with w = turn q; as `_products`.

    w x (w x r) = w (w . r) - r (w . w), so no cross product is needed.
    """
    on_line = np.einsum("ni,nij->nj", along, turn), np.einsum("ni,nij->nj", arm, turn)
    (p0, p1), (r0, r1) = (x.T for x in on_line)
    both = dot(along, arm)
    twice = _products(turn, turn) * both[:, None]
    return np.stack([p0 * r0, p0 * r1 + p1 * r0, p1 * r1], axis=1) - twice


def _crossed(by: Array, still: Array) -> Array:
    """(n, 3, 2): by q x still of (n, 3, 2) and (n, 3)."""
    return np.cross(by, still[:, :, None], axis=1)
