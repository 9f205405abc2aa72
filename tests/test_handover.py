"""The hand-over commands as a builder meets them: what they write, twice the same, without GL."""

from __future__ import annotations

import csv
import hashlib
import os
import subprocess
import sys
import zipfile
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from linkview import cli
from linkview.alignment.axle import align
from linkview.export.captions import CAUTION, Titles
from linkview.export.four_views import four_views
from linkview.export.views import View, cut_out_of, view_of
from linkview.kinematics.sweep import sweep_axle
from linkview.scene.stage import pose_of, stage_of
from tests.no_opengl import without_opengl
from tests.scene_cases import axle, demo, plates_of

HERE = Path(__file__).parent
SMALL = HERE / "small.toml"
DEMO = HERE.parent / "models" / "demo_coupe" / "demo_coupe.toml"
DAY = ("--date", "2026-03-31", "--revision", "B")
TITLES = Titles("Demo", "planned")
STILL = np.zeros(1)


def packed(out: Path, *, seed: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "linkview", "pack", str(DEMO), "--variant", "planned"]
    command += [*DAY, "--no-film", "--out", str(out)]
    return subprocess.run(
        command,
        capture_output=True,
        text=True,
        check=False,
        env={**os.environ, "PYTHONHASHSEED": seed},
        timeout=900,
    )


@pytest.fixture(scope="module")
def twice(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    out = []
    for name in ("1", "2"):
        folder = tmp_path_factory.mktemp(f"pack{name}") / "car-2026-03-31"
        done = packed(folder, seed=name)
        assert done.returncode == 0, done.stderr
        out.append(folder)
    return out


def files_of(folder: Path) -> dict[str, bytes]:
    return {
        p.relative_to(folder).as_posix(): p.read_bytes()
        for p in sorted(folder.rglob("*"))
        if p.is_file()
    }


@pytest.mark.gl
def test_the_whole_package_twice_is_the_same_byte_for_byte(twice: list[Path]) -> None:
    one, two = (files_of(folder) for folder in twice)
    assert list(one) == list(two)
    assert [name for name in one if one[name] != two[name]] == []
    assert {Path(n).suffix for n in one} >= {
        ".csv", ".txt", ".dxf", ".glb", ".html", ".pdf", ".png", ".svg", ".stl"
    }  # fmt: skip
    zips = [folder.with_name(f"{folder.name}.zip").read_bytes() for folder in twice]
    assert zips[0] == zips[1]


@pytest.mark.gl
def test_the_zip_holds_every_file_and_every_checksum_is_true(twice: list[Path]) -> None:
    folder = twice[0]
    there = files_of(folder)
    with zipfile.ZipFile(folder.with_name(f"{folder.name}.zip")) as archive:
        assert archive.testzip() is None
        assert {n.removeprefix(f"{folder.name}/") for n in archive.namelist()} == set(there)
        assert {i.date_time[:3] for i in archive.infolist()} == {(2026, 3, 31)}
    with (folder / "contents.csv").open(encoding="utf-8", newline="") as text:
        rows = list(csv.DictReader(text))
    assert {r["file"] for r in rows} == set(there) - {"contents.csv"}
    for row in rows:
        data = there[row["file"]]
        assert (int(row["bytes"]), row["SHA-256"]) == (len(data), hashlib.sha256(data).hexdigest())


@pytest.mark.gl
def test_the_index_page_leads_to_every_explained_file(twice: list[Path]) -> None:
    page = (twice[0] / "index.html").read_text(encoding="utf-8")
    for name in ("page.html", "report.pdf", "setup_sheet.pdf", "car.glb", "gaps.csv"):
        assert f'<a href="{name}">{name}</a>' in page
    assert "kill the driver" in page
    assert "front left: tyre to frame rail touch" in page


def test_without_opengl_all_that_needs_none_is_written(tmp_path: Path) -> None:
    out = tmp_path / "pack"
    command = [sys.executable, "-m", "linkview", "pack", str(SMALL), *DAY, "--out", str(out)]
    hidden = without_opengl(command, tmp_path / "empty")
    if hidden is None:
        pytest.skip("this user may not hide libraries")
    done = subprocess.run(hidden, capture_output=True, text=True, check=False, timeout=600)
    assert done.returncode == 0, done.stderr
    assert "libegl1" in done.stderr
    there = set(files_of(out))
    assert {"page.html", "car.glb", "report.pdf", "setup_sheet.pdf", "index.html"} <= there
    drawn = [n for n in there if n.endswith((".png", ".mp4")) and "limit_map" not in n]
    assert not drawn  # charts need no OpenGL, pictures do
    assert "front_limit_map.png" in there
    assert "No pictures and films" in (out / "index.html").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("command", "wanted"),
    [
        ("page", {"page.html"}),
        ("model3d", {"car.glb"}),
        ("report", {"report.pdf", "report.html", "setup_sheet.pdf", "measuring_sheet.pdf"}),
    ],
)
def test_each_thing_alone(command: str, wanted: set[str], tmp_path: Path) -> None:
    assert cli.main([command, str(SMALL), *DAY, "--out", str(tmp_path / "o")]) == 0
    assert wanted <= set(files_of(tmp_path / "o"))


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["pack", str(SMALL), "--date", "31.3.2026"], "is no date; write 2026-03-31"),
        (["picture", str(SMALL), "--size", "big"], "is no size; write 1600x1000"),
        (["picture", str(SMALL), "--size", "1x1"], "each side from 200 to 8000 pixels"),
    ],
)
def test_bad_options_say_what_to_write(words: list[str], said: str, capsys) -> None:
    with pytest.raises(SystemExit) as ended:
        cli.main(words)
    assert ended.value.code == 2
    assert said in capsys.readouterr().err


def test_an_axle_that_is_not_there_is_named(capsys, tmp_path: Path) -> None:
    assert cli.main(["picture", str(SMALL), "--axle", "frnt", "--out", str(tmp_path / "o")]) == 2
    assert "no axle 'frnt'; did you mean 'front'?" in capsys.readouterr().err


def test_a_missing_mesh_names_the_file_and_leaves_nothing(capsys, tmp_path: Path) -> None:
    broken = HERE / "broken" / "mesh_not_there.toml"
    assert cli.main(["pack", str(broken), *DAY, "--out", str(tmp_path / "o")]) == 2
    assert ".stl" in capsys.readouterr().err
    assert not (tmp_path / "o").exists()


# --- pictures -------------------------------------------------------------------------------------


def shown(name: str, rack: float = 0.0):
    seen = axle(name)
    sweep = sweep_axle(seen, np.array([rack]), STILL)
    return stage_of(seen, plates=plates_of(seen)), pose_of(sweep, 0, 0)


@pytest.mark.gl
def test_a_still_is_the_same_in_every_process(tmp_path: Path) -> None:
    # Broke once: the shade pass read buffers that nothing had written, 48,617 pixels differed.
    code = (
        "import sys, numpy as np; sys.path.insert(0, sys.argv[2])\n"
        "from tests.test_handover import shown, TITLES\n"
        "from linkview.export.views import View, view_of\n"
        "from pathlib import Path\n"
        "stage, pose = shown('front')\n"
        "view_of(Path(sys.argv[1]), stage, pose, View.CORNER, TITLES, size=(640, 480))\n"
    )
    pictures = []
    for k in range(3):
        path = tmp_path / f"{k}.png"
        subprocess.run([sys.executable, "-c", code, str(path), str(HERE.parent)], check=True)
        pictures.append(path.read_bytes())
    assert pictures[0] == pictures[1] == pictures[2]


@pytest.mark.gl
def test_a_cut_out_has_nothing_behind_it_and_keeps_its_caution(tmp_path: Path) -> None:
    stage, pose = shown("rear")
    cut_out_of(tmp_path / "c.png", stage, pose, View.REAR, TITLES, size=(700, 420))
    with Image.open(tmp_path / "c.png") as image:
        assert (image.mode, image.size) == ("RGBA", (700, 420))
        assert image.text["Warning"] == CAUTION
        pixels = np.array(image)
    cover = pixels[..., 3]
    assert cover[:8].max() == 0
    assert (cover == 255).mean() > 0.05  # the wheels alone cover more
    tyre = pixels[cover == 255][:, :3].mean()
    assert tyre < 150  # charcoal, not the white or black it was drawn over


@pytest.mark.gl
def test_a_chosen_view_has_its_size_and_its_words(tmp_path: Path) -> None:
    stage, pose = shown("front", rack=-40.0)
    view_of(tmp_path / "v.png", stage, pose, View.TOP, TITLES, size=(900, 500))
    with Image.open(tmp_path / "v.png") as image:
        assert image.size == (900, 500)
        assert "turned left" in image.text["Description"]


@pytest.mark.gl
def test_dimensions_on_the_four_views_are_the_solvers(tmp_path: Path) -> None:
    stage, pose = shown("front")
    drawn = four_views(tmp_path / "four.png", stage, pose, TITLES)
    sweep = sweep_axle(axle("front"), STILL, STILL)
    assert drawn["track"] == pytest.approx(align(sweep, demo("planned")).track_mm[0, 0], abs=1e-9)
    points = axle("front").left.points
    ground = points["wheel_centre"][2] - drawn["wheel centre height"]
    assert drawn["strut top height"] == pytest.approx(points["strut_top"][2] - ground)
    # Loaded radius 310.8 mm, camber -4: the wheel centre stands 310.8 cos 4 over the ground.
    assert drawn["wheel centre height"] == pytest.approx(310.8 * np.cos(np.radians(4.0)))
    # Truth: the plan's points; the right side is the mirror.
    assert drawn["strut top, both sides"] == pytest.approx(2.0 * points["strut_top"][1])
    assert drawn["lower arm rear pivot, both sides"] == pytest.approx(700.0)
    assert drawn["wheel centre to lower arm front pivot"] == pytest.approx(330.0)
    assert drawn["wheel centres"] == pytest.approx(1560.0)
    assert len(drawn) == 10
    with Image.open(tmp_path / "four.png") as image:
        assert image.size == (1920, 1394)
