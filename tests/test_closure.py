"""Joint rows: what each one measures, its derivatives, and a closed loop of several parts."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.linalg import qr
from scipy.spatial.transform import Rotation

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
from linkview.kinematics.solve import Problem, Target, newton, trace

PARTS = (GROUND, SLIDE, 0, 1)


def unit(v) -> np.ndarray:
    return np.asarray(v) / np.linalg.norm(v)


def random_linkage(seed: int) -> Linkage:
    """Two moving parts tied by every joint in every combination of owners."""
    rng = np.random.default_rng(seed)

    def place(part: int) -> Place:
        return Place(part, rng.uniform(-300.0, 300.0, 3))

    def way(part: int) -> Direction:
        return Direction(part, unit(rng.normal(size=3)))

    joints = []
    for a in PARTS:
        for b in PARTS:
            joints.append(Rod(f"rod {a} {b}", place(a), place(b), rng.uniform(100.0, 500.0)))
            joints.append(Slider(f"slider {a} {b}", place(a), unit(rng.normal(size=3)), place(b)))
            joints.append(Square(f"square {a} {b}", way(a), way(b), rng.uniform(-0.5, 0.5)))
            for n in (GROUND, 0, 1):
                joints.append(Height(f"height {a} {b} {n}", place(a), place(b), way(n), 7.0))
    return Linkage([rng.uniform(-100, 100, 3) for _ in range(2)], joints, unit(rng.normal(size=3)))


def random_state(linkage: Linkage, count: int, seed: int) -> State:
    rng = np.random.default_rng(seed)
    turn = Rotation.random(2 * count, random_state=rng).as_matrix().reshape(2, count, 3, 3)
    origin = rng.uniform(-200.0, 200.0, (2, 3, count))
    return State(np.moveaxis(turn, 1, -1).copy(), origin)


def expected_values(linkage: Linkage, state: State, slide_mm: float) -> dict[str, list[float]]:
    """Each joint's misfits at one pose, by its definition."""

    def point(p: Place) -> np.ndarray:
        if p.part < 0:
            return p.at + (slide_mm * linkage.slide_axis if p.part == SLIDE else 0.0)
        return (
            state.turn[p.part, ..., 0] @ (p.at - linkage.origins[p.part])
            + state.origin[p.part, :, 0]
        )

    def way(d: Direction) -> np.ndarray:
        return state.turn[d.part, ..., 0] @ d.along if d.part >= 0 else np.asarray(d.along)

    out = {}
    for j in linkage.joints:
        if isinstance(j, Rod):
            far = np.linalg.norm(point(j.b) - point(j.a))
            out[j.name] = [(far**2 - j.length_mm**2) / (2.0 * j.length_mm)]
        elif isinstance(j, Height):
            out[j.name] = [way(j.normal) @ (point(j.b) - point(j.a)) - j.value_mm]
        elif isinstance(j, Square):
            out[j.name] = [way(j.u) @ way(j.w) - j.cosine]
        elif isinstance(j, Slider):
            along = way(Direction(j.line.part, j.direction))
            span = point(j.point) - point(j.line)
            out[j.name] = [float(np.linalg.norm(np.cross(along, span)))]
    return out


@pytest.mark.parametrize("seed", range(3))
def test_rows_measure_what_their_joints_say(seed):
    linkage = random_linkage(seed)
    state = random_state(linkage, 1, seed)
    value = linkage.rows(state, np.array([13.0])).value[:, 0]
    assert np.isfinite(value).all()
    for name, want in expected_values(linkage, state, 13.0).items():
        got = [v for v, n in zip(value, linkage.row_names, strict=True) if n == name]
        if name.startswith("slider"):  # two square offsets from the line
            assert len(got) == 2
            assert np.hypot(*got) == pytest.approx(want[0], rel=1e-10, abs=1e-9)
        else:
            assert got == pytest.approx(want, rel=1e-10, abs=1e-9)


@pytest.mark.parametrize("seed", range(3))
def test_slopes_are_the_derivatives_of_the_values(seed):
    linkage, h = random_linkage(seed), 1e-5
    state, slide = random_state(linkage, 4, seed), np.full(4, -8.0)
    rows = linkage.rows(state, slide)
    for k in range(linkage.unknown_count):
        step = np.zeros((linkage.unknown_count, 4))
        step[k] = h
        high = linkage.rows(state.stepped(step), slide).value
        low = linkage.rows(state.stepped(-step), slide).value
        scale = 1.0 if k % 6 < 3 else 500.0
        assert np.abs(rows.slope[:, k] - (high - low) / (2 * h)).max() < 1e-6 * scale
    high, low = linkage.rows(state, slide + h).value, linkage.rows(state, slide - h).value
    assert np.abs(rows.by_slide - (high - low) / (2 * h)).max() < 1e-6


def test_a_step_is_a_rotation_about_its_vector_to_fifth_order():
    # Truth: scipy's Rotation. Newton's steps are below 0.08 rad: 4e-8 rad there at most.
    linkage = random_linkage(0)
    state = linkage.reference(1)
    for angle, error in ((0.5, 5e-4), (0.08, 5e-8), (0.01, 2e-12)):
        step = np.zeros((12, 1))
        step[3:6, 0] = angle * unit([1.0, -2.0, 0.5])
        turn = state.stepped(step).turn[0, ..., 0]
        truth = Rotation.from_rotvec(step[3:6, 0]).as_matrix()
        assert np.abs(turn - truth).max() < error
        assert np.abs(turn @ turn.T - np.eye(3)).max() < 1e-15


def test_ten_thousand_steps_leave_a_rotation_a_rotation():
    linkage, rng = random_linkage(0), np.random.default_rng(5)
    state = linkage.reference(3)
    for _ in range(10_000):
        state = state.stepped(rng.normal(size=(12, 3)) * 0.05)
    square = np.einsum("pijn,pkjn->pikn", state.turn, state.turn)
    assert np.abs(square - np.eye(3)[None, :, :, None]).max() < 1e-12


# --- several parts: Bennett's linkage ------------------------------------------------------------


def hinge(name: str, a: int, b: int, at: np.ndarray, axis: np.ndarray) -> list:
    """Five rows: three offsets at a point and two directions square to the axis."""
    first = unit(np.cross(axis, [0.3, -0.5, 0.8]))
    second = np.cross(axis, first)
    offsets = [
        Height(name, Place(a, at), Place(b, at), Direction(a, n), 0.0)
        for n in (axis, first, second)
    ]
    return [*offsets, *(Square(name, Direction(a, axis), Direction(b, n)) for n in (first, second))]


def test_bennett_linkage_follows_its_closed_form():
    """Three moving parts, four skew hinges, one freedom where counting gives minus two.

    Source: G. T. Bennett, Engineering 76 (1903), closure as commonly given (from memory, exact):
    a / sin(alpha) = b / sin(beta), tan(th/2) tan(ph/2) = sin((be+al)/2) / sin((be-al)/2). With
    alpha 30 deg, beta 90 deg, a 1, b 2, theta 60 gives phi 143.1301 deg.
    """
    alpha, beta, a, b = np.pi / 6, np.pi / 2, 100.0, 200.0
    ratio = np.sin((beta + alpha) / 2) / np.sin((beta - alpha) / 2)

    def phi_of(theta: float) -> float:
        return float(2.0 * np.arctan(ratio / np.tan(theta / 2)))

    assert np.degrees(phi_of(np.radians(60.0))) == pytest.approx(143.1301, abs=1e-4)

    def link(turn: float, length: float, twist: float) -> np.ndarray:
        """From one hinge's frame to the next: turn about z, along x, twist about x."""
        out = np.eye(4)
        spin = Rotation.from_rotvec([0.0, 0.0, turn])
        out[:3, :3] = (spin * Rotation.from_rotvec([twist, 0.0, 0.0])).as_matrix()
        out[:3, 3] = spin.apply([length, 0.0, 0.0])
        return out

    def frames(theta: float, sense: float) -> list[np.ndarray]:
        f, out = np.eye(4), [np.eye(4)]
        turns = (theta, sense * phi_of(theta), -theta, -sense * phi_of(theta))
        for turn, length, twist in zip(
            turns, (a, b, a, b), (alpha, beta, alpha, beta), strict=True
        ):
            f = f @ link(turn, length, twist)
            out.append(f)
        return out

    start = np.radians(60.0)
    closing = {s: np.abs(frames(start, s)[-1] - np.eye(4)).max() for s in (1.0, -1.0)}
    sense = min(closing, key=lambda s: closing[s])
    assert closing[sense] < 1e-12 * b  # the formula does close
    at = frames(start, sense)
    bodies = (GROUND, 0, 1, 2, GROUND)
    joints = [
        row
        for k in range(4)
        for row in hinge(f"hinge {k}", bodies[k], bodies[k + 1], at[k][:3, 3], at[k][:3, 2])
    ]
    crank, coupler = at[1][:3, 0], at[2][:3, 0]  # each link's own line, on the link after the hinge
    joints.append(Square("drive", Direction(0, crank), Direction(GROUND, np.eye(3)[0])))
    linkage = Linkage([at[k + 1][:3, 3] for k in range(3)], joints)
    drive = linkage.row_count - 1
    here = linkage.reference()
    slope = linkage.rows(here, np.zeros(1)).slope[..., 0]
    slope = slope / np.tile([1.0] * 3 + [100.0] * 3, 3)
    assert np.linalg.matrix_rank(slope[:drive], tol=1e-9) == 17  # 20 rows, one freedom left
    _, _, order = qr(slope[:drive].T, pivoting=True)
    problem = Problem(linkage, drive, np.array([*sorted(order[:17]), drive]))

    begin = Target(np.zeros(1), np.array([np.cos(start)]))
    assert newton(problem, here, begin).iterations == 0
    for degrees in (40.0, 75.0, 110.0, 150.0):
        theta = np.radians(degrees)
        got = trace(problem, here, begin, Target(np.zeros(1), np.array([np.cos(theta)])))
        assert got.arrived.all()
        rows = linkage.rows(got.state, np.zeros(1)).value[:drive]
        assert np.abs(rows).max() < 1e-9  # the three rows left out stay closed by themselves
        phi = np.arccos((got.state.turn[0, ..., 0] @ crank) @ (got.state.turn[1, ..., 0] @ coupler))
        assert phi == pytest.approx(phi_of(theta), abs=1e-9)
