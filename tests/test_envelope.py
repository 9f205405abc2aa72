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
from linkview.errors import MeshFault
from linkview.export.envelope import surface_of, write_envelope
from linkview.geometry import apply, frozen, rigid, rotation_from_vector
from linkview.model.parts import Box, Hold, Profile, Revolved


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


def test_a_box_is_refused_with_the_reason():
    sweep = swept(front_corner, Hold.WHEEL_HEIGHT)
    box = placed(Box("crate", "body", np.zeros(3), np.ones(3) * 50))
    with pytest.raises(MeshFault, match=r"crate.*cannot be swept"):
        sweep_volume(Domain(sweep, ()), box, 0.0, lambda done, count: None)
