"""Bodies beyond plain tubes: tapered, rod ends, tyre allowances, meshes placed by marks."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import trimesh
from scipy.spatial.transform import Rotation

from linkview.clearance.bodies import placed
from linkview.clearance.distance import pair_gap
from linkview.clearance.meshes import mesh_of_file
from linkview.errors import MeshFault, ModelFaults
from linkview.geometry import X, Z, apply, best_fit, rigid
from linkview.kinematics.assemble import build_car
from linkview.model.parts import Anchor, Tube
from linkview.model.read import read_file

SMALL = Path(__file__).parent / "small.toml"


def car_with(tmp_path, extra):
    path = tmp_path / "car.toml"
    path.write_text(SMALL.read_text() + extra, encoding="utf-8")
    return build_car(read_file(path)).axles["front"]


def gap_to_ball(body, at, radius=5.0):
    ball = placed(Tube("ball", "body", (Anchor("body", np.asarray(at, dtype=float)),), radius))
    solid = placed(body)
    return float(pair_gap(solid, ball, {p: np.eye(4)[None] for p in solid.carriers}).gap_mm[0])


def test_a_tapered_tube_is_a_cone(tmp_path):
    extra = (
        '\n[axle.front.bodies.horn]\nkind = "tapered_tube"\nfrom = [0, 0, 1000]\n'
        'to = [0, 100, 1000]\nradius_from = 10\nradius_to = 30\non = "body"\n'
    )
    body = next(b for b in car_with(tmp_path, extra).left.bodies if b.name == "horn")
    # Truth: distance to the slanting side, whose slope is 20 in 100, at its middle radius 20.
    truth = (70.0 - 20.0) * 100.0 / np.hypot(100.0, 20.0) - 5.0
    assert gap_to_ball(body, [70.0, 50.0, 1000.0]) == pytest.approx(truth, abs=0.003)
    assert gap_to_ball(body, [0.0, 150.0, 1000.0]) == pytest.approx(45.0, abs=0.003)


def test_a_rod_end_has_the_size_of_its_bore(tmp_path):
    extra = (
        '\n[axle.front.bodies.eye]\nkind = "rod_end"\nat = "tie_rod_outer"\n'
        'bolt_axis = [0, 0, 1]\nbore = 14\non = "tie_rod"\n'
    )
    axle = car_with(tmp_path, extra)
    body = next(b for b in axle.left.bodies if b.name == "eye")
    at = axle.left.points["tie_rod_outer"]
    # Truth: DIN ISO 12240-4 series K, bore 14: eye 36 mm across, ball 19 mm wide.
    assert gap_to_ball(body, at + 100.0 * X) == pytest.approx(100 - 18 - 5, abs=0.003)
    assert gap_to_ball(body, at + 100.0 * Z) == pytest.approx(100 - 9.5 - 5, abs=0.003)


def test_best_fit_agrees_with_scipy():
    rng = np.random.default_rng(3)
    turn = Rotation.random(random_state=4)
    given = rng.normal(size=(5, 3)) * 200
    wanted = turn.apply(given) + np.array([10, -20, 30]) + rng.normal(size=(5, 3))
    move, off = best_fit(given, wanted)
    truth, rssd = Rotation.align_vectors(wanted - wanted.mean(0), given - given.mean(0))
    assert move[:3, :3] == pytest.approx(truth.as_matrix(), abs=1e-9)
    assert np.sqrt((off**2).sum()) == pytest.approx(rssd, rel=1e-9)
    assert np.linalg.det(move[:3, :3]) == pytest.approx(1.0)


def test_a_mesh_is_placed_by_matching_places_and_says_how_well(tmp_path):
    trimesh.creation.box(extents=[100, 60, 40]).export(tmp_path / "crate.stl")
    home = rigid(
        Rotation.from_euler("xyz", [20, -30, 70], degrees=True).as_matrix(), [50, 900, 700]
    )
    file = np.array([[50, 30, 20], [-50, 30, 20], [50, -30, 20], [50, 30, -20]], dtype=float)
    car = apply(home, file)
    car[2, 2] += 0.4
    matches = ", ".join(
        f"{{file = {f.tolist()}, car = {c.tolist()}}}" for f, c in zip(file, car, strict=True)
    )
    extra = (
        '\n[axle.front.bodies.crate]\nkind = "mesh"\nfile = "crate.stl"\nunit = "mm"\n'
        f"matches = [{matches}]\n"
    )
    body = next(b for b in car_with(tmp_path, extra).left.bodies if b.name == "crate")
    solid = mesh_of_file(body)
    corners = solid.triangles.reshape(-1, 3)
    for place in car:
        assert np.linalg.norm(corners - place, axis=1).min() < 0.45
    assert 0.0 < max(body.fit_mm) < 0.4
    assert any("placed by matching places: off by 0." in note for note in solid.notes)


def test_matching_places_on_one_line_are_refused(tmp_path):
    trimesh.creation.box(extents=[100, 60, 40]).export(tmp_path / "crate.stl")
    line = ", ".join(f"{{file = [{x}, 0, 0], car = [{x}, 900, 700]}}" for x in (0, 10, 20))
    extra = (
        '\n[axle.front.bodies.crate]\nkind = "mesh"\nfile = "crate.stl"\nunit = "mm"\n'
        f"matches = [{line}]\n"
    )
    with pytest.raises(ModelFaults, match=r"crate\.matches.*span a plane"):
        car_with(tmp_path, extra)


def test_growth_and_bulge_are_added_to_the_tyre(tmp_path):
    plain = car_with(tmp_path, "").left.wheel.tyre
    extra = "\n[axle.front.wheel.tyre]\ngrowth = 4\nbulge = 6\n"
    grown = car_with(tmp_path, extra).left.wheel.tyre
    assert grown.outer_radius_mm == plain.outer_radius_mm + 4
    assert grown.half_width_mm == plain.half_width_mm + 6
    assert grown.inner_radius_mm == plain.inner_radius_mm


def mesh_text(unit, extra=""):
    return (
        f'\n[axle.front.bodies.scan]\nkind = "mesh"\nfile = "scan.stl"\nunit = "{unit}"\n'
        f"place_at = [0, 0, 900]\n{extra}"
    )


@pytest.mark.parametrize(
    ("size", "unit", "reads"),
    [
        (20.0, "mm", '"in" it is 508 mm'),  # drawn in inches, a door's edge
        (0.6, "in", '"m" it is 600 mm'),  # drawn in metres, said to be inches
        (600.0, "in", '"mm" it is 600 mm'),  # 15 m
        (15.0, "m", '"in" it is 381 mm'),
    ],
)
def test_a_mesh_of_an_odd_size_is_asked_about(tmp_path, size, unit, reads):
    trimesh.creation.box([size, size / 100, size / 100]).export(tmp_path / "scan.stl")
    body = next(b for b in car_with(tmp_path, mesh_text(unit)).left.bodies if b.name == "scan")
    with pytest.raises(MeshFault) as raised:
        placed(body)
    text = str(raised.value)
    assert reads in text
    assert "scan.stl" in text
    assert "1540 mm" in text
    assert "size_checked" in text
    sure = mesh_text(unit, "size_checked = true\n")
    body = next(b for b in car_with(tmp_path, sure).left.bodies if b.name == "scan")
    placed(body)


def test_matching_places_tell_a_wrong_unit(tmp_path):
    trimesh.creation.box([30.0, 20.0, 10.0]).export(tmp_path / "scan.stl")
    matches = (
        "matches = [{file = [0, 0, 0], car = [0, 0, 900]}, "
        "{file = [10, 0, 0], car = [254, 0, 900]}, {file = [0, 10, 0], car = [0, 254, 900]}]\n"
    )
    text = mesh_text("mm", matches).replace("place_at = [0, 0, 900]\n", "")
    with pytest.raises(ModelFaults) as raised:
        car_with(tmp_path, text)
    assert "25.4 times" in str(raised.value)
    assert 'drawn in "in"' in str(raised.value)
    axle = car_with(tmp_path, text.replace('"mm"', '"in"'))
    body = next(b for b in axle.left.bodies if b.name == "scan")
    assert body.fit_mm == pytest.approx((0, 0, 0), abs=1e-9)
