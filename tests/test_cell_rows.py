"""Every kind of joint row over a cell, attacked term by term with motions inside its ball.

Truth: the rows of `closure.py` alone, differenced along the way; what is attacked are the closed
forms of their second derivatives and slopes, which never see those values.
"""

from __future__ import annotations

import numpy as np
import pytest

from linkview.geometry import length, rotation_from_vector
from linkview.kinematics.cell_rows import Ball, Most, rows_of
from linkview.kinematics.closure import (
    GROUND,
    SLIDE,
    Direction,
    Height,
    Linkage,
    Place,
    Rod,
    Slider,
    Square,
    State,
)

PARTS, CELLS, STEP = 3, 150, 1e-2


def a_linkage(rng) -> Linkage:
    """Rods, heights, sliders and squares between every sort of place."""

    def place(part):
        return Place(part, rng.uniform(-400, 400, 3))

    def way(part):
        v = rng.normal(size=3)
        return Direction(part, v / np.linalg.norm(v))

    joints = []
    for a, b in [(0, GROUND), (SLIDE, 1), (0, 1), (2, 1), (2, SLIDE)]:
        joints.append(Rod(f"rod {a} {b}", place(a), place(b), rng.uniform(150, 500)))
    for a, b, n in [(GROUND, 0, GROUND), (0, 1, GROUND), (0, 1, 0), (0, 1, 1), (0, SLIDE, 2)]:
        joints.append(Height(f"height {a} {b} {n}", place(a), place(b), way(n), 0.0))
    joints.append(Height("both on one", place(2), place(2), way(GROUND), 0.0))
    joints.append(Slider("slider", place(1), rng.normal(size=3), place(2)))
    joints += [Square("one", way(0), way(GROUND)), Square("two", way(1), way(2))]
    return Linkage(rng.uniform(-200, 200, (PARTS, 3)), joints, rng.normal(size=3))


class Thrown:
    """Random cells of a random linkage, and motions x = T q + d at the edge of random balls.

    T is any straight motion: the forms do not ask that it closes the joints.
    """

    def __init__(self, seed: int) -> None:
        rng = np.random.default_rng(seed)
        self.linkage = a_linkage(rng)
        n = CELLS
        turn = rotation_from_vector(rng.normal(size=(PARTS, n, 3)))
        self.state = State(np.moveaxis(turn, 1, -1), rng.uniform(-300, 300, (PARTS, 3, n)))
        self.rack = rng.uniform(-70, 70, n)
        by = rng.normal(size=(n, PARTS, 2, 3, 2)) * np.array([1.0, 0.004])[:, None, None]
        self.by = by.reshape(n, 6 * PARTS, 2)
        self.half = 10.0 ** rng.uniform(-0.5, 1.3, (n, 2))
        self.q = self.half * rng.choice([-1.0, 1.0], (n, 2))
        straight = np.einsum("nij,nj->ni", self.by, self.q).reshape(n, PARTS, 2, 3)
        d = rng.normal(size=straight.shape)
        share = 10.0 ** rng.uniform(-3, -0.3, (n, PARTS, 2))
        d *= (share * length(straight) / length(d))[..., None]
        self.straight, self.d = straight, d
        whole = straight + d
        self.v, self.w = whole[:, :, 0], whole[:, :, 1]
        straight_most = [
            np.maximum(*(length(self._moved(s)[:, :, k]) for s in ([1, 1], [1, -1])))
            for k in (0, 1)
        ]
        off = [length(d[:, :, k]) for k in (0, 1)]
        self.ball = Ball(*(s + o for s, o in zip(straight_most, off, strict=True)), *off)
        every = range(self.linkage.row_count)
        self.rows = rows_of(self.linkage, self.state, self.rack, self.by, self.half, every)

    def _moved(self, signs):
        q = self.half * np.array(signs)
        return np.einsum("nij,nj->ni", self.by, q).reshape(len(q), PARTS, 2, 3)

    def at(self, s: float):
        """The rows at the share s of the way."""
        turn = rotation_from_vector(s * self.w) @ np.moveaxis(self.state.turn, -1, 0)
        origin = np.moveaxis(self.state.origin, -1, 0) + s * self.v
        state = State(np.moveaxis(turn, 0, -1), np.moveaxis(origin, 0, -1))
        return self.linkage.rows(state, self.rack + s * self.q[:, 0])


@pytest.mark.parametrize("seed", range(12))
def test_second_derivatives_of_all_rows_are_within_what_is_said(seed):
    thrown = Thrown(seed)
    here, q = thrown.at(0.0), thrown.q
    powers = np.stack([q[:, 0] ** 2, q[:, 0] * q[:, 1], q[:, 1] ** 2], axis=1)
    # Turns do not commute: half of this more, as the slopes answer to a turn, is in F''(T q, d).
    swap = np.zeros_like(thrown.d)
    swap[:, :, 1] = np.cross(thrown.straight[:, :, 1], thrown.d[:, :, 1])
    tightest = np.zeros(len(thrown.rows))
    for s in (0.0, 0.35, 0.7, 1.0):
        value = [thrown.at(s + k * STEP).value for k in (-2, -1, 0, 1, 2)]
        second = np.tensordot([-1, 16, -30, 16, -1], value, axes=1) / (12 * STEP**2)
        for i, row in enumerate(thrown.rows):
            change = np.einsum("nkj,nj->nk", row.slope_rate, q)
            mixed = 2.0 * np.einsum("nk,nk->n", change, thrown.d.reshape(CELLS, -1))
            mixed += np.einsum("kn,nk->n", here.slope[i], swap.reshape(CELLS, -1))
            straight = np.einsum("nk,nk->n", row.quad, powers)
            left, allowed = np.abs(second[i] - straight - mixed), row.loose(thrown.ball)
            assert (left <= allowed + 1e-6).all(), thrown.linkage.row_names[i]
            tightest[i] = max(tightest[i], float((left / allowed).max()))
    # ... and no bound is so wide that an error of a few times would not be seen.
    assert (tightest > 0.1).all(), dict(zip(thrown.linkage.row_names, tightest, strict=True))


@pytest.mark.parametrize("seed", range(12))
def test_slopes_of_all_rows_change_no_more_than_said(seed):
    thrown = Thrown(seed)
    rng = np.random.default_rng(seed)
    here = thrown.at(0.0)
    most = Most(
        *(10.0 ** rng.uniform(-1, 1, (2, CELLS, PARTS)) * np.array([300, 1])[:, None, None])
    )
    for s in (0.5, 1.0):
        there = thrown.at(s)
        for i, row in enumerate(thrown.rows):
            change = np.einsum("nkj,nj->nk", row.slope_rate, s * thrown.q)
            left = (there.slope[i] - here.slope[i]).T - change
            left = left.reshape(CELLS, PARTS, 2, 3)
            # The worst u of all: each part's shift and turn along what is left of its slopes.
            worst = (length(left[:, :, 0]) * most.v + length(left[:, :, 1]) * most.w).sum(axis=1)
            allowed = row.slope_loose(thrown.ball, most)
            assert (worst <= allowed + 1e-6).all(), thrown.linkage.row_names[i]


def test_a_straight_motions_slopes_are_those_of_the_rows():
    # By central differences along the rack's and the held value's own motion.
    thrown = Thrown(9)
    for k in (0, 1):
        one = Thrown(9)
        one.q = np.zeros_like(thrown.q)
        one.q[:, k] = 1.0
        moved = np.einsum("nij,nj->ni", one.by, one.q).reshape(CELLS, PARTS, 2, 3)
        one.v, one.w = moved[:, :, 0], moved[:, :, 1]
        change = (one.at(1e-4).slope - one.at(-1e-4).slope) / 2e-4
        for i, row in enumerate(thrown.rows):
            assert np.allclose(row.slope_rate[..., k], change[i].T, rtol=1e-6, atol=1e-5)
