"""Marching a grid: a row whose rack passes two dead points between columns ends at the first.

The plate on three legs of test_solve.py, its third foot on the rack. For each angle of the first
leg the rack's place follows in closed form, so its dead points are known without the solver.
"""

from __future__ import annotations

import numpy as np
import pytest
from test_solve import FEET, PLATE, plate_pose, state_at, third_corner

from linkview.kinematics.closure import (
    GROUND,
    SLIDE,
    Direction,
    Height,
    Linkage,
    Place,
    Rod,
    Square,
)
from linkview.kinematics.march import fill
from linkview.kinematics.solve import Problem, Target, Trace, rates

X, Y, Z = np.eye(3)


def plate_on_a_rack(middle: float, aside_mm: float, foot: np.ndarray, along: np.ndarray) -> Problem:
    turn, a = plate_pose(middle)
    c, s = np.cos(turn), np.sin(turn)
    placed = a + PLATE @ np.array([[c, s, 0], [-s, c, 0], [0, 0, 1]])
    carriers = (GROUND, GROUND, SLIDE)
    legs = [
        Rod(f"leg {i}", Place(on, f), Place(0, p), float(np.linalg.norm(p - f)))
        for i, (on, f, p) in enumerate(zip(carriers, [*FEET, foot], placed, strict=True))
    ]
    flat = [
        Height("plane", Place(GROUND, a), Place(0, a), Direction(GROUND, Z), 0.0),
        Square("flat", Direction(0, Z), Direction(GROUND, X)),
        Square("flat", Direction(0, Z), Direction(GROUND, Y)),
    ]
    return Problem(Linkage([a], [*legs, *flat], along), 3, np.arange(6))


def rows_to_march():
    """Yields (problem, line, rack at the far end, rack at the first dead point)."""
    h = 1e-4
    for middle in (0.7, 1.0, 1.3, 1.5):
        low, here, high = (third_corner(middle + k * h) for k in (-1, 0, 1))
        speed, bend = (high - low) / (2 * h), (high - 2 * here + low) / h**2
        t = speed / np.linalg.norm(speed)
        normal = np.cross(Z, t)
        radius = (speed @ speed) / (bend @ normal)
        along = normal * np.sign(radius)  # from the plate toward the foot
        for aside in (*np.geomspace(0.003, 1.0, 8), *-np.geomspace(0.003, 1.0, 8)):
            foot = here + normal * radius + aside * t
            leg = np.linalg.norm(foot - here)
            for window in (0.06, 0.12, 0.2):
                angles = middle + window * np.linspace(-0.7, 1.3, 401)
                gap = np.array([third_corner(x) for x in angles]) - foot
                run = gap @ along
                off = np.sum(gap**2, axis=-1) - run**2
                rack = run + np.sqrt(leg**2 - off)
                turns = np.flatnonzero(np.diff(np.sign(np.diff(rack))))
                rack = rack - rack[0]
                if len(turns) != 2 or rack[turns[0] + 1] * (rack[-1] - rack[turns[0] + 1]) <= 0.0:
                    continue
                problem = plate_on_a_rack(middle, aside, foot, along)
                # Start the rack's count where the row starts.
                start = run[0] + np.sqrt(leg**2 - off[0])
                moved = plate_on_a_rack_from(problem, start * along)
                state = state_at(problem, middle, angles[0])
                zero = Target(np.zeros(1), np.zeros(1))
                known = rates(moved, moved.rows(state, zero))
                line = Trace(state, np.ones(1), known)
                yield moved, line, rack[-1], rack[turns[0] + 1]


def plate_on_a_rack_from(problem: Problem, shift: np.ndarray) -> Problem:
    """The same with the rack's zero shifted: its foot's reference place is moved."""
    joints = [
        Rod(j.name, Place(SLIDE, j.a.at + shift), j.b, j.length_mm)
        if isinstance(j, Rod) and j.a.part == SLIDE
        else j
        for j in problem.linkage.joints
    ]
    linkage = Linkage(list(problem.linkage.origins), joints, problem.linkage.slide_axis)
    return Problem(linkage, problem.driven, problem.used)


def columns_reached(problem: Problem, line: Trace, far: float, count: int):
    racks = far * np.arange(count + 1) / count
    grid = fill(problem, line, racks, np.zeros(1), np.zeros(1))
    return racks, grid


@pytest.fixture(scope="module")
def rows():
    return list(rows_to_march())


@pytest.mark.parametrize("count", [1, 2, 3, 6, 23])
def test_a_row_ends_at_the_first_of_two_dead_points(count, rows):
    assert len(rows) > 20
    for problem, line, far, dead in rows:
        racks, grid = columns_reached(problem, line, far, count)
        clear = np.abs(racks - dead) > 1e-5
        assert np.array_equal(grid.solved[clear, 0], (np.abs(racks) < abs(dead))[clear])
        (edge,) = grid.ends.values()
        assert edge.rack_mm == pytest.approx(dead, abs=1e-3)
