"""Swept volumes: closed forms, and points of the body at exact poses that must lie inside."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from conftest import front_corner
from solids import round_bar
from test_certify import exact, swept, tyre_and_rim

from linkview.clearance.bodies import placed
from linkview.clearance.domain import Domain
from linkview.clearance.envelope import STEP_MM, sweep_volume, volume_of
from linkview.clearance.meshes import MeshSolid
from linkview.export.envelope import surface_of, write_envelope
from linkview.geometry import apply, frozen, rigid, rotation_from_vector
from linkview.model.bodies import Box, Profile, Revolved
from linkview.model.parts import Hold


def turns(count, axis, angle):
    return rigid(
        rotation_from_vector(np.linspace(0, angle, count)[:, None] * np.asarray(axis)), np.zeros(3)
    )


def test_a_ball_carried_round_an_axis_sweeps_a_ring():
    # Truth: the torus, 2 pi^2 R r^2. The drawn surface stands `level` outside the field's zero, to
    # which the ball's radius is grown here, and 720 poses leave scallops of 0.01 mm.
    ball = round_bar("ball", "arm", ("arm",), frozen([[200.0, 0, 0]]), 60.0)
    swept_ = volume_of(ball, {"arm": turns(720, [0, 0, 1.0], 2 * np.pi)}, np.zeros(720), 0.0, 0.0)
    truth = 2 * np.pi**2 * 200.0 * (60.0 + swept_.level_mm) ** 2
    assert surface_of(swept_).volume == pytest.approx(truth, rel=0.01)
    assert swept_.level_mm < 1.0


def test_a_wheel_turned_about_its_diameter_sweeps_a_known_volume():
    # Truth: a disc of radius a and half-width w about its diameter sweeps the ball of radius
    # hypot(a, w) cut at height +-a. Rounded by t it sweeps that ball and its cut edges, grown by t:
    # as a curve, the larger ball up to where its cap's edge begins, then a quarter round.
    a, w, r = 280.0, 80.0, 20.0
    core = Profile(np.array([[-w, 0.0], [w, 0], [w, a], [-w, a]]), r)
    body = Revolved("wheel", "arm", np.zeros(3), np.array([0.0, 1, 0]), (core,))
    n = 361
    made = volume_of(placed(body), {"arm": turns(n, [0, 0, 1.0], np.pi)}, np.zeros(n), 0.0, 0.0)
    t, ball = r + made.level_mm, np.hypot(a, w)
    z = np.linspace(0.0, a + t, 200_001)
    round_ = w + np.sqrt(np.maximum(t**2 - (z - a) ** 2, 0.0))
    out = np.where(
        z <= a * (ball + t) / ball, np.sqrt(np.maximum((ball + t) ** 2 - z**2, 0.0)), round_
    )
    truth = 2 * np.pi * np.trapezoid(out**2, z)
    assert surface_of(made).volume == pytest.approx(truth, rel=0.005)


def test_every_pose_lies_inside_and_the_surface_closes(tmp_path):
    rng = np.random.default_rng(21)
    sweep = swept(front_corner, Hold.WHEEL_HEIGHT)
    domain = Domain(sweep, ())
    rod = round_bar(
        "rod",
        "tie_rod",
        ("tie_rod", "tie_rod"),
        frozen([sweep.corner.points["tie_rod_inner"], sweep.corner.points["tie_rod_outer"]]),
        11.0,
    )
    made = sweep_volume(domain, rod, 0.0, lambda done, count: None)
    file = write_envelope(tmp_path / "rod.stl", made)
    surface = trimesh.load_mesh(tmp_path / "rod.stl")
    assert surface.is_watertight
    assert surface.volume == pytest.approx(file.volume_mm3, rel=1e-4)
    # Points on the rod's skin at exact poses of no cell.
    poses = exact(domain, rng, 150)["tie_rod"]
    share, way = rng.uniform(0, 1, (40, 1)), rng.normal(size=(40, 3))
    axis = np.subtract(*(at for _, at in rod.ends[::-1]))
    across = way - (way @ axis)[:, None] * axis / (axis @ axis)
    skin = rod.ends[0][1] + share * axis + 11.0 * across / np.linalg.norm(across, axis=1)[:, None]
    at = apply(poses[:, None], skin).reshape(-1, 3)
    index = np.floor((at - made.origin) / made.step_mm).astype(int)
    corner = made.field[tuple(index.T)]
    assert (corner <= made.level_mm + 2.0 * STEP_MM).all()
    near = trimesh.proximity.signed_distance(surface, at[rng.choice(len(at), 120)])
    assert (near >= -1e-3).all()  # + inside


def test_the_tyre_is_not_swept_as_a_drum():
    # Its bore stays open: the wheel's centre is outside the tyre's envelope with the wheel still.
    sweep = swept(front_corner, Hold.WHEEL_HEIGHT)
    tyre, _ = tyre_and_rim(sweep.corner)
    made = volume_of(tyre, {"wheel": np.eye(4)[None]}, np.zeros(1), 0.0, 0.0)
    index = np.rint((sweep.corner.points["wheel_centre"] - made.origin) / made.step_mm).astype(int)
    assert made.field[tuple(index)] > made.level_mm


def test_a_box_turned_round_an_axis_sweeps_a_ring_with_flat_faces():
    # Truth: a ring from the near face (100 mm) to the far edges, 40 mm high; between the 240 poses
    # no point goes further than half a step of the far edge, by which each is grown.
    box = placed(Box("crate", "arm", np.array([100.0, -30, -20]), np.array([160.0, 30, 20])))
    far, n = np.hypot(160.0, 30.0), 240
    between = np.full(n, np.pi * far / n)
    made = volume_of(box, {"arm": turns(n + 1, [0, 0, 1.0], 2 * np.pi)[:-1]}, between, 0.0, 0.0)
    surface = trimesh.Trimesh(*_faces_of(surface_of(made)))
    assert surface.is_watertight
    rng = np.random.default_rng(5)
    angle, radius, z = rng.uniform([0, 100, -20], [2 * np.pi, far, 20], (400, 3)).T
    inside = np.column_stack([radius * np.cos(angle), radius * np.sin(angle), z])
    assert (trimesh.proximity.signed_distance(surface, inside) >= 0.0).all()  # + inside
    # And no point of the surface is further out than is said.
    x, y, z = surface.vertices.T
    r = np.hypot(x, y)
    out = np.hypot(np.maximum(np.maximum(100 - r, r - far), 0), np.maximum(np.abs(z) - 20, 0))
    assert out.max() <= made.over_mm + between[0]
    assert out.min() >= 0.0
    assert made.over_mm < 26.0
    assert np.median(out) < made.level_mm + between[0] + 1.0


def _faces_of(mesh):
    return np.asarray(mesh.points, dtype=float), mesh.regular_faces


def test_an_open_scan_is_swept_with_what_it_all_but_encloses():
    box = trimesh.creation.box([80.0, 80.0, 80.0]).subdivide().subdivide().subdivide()
    box.update_faces(np.arange(len(box.faces)) != 7)  # a hole of 10 mm
    part = MeshSolid("scan", "arm", frozen(box.triangles), False, frozen(np.zeros((1, 3))))
    made = volume_of(part, {"arm": np.eye(4)[None]}, np.zeros(1), 0.0, 0.0)
    surface = surface_of(made)
    # One surface outside, none round a hollow: no smaller than the box, no larger than said.
    low, high = (80.0 + 2 * grown for grown in (0.0, made.over_mm))
    assert low**3 < surface.volume < high**3
    index = np.rint(-made.origin / made.step_mm).astype(int)
    assert made.field[tuple(index)] < 0.0


def test_a_meshs_sweep_holds_exact_poses_of_no_cell(tmp_path):
    rng = np.random.default_rng(22)
    domain = Domain(swept(front_corner, Hold.WHEEL_HEIGHT), ())
    at = domain.sweep.corner.points["tie_rod_outer"]
    half = np.array([15.0, 20.0, 10.0])
    box = placed(Box("lug", "knuckle", at - half, at + half))
    made = sweep_volume(domain, box, 0.0, lambda done, count: None)
    file = write_envelope(tmp_path / "lug.stl", made)
    assert "closed" in file.words
    surface = trimesh.load_mesh(tmp_path / "lug.stl")
    assert surface.is_watertight
    poses = exact(domain, rng, 100)["knuckle"]
    corners = box.triangles.reshape(-1, 3)[rng.choice(36, 8)]
    there = apply(poses[:, None], corners).reshape(-1, 3)
    assert (
        trimesh.proximity.signed_distance(surface, there[rng.choice(len(there), 150)]) > 0
    ).all()
