"""Newton and tracing: order of convergence, refusing to jump, rates, words for what blocks."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

import linkview.kinematics.solve as solve
from linkview.kinematics.closure import (
    GROUND,
    Direction,
    Height,
    Linkage,
    Place,
    Rod,
    Square,
    State,
)
from linkview.kinematics.corner import linkage_of
from linkview.kinematics.reach import Block
from linkview.kinematics.solve import Problem, Target, newton, rates, trace, velocities
from linkview.model.parts import Hold

X, Y, Z = np.eye(3)


def target(*held_mm: float) -> Target:
    return Target(np.zeros(len(held_mm)), np.array(held_mm))


def residuals(problem: Problem, start: State, goal: Target) -> list[float]:
    """The residual after 0, 1, 2 ... Newton steps, mm."""
    return [
        float(newton(problem, start, goal, most_iterations=k).residual_mm.max()) for k in range(6)
    ]


# --- Newton --------------------------------------------------------------------------------------


@pytest.mark.parametrize("which", ["front", "rear"])
def test_newton_converges_quadratically(which, request):
    """A wrong derivative still converges, only slower: the order tells."""
    problem = linkage_of(request.getfixturevalue(which)).problem(Hold.WHEEL_HEIGHT)
    history = residuals(problem, problem.linkage.reference(), target(12.0))
    falls = [r for r in history if r > 1e-9]
    assert len(falls) <= 4  # solved in four steps from 12 mm away
    orders = [
        np.log(c / b) / np.log(b / a) for a, b, c in zip(falls, falls[1:], falls[2:], strict=False)
    ]
    assert orders
    assert min(orders) > 1.7


def test_four_steps_suffice_from_a_good_start_and_the_answer_is_finite(front):
    problem = linkage_of(front).problem(Hold.WHEEL_HEIGHT)
    found = newton(problem, problem.linkage.reference(3), target(-8.0, 3.0, 8.0))
    assert found.iterations <= 4
    assert np.isfinite(found.state.turn).all()
    assert np.isfinite(found.state.origin).all()
    assert found.residual_mm.max() <= 1e-10
    assert found.solved.all()


def test_one_pose_does_not_depend_on_the_others_in_its_batch(front):
    problem = linkage_of(front).problem(Hold.WHEEL_HEIGHT)
    goals = target(5.0, 900.0, -7.0, 0.0)
    together = newton(problem, problem.linkage.reference(4), goals)
    assert together.solved.tolist() == [True, False, True, True]
    for k in (0, 2, 3):
        alone = newton(problem, problem.linkage.reference(), goals.take(np.array([k])))
        assert np.abs(together.state.turn[..., k] - alone.state.turn[..., 0]).max() < 1e-14


def test_a_long_first_correction_is_refused_and_the_pose_left_alone(front):
    problem = linkage_of(front).problem(Hold.WHEEL_HEIGHT)
    start = problem.linkage.reference()
    found = newton(problem, start, target(60.0))
    assert not found.solved.any()
    assert np.array_equal(found.state.turn, start.turn)


def test_a_singular_or_broken_start_is_refused_without_a_warning(front):
    problem = linkage_of(front).problem(Hold.WHEEL_HEIGHT)
    doubled = np.where(np.arange(6) == 5, problem.used[0], problem.used)  # one row twice
    singular = Problem(problem.linkage, problem.used[0], doubled)
    assert not newton(singular, problem.linkage.reference(), target(1.0)).solved.any()
    broken = problem.linkage.reference()
    broken.origin[0, 2, 0] = np.nan
    assert not newton(problem, broken, target(0.0)).solved.any()


# --- rates ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("hold", list(Hold))
def test_velocities_agree_with_central_differences(front, hold):
    problem, h = linkage_of(front).problem(hold), 0.01
    zero = Target(np.zeros(1), np.zeros(1))
    by_slide, by_held = velocities(problem, problem.linkage.reference(), zero)
    for speed, low, high in (
        (by_slide, Target(np.array([-h]), np.zeros(1)), Target(np.array([h]), np.zeros(1))),
        (by_held, target(-h), target(h)),
    ):
        a, b = (newton(problem, problem.linkage.reference(), t).state for t in (low, high))
        shift = (b.origin - a.origin)[0, :, 0] / (2 * h)
        turn = b.turn[0, ..., 0] @ a.turn[0, ..., 0].T
        w = np.array([turn[2, 1] - turn[1, 2], turn[0, 2] - turn[2, 0], turn[1, 0] - turn[0, 1]])
        assert np.abs(speed[:3, 0] - shift).max() < 1e-6
        assert np.abs(speed[3:, 0] - w / (4 * h)).max() < 1e-8


def test_grip_is_the_determinant_of_each_set_of_rows(front):
    problem = linkage_of(front).problem(Hold.WHEEL_HEIGHT)
    rng = np.random.default_rng(0)
    state = problem.linkage.reference(5).stepped(rng.normal(size=(6, 5)) * 0.05)
    rows = problem.rows(state, target(*np.zeros(5)))
    grip = rates(problem, rows).grip
    for k, row in enumerate((problem.driven, *problem.watched)):
        for n in range(5):
            truth = np.linalg.det(rows.slope[problem.swapped(row), :, n])
            assert grip[k, n] == pytest.approx(truth, rel=1e-9)


# --- a linkage that snaps through ----------------------------------------------------------------
#
# A planar plate on three legs, two of fixed length and one driven. The plate's third corner C runs
# on a curve; the third leg's foot sits at the curve's centre of curvature, so the leg's length is
# stationary to second order there: two dead points fall together. Shift the foot along the curve's
# tangent and they part, one way into none, the other way into two that lie as close as one likes,
# with the linkage driven through snapping from before the first to beyond the second.

FEET = np.array([[0.0, 0, 0], [200.0, 0, 0]])
PLATE = np.array([[0.0, 0, 0], [150.0, 0, 0], [60.0, 120.0, 0]])
LEGS = (200.0, 180.0)


def plate_pose(angle: float) -> tuple[float, np.ndarray]:
    """Turn and place of the plate for the first leg's angle; the elbow-up closure."""
    a = LEGS[0] * np.array([np.cos(angle), np.sin(angle), 0.0])
    d = FEET[1] - a
    r = np.linalg.norm(d[:2])
    k = (r * r + PLATE[1, 0] ** 2 - LEGS[1] ** 2) / (2.0 * r * PLATE[1, 0])
    return float(np.arctan2(d[1], d[0]) + np.arccos(k)), a


def third_corner(angle: float) -> np.ndarray:
    turn, a = plate_pose(angle)
    c, s = np.cos(turn), np.sin(turn)
    return a + np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]]) @ PLATE[2]


def snapping(middle: float, aside_mm: float) -> tuple[Problem, np.ndarray]:
    """The problem and its foot; the reference is at `middle`."""
    h = 1e-4
    low, here, high = (third_corner(middle + k * h) for k in (-1, 0, 1))
    along, bend = (high - low) / (2 * h), (high - 2 * here + low) / h**2
    t = along / np.linalg.norm(along)
    normal = np.cross(Z, t)
    foot = here + normal * (along @ along) / (bend @ normal) + aside_mm * t
    turn, a = plate_pose(middle)
    c, s = np.cos(turn), np.sin(turn)
    placed = a + PLATE @ np.array([[c, s, 0], [-s, c, 0], [0, 0, 1]])
    feet = [*FEET, foot]
    joints = [
        *(
            Rod(f"leg {i}", Place(GROUND, f), Place(0, p), float(np.linalg.norm(p - f)))
            for i, (f, p) in enumerate(zip(feet, placed, strict=True))
        ),
        Height("plane", Place(GROUND, a), Place(0, a), Direction(GROUND, Z), 0.0),
        Square("flat", Direction(0, Z), Direction(GROUND, X)),
        Square("flat", Direction(0, Z), Direction(GROUND, Y)),
    ]
    return Problem(Linkage([a], joints), 2, np.arange(6)), foot


def state_at(problem: Problem, middle: float, angle: float) -> State:
    turn, a = plate_pose(angle)
    w = turn - plate_pose(middle)[0]
    c, s = np.cos(w), np.sin(w)
    r = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]])
    return State(r[None, :, :, None], a[None, :, None])


def held(problem: Problem, state: State) -> float:
    return float(problem.linkage.rows(state, np.zeros(1)).value[problem.driven, 0])


@cache
def snapping_cases():
    """Start, goal and closed-form answer for many pairs of dead points, near and far.

    A list of (problem, start, end, leg length at the first dead point or None): the plate's angle
    goes from before both dead points to beyond them, and the goal's length lies beyond the first
    one, so that it can only be met by snapping through; or there are none between.
    """
    found = []
    for middle in (0.7, 1.0, 1.3, 1.5):
        for aside in (*np.geomspace(0.001, 1.0, 9), *-np.geomspace(0.001, 1.0, 9)):
            problem, foot = snapping(middle, aside)
            for window in (0.06, 0.12, 0.2):
                angles = middle + window * np.linspace(-0.7, 1.3, 401)
                leg = np.array([np.linalg.norm(third_corner(x) - foot) for x in angles])
                turns = np.flatnonzero(np.diff(np.sign(np.diff(leg))))
                ends = (state_at(problem, middle, angles[k]) for k in (0, -1))
                if len(turns) == 0:
                    found.append((problem, *ends, None))
                if len(turns) == 2:
                    first = leg[turns[0] + 1]
                    if (first - leg[0]) * (leg[-1] - first) > 0.0:
                        found.append((problem, *ends, first))
    return found


def test_two_dead_points_inside_one_step_do_not_pass_unnoticed():
    snaps = smooth_ways = 0
    for problem, start, end, dead in snapping_cases():
        goal, begin = target(held(problem, end)), target(held(problem, start))
        got = trace(problem, start, begin, goal)
        if dead is None:
            smooth_ways += 1
            assert got.arrived.all()
            assert np.abs(got.state.turn - end.turn).max() < 1e-6
            continue
        snaps += 1
        assert not got.arrived.any()
        # It stops where the leg's length turns back, by the closed form of the plate's own curve.
        length = problem.linkage.joints[2].length_mm
        stop = begin.between(goal, got.reached).held_mm[0]
        assert np.sqrt(2.0 * length * stop + length**2) == pytest.approx(dead, abs=1e-3)
    assert snaps > 50
    assert smooth_ways > 50


def test_without_the_bend_rule_the_linkage_would_snap(monkeypatch):
    """The rule is not idle: with it off, some of these ways jump to another assembly."""
    monkeypatch.setattr(solve, "LARGEST_BEND", np.inf)
    jumped = 0
    for problem, start, end, dead in snapping_cases():
        if dead is not None:
            goal, begin = target(held(problem, end)), target(held(problem, start))
            jumped += int(trace(problem, start, begin, goal).arrived.sum())
    assert jumped > 0


# --- words ---------------------------------------------------------------------------------------


def test_words_for_what_blocks():
    assert (
        Block(("tie_rod",), True).words("rack -1.00 mm")
        == "tie rod goes over centre at rack -1.00 mm"
    )
    two = Block(("lower_arm", "tie_rod"), False).words("rack +2.00 mm")
    assert two == "lower arm and tie rod at full reach, rack +2.00 mm"
    assert Block((), False).words("rack +2.00 mm").startswith("the linkage at full reach")


def test_a_trace_there_and_back_is_at_home_again(front):
    problem = linkage_of(front).problem(Hold.WHEEL_HEIGHT)
    start = problem.linkage.reference()
    here, there = Target(np.zeros(1), np.zeros(1)), Target(np.array([-65.0]), np.array([40.0]))
    out = trace(problem, start, here, there)
    assert out.arrived.all()
    back = trace(problem, out.state, there, here)
    assert back.arrived.all()
    assert np.abs(back.state.turn - start.turn).max() < 1e-10
    assert np.abs(back.state.origin - start.origin).max() < 1e-8
