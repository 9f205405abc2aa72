"""Bodies beyond plain tubes: tapered, rod ends, tyre allowances, meshes placed by marks."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import trimesh
from scipy.spatial.transform import Rotation

from linkview.clearance.bodies import placed
from linkview.clearance.distance import pair_gap
from linkview.clearance.mesh_files import mesh_of_file
from linkview.errors import MeshFault, ModelFaults
from linkview.export.mesh_fit import write_mesh_fits
from linkview.geometry import X, Z, apply, best_fit, rigid
from linkview.kinematics.assemble import build_car
from linkview.model.bodies import Anchor, Tube
from linkview.model.matching import fit_words
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
    assert 0.0 < max(p.off_mm for p in body.fitted) < 0.4
    assert any("placed by 4 matching places: matches[" in note for note in solid.notes)


def test_matching_places_on_one_line_are_refused(tmp_path):
    trimesh.creation.box(extents=[100, 60, 40]).export(tmp_path / "crate.stl")
    line = ", ".join(f"{{file = [{x}, 0, 0], car = [{x}, 900, 700]}}" for x in (0, 10, 20))
    extra = (
        '\n[axle.front.bodies.crate]\nkind = "mesh"\nfile = "crate.stl"\nunit = "mm"\n'
        f"matches = [{line}]\n"
    )
    with pytest.raises(ModelFaults, match=r"crate\.matches.*span a plane"):
        car_with(tmp_path, extra)


# Five corners of a crate, not in one plane, and where they stand on the car.
CORNERS = np.array([[50, 30, 20], [-50, 30, 20], [50, -30, 20], [50, 30, -20], [-50, -30, -20.0]])
TURN = Rotation.from_euler("xyz", [20, -30, 70], degrees=True).as_matrix()


def crate(tmp_path, file, car):
    trimesh.creation.box(extents=[100, 60, 40]).export(tmp_path / "crate.stl")
    pairs = zip(np.asarray(file).tolist(), np.asarray(car).tolist(), strict=True)
    matches = ", ".join(f"{{file = {f}, car = {c}}}" for f, c in pairs)
    extra = (
        '\n[axle.front.bodies.crate]\nkind = "mesh"\nfile = "crate.stl"\nunit = "mm"\n'
        f"matches = [{matches}]\n"
    )
    return car_with(tmp_path, extra)


@pytest.mark.parametrize("count", [4, 5])
@pytest.mark.parametrize("wrong", [0, 3])
def test_a_wrong_place_is_named_however_the_fit_spreads_it(tmp_path, count, wrong):
    """The best fit leaves most of 30 mm on other places: the wrong one is that which goes."""
    rng = np.random.default_rng(5)
    car = apply(rigid(TURN, [50, 900, 700]), CORNERS[:count]) + rng.normal(0, 0.3, (count, 3))
    car[wrong] += [18.0, -20.0, 14.0]
    with pytest.raises(ModelFaults) as raised:
        crate(tmp_path, CORNERS[:count], car)
    text = str(raised.value)
    assert f"matches[{wrong}] is " in text
    by = float(text.split(f"matches[{wrong}] is ")[1].split(" mm")[0])
    assert by == pytest.approx(np.sqrt(18.0**2 + 20.0**2 + 14.0**2), abs=4.0)
    assert f"the other {count - 1} put it" in text


def test_three_places_that_do_not_go_together_name_the_two_that_differ_most(tmp_path):
    car = apply(rigid(TURN, [50, 900, 700]), CORNERS[:3])
    car[2] += TURN @ [0.0, -40.0, 0.0]
    with pytest.raises(ModelFaults, match=r"matches\[0\] and matches\[2\] are \+40\.0 mm further"):
        crate(tmp_path, CORNERS[:3], car)


def test_a_mirror_image_is_told_not_fitted(tmp_path):
    car = apply(rigid(TURN, [50, 900, 700]), CORNERS * (1, -1, 1))
    with pytest.raises(ModelFaults, match=r"fit as a mirror image \(worst 0\.0 mm\)"):
        crate(tmp_path, CORNERS, car)


def test_places_on_one_line_of_the_car_are_refused_too(tmp_path):
    with pytest.raises(ModelFaults, match=r"3 places on the car that do not span a plane"):
        crate(tmp_path, CORNERS[:3], [[0, 900, 700], [100, 900, 700], [40, 900, 700]])


def test_how_far_every_place_is_off_is_checked_and_written(tmp_path):
    car = apply(rigid(TURN, [50, 900, 700]), CORNERS)
    car[1] += [0.0, 0.0, 3.0]
    found = crate(tmp_path, CORNERS, car)
    body = next(b for b in found.left.bodies if b.name == "crate")
    assert "placed by 5 matching places: matches[1] is" in fit_words(body)
    whole = build_car(read_file(tmp_path / "car.toml"))
    assert write_mesh_fits(tmp_path / "fit.csv", whole)
    _, *rows = (tmp_path / "fit.csv").read_text(encoding="utf-8").splitlines()
    assert len(rows) == 5
    off = np.array([[float(v) for v in row.split(",")[7:10]] for row in rows])
    # Least squares: the misfits balance each other.
    assert off.sum(axis=0) == pytest.approx([0, 0, 0], abs=2e-3)
    assert not write_mesh_fits(tmp_path / "none.csv", replace(whole, axles={}))


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
    assert [p.off_mm for p in body.fitted] == pytest.approx([0, 0, 0], abs=1e-9)
    assert "mirror image would fit as well" in fit_words(body)
