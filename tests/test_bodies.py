"""Mesh files with one fault each, and meshes that must come in whole, to size and side."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest
import trimesh

from linkview.clearance.bodies import RevolvedSolid, TubeSolid, placed, solids_of
from linkview.clearance.mesh_files import mesh_of_file
from linkview.clearance.meshes import MeshSolid
from linkview.clearance.winding import winding_number
from linkview.errors import MeshFault
from linkview.geometry import Array, rigid, rotation_from_vector
from linkview.model.bodies import Anchor, Box, MeshFile, Profile, Revolved, Tube


def mesh_file(path: Path, *, mm_per_unit: float = 1.0, name: str = "scan") -> MeshFile:
    return MeshFile(name, "knuckle", path, mm_per_unit, np.eye(4))


def read(body: MeshFile) -> MeshSolid:
    solid = placed(body)
    assert isinstance(solid, MeshSolid)
    return solid


def volume(triangles: Array) -> float:
    """Signed volume by the divergence theorem; positive when wound outward."""
    a, b, c = triangles[:, 0], triangles[:, 1], triangles[:, 2]
    return float(np.sum(a * np.cross(b, c)) / 6.0)


# --- what comes in --------------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["stl", "obj", "ply", "glb", "3mf"])
def test_every_format_comes_in_closed_and_to_size(tmp_path: Path, kind: str) -> None:
    if kind == "3mf":
        pytest.importorskip("lxml")  # trimesh reads 3MF only with it
    path = tmp_path / f"block.{kind}"
    trimesh.creation.box((10, 20, 30)).export(path)
    solid = read(mesh_file(path))
    assert np.ptp(solid.triangles.reshape(-1, 3), axis=0) == pytest.approx([10, 20, 30])
    assert solid.closed
    assert solid.notes == ()
    assert len(solid.members) == 1
    assert volume(solid.triangles) == pytest.approx(6000.0)


def test_units_placement_and_mirror_in_that_order(tmp_path: Path) -> None:
    path = tmp_path / "block.stl"
    block = trimesh.creation.box((1, 2, 3))
    block.apply_translation([0.5, 1, 1.5])  # lo at the origin
    block.export(path)
    quarter = rotation_from_vector(np.array([0.0, 0.0, np.pi / 2]))
    body = MeshFile("scan", "knuckle", path, 10.0, rigid(quarter, [100.0, 200, 300]), mirrored=True)
    points = read(body).triangles
    # Truth by hand: 10 x 20 x 30 mm; x -> y, y -> -x; moved; then y changes sign.
    assert points.min(axis=(0, 1)) == pytest.approx([80, -210, 300])
    assert points.max(axis=(0, 1)) == pytest.approx([100, -200, 330])
    assert volume(points) == pytest.approx(6000.0)  # still wound outward


def test_a_box_is_twelve_triangles_and_closed() -> None:
    solid = placed(Box("rail", "body", np.array([0.0, 0, 0]), np.array([10.0, 20, 30])))
    assert isinstance(solid, MeshSolid)
    assert solid.triangles.shape == (12, 3, 3)
    assert solid.closed
    assert volume(solid.triangles) == pytest.approx(6000.0)


def test_faces_wound_both_ways_are_turned_one_way(tmp_path: Path) -> None:
    ball = trimesh.creation.icosphere(subdivisions=1, radius=20)
    faces = np.array(ball.faces)
    faces[::3] = faces[::3, ::-1]
    path = tmp_path / "mixed.ply"
    trimesh.Trimesh(ball.vertices, faces, process=False).export(path)
    solid = read(mesh_file(path))
    assert solid.closed
    assert abs(winding_number(np.zeros((1, 3)), solid.triangles)[0]) == pytest.approx(1.0)


def test_tubes_and_turned_solids_keep_their_parts() -> None:
    tube = placed(
        Tube("rod", "tie_rod", (Anchor("rack", np.zeros(3)), Anchor("knuckle", np.ones(3))), 9.0)
    )
    assert isinstance(tube, TubeSolid)
    assert tube.parts == ("tie_rod", "rack", "knuckle")
    assert tube.carriers == ("rack", "knuckle")
    disc = placed(
        Revolved(
            "disc",
            "knuckle",
            np.zeros(3),
            np.array([0, 1.0, 0]),
            (Profile(np.array([[-5.0, 60], [-5, 150], [5, 150], [5, 60]])),),  # clockwise
        )
    )
    assert isinstance(disc, RevolvedSolid)
    assert disc.pieces[0].distance(np.array([[0.0, 100, 0]]))[0] == pytest.approx([-5.0])


# --- what is noted ----------------------------------------------------------------------------


def test_an_open_mesh_says_so(tmp_path: Path) -> None:
    path = tmp_path / "panel.stl"
    block = trimesh.creation.box((100, 200, 300))
    trimesh.Trimesh(block.vertices, block.faces[:-2], process=False).export(path)
    solid = read(mesh_file(path))
    assert not solid.closed
    assert any("open surface" in note for note in solid.notes)


def test_triangles_without_area_are_left_out_and_counted(tmp_path: Path) -> None:
    path = tmp_path / "slivers.obj"
    block = trimesh.creation.box((10, 20, 30))
    lines = [f"v {x} {y} {z}" for x, y, z in block.vertices]
    lines += [f"f {a} {b} {c}" for a, b, c in block.faces + 1]
    lines += ["f 1 1 2", "f 3 3 3"]
    path.write_text("\n".join(lines))
    solid = read(mesh_file(path))
    assert len(solid.triangles) == 12
    assert solid.closed
    assert solid.notes == ("2 triangles of zero area left out",)


# --- what is refused ----------------------------------------------------------------------------


def write(path: Path, content: str | bytes) -> Path:
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    return path


PLY = """ply
format ascii 1.0
element vertex 3
property float x
property float y
property float z
element face 1
property list uchar int vertex_indices
end_header
0 0 0
9 0 0
0 9 0
3 0 1 7
"""

BROKEN = {
    "past_the_end.ply": (PLY, "a triangle names a corner that is not there"),
    "not_there.stl": (None, "there is no such file"),
    "empty.stl": ("", "the file is empty"),
    "drawing.dxf": ("0\nEOF\n", "'.dxf' is not a mesh format read here; use one of .stl"),
    "words.ply": ("this is no mesh at all", "cannot be read"),
    "words.stl": ("this is no mesh at all", "export it again"),
    "points.obj": ("v 0 0 0\nv 1 0 0\nv 0 1 0\n", "export it again"),
    "nan.obj": ("v 0 0 nan\nv 10 0 0\nv 0 10 0\nf 1 2 3\n", "1 corners are not numbers"),
    "inf.obj": ("v 0 0 0\nv inf 0 0\nv 0 10 0\nf 1 2 3\n", "1 corners are not numbers"),
    "flat.obj": ("v 0 0 0\nv 5 0 0\nv 9 0 0\nf 1 2 3\n", "every triangle has zero area"),
    "past_the_end.obj": ("v 0 0 0\nv 9 0 0\nv 0 9 0\nf 1 2 7\n", "cannot be read"),
}


@pytest.mark.parametrize("name", BROKEN)
def test_a_broken_file_is_refused_with_its_name_and_the_fix(tmp_path: Path, name: str) -> None:
    content, says = BROKEN[name]
    path = tmp_path / name
    if content is not None:
        write(path, content)
    with pytest.raises(MeshFault) as fault:
        placed(mesh_file(path))
    text = str(fault.value)
    assert says in text
    assert "body 'scan'" in text
    assert str(path) in text


@pytest.mark.parametrize(("mm_per_unit", "says"), [(1000.0, "is 29000 mm"), (0.001, "is 0.029 mm")])
def test_a_size_no_car_part_has_asks_about_the_unit(
    tmp_path: Path, mm_per_unit: float, says: str
) -> None:
    path = tmp_path / "block.stl"
    trimesh.creation.box((12, 16, 21)).export(path)  # its diagonal is 29
    with pytest.raises(MeshFault, match="is the unit right") as fault:
        placed(mesh_file(path, mm_per_unit=mm_per_unit))
    assert says in str(fault.value)


def test_a_box_without_volume_is_refused() -> None:
    with pytest.raises(MeshFault, match="make every hi > lo"):
        placed(Box("rail", "body", np.array([0.0, 0, 5]), np.array([10.0, 20, 5])))


def test_all_broken_meshes_are_listed_at_once(tmp_path: Path) -> None:
    good = Box("rail", "body", np.zeros(3), np.ones(3) * 10)
    bodies = [mesh_file(tmp_path / f"{name}.stl", name=name) for name in ("one", "two")]
    with pytest.raises(MeshFault) as fault:
        solids_of([bodies[0], good, bodies[1]])
    lines = str(fault.value).splitlines()
    assert [line.split(",")[0] for line in lines] == ["body 'one'", "body 'two'"]
    assert set(solids_of([good])) == {"rail"}


def test_a_mesh_is_read_again_only_when_its_file_or_its_place_has_changed(tmp_path: Path) -> None:
    path = tmp_path / "box.stl"
    trimesh.creation.box(extents=(100, 80, 60)).export(path)
    body = MeshFile("box", "body", path, 1.0, np.eye(4))
    first = mesh_of_file(body)
    assert mesh_of_file(MeshFile("box", "body", path, 1.0, np.eye(4))) is first
    moved = np.eye(4)
    moved[0, 3] = 5.0
    shifted = mesh_of_file(MeshFile("box", "body", path, 1.0, moved))
    assert shifted.triangles[..., 0].max() == 55.0
    assert mesh_of_file(MeshFile("box", "body", path, 1.0, np.eye(4), mirrored=True)) is not first
    trimesh.creation.box(extents=(200, 80, 60)).export(path)
    os.utime(path, ns=(1, 1))
    assert mesh_of_file(body).triangles[..., 0].max() == 100.0
