"""Poses foretold along a fine grid: as exact, with rates as exact, as poses found one by one."""

from __future__ import annotations

import numpy as np
import pytest
from shipped import axle_of_model

import linkview.kinematics.landing as landing
from linkview.kinematics.corner import linkage_of
from linkview.kinematics.solve import Target, newton, velocities
from linkview.kinematics.stream import _rows
from linkview.kinematics.sweep import CornerSweep, sweep_corner
from linkview.model.parts import Corner, Hold

STEERED = ("strut_with_bar", "twin_link_strut", "double_wishbone", "steering_box")
UNSTEERED = ("five_link", "semi_trailing_arm", "four_link_axle", "trailing_arm")


def fine(corner: Corner, hold: Hold) -> CornerSweep:
    """Steps of 0.25 mm of rack on a few rows, or many travels: short enough to skip Newton."""
    if not corner.layout.steers:
        return sweep_corner(corner, np.zeros(1), np.linspace(-60.0, 55.0, 2000), hold)
    return sweep_corner(corner, np.linspace(-45.0, 45.0, 361), np.array([-50.0, 3.0, 45.0]), hold)


def off_by(sweep: CornerSweep, hold: Hold) -> tuple[float, float, float]:
    """Of poses of a sweep, against Newton from each: mm, and rates relative to the largest."""
    built = linkage_of(sweep.corner)
    problem = built.problem(hold)
    i, j = (k[::37] for k in np.nonzero(sweep.solved))
    state = built.state_of({p: sweep.poses[p][i, j] for p in built.parts})
    slide = sweep.rack_mm[i]
    held = problem.linkage.rows(state, slide).value[problem.driven]
    exact = newton(problem, state, Target(slide, held))
    exact = newton(
        problem, exact.state.stepped(np.full(exact.moved.shape, 1e-7)), Target(slide, held)
    )
    assert exact.solved.all()
    by_rack, by_held = velocities(problem, exact.state, Target(slide, held))
    twists = sweep.rack_twist[i, j].T - by_rack[:6]
    lifted = by_held[:6] / by_held[2] if hold.keeps_damper else by_held[:6]
    travel = sweep.travel_twist[i, j].T - lifted
    return (
        float(np.abs(exact.state.origin - state.origin).max()),
        float(np.abs(twists).max() / max(np.abs(by_rack).max(), 1e-9)),
        float(np.abs(travel).max() / np.abs(lifted).max()),
    )


@pytest.mark.parametrize("model", [*STEERED, *UNSTEERED])
@pytest.mark.parametrize("hold", [Hold.WHEEL_HEIGHT, Hold.DAMPER_LENGTH])
def test_a_fine_grid_is_as_exact_as_single_poses(model, hold):
    sweep = fine(axle_of_model(model).left, hold)
    assert sweep.solved.all()
    assert sweep.residual_mm.max() < 1e-9
    place, by_rack, by_travel = off_by(sweep, hold)
    assert place < 1e-9  # mm
    assert by_rack < 1e-8
    assert by_travel < 1e-8


def test_the_bounds_of_a_landing_are_not_idle(monkeypatch):
    """With far poses taken for near ones, what is left shows."""
    monkeypatch.setattr(landing, "NEAR_MM", 1.0)
    monkeypatch.setattr(landing, "LAST_CORRECTION", 1.0)
    corner = axle_of_model("double_wishbone").left
    coarse = sweep_corner(corner, np.linspace(-45.0, 45.0, 9), np.array([3.0]), Hold.WHEEL_HEIGHT)
    place, by_rack, _ = off_by(coarse, Hold.WHEEL_HEIGHT)
    assert place > 1e-9
    assert by_rack > 1e-8


@pytest.mark.parametrize(
    ("racks", "travels", "workers"), [(1000, 1000, 2), (387, 387, 2), (1, 7, 3)]
)
def test_every_worker_has_as_many_parts_and_rows_as_the_others(racks, travels, workers):
    travel = np.linspace(-50.0, 50.0, travels)
    parts = list(_rows(np.zeros(racks), travel, workers))
    assert np.array_equal(np.concatenate(parts), travel)
    assert len(parts) % workers == 0
    assert max(map(len, parts)) - min(map(len, parts)) <= 1
