"""The second derivatives of joint rows over whole cells, in closed form; `cells.py` says what for.

On the way s -> (s v, exp(s w)) of every part, 0 <= s <= 1, a place with arm r has the velocity
v + w x r(s) and the acceleration w x (w x r(s)), and a direction n fixed to a part w x n(s) and
w x (w x n(s)). With x = T q + d a row's second derivative is that of the straight motion T q at the
middle, which is a quadratic form of q and kept exactly (`quad`), and the rest, which is bounded by
lengths: |w - T_w q| <= off_w, |v - T_v q| <= off_v, |r(s) - r| <= |w| |r|, so that

    |(v + w x r(s)) - (T_v q + T_w q x r)|           <= off_v + |r| (off_w + |w|^2)
    |w x (w x r(s)) - T_w q x (T_w q x r)|           <= |r| (2 |w| off_w + off_w^2 + |w|^3)

`slope_change` bounds how far the row's slopes J(x) are from those at the middle: |(J(x) - J) u| for
every u of shifts up to SCALE_MM and turns up to 1 rad of all parts.
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
from linkview.kinematics.solve import SCALE_MM


@dataclass(frozen=True, eq=False)
class Ball:
    """What a solution is taken to keep to, each (n, P): v, w bound every part's shift and turn,
    off_v, off_w how far they are from the straight motion."""

    v: Array
    w: Array
    off_v: Array
    off_w: Array

    def curl(self, part: int) -> Array:
        """Bound on the change of w x (w x r) per length of r."""
        w, off = self.w[:, part], self.off_w[:, part]
        return np.asarray(2.0 * w * off + off**2 + w**3)


class Row(Protocol):
    """quad (n, 3): the straight motion's second derivative, by rack^2, rack x held, held^2."""

    quad: Array

    def loose(self, ball: Ball) -> Array:
        """(n,): how far the second derivative can be from that."""

    def slope_change(self, ball: Ball) -> Array:
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
            rate += np.cross(here.turn_by(part), arm[:, :, None], axis=1)
        sized = {part: (count, arm, length(arm)) for part, (count, arm) in arms.items()}
        return cls(now, rate, farthest(rate, here.half), sized, here)

    def bend(self, along: Array) -> Array:
        """(n, 3): the component along (n, 3) of the straight motion's acceleration; see `quad`."""
        out = np.zeros((len(along), 3))
        for part, (_, arm, _) in self.arms.items():
            out += _turned_twice(along, self.here.turn_by(part), arm)
        return out

    def stray(self, ball: Ball) -> Array:
        """Bound on the velocity's change, and on that of the way gone."""
        out = np.zeros(len(self.now))
        for part, (count, _, arm) in self.arms.items():
            out = out + abs(count) * ball.off_v[:, part]
            out = out + arm * (ball.off_w[:, part] + ball.w[:, part] ** 2)
        return out

    def curl(self, ball: Ball) -> Array:
        """Bound on the acceleration's change."""
        return np.asarray(sum((arm * ball.curl(p) for p, (_, _, arm) in self.arms.items()), 0.0))

    def pull(self, ball: Ball) -> Array:
        """Bound on the acceleration."""
        return np.asarray(
            sum((arm * ball.w[:, p] ** 2 for p, (_, _, arm) in self.arms.items()), 0.0)
        )


@dataclass(frozen=True, eq=False)
class _RodRow:
    """f = (|y|^2 - L^2) / 2L, so f'' = (y'.y' + y.y'') / L."""

    quad: Array
    span: _Span
    size: float
    turning: dict[int, Array]

    @classmethod
    def of(cls, here: _Here, joint: Rod) -> _RodRow:
        span = _Span.of(here, joint.a, joint.b)
        quad = (_products(span.rate, span.rate) + span.bend(span.now)) / joint.length_mm
        turning = {}
        for part, (_, arm, _) in span.arms.items():
            swept = np.cross(here.turn_by(part), arm[:, :, None], axis=1)
            by = np.cross(swept, span.now[:, :, None], axis=1)
            by += np.cross(arm[:, :, None], span.rate, axis=1)
            turning[part] = farthest(by, here.half)
        return cls(quad, span, joint.length_mm, turning)

    def loose(self, ball: Ball) -> Array:
        span, stray = self.span, self.span.stray(ball)
        fast = span.speed + stray
        inner = length(span.now) * span.curl(ball) + fast * span.pull(ball)
        return np.asarray((stray * (2.0 * span.speed + stray) + inner) / self.size)

    def slope_change(self, ball: Ball) -> Array:
        """The slopes are y / L for the shift and arm x y / L for the turn, whose change is
        (T_w q x r) x y + r x y' and what is beside the straight motion."""
        span, stray = self.span, self.span.stray(ball)
        fast, out = span.speed + stray, np.zeros(len(stray))
        for part, (count, _, arm) in span.arms.items():
            w, off = ball.w[:, part], ball.off_w[:, part]
            more = arm * (length(span.now) * (off + 0.5 * w**2) + stray + w * fast)
            out = out + abs(count) * SCALE_MM * fast + self.turning[part] + more
        return np.asarray(out / self.size)


@dataclass(frozen=True, eq=False)
class _HeightRow:
    """f = n . y + const, so f'' = n''.y + 2 n'.y' + n.y''.

    A place on the part that n turns with may be any other of that part, for n . (R r) is constant:
    its origin is taken, which has no arm. holder: that part, or GROUND.
    """

    quad: Array
    span: _Span
    holder: int

    @classmethod
    def of(cls, here: _Here, joint: Height) -> _HeightRow:
        holder = max(joint.normal.part, GROUND)
        n, span = here.along(joint.normal), _Span.of(here, joint.a, joint.b, joint.normal.part)
        quad = span.bend(n)
        if holder >= 0:
            turn = here.turn_by(holder)
            quad = quad + _turned_twice(span.now, turn, n)
            quad = quad + 2.0 * _products(np.cross(turn, n[:, :, None], axis=1), span.rate)
        return cls(quad, span, holder)

    def loose(self, ball: Ball) -> Array:
        span, out = self.span, self.span.curl(ball)
        if self.holder < 0:
            return out
        w, off = ball.w[:, self.holder], ball.off_w[:, self.holder]
        stray = span.stray(ball)
        fast = span.speed + stray
        out = out + w * span.pull(ball)
        out = out + ball.curl(self.holder) * length(span.now) + w**2 * fast
        return np.asarray(out + 2.0 * ((off + w**2) * fast + w * stray))

    def slope_change(self, ball: Ball) -> Array:
        """The slopes are n for a shift, arm x n for a turn, and n x y for the holder's."""
        span = self.span
        w = ball.w[:, self.holder] if self.holder >= 0 else np.zeros(len(span.now))
        out = np.zeros(len(w))
        for part, (count, _, arm) in span.arms.items():
            out = out + abs(count) * SCALE_MM * w + arm * (w + ball.w[:, part])
        if self.holder >= 0:
            fast = span.speed + span.stray(ball)
            out = out + w * (length(span.now) + fast) + fast
        return out


@dataclass(frozen=True, eq=False)
class _SquareRow:
    """f = a . b - const of two directions, each on a part or still."""

    quad: Array
    parts: tuple[int, int]

    @classmethod
    def of(cls, here: _Here, joint: Square) -> _SquareRow:
        a, b = here.along(joint.u), here.along(joint.w)
        quad = np.zeros((len(a), 3))
        swept = []
        for one, other, what in ((a, b, joint.u), (b, a, joint.w)):
            turn = np.zeros((len(a), 3, 2)) if what.part < 0 else here.turn_by(what.part)
            quad += _turned_twice(other, turn, one)
            swept.append(np.cross(turn, one[:, :, None], axis=1))
        return cls(quad + 2.0 * _products(*swept), (joint.u.part, joint.w.part))

    def _of(self, ball: Ball) -> list[tuple[Array, Array, Array]]:
        still = np.zeros(len(self.quad))
        return [
            (ball.w[:, p], ball.off_w[:, p] + ball.w[:, p] ** 2, ball.curl(p))
            if p >= 0
            else (still, still, still)
            for p in self.parts
        ]

    def loose(self, ball: Ball) -> Array:
        (w, stray, curl), (w2, stray2, curl2) = self._of(ball)
        return np.asarray(curl + curl2 + w**2 * w2 + w2**2 * w + 2.0 * (stray * w2 + w * stray2))

    def slope_change(self, ball: Ball) -> Array:
        """The slope of either turn is a x b."""
        (w, _, _), (w2, _, _) = self._of(ball)
        return np.asarray(sum(p >= 0 for p in self.parts) * (w + w2 + w * w2))


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
