"""Whole cells of rack and travel, not only their middles: how far the parts can go inside one.

A cell is a rectangle of inputs q = (rack, held value), |q| <= half either way of its middle, whose
pose is solved. The *held value* is the driven row's (see `Problem`): the wheel-centre height, or
the damper's length row. Write a pose near the middle's as x: every solved part shifted by v and
turned by exp(w) about its origin. The joint rows are then F(x, q) = 0, and Taylor along the
straight way from the middle, row by row and exactly, gives

    J x + F_q q + k = 0,   k_i = 1/2 F_i'',   so   x = T q + d,   d = -J^-1 k

with J at the middle and T = -J^-1 F_q the exact rates. F'' is a quadratic form of x and what it
changes along the way. That of the straight motion T q is kept exactly, with its signs. So is what
is mixed of T q and d: with J' q the change of the slopes along the straight motion, its share of d
is -J^-1 (J' q) d, but for 1/2 T_w q x d_w of every part, since turns do not commute. The rest is
bounded in closed form for every d within bounds assumed, the *ball* round T q (`cell_rows.py`).
`_settled` iterates to bounds on d that come out smaller than they were assumed, for every part. A
solution that sets out from the middle along any straight way of inputs can then never touch the
ball's edge: as long as it exists it is inside, and it exists all the way, by the implicit function
theorem, because J(x) is regular throughout: |J^-1 (J(x) - J)| <= 1/2 in a norm that is the largest
of |v| / a and |w| / b over the parts, again from closed forms. Any a and b of the parts do; those
taken (`_weights`) let a part at the end of a chain go further than those that lead it. The same
bound makes the solution in the ball the only one: in the coordinates x the mean of J(x) dexp(w)
between two solutions (dexp part by part) differs from J by less than 1/2 * 1.30 + 0.30 < 1 for
|w| <= 0.5 rad. So a pose solved by Newton inside a sure parent's ball is on its assembly.

Nothing here is a finite difference or a sample: the only numbers taken on trust are those of floats
(1e-9 mm and rad are added) and the middle's pose, whose misfit is 1e-10 mm. The rows are those that
are solved; of a linkage that is held more often than needed, the others follow as they do for every
pose. A cell is *sure* when all this could be shown; if not it must be split, or be left undecided.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from linkview.geometry import Array, Flags, Index, length
from linkview.kinematics.cell_rows import Ball, Most, Row, farthest, rows_of
from linkview.kinematics.closure import State
from linkview.kinematics.solve import SCALE_MM, Problem, pose_first

MOST_TURN_RAD = 0.5
MOST_SLOPE_CHANGE = 0.5
_ROUNDING = 1e-9
_MOST_TRIES = 12
_TERMS, _STRETCH = 20, 2.5  # over 2, so that something is spared for what is not straight


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
    """How far P solved parts go in each of n cells.

    by (n, 6P, 2): exact d(shift of the origin, turn)/d(rack, held) at the middle, part by part.
    shift_mm, turn_rad (n, P): nowhere more than this. off_mm, off_rad (n, P): nor further than this
    from the straight motion `by`. sure (n,): all of it is shown to hold over the whole cell; else
    they are infinite.
    """

    by: Array
    shift_mm: Array
    turn_rad: Array
    off_mm: Array
    off_rad: Array
    sure: Flags

    def take(self, which: Index | Flags) -> Reach:
        return Reach(
            self.by[which],
            self.shift_mm[which],
            self.turn_rad[which],
            self.off_mm[which],
            self.off_rad[which],
            self.sure[which],
        )

    def joined(self, other: Reach) -> Reach:
        """These cells and, after them, the others."""
        return Reach(
            np.concatenate([self.by, other.by]),
            np.concatenate([self.shift_mm, other.shift_mm]),
            np.concatenate([self.turn_rad, other.turn_rad]),
            np.concatenate([self.off_mm, other.off_mm]),
            np.concatenate([self.off_rad, other.off_rad]),
            np.concatenate([self.sure, other.sure]),
        )

    def where(self, known: Flags) -> Reach:
        """The same without bounds but at `known` (n,)."""

        def bounded(x: Array) -> Array:
            return np.where(known[:, None], x, np.inf)

        return Reach(
            np.where(known[:, None, None], self.by, 0.0),
            bounded(self.shift_mm),
            bounded(self.turn_rad),
            bounded(self.off_mm),
            bounded(self.off_rad),
            self.sure & known,
        )


def reach_of(problem: Problem, state: State, inputs: Inputs) -> Reach:
    """The solved parts' reach in cells whose middles are solved at `state`."""
    rows = problem.linkage.rows(state, inputs.rack_mm)
    slope = pose_first(rows.slope[problem.used])
    with np.errstate(all="ignore"):
        singular = ~(np.abs(np.linalg.det(slope)) > 0.0)
        slope = np.where(singular[:, None, None], np.eye(slope.shape[1]), slope)
        back = np.asarray(np.linalg.inv(slope), dtype=float)
    by = np.empty((*slope.shape[:2], 2))
    by[:, :, 0] = -np.einsum("nij,jn->ni", back, rows.by_slide[problem.used])
    by[:, :, 1] = back[:, :, int(np.flatnonzero(problem.used == problem.driven)[0])]
    used = rows_of(problem.linkage, state, inputs.rack_mm, by, inputs.half, problem.used.tolist())
    with np.errstate(over="ignore", invalid="ignore"):
        found = _settled(used, back, by, inputs.half)
    return found.where(found.sure & ~singular)


def _settled(rows: Sequence[Row], back: Array, by: Array, half: Array) -> Reach:
    """Bounds that come out within those assumed, where there are such."""
    straight_v, straight_w = _by_part(farthest, by.reshape(len(by), -1, 2, 3, 2), half)
    main_v, main_w = _by_part(
        _most,
        (back @ np.stack([0.5 * row.quad for row in rows], axis=1)).reshape(len(by), -1, 2, 3, 3),
        half,
    )
    change = _changes(back, np.stack([row.slope_rate for row in rows], axis=1), half)
    most = _weights(change)
    spare_v, spare_w = (
        MOST_SLOPE_CHANGE * x - y
        for x, y in zip((most.v, most.w), _changed(change, most.v, most.w), strict=True)
    )
    off_v, off_w = np.full((2, *straight_v.shape), _ROUNDING)
    sure = np.zeros(len(by), dtype=bool)
    size = np.abs(back)
    shift, turn, left_v, left_w = (np.full(straight_v.shape, np.inf) for _ in range(4))
    for _ in range(_MOST_TRIES):
        ball = Ball(straight_v + off_v, straight_w + off_w, off_v, off_w)
        mixed = _changed(change, off_v, off_w)
        rest = _lengths(size, [0.5 * row.loose(ball) for row in rows])
        loose = _lengths(size, [row.slope_loose(ball, most) for row in rows])
        small = (loose[0] <= spare_v) & (loose[1] <= spare_w)
        regular = (small & (ball.w <= MOST_TURN_RAD)).all(axis=1)
        need_v = main_v + mixed[0] + rest[0] + _ROUNDING
        need_w = main_w + mixed[1] + rest[1] + 0.5 * off_w * straight_w + _ROUNDING
        fits = ~sure & regular & ((need_v < off_v) & (need_w < off_w)).all(axis=1)
        here = fits[:, None]
        shift, turn = np.where(here, ball.v, shift), np.where(here, ball.w, turn)
        left_v, left_w = np.where(here, need_v, left_v), np.where(here, need_w, left_w)
        sure |= fits
        going = (~sure & regular)[:, None]
        if not going.any():
            break
        off_v = np.where(going, 1.05 * need_v + _ROUNDING, off_v)
        off_w = np.where(going, 1.05 * need_w + _ROUNDING, off_w)
    return Reach(by, shift, turn, left_v, left_w, sure)


def _by_part(
    measure: Callable[[Array, Array], Array], vectors: Array, half: Array
) -> tuple[Array, Array]:
    """measure((n, P, 3, .), half) of the shifts and of the turns in (n, P, 2, 3, .)."""
    return measure(vectors[:, :, 0], half), measure(vectors[:, :, 1], half)


def _most(forms: Array, half: Array) -> Array:
    """A bound (n, P) on the length of quadratic forms (n, P, 3, 3) over the cell."""
    s, h = half[:, :1], half[:, 1:]
    return np.asarray(
        length(forms[..., 0]) * s**2 + length(forms[..., 1]) * s * h + length(forms[..., 2]) * h**2
    )


def _changes(back: Array, rates: Array, half: Array) -> Array:
    """Bounds (n, P, 2, P, 2) on the blocks of J^-1 J' q over the cell: what the shift (0) or turn
    (1) of one part makes of another's. rates (n, 6P, 6P, 2): of all rows' slopes.

    Of a block B of 3 rows and 3 columns, |B u| is no more than its root of squares times |u|; that
    is convex in q and even, so greatest at a corner.
    """
    n, many = len(back), back.shape[1] // 6
    along, across = (back @ rates[..., k] * half[:, k, None, None] for k in (0, 1))
    out = []
    for both in (along + across, along - across):
        blocks = both.reshape(n, many, 2, 3, many, 2, 3)
        out.append(np.sqrt(np.square(blocks).sum(axis=(3, 6))))
    return np.asarray(np.maximum(*out))


def _changed(change: Array, v: Array, w: Array) -> tuple[Array, Array]:
    """The bounds times what every part is shifted and turned by, (n, P) each."""
    out = np.einsum("npiqj,nqj->npi", change, np.stack([v, w], axis=2))
    return out[:, :, 0], out[:, :, 1]


def _weights(change: Array) -> Most:
    """u of every part with `change` u < u / 2, where the series that makes it converges:
    u = s + c N u gives N u = (u - s) / c. NaN, which proves nothing, where it grows too large."""
    start = np.ones(change.shape[:3]) * [SCALE_MM, 1.0]
    out = start
    for _ in range(_TERMS):
        out = start + _STRETCH * np.einsum("npiqj,nqj->npi", change, out)
    out = np.where(np.isfinite(out), out, np.nan)
    return Most(out[:, :, 0], out[:, :, 1])


def _lengths(back: Array, each: Sequence[Array]) -> tuple[Array, Array]:
    """back (n, 6P, 6P) times (n,) of each row, as lengths of every part's shift and turn (n, P)."""
    all_ = (back @ np.stack(each, axis=1)[:, :, None]).reshape(len(back), -1, 2, 3)
    return length(all_[:, :, 0]), length(all_[:, :, 1])


def inside(reach: Reach, home: State, way: Array, other: State) -> Flags:
    """Whether each pose of `other`, a solution at the middle's inputs + way (n, 2), is the one that
    the cell's bounds speak of: within off_mm and off_rad of the straight motion from `home`."""
    straight = np.einsum("nij,nj->ni", reach.by, way).reshape(len(way), -1, 2, 3)
    shift = np.moveaxis(other.origin - home.origin, -1, 0) - straight[:, :, 0]
    turned = np.einsum("pijn,pkjn->npik", other.turn, home.turn)
    # |R - 1| (Frobenius) = 2 sqrt 2 sin(angle / 2); the skew part is sin(angle) times the axis.
    chord = np.sqrt(np.square(turned - np.eye(3)).sum(axis=(2, 3))) / np.sqrt(8.0)
    angle = 2.0 * np.arcsin(np.minimum(chord, 1.0))
    skew = 0.5 * np.stack(
        [
            turned[..., 2, 1] - turned[..., 1, 2],
            turned[..., 0, 2] - turned[..., 2, 0],
            turned[..., 1, 0] - turned[..., 0, 1],
        ],
        axis=-1,
    )
    vector = skew / np.sinc(angle / np.pi)[..., None]
    near = (length(shift) <= reach.off_mm) & (length(vector - straight[:, :, 1]) <= reach.off_rad)
    return np.asarray(reach.sure & (near & (angle < 2.0)).all(axis=1))
