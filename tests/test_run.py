"""The whole job from the command line, with pictures and without any OpenGL on the machine."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import imageio_ffmpeg
import pytest
from no_opengl import without_opengl
from PIL import Image

from linkview import cli
from linkview.export.graphics import PACKAGES

HERE = Path(__file__).parent
DEMO = HERE.parent / "models" / "demo_coupe" / "demo_coupe.toml"
SMALL = HERE / "small.toml"
TABLES = {
    "hard_points.csv",
    "front_positions.csv",
    "front_alignment.csv",
    "gaps.csv",
    "limits.csv",
    "stops.csv",
    "plates.csv",
    "summary.txt",
    "gap_curves.csv",
    "gap_maps.csv",
}


@pytest.mark.gl
def test_run_writes_everything_and_says_the_whole_answer(tmp_path, capsys):
    out = tmp_path / "out"
    assert cli.main(["run", str(SMALL), "--variant", "lower", "--out", str(out)]) == 0
    names = {p.name for p in out.iterdir()}
    assert names == TABLES | {
        "front_ride_height.png",
        "front_worst_gap.png",
        "front.mp4",
        "front.gif",
    }
    said = capsys.readouterr().out
    for words in (
        "At ride height",
        "left lock, rack",
        "leading",
        "What stops it first",
        "Smallest gaps",
        "held while steering",
        "FILES in",
        "front.mp4",
        "CAUTION",
    ):
        assert words in said
    summary = (out / "summary.txt").read_text(encoding="utf-8")
    assert "local codes, the inspector and a qualified engineer decide" in summary
    assert "parts kept" in summary
    with Image.open(out / "front_ride_height.png") as picture:
        assert picture.size == (1280, 720)
    frames, seconds = imageio_ffmpeg.count_frames_and_secs(str(out / "front.mp4"))
    assert f"{frames} frames of steer and travel" in said
    assert 4.0 < seconds < 12.0


def test_without_opengl_all_the_rest_is_written_and_the_package_named(tmp_path):
    out = tmp_path / "out"
    command = [sys.executable, "-m", "linkview", "run", str(DEMO), "--out", str(out)]
    hidden = without_opengl(command, tmp_path / "empty")
    if hidden is None:
        pytest.skip("this user may not hide libraries in a namespace of their own")
    done = subprocess.run(hidden, capture_output=True, text=True, check=False, timeout=300)
    assert done.returncode == 0, done.stderr
    assert "no pictures" in done.stderr
    assert "Traceback" not in done.stderr
    if sys.platform.startswith("linux"):
        assert PACKAGES in done.stderr
    names = {p.name for p in out.iterdir()}
    assert names >= TABLES | {"rear_positions.csv", "rear_alignment.csv", "plates"}
    drawn = [n for n in names if n.endswith((".png", ".mp4", ".gif"))]
    assert not drawn
    assert (out / "plates" / "lower_link_ear.dxf").is_file()
    assert "CONTACT" in done.stdout
