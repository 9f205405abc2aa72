"""The animated 3-D file: judged by its published validator, and read back by foreign readers."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import trimesh
from pygltflib import GLTF2
from scipy.spatial.transform import Rotation, Slerp

from linkview.export.model3d import Model3d, write_model3d
from linkview.kinematics.sweep import sweep_corner
from tests.published_checkers import node, node_missing
from tests.scene_cases import demo, plates_of

VALIDATE = """
const v = require('gltf-validator'), fs = require('fs');
v.validateBytes(new Uint8Array(fs.readFileSync(process.argv[1])))
  .then(r => console.log(JSON.stringify(r)));
"""


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> Model3d:
    car = demo("planned")
    plates = {name: plates_of(axle) for name, axle in car.axles.items()}
    path = tmp_path_factory.mktemp("glb") / "car.glb"
    return write_model3d(path, car, plates, sources={"car.toml": "0" * 64})


def test_the_published_validator_finds_no_error_and_no_warning(written: Model3d) -> None:
    # Truth: the glTF validator of the format's own publisher, package gltf-validator.
    missing = node_missing("gltf-validator")
    if missing:
        pytest.skip(missing)
    report = node(VALIDATE, str(written.path))
    assert isinstance(report, dict)
    issues = report["issues"]
    assert (issues["numErrors"], issues["numWarnings"]) == (0, 0), issues["messages"]
    assert report["info"]["animationCount"] == 2


def test_the_validator_would_see_a_broken_file(written: Model3d, tmp_path: Path) -> None:
    missing = node_missing("gltf-validator")
    if missing:
        pytest.skip(missing)
    data = bytearray(written.path.read_bytes())
    at = data.index(b'"VEC4"')
    data[at : at + 6] = b'"VEC2"'
    (tmp_path / "broken.glb").write_bytes(data)
    report = node(VALIDATE, str(tmp_path / "broken.glb"))
    assert isinstance(report, dict)
    assert report["issues"]["numErrors"] > 0


def test_steer_and_travel_are_animations_of_their_own(written: Model3d) -> None:
    gltf = GLTF2().load(str(written.path))
    assert [a.name for a in gltf.animations] == ["steer", "travel"]
    for animation in gltf.animations:
        moved = {gltf.nodes[c.target.node].name for c in animation.channels}
        assert ("rear left wheel" in moved) == (animation.name == "travel")
        assert "front left wheel" in moved


def test_nodes_and_materials_carry_the_files_names(written: Model3d) -> None:
    gltf = GLTF2().load(str(written.path))
    names = [n.name for n in gltf.nodes]
    assert len(set(names)) == len(names)
    assert "front left lower arm / front leg" in names
    assert "rear right driveshaft 2 / inner boot" in names
    assert {"tyre", "steering", "spring"} <= {m.name for m in gltf.materials}


def test_metres_and_y_up_at_ride_height(written: Model3d) -> None:
    # Truth: the hard-point file; another library places the nodes. (X, Y, Z) = (y, z, x) / 1000.
    scene = trimesh.load(written.path)
    corner = demo("planned").axles["front"].left
    middles = []
    for axle in ("front", "rear"):
        move, mesh = scene.graph[f"{axle} left wheel / tyre"]
        world = trimesh.transform_points(scene.geometry[mesh].vertices, move)
        middles.append(500.0 * (world.min(axis=0) + world.max(axis=0)))
    assert np.allclose(middles[0], corner.points["wheel_centre"][[1, 2, 0]], atol=0.3)  # mm, chords
    assert abs(middles[0][2] - middles[1][2] - 2650.0) < 0.3  # the file's wheelbase, front ahead


def _played(gltf: GLTF2, animation: str, node_name: str, seconds: float) -> np.ndarray:
    """A node's own (4, 4) while an animation plays, read by another library's tables."""
    played = next(a for a in gltf.animations if a.name == animation)
    index = next(k for k, n in enumerate(gltf.nodes) if n.name == node_name)
    parts = {"translation": np.zeros(3), "rotation": np.array([0.0, 0, 0, 1]), "scale": np.ones(3)}
    for channel in played.channels:
        if channel.target.node != index:
            continue
        sampler = played.samplers[channel.sampler]
        when, values = _table(gltf, sampler.input)[:, 0], _table(gltf, sampler.output)
        if channel.target.path == "rotation":
            values = Slerp(when, Rotation.from_quat(values))(seconds).as_quat()
        else:
            values = [np.interp(seconds, when, values[:, k]) for k in range(3)]
        parts[channel.target.path] = np.asarray(values)
    out = np.eye(4)
    out[:3, :3] = Rotation.from_quat(parts["rotation"]).as_matrix() * parts["scale"]
    out[:3, 3] = parts["translation"]
    return out


def _table(gltf: GLTF2, accessor: int) -> np.ndarray:
    found = gltf.accessors[accessor]
    view = gltf.bufferViews[found.bufferView]
    wide = {"SCALAR": 1, "VEC3": 3, "VEC4": 4}[found.type]
    blob = gltf.binary_blob()
    start = view.byteOffset
    return np.frombuffer(blob[start : start + view.byteLength], "<f4").reshape(-1, wide)


@pytest.mark.parametrize("leg_share", [0.25, 0.5, 31.5 / 32, 1.0])
def test_a_viewer_shows_the_solvers_poses(written: Model3d, leg_share: float) -> None:
    # Times on keys, and half-way from the last key to full lock, where the wheel turns fastest.
    gltf = GLTF2().load(str(written.path))
    axle = demo("planned").axles["front"]
    before, after = np.floor(32 * leg_share) / 32, np.ceil(32 * leg_share) / 32
    rack = -75.0 * np.mean([0.5 - 0.5 * np.cos(np.pi * s) for s in (before, after)])
    sweep = sweep_corner(axle.left, np.array([rack]), np.zeros(1), axle.hold)
    corner, to_gltf = axle.left, np.eye(4)[[1, 2, 0, 3]]
    for node_name, part, place in (
        ("front left wheel", "wheel", corner.points["wheel_centre"] + [0.0, 0.0, 317.0]),
        ("front left wheel", "wheel", corner.points["wheel_centre"] + [317.0, 0.0, 0.0]),
        ("front left tie rod", "tie_rod", corner.points["tie_rod_outer"]),
        ("front left knuckle", "knuckle", corner.points["tie_rod_outer"]),
    ):
        rest = next(n for n in gltf.nodes if n.name == node_name)
        start = np.eye(4)
        start[:3, 3] = rest.translation
        local = np.linalg.inv(start) @ to_gltf @ [*(place / 1000.0), 1.0]
        shown = (_played(gltf, "steer", node_name, 1.5 * leg_share) @ local)[:3] * 1000.0
        true = (sweep.poses[part][0, 0] @ [*place, 1.0])[[1, 2, 0]]
        assert np.linalg.norm(shown - true) < 0.2, node_name  # mm, between keys


def test_the_spring_is_stretched_between_its_seats(written: Model3d) -> None:
    gltf = GLTF2().load(str(written.path))
    corner = demo("planned").axles["front"].left
    spring = next(b for b in corner.bodies if b.name == "spring")
    sweep = sweep_corner(corner, np.zeros(1), np.array([60.0]), demo("planned").axles["front"].hold)
    length = np.linalg.norm(spring.through[1].at - spring.through[0].at)
    move = _played(gltf, "travel", "front left spring", 1.5)
    end = (move @ [0.0, length / 1000.0, 0.0, 1.0])[:3] * 1000.0  # +Y is along the spring
    anchor = spring.through[1]
    moves = {"body": np.eye(4)} | {p: m[0, 0] for p, m in sweep.poses.items()}
    true = (moves[anchor.part] @ [*anchor.at, 1.0])[[1, 2, 0]]
    assert np.linalg.norm(end - true) < 0.01  # mm: bump is a key; single precision


def test_the_cautions_and_the_inputs_checksum_stay_inside(written: Model3d) -> None:
    extras = GLTF2().load(str(written.path)).asset.extras
    assert any("kill" in c for c in extras["cautions"])
    assert extras["input sha256"] == {"car.toml": "0" * 64}
    assert "held while steering" in extras["held"]["front"]


def test_the_same_car_gives_the_same_bytes(written: Model3d, tmp_path: Path) -> None:
    car = demo("planned")
    plates = {name: plates_of(axle) for name, axle in car.axles.items()}
    again = write_model3d(tmp_path / "b.glb", car, plates, sources={"car.toml": "0" * 64})
    assert again.path.read_bytes() == written.path.read_bytes()


def test_a_linkage_that_goes_over_centre_is_shown_as_far_as_it_goes(tmp_path: Path) -> None:
    found = write_model3d(tmp_path / "trap.glb", demo("over_centre_trap"))
    assert any("rack shown from" in note for note in found.notes)
    gltf = GLTF2().load(str(found.path))
    assert all(
        np.isfinite(_table(gltf, s.output)).all() for a in gltf.animations for s in a.samplers
    )
    assert gltf.asset.extras["not shown"] == list(found.notes)
