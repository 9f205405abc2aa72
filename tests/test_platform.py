"""The solver against a platform with 40 real poses.

Source: P. Dietmaier, "The Stewart-Gough Platform of General Geometry can have 40 Real Postures",
Advances in Robot Kinematics, 1998; geometry and one pose as printed, all 40 in
truth/dietmaier40.json. Six legs hold one body: five of fixed length and a sixth that is driven are
exactly a five-link wheel carrier. The platform's lengths are about 1; here 1 is 300 mm, the size of
a knuckle, because linkview's tolerances are in mm.
"""

from __future__ import annotations

import json
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from assemblies import distance, distinct, random_states, wandered

from linkview.kinematics.closure import GROUND, Linkage, Place, Rod, State
from linkview.kinematics.solve import Problem, Target, newton, trace

SCALE = 300.0
BASE = np.array(
    [
        [0, 0, 0],
        [1.107915, 0, 0],
        [0.549094, 0.756063, 0],
        [0.735077, -0.223935, 0.525991],
        [0.514188, -0.526063, -0.368418],
        [0.590473, 0.094733, -0.205018],
    ]
)
BODY = np.array(
    [
        [0, 0, 0],
        [0.542805, 0, 0],
        [0.956919, -0.528915, 0],
        [0.665885, -0.353482, 1.402538],
        [0.478359, 1.158742, 0.107672],
        [-0.137087, -0.235121, 0.353913],
    ]
)
LEGS = np.array([1, 0.645275, 1.086284, 1.503439, 1.281933, 0.771071])
PRINTED_T = [0.955868038233880, -0.046995628998516, -0.290013283037649]
PRINTED_R = [
    [-0.040450357031281, -0.932229494397471, 0.359599691867884],
    [0.983337493748685, 0.026695523074364, 0.179818582009314],
    [-0.177231887661606, 0.360881585597300, 0.915616371179918],
]


@pytest.fixture(scope="module")
def platform() -> Problem:
    legs = [
        Rod(
            f"leg {i + 1}",
            Place(GROUND, SCALE * BASE[i]),
            Place(0, SCALE * BODY[i]),
            SCALE * LEGS[i],
        )
        for i in range(6)
    ]
    return Problem(Linkage([np.zeros(3)], legs), 5, np.arange(6))


@pytest.fixture(scope="module")
def stored() -> State:
    text = (Path(__file__).parent / "truth" / "dietmaier40.json").read_text(encoding="utf-8")
    poses = np.array(json.loads(text)["poses"])
    turn = np.moveaxis(poses[:, :9].reshape(-1, 3, 3), 0, -1)
    return State(turn[None].copy(), SCALE * poses[:, 9:].T[None])


def at(count: int, held_mm=0.0) -> Target:
    return Target(np.zeros(count), np.full(count, held_mm))


def leg_lengths(state: State) -> np.ndarray:
    """(n, 6), from the points themselves, in the platform's own unit."""
    body = np.einsum("ijn,kj->nki", state.turn[0], BODY) + state.origin[0].T[:, None] / SCALE
    return np.linalg.norm(body - BASE, axis=-1)


def test_exactly_forty_poses_from_random_starts(platform, stored):
    start = random_states(6000, np.zeros(3), 1.5 * SCALE, seed=1)
    found = distinct(wandered(platform, start, at(6000)))
    assert found.count == 40
    apart = distance(found, stored)
    assert sorted(apart.argmin(axis=1)) == list(range(40))  # each stored one once
    assert apart.min(axis=1).max() < 1e-9
    assert np.abs(leg_lengths(found) - LEGS).max() < 1e-12


def test_the_printed_pose_is_among_them(platform):
    turn = np.array(PRINTED_R)[None, :, :, None]
    printed = State(turn, SCALE * np.array(PRINTED_T)[None, :, None])
    found = newton(platform, printed, at(1))
    assert found.solved.all()
    assert distance(found.state, printed).max() < 1e-11  # 1e-10 mm of misfit, in 300 mm, magnified


def test_newton_does_not_leave_the_pose_it_was_started_near(platform, stored):
    rng = np.random.default_rng(2)
    slope = np.moveaxis(platform.rows(stored, at(40)).slope, -1, 0).copy()
    slope[:, :, 3:] /= SCALE
    # Some of the 40 are all but singular, 3e-5; there the basin is as small.
    grip = np.linalg.svd(slope, compute_uv=False)[:, -1]
    for size in (1e-4, 1e-3, 1e-2, 5e-2):
        step = rng.normal(size=(6, 40))
        step *= size / np.linalg.norm(step, axis=0)
        step[:3] *= SCALE
        found = newton(platform, stored.stepped(step), at(40))
        apart = distance(found.state, stored)
        # Refusing is allowed, arriving at another one is not.
        own = apart[np.arange(40), np.arange(40)]
        assert own[found.solved].max(initial=0.0) < 1e-9
        if size <= 1e-3:
            assert found.solved[grip > 50.0 * size].all()


@pytest.mark.parametrize("grow_mm", [6.0, -6.0])
def test_each_of_the_forty_keeps_its_own_assembly_there_and_back(platform, stored, grow_mm):
    out = trace(platform, stored, at(40), at(40, grow_mm))
    far = at(40).between(at(40, grow_mm), out.reached)
    assert out.arrived.any()
    back = trace(platform, out.state, far, at(40))
    assert back.arrived.all()
    own = distance(back.state, stored)[np.arange(40), np.arange(40)]
    assert np.isfinite(own).all()
    assert own.max() < 1e-9
    lengths = leg_lengths(out.state)
    assert np.abs(lengths[:, :5] - LEGS[:5]).max() < 1e-12
    driven = SCALE * (lengths[:, 5] ** 2 - LEGS[5] ** 2) / (2.0 * LEGS[5])
    assert np.abs(driven - far.held_mm).max() < 1e-9


@pytest.mark.parametrize("grow_mm", [6.0, -6.0])
def test_a_traced_way_has_no_jump(platform, stored, grow_mm):
    """A jump stays as long however finely one looks; a way without one has steps half as long,
    or shorter by the root of two where it ends at a fold."""
    arrived = trace(platform, stored, at(40), at(40, grow_mm)).arrived
    some = stored.take(np.flatnonzero(arrived))

    def longest(stations: int) -> np.ndarray:
        now, most = some, np.zeros(some.count)
        held = np.linspace(0.0, grow_mm, stations + 1)
        for a, b in pairwise(held):
            then = trace(platform, now, at(some.count, a), at(some.count, b))
            assert then.arrived.all()
            most = np.maximum(most, np.diag(distance(then.state, now)))
            now = then.state
        assert distance(now, now)[~np.eye(some.count, dtype=bool)].min() > 1e-6
        return most

    assert (longest(64) < 0.75 * longest(32)).all()
