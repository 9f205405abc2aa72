"""Meshes on the live page: placed, turned, fitted to matching places; files that have gone."""

from __future__ import annotations

import json
import struct
import tracemalloc
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import trimesh
from scipy.spatial.transform import Rotation

from linkview.clearance.mesh_counts import require_room, triangles_ahead
from linkview.clearance.mesh_files import look_at
from linkview.errors import CannotWrite, LinkviewError, MeshFault
from linkview.kinematics.assemble import build_car
from linkview.live.car_words import state_json
from linkview.live.document import Document
from linkview.live.edits import How, mesh_table
from linkview.live.helper import Job, do
from linkview.live.meshfiles import mesh_coming
from linkview.live.meshplaces import (
    WAYS,
    as_typed,
    meshes_json,
    placed,
    table_of,
    turned,
    upright,
)
from linkview.model.bodies import MeshFile
from linkview.model.read import read_file

SMALL = Path(__file__).with_name("small.toml")
BOX = (300.0, 200.0, 250.0)


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("LINKVIEW_HOME", str(tmp_path / "home"))
    return tmp_path


def _box() -> bytes:
    content = trimesh.creation.box(extents=BOX).export(file_type="stl")
    assert isinstance(content, bytes)
    return content


def _took(name: str, content: bytes) -> Path:
    coming = mesh_coming(name, len(content))
    assert coming.take(content)
    return coming.kept()


def _opened(home: Path) -> Document:
    model = home / "small.toml"
    if not model.exists():
        model.write_bytes(SMALL.read_bytes())
    return Document.opened(model, "as_found")


def _put(document: Document, path: Path, name: str = "block") -> None:
    table = {"kind": "mesh", "file": str(path), "unit": "mm", "place_at": [700, 0, 500]}
    document.change(lambda e: e.with_mesh("front", name, mesh_table(table)), "")


def _place(document: Document, name: str, **words: object) -> None:
    table = placed(table_of(document, "front", name), {"on": "body", **words})
    document.change(lambda e: e.with_mesh("front", name, table), "")


def _mesh(document: Document, name: str = "block") -> MeshFile:
    (body,) = [b for b in document.car.axles["front"].left.bodies if b.name == name]
    assert isinstance(body, MeshFile)
    return body


def _row(document: Document, name: str = "block") -> dict[str, Any]:
    (row,) = [m for m in meshes_json(document, document.car.axles["front"]) if m["name"] == name]
    return row


def test_turns_are_those_of_another_library_and_are_typed_back_as_they_were() -> None:
    # Truth: scipy's rotations, about the fixed x, then y, then z.
    chance = np.random.default_rng(7)
    for _ in range(60):
        x, y = chance.choice(list(WAYS), 2, replace=False)
        if np.dot(WAYS[x], WAYS[y]):
            continue
        about = tuple(chance.uniform(-180.0, 180.0, 3))
        turn = turned(about)
        by_scipy = Rotation.from_euler("xyz", about, degrees=True).as_matrix()
        assert np.abs(turn - by_scipy).max() < 1e-12
        again_x, again_y, again = as_typed(turn @ upright(x, y))
        assert np.abs(turned(again) @ upright(again_x, again_y) - turn @ upright(x, y)).max() < 1e-9
        assert np.linalg.norm(Rotation.from_euler("xyz", again, degrees=True).as_rotvec()) < 1.1
    assert as_typed(upright("left", "back")) == ("left", "back", (0.0, 0.0, 0.0))


def test_a_mesh_is_moved_turned_and_brought_back(home: Path) -> None:
    document = _opened(home)
    _put(document, _took("block.stl", _box()))
    _place(document, "block", at=[610, -5, 480], x_axis="left", y_axis="back", turn=[0, 0, 10])
    # Truth: by hand, the file's x points left and is turned 10 degrees about z from there.
    wanted = Rotation.from_euler("z", 100.0, degrees=True).as_matrix()
    assert np.abs(_mesh(document).placement[:3, :3] - wanted).max() < 1e-9
    assert _mesh(document).placement[:3, 3].tolist() == [610, -5, 480]
    row = _row(document)
    assert (row["at"], row["x"], row["y"], row["turn"]) == (
        [610, -5, 480],
        "left",
        "back",
        [0, 0, 10],
    )
    assert not row["own"]
    assert len(document.edits.changes) == 1  # placed anew, not once more
    assert document.step(-1)
    assert _row(document)["at"] == [700, 0, 500]
    assert document.step(1)
    document.save_as_file("moved.toml", "moved", "")
    saved = build_car(read_file(home / "moved.toml"), "moved").axles["front"]
    for corner in saved.corners:
        (body,) = [b for b in corner.bodies if b.name == "block"]
        assert isinstance(body, MeshFile)
        assert np.abs(body.placement - _mesh(document).placement).max() < 1e-9
        assert body.path == home / "block.stl"


def test_what_is_typed_is_where_it_stands_though_its_part_was_moved_before(home: Path) -> None:
    document = _opened(home)
    path = _took("block.stl", _box())
    _put(document, path)
    _place(document, "block", on="knuckle", at=[0, 600, 300], x_axis="ahead", y_axis="left")
    x, y, z = document.car.axles["front"].left.points["strut_top"]
    document.change(lambda e: e.with_point("front", How.PARTS_KEPT, "strut_top", (x, y - 9, z)), "")
    carried = _row(document)
    assert np.linalg.norm(np.subtract(carried["at"], [0, 600, 300])) > 0.5  # mm: the knuckle leans
    _place(document, "block", on="knuckle", at=carried["at"], x_axis=carried["x"],
           y_axis=carried["y"], turn=carried["turn"])  # fmt: skip
    assert np.abs(np.subtract(_row(document)["at"], carried["at"])).max() < 1e-6
    assert np.abs(np.subtract(_row(document)["turn"], carried["turn"])).max() < 1e-6


def test_matching_places_lay_a_mesh_down_and_tell_how_far_each_is_off(home: Path) -> None:
    document = _opened(home)
    _put(document, _took("block.stl", _box()))
    file = np.array([[-150, -100, -125], [150, -100, -125], [-150, 100, -125], [150, 100, 125.0]])
    turn = Rotation.from_euler("xyz", [4.0, -7.0, 93.0], degrees=True)
    there = turn.apply(file) + np.array([640, 30, 510])
    slips = np.array([[2.0, 0, 0], [0, -1, 0], [0, 0, 0], [0, 0, 1.5]])
    given = there + slips
    matches = [{"file": a.tolist(), "car": b.tolist()} for a, b in zip(file, given, strict=True)]
    _place(document, "block", matches=matches)
    # Truth: scipy's own best rotation of the same places, about their middles.
    best, _ = Rotation.align_vectors(given - given.mean(axis=0), file - file.mean(axis=0))
    left = best.apply(file - file.mean(axis=0)) + given.mean(axis=0) - given
    row = _row(document)
    assert row["off"] == pytest.approx(np.linalg.norm(left, axis=1), abs=1e-3)
    assert max(row["off"]) > 0.5
    assert np.abs(_mesh(document).placement[:3, :3] - best.as_matrix()).max() < 1e-6
    assert [m["file"] for m in row["matches"]] == file.tolist()
    # a mistaken place is named; to a hard point by its name: it is kept as that
    mistaken = [{**matches[0], "car": "strut_top"}, *matches[1:]]
    with pytest.raises(LinkviewError, match=r"matches\[0\] \(strut top\) is [0-9.]+ mm from where"):
        _place(document, "block", matches=mistaken)
    top = document.car.axles["front"].left.points["strut_top"]
    seen = turn.inv().apply(top - (640, 30, 510)).tolist()
    _place(document, "block", matches=[{"file": seen, "car": "strut_top"}, *matches[1:]])
    assert _row(document)["matches"][0]["car"] == "strut_top"
    assert max(_row(document)["off"]) < 5.0
    small = [{**m, "file": (np.array(m["file"]) / 1000).tolist()} for m in matches[1:]]
    with pytest.raises(LinkviewError, match='is it drawn in "m"'):
        _place(document, "block", matches=small)
    # a number typed leaves the places behind
    _place(document, "block", at=row["at"], x_axis=row["x"], y_axis=row["y"], turn=row["turn"])
    assert _row(document)["matches"] == []
    assert np.abs(np.subtract(_row(document)["at"], row["at"])).max() < 1e-6


@pytest.mark.parametrize(
    ("words", "told"),
    [
        ({"matches": [{"file": [0, 0, 0], "car": "strut_top"}] * 2}, "three or more"),
        ({"matches": [{"file": [0, 0, 0], "car": "strut_top"}] * 3}, "do not span a plane"),
        ({"matches": ["x"] * 3}, "a place in the file and one on the car"),
        ({"matches": [{"file": [0, 0], "car": "a"}] * 3}, "three numbers"),
        ({"at": [0, 0, 0], "x_axis": "up", "y_axis": "down"}, "same line"),
        ({"at": [0, 0, 0], "x_axis": "north", "y_axis": "down"}, "not 'north'"),
        ({"at": [0, 0, 1e9], "x_axis": "up", "y_axis": "left"}, "check the unit"),
        ({"at": [0, 0, 0], "x_axis": "up", "y_axis": "left", "turn": [0, 0, 1e5]}, "360 deg"),
        ({"at": [0, 0, 0], "x_axis": "up", "y_axis": "left", "turn": [0, 0, "1"]}, "not a number"),
    ],
)  # fmt: skip
def test_a_place_that_makes_no_sense_is_told(home: Path, words: Any, told: str) -> None:
    document = _opened(home)
    _put(document, _took("block.stl", _box()))
    before = document.edits
    with pytest.raises((LinkviewError, ValueError), match=told):
        _place(document, "block", **words)
    assert document.edits is before


def test_a_mesh_of_the_file_is_moved_and_put_back(home: Path) -> None:
    (home / "arch.stl").write_bytes(_box())
    table = '\n[axle.front.bodies.arch]\nkind = "mesh"\nfile = "arch.stl"\nunit = "mm"\n'
    (home / "small.toml").write_text(SMALL.read_text() + table + "place_at = [650, 0, 500]\n")
    document = _opened(home)
    assert (_row(document, "arch")["own"], _row(document, "arch")["moved"]) == (True, False)
    _place(document, "arch", at=[655, 0, 500], x_axis="ahead", y_axis="left")
    assert _row(document, "arch")["moved"]
    document.save_as_file("moved.toml", "moved", "")
    change = read_file(home / "moved.toml").variant("moved").change[0]
    assert change.bodies["arch"]["file"] == "arch.stl"  # its own file, not a copy
    assert sorted(p.name for p in home.glob("*.stl")) == ["arch.stl"]
    document.change(lambda e: e.without_meshes([("front", "arch")]), "")
    assert _mesh(document, "arch").placement[0, 3] == 650
    assert not document.unsaved


def test_a_mesh_file_that_has_gone_is_named_and_the_rest_kept(home: Path) -> None:
    document = _opened(home)
    path = _took("engine block.stl", _box())
    _put(document, path)
    document.change(lambda e: e.with_wheel("front", "spacer", 5.0), "")
    path.unlink()
    again = _opened(home)  # after a crash, the file deleted meanwhile
    assert again.restored
    assert again.edits == document.edits
    assert [b.name for b in again.car.axles["front"].left.bodies if b.name == "block"] == []
    assert again.car.axles["front"].left.wheel.rim.spacer_mm == 5.0
    (told,) = state_json(again)["gone"]
    assert (told["name"], told["file"]) == ("block", "engine_block.stl")
    assert _row(again)["gone"]
    assert "block left out: its mesh file is gone" in again.car.notes
    with pytest.raises(MeshFault, match="its file is gone"):
        table_of(again, "front", "block")
    # what is done now does not write over what is kept, and nothing is saved without the mesh
    again.change(lambda e: e.with_wheel("front", "spacer", 7.0), "")
    kept = json.loads(again.journal.read_text())
    assert str(path) in json.dumps(kept["history"][-1])
    with pytest.raises(CannotWrite, match="mesh 'block' is gone"):
        again.save_as_file("new.toml", "mine", "")
    assert not (home / "new.toml").exists()
    assert not again.meshes_came_or_went()
    # the very file again: it is back where it stood
    assert _took("engine block.stl", _box()) == path
    assert again.meshes_came_or_went()
    assert _mesh(again).placement[0, 3] == 700
    path.unlink()
    assert again.meshes_came_or_went()  # deleted while the car is open
    again.change(lambda e: e.without_meshes([("front", "block")]), "")
    again.save_as_file("new.toml", "mine", "")


@pytest.mark.parametrize("kind", ["stl", "stl_ascii", "obj", "ply", "glb", "3mf"])
def test_triangles_are_counted_before_a_file_is_read(tmp_path: Path, kind: str) -> None:
    # Truth: trimesh, which wrote the file, counts its own triangles.
    ball = trimesh.creation.icosphere(subdivisions=3)
    scene = trimesh.Scene()
    for k in range(3):  # one mesh that stands in three places
        scene.add_geometry(
            ball, transform=trimesh.transformations.translation_matrix([3 * k, 0, 0])
        )
    path = tmp_path / f"ball.{kind.split('_')[0]}"
    given = scene if kind == "glb" else ball
    given.export(path, file_type=kind)
    wanted = len(scene.to_mesh().faces) if kind == "glb" else len(ball.faces)
    assert triangles_ahead(path) == wanted
    assert look_at(path).triangles == wanted
    with pytest.raises(MeshFault, match=r"0\.0 million triangles; 0 million are the most"):
        require_room(path, "it", most=wanted - 1)
    path.write_bytes(path.read_bytes()[:70])  # cut off: no count, and reading it says why
    require_room(path, "it")


def test_a_mesh_that_would_fill_the_memory_is_refused_unread(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "scan.stl"
    with path.open("wb") as file:
        file.write(bytes(80) + struct.pack("<I", 7_800_000))
        file.truncate(84 + 50 * 7_800_000)  # 390 MB, of which the disk holds a page
    tracemalloc.start()
    with pytest.raises(MeshFault, match=r"scan.stl: it has 7\.8 million triangles"):
        look_at(path)
    most = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert most < 5_000_000  # bytes
    small = tmp_path / "box.stl"
    small.write_bytes(_box())
    monkeypatch.setattr("linkview.clearance.mesh_counts.available_bytes", lambda: 20_000)
    with pytest.raises(MeshFault, match=r"need about .* GB of memory"):
        require_room(small, "box.stl", holders=3)


def test_a_helper_that_runs_out_of_memory_says_so_and_lives_on() -> None:
    answers: list[dict[str, Any]] = []

    class Post_:
        answer = staticmethod(answers.append)

    def greedy(post: Any, given: Any) -> None:
        raise MemoryError

    do(Post_(), greedy, Job("shapes", 1))  # type: ignore[arg-type]
    assert "too little memory" in answers[0]["fault"]
