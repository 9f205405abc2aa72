"""Vectors, angles, rotations. Truth: scipy's Rotation, closed forms, exact cases."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from linkview import geometry as g
from linkview.kinematics.part_poses import _shortest_turn

RNG = np.random.default_rng(7)
MOVE = g.rigid(Rotation.from_rotvec([0.4, -0.9, 0.2]).as_matrix(), [10.0, -20.0, 30.0])


def test_rotation_from_vector_is_scipys():
    vectors = np.concatenate(
        [RNG.normal(size=(200, 3)) * s for s in (1e-12, 1e-5, 1e-4, 1e-3, 0.1, 1.0, 3.0)]
    )
    ours, theirs = g.rotation_from_vector(vectors), Rotation.from_rotvec(vectors).as_matrix()
    assert np.abs(ours - theirs).max() < 1e-14
    assert np.array_equal(g.rotation_from_vector(np.zeros(3)), np.eye(3))


def test_quaternions_are_scipys_up_to_their_sign():
    half_turns = Rotation.from_rotvec(np.pi * np.concatenate([np.eye(3), g.unit(np.ones((1, 3)))]))
    for turns in (Rotation.random(300, rng=RNG), half_turns, Rotation.identity(1)):
        given, theirs = turns.as_matrix(), turns.as_quat()
        ours = g.quaternions_of(given)
        assert np.abs(np.abs((ours * theirs).sum(axis=-1)) - 1.0).max() < 1e-15 * 4
        assert np.abs(ours * np.sign((ours * theirs).sum(-1))[:, None] - theirs).max() < 1e-15 * 4
        assert np.abs(g.turn_of(3.0 * ours) - given).max() < 1e-15 * 4
    grid = np.full((2, 3, 3, 3), np.nan)
    grid[0, 1] = np.eye(3)
    assert np.array_equal(g.quaternions_of(grid)[0, 1], [0.0, 0.0, 0.0, 1.0])
    assert np.isnan(g.quaternions_of(grid)).sum() == 5 * 4


def test_cross_products_are_numpys():
    a, b = RNG.normal(size=(4, 1, 3)), RNG.normal(size=(5, 3))
    assert np.array_equal(g.cross(a, b), np.cross(a, b))
    assert np.array_equal(g.cross(a, 1j * b), np.cross(a, 1j * b))


@pytest.mark.parametrize("angle", [0.0, 1e-12, 1e-8, 1e-4, 0.5, np.pi / 2, np.pi - 1e-8, np.pi])
def test_angle_between_keeps_its_digits(angle):
    # Truth: the angle put in; arccos of the dot product would give 0 for 1e-8.
    a = np.array([3.0, 0.0, 0.0])
    b = 5.0 * np.array([np.cos(angle), np.sin(angle), 0.0])
    assert g.angle_between(a, b) == pytest.approx(angle, rel=1e-7, abs=1e-15)


def test_turn_between_takes_one_direction_to_the_other_the_shortest_way():
    a, b = RNG.normal(size=(300, 3)), RNG.normal(size=(300, 3))
    a[0], b[0] = [1.0, 2.0, 3.0], [-2.0, -4.0, -6.0]  # a half turn
    a[1], b[1] = [1.0, 2.0, 3.0], [2.0, 4.0, 6.0]
    turn = g.turn_between(a, b)
    carried = np.einsum("nij,nj->ni", turn, g.unit(a))
    assert np.abs(carried - g.unit(b)).max() < 1e-12
    assert np.abs(np.linalg.det(turn) - 1.0).max() < 1e-12
    angle = Rotation.from_matrix(turn).magnitude()
    assert np.abs(angle - g.angle_between(a, b)).max() < 1e-7


def test_the_quick_shortest_turn_is_the_careful_one():
    a, b = np.array([300.0, -20.0, 5.0]), RNG.normal(size=(500, 3)) * 200.0
    b[:4] = a, -a, -a + [0.0, 1e-9, 0.0], [np.nan] * 3
    quick, careful = np.moveaxis(_shortest_turn(a, b.T), -1, 0), g.turn_between(a, b)
    assert np.isnan(quick[3]).all()
    keep = [0, *range(4, 500)]
    assert np.abs(quick[keep] - careful[keep]).max() < 1e-13
    carried = np.einsum("nij,j->ni", quick[:3], g.unit(a))
    assert np.abs(carried[:2] - g.unit(b[:2])).max() < 1e-12
    # 1e-11 rad short of a half turn the axis itself has few digits left.
    assert np.abs(carried[2] - g.unit(b[2])).max() < 1e-6


def test_apply_inverse_and_turn_about():
    points = RNG.normal(size=(4, 5, 3)) * 100.0
    there = g.apply(MOVE, points)
    assert np.abs(g.apply(g.inverse(MOVE), there) - points).max() < 1e-12
    assert np.abs(g.inverse(MOVE) @ MOVE - np.eye(4)).max() < 1e-14
    lengths = np.linalg.norm(points[0, 0] - points[1, 2])
    assert np.linalg.norm(there[0, 0] - there[1, 2]) == pytest.approx(lengths, abs=1e-12)
    assert np.abs(g.apply_direction(MOVE, g.X) - MOVE[:3, 0]).max() == 0.0
    pivot, to = np.array([1.0, 2.0, 3.0]), np.array([-4.0, 5.0, 6.0])
    assert np.abs(g.apply(g.turn_about(MOVE[:3, :3], pivot, to), pivot) - to).max() < 1e-14


def test_mirrored_moves_carry_mirrored_points():
    points = RNG.normal(size=(20, 3)) * 100.0
    mirror = g.mirrored(g.apply(MOVE, points))
    assert np.abs(g.apply(g.mirrored_move(MOVE), g.mirrored(points)) - mirror).max() < 1e-12
    assert np.linalg.det(g.mirrored_move(MOVE)[:3, :3]) == pytest.approx(1.0)


def test_skew_and_perpendicular():
    a, b = RNG.normal(size=(2, 50, 3))
    assert np.abs(np.einsum("nij,nj->ni", g.skew(a), b) - np.cross(a, b)).max() < 1e-14
    square = g.perpendicular(np.concatenate([a, np.eye(3), -np.eye(3)]))
    assert np.abs(np.linalg.norm(square, axis=-1) - 1.0).max() < 1e-14
    assert np.abs(np.sum(square[:50] * a, axis=-1)).max() < 1e-14


def test_unit_of_nothing_is_nan_without_a_warning():
    assert np.isnan(g.unit(np.zeros(3))).all()


def test_frozen_arrays_cannot_be_written():
    source = np.zeros(3)
    kept = g.frozen(source)
    source[0] = 5.0
    assert kept[0] == 0.0
    with pytest.raises(ValueError, match="read-only"):
        kept[0] = 1.0
