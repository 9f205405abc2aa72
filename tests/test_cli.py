"""The commands as a builder meets them: what they write, say and return."""

from __future__ import annotations

import csv
import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

import linkview
from linkview import cli
from linkview.export.dxf import read_cut_loops
from linkview.plates.outline import area_mm2

HERE = Path(__file__).parent
SMALL = HERE / "small.toml"
DEMO = HERE.parent / "models" / "demo_coupe" / "demo_coupe.toml"
HEAVY = ("numpy", "scipy", "vtk", "pyvista", "trimesh", "ezdxf", "pydantic", "rich", "numba")


def run(*args: object) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "linkview", *map(str, args)],
        capture_output=True,
        text=True,
        check=False,
        timeout=300,
    )


def rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as text:
        return list(csv.DictReader(text))


def test_help_loads_nothing_heavy():
    code = (
        "import sys, json, linkview.cli as c\n"
        "try: c.main(['--help'])\n"
        "except SystemExit: pass\n"
        "print(json.dumps(sorted(sys.modules)), file=sys.stderr)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert "demo" in done.stdout
    loaded = json.loads(done.stderr)
    assert not [m for m in loaded if m.split(".")[0] in HEAVY]


@pytest.mark.parametrize(
    "command",
    [
        "demo",
        "run",
        "check",
        "sweep",
        "gaps",
        "plates",
        "pack",
        "page",
        "model3d",
        "report",
        "picture",
        "view",
    ],
)
def test_every_command_explains_itself(command, capsys):
    with pytest.raises(SystemExit) as ended:
        cli.main([command, "--help"])
    assert ended.value.code == 0
    assert "usage: linkview" in capsys.readouterr().out


def test_sweep_writes_tables_with_units_and_what_is_held(tmp_path, capsys):
    assert cli.main(["sweep", str(SMALL), "--out", str(tmp_path / "out")]) == 0
    out = tmp_path / "out"
    table = rows(out / "front_positions.csv")
    assert len(table) == 2 * 21 * 41
    middle = [r for r in table if float(r["rack (mm)"]) == 0 and float(r["travel (mm)"]) == 0]
    assert [float(middle[0][f"lower_ball_joint {a} (mm)"]) for a in "xyz"] == [10, 700, 185]
    assert [float(middle[1][f"lower_ball_joint {a} (mm)"]) for a in "xyz"] == [10, -700, 185]
    assert {r["held"] for r in table} == {"wheel-centre height held while steering"}
    alignment = rows(out / "front_alignment.csv")
    assert len(alignment) == len(table)
    assert all("(" in name for name in list(alignment[0])[4:])
    said = capsys.readouterr().out
    assert "gaps not measured" in said
    assert "CAUTION" in said


def test_hold_can_be_chosen_and_is_said(tmp_path, capsys):
    out = tmp_path / "out"
    args = ["sweep", str(SMALL), "--hold", "damper_length", "--out", str(out)]
    assert cli.main(args) == 0
    assert "damper length held while steering" in capsys.readouterr().out
    assert {r["held"] for r in rows(out / "front_positions.csv")} == {
        "damper length held while steering"
    }


def test_poses_out_of_reach_are_blank_with_the_joint_named(tmp_path):
    out = tmp_path / "out"
    assert cli.main(["sweep", str(DEMO), "--variant", "over_centre_trap", "--out", str(out)]) == 0
    lost = [r for r in rows(out / "front_positions.csv") if r["not reached because"]]
    assert lost
    for row in lost:
        assert row["tie_rod_outer x (mm)"] == ""
        assert "tie rod" in row["not reached because"]
    kept = [r for r in rows(out / "front_positions.csv") if not r["not reached because"]]
    assert max(float(r["largest misfit (mm)"]) for r in kept) <= 1e-9


def test_gaps_lists_every_pair_or_its_reason(tmp_path, capsys):
    out = tmp_path / "out"
    assert cli.main(["gaps", str(SMALL), "--out", str(out)]) == 0
    table = rows(out / "gaps.csv")
    pairs = {frozenset((r["body a"], r["body b"])) for r in table}
    assert pairs == {
        frozenset(p) for p in (("tyre", "rim"), ("tyre", "tie_rod"), ("rim", "tie_rod"))
    }
    left_out = [r for r in table if r["state"] == "left out"]
    assert all(r["notes"] for r in left_out)
    assert "tyre to tie rod" in capsys.readouterr().out


def test_strict_returns_1_when_something_falls_short(tmp_path):
    text = SMALL.read_text().replace("at_least = 5", "at_least = 500")
    path = tmp_path / "car.toml"
    path.write_text(text)
    out = str(tmp_path / "out")
    assert cli.main(["gaps", str(path), "--out", out]) == 0
    assert cli.main(["gaps", str(path), "--strict", "--out", out]) == 1
    text = SMALL.read_text().replace("at_least = 5", "at_least = 0.1")
    path.write_text(text)
    assert cli.main(["gaps", str(path), "--strict", "--out", out]) in (0, 1)


def test_plates_come_back_from_the_file_as_drawn(tmp_path, capsys):
    out = tmp_path / "out"
    assert cli.main(["plates", str(DEMO), "--variant", "planned", "--out", str(out)]) == 0
    table = rows(out / "plates.csv")
    assert {"top_mount_plate", "lower_link_ear", "front_pick_up_bridge"} <= {
        r["plate"] for r in table
    }
    for row in table:
        assert float(row["joint off hole axis (mm)"]) < 0.01
        assert float(row["axis off bolt (deg)"]) < 0.01
    ear = next(r for r in table if r["plate"] == "lower_link_ear")
    loops = read_cut_loops(out / "plates" / "lower_link_ear.dxf")
    areas = sorted((abs(area_mm2(loop.loop)) for loop in loops), reverse=True)
    assert areas[0] - sum(areas[1:]) == pytest.approx(float(ear["net area (mm2)"]), abs=1e-3)
    said = capsys.readouterr().out
    assert "CAUTION" in said
    assert (out / "plates" / "top_mount_plate_mirrored.dxf").is_file()


def test_moving_the_hard_point_moves_the_hole_in_the_file(tmp_path):
    # Truth: the hard point itself. It moves by (3, -2, 5); the hole read from the DXF, placed back
    # by the table's own 4 x 4, lies on it within 0.01 mm, its axis along the bolt within 0.01 deg.
    text = DEMO.read_text(encoding="utf-8")
    moved = text.replace(
        "lower_lateral_inner = [-2632, 350, 250]", "lower_lateral_inner = [-2629, 348, 255]"
    )
    assert moved != text
    for mesh in DEMO.parent.glob("*.stl"):
        (tmp_path / mesh.name).write_bytes(mesh.read_bytes())
    outlines = {}
    for name, words in (("before", text), ("after", moved)):
        path = tmp_path / f"{name}.toml"
        path.write_text(words, encoding="utf-8")
        assert cli.main(["plates", str(path), "--out", str(tmp_path / name)]) == 0
        loops = read_cut_loops(tmp_path / name / "plates" / "lower_link_ear.dxf")
        hole = next(loop.loop for loop in loops if loop.kind == "CIRCLE")
        outlines[name] = next(loop.loop for loop in loops if loop.kind != "CIRCLE")
        centre = hole.points.mean(axis=0)
        joint = np.array([-2632.0, 350, 250] if name == "before" else [-2629.0, 348, 255])
        for row in rows(tmp_path / name / "plates.csv"):
            if row["plate"] != "lower_link_ear" or row["side"] != "left":
                continue
            place = np.array(
                [[float(row[f"placement {r}{c}"]) for c in range(1, 5)] for r in range(1, 4)]
            )
            at = place @ [*centre, 0.0, 1.0]
            axis = place[:, 2]
            assert np.linalg.norm(np.cross(joint - at, axis)) < 0.01
            assert np.degrees(np.arcsin(np.linalg.norm(np.cross(axis, [1, 0, 0])))) < 0.01
    before, after = outlines["before"], outlines["after"]
    assert before.points.shape != after.points.shape or not np.allclose(
        before.points, after.points, atol=0.5
    )


def test_a_refused_plate_is_exit_2_and_the_rest_is_written(tmp_path, capsys):
    text = DEMO.read_text(encoding="utf-8").replace("hole = 14.2 ", "hole = 60.0 ")
    for mesh in DEMO.parent.glob("*.stl"):
        (tmp_path / mesh.name).write_bytes(mesh.read_bytes())
    path = tmp_path / "car.toml"
    path.write_text(text, encoding="utf-8")
    assert cli.main(["plates", str(path), "--out", str(tmp_path / "out")]) == 2
    assert not (tmp_path / "out" / "plates" / "lower_link_ear.dxf").exists()
    assert (tmp_path / "out" / "plates" / "top_mount_plate.dxf").is_file()
    assert "REFUSED" in capsys.readouterr().out


@pytest.mark.parametrize("name", ["three_faults", "unknown_point", "not_toml"])
@pytest.mark.parametrize("command", ["run", "check", "sweep", "gaps", "plates"])
def test_bad_input_is_exit_2_with_lines_and_writes_nothing(tmp_path, capsys, name, command):
    args = [command, str(HERE / "broken" / f"{name}.toml")]
    if command != "check":
        args += ["--out", str(tmp_path / "out")]
    assert cli.main(args) == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert all(line.startswith("linkview: ") for line in said.err.splitlines())
    assert list(tmp_path.iterdir()) == []


def test_a_broken_mesh_is_told_before_anything_is_written(tmp_path, capsys):
    (tmp_path / "arch.stl").write_bytes(b"solid nothing\nendsolid nothing\n")
    text = SMALL.read_text() + (
        '\n[axle.front.bodies.arch]\nkind = "mesh"\nfile = "arch.stl"\nunit = "mm"\n'
    )
    path = tmp_path / "car.toml"
    path.write_text(text)
    for command in ("check", "gaps"):
        args = [command, str(path)]
        if command == "gaps":
            args += ["--out", str(tmp_path / "out")]
        assert cli.main(args) == 2
        assert "arch.stl" in capsys.readouterr().err
    assert not (tmp_path / "out").exists()


def test_results_are_not_written_over_a_file(tmp_path, capsys):
    place = tmp_path / "out"
    place.write_text("mine")
    assert cli.main(["sweep", str(SMALL), "--out", str(place)]) == 2
    assert place.read_text() == "mine"
    assert "this is a file" in capsys.readouterr().err


@pytest.mark.skipif(sys.platform == "win32", reason="folder permissions work otherwise there")
def test_unwritable_folder_says_so(tmp_path, capsys):
    locked = tmp_path / "locked"
    locked.mkdir(mode=0o500)
    out = Path("/proc/linkview") if os.geteuid() == 0 else locked / "out"
    assert cli.main(["sweep", str(SMALL), "--out", str(out)]) == 2
    assert "choose a folder you may write to" in capsys.readouterr().err


def test_other_files_in_the_results_folder_stay(tmp_path):
    out = tmp_path / "out"
    out.mkdir()
    (out / "notes.txt").write_text("mine")
    assert cli.main(["sweep", str(SMALL), "--out", str(out)]) == 0
    assert (out / "notes.txt").read_text() == "mine"
    assert [p for p in tmp_path.iterdir() if p.name.startswith(".")] == []


@pytest.mark.skipif(sys.platform == "win32", reason="sends the POSIX interrupt")
@pytest.mark.parametrize("after_s", [0.05, 0.9, 3.0])  # while it loads, and while it works
def test_interrupt_leaves_nothing_half_written(tmp_path, after_s):
    out = tmp_path / "out"
    begin = "print('up', flush=True); from linkview.__main__ import run; raise SystemExit(run())"
    job = subprocess.Popen(
        [sys.executable, "-c", begin, "gaps", str(DEMO), "--out", str(out)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        cwd=HERE.parent,
        # a shell that runs the tests in the background has them ignore the interrupt
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.default_int_handler),
    )
    assert job.stdout.readline() == "up\n"  # before that, the interpreter itself would be stopped
    time.sleep(after_s)
    job.send_signal(signal.SIGINT)
    _, said = job.communicate(timeout=60)
    assert job.returncode == 130
    assert "Traceback" not in said
    assert list(tmp_path.iterdir()) == []


def test_check_says_what_it_checked(capsys):
    assert cli.main(["check", str(DEMO)]) == 0
    said = capsys.readouterr().out
    assert "no faults" in said
    assert "over_centre_trap" in said
    assert "not that the car is safe" in said


def test_unknown_variant_is_exit_2(capsys, tmp_path):
    args = ["sweep", str(DEMO), "--variant", "planed", "--out", str(tmp_path / "o")]
    assert cli.main(args) == 2
    assert "did you mean 'planned'?" in capsys.readouterr().err


def test_the_same_names_work_as_a_library():
    file = linkview.read_file(SMALL)
    car = linkview.build_car(file)
    axle = car.axles["front"]
    sweep = linkview.sweep_axle(axle, *linkview.grid_of(axle, rack_count=3, travel_count=3))
    assert sweep.left.point("tie_rod_outer").shape == (3, 3, 3)
    assert linkview.align(sweep, car).left.camber_deg.shape == (3, 3)
    with pytest.raises(AttributeError, match="has no attribute 'sweeep'"):
        _ = linkview.sweeep
    assert set(linkview.__all__) < set(dir(linkview))
