"""Films with read-outs: frames counted and held against pictures and figures of the same poses."""

from __future__ import annotations

import subprocess
from dataclasses import replace

import imageio_ffmpeg
import numpy as np
import pytest
from PIL import Image
from scene_cases import axle, plates_of

from linkview.alignment.axle import align
from linkview.clearance.answers import GapState
from linkview.clearance.bodies import solids_of
from linkview.clearance.distance import pair_gap
from linkview.cli import main
from linkview.commands.job import demo_file
from linkview.errors import CannotWrite, UnknownName
from linkview.export.captions import Titles
from linkview.export.encode import softened
from linkview.export.overlay import Sheet
from linkview.export.readout_film import FilmKind, read_out_film
from linkview.export.readouts import STEERED, read_outs
from linkview.export.theatre import Theatre
from linkview.export.views import View
from linkview.kinematics.assemble import build_car
from linkview.kinematics.sweep import sweep_axle
from linkview.model.parts import Side
from linkview.model.read import read_file
from linkview.plates.profiles import named_profile
from linkview.scene.stage import AxlePose, stage_of
from linkview.scene.story import Path, poses_along, story_of
from linkview.study import study_without_gaps

TITLES = Titles("Workshop demo coupe (invented)", "planned")
SIZE = (1024, 640)
EVERY = 10


def short(story, shown):
    """A few frames of the same story, solved afresh."""
    travel = {side: t[::EVERY] for side, t in story.path.travel_mm.items()}
    path = Path(story.path.rack_mm[::EVERY], travel)
    return replace(story, path=path, poses=poses_along(shown, path))


@pytest.fixture(scope="module")
def car():
    return build_car(read_file(demo_file()), "planned")


@pytest.fixture(scope="module")
def study(car):
    return study_without_gaps(car, named_profile("water_jet"), lambda what, done, count: None)


@pytest.fixture(scope="module", params=["front", "rear"])
def told(request, car, study):
    """An axle's name, its short story, and what is read out of it."""
    story = short(story_of(axle(request.param)), axle(request.param))
    figures = read_outs(study.axles[request.param], car, story.poses, pairs=(), most=4)
    return request.param, story, figures


def film(folder, told, kind=FilmKind.MP4, size=SIZE, view=View.CORNER):
    name, story, figures = told
    stage = stage_of(axle(name), plates=plates_of(axle(name)))
    return read_out_film(
        folder, name, stage, story, figures, TITLES, view=view, size=size, kind=kind,
        progress=lambda done, count: None,
    )  # fmt: skip


def test_every_figure_is_that_of_the_frames_own_pose(told, car):
    # Answered twice: here each frame alone, as a sweep of one pose; there many at once.
    name, story, figures = told
    assert len(figures.gaps) == 4
    for k in range(0, len(story.path), 4):
        for s, side in enumerate(Side):
            at = np.array([story.path.rack_mm[k]]), np.array([story.path.travel_mm[side][k]])
            sweep = sweep_axle(axle(name), *at)
            found = align(sweep, car).corners[s]
            for row in figures.alignment:
                alone = getattr(found, row.quantity.name)[0, 0]
                assert row.values[k, s] == pytest.approx(alone, abs=1e-6, nan_ok=True)
            corner = sweep.corners[s]
            solids = solids_of(corner.corner.bodies)
            poses = {part: m[0] for part, m in corner.poses.items()}
            for row in figures.gaps:
                if not set(row.pair) <= set(solids):
                    continue  # a plate
                gap = pair_gap(*(solids[n] for n in row.pair), poses)
                assert row.sides[side].state[k] == gap.state[0]
                if gap.state[0] == GapState.MEASURED:
                    # 0.005 mm: how far a found distance may lie above the least one
                    assert row.sides[side].gap_mm[k] == pytest.approx(gap.gap_mm[0], abs=0.006)


def test_contact_and_the_unknown_are_never_a_number(told):
    _, _, figures = told
    row = figures.gaps[0]
    found = row.sides[Side.LEFT]
    state = found.state.copy()
    state[:3] = GapState.UNKNOWN, GapState.CONTACT, GapState.MEASURED
    gap = np.where(np.arange(len(state)) < 2, np.nan, 7.04)
    row = replace(row, sides={Side.LEFT: replace(found, state=state, gap_mm=gap)}, wanted_mm=10.0)
    assert [row.figure(Side.LEFT, k) for k in range(3)] == ["unknown", "touch", "7.0"]
    assert all(row.falls_short(Side.LEFT, k) for k in range(3))
    assert not replace(row, wanted_mm=5.0).falls_short(Side.LEFT, 2)


def test_chosen_pairs_are_read_out_and_a_wrong_name_is_told(car, study):
    story = short(story_of(axle("front")), axle("front"))
    of = study.axles["front"]
    figures = read_outs(of, car, story.poses[:2], pairs=[("tie_rod", "tyre")], most=5)
    assert [set(row.pair) for row in figures.gaps] == [{"tyre", "tie_rod"}]
    assert [row.quantity.name for row in figures.alignment] == list(STEERED)
    with pytest.raises(UnknownName, match=r"tyer.*tyre"):
        read_outs(of, car, story.poses[:2], pairs=[("tyer", "tie_rod")], most=5)


def played(path, size=SIZE):
    command = [imageio_ffmpeg.get_ffmpeg_exe(), "-i", str(path), "-f", "rawvideo"]
    raw = subprocess.run([*command, "-pix_fmt", "rgb24", "-"], capture_output=True, check=True)
    return np.frombuffer(raw.stdout, np.uint8).reshape(-1, size[1], size[0], 3)


@pytest.mark.gl
def test_the_films_frames_are_the_pictures_of_the_same_poses(told, tmp_path):
    name, story, _ = told
    made = film(tmp_path, told)
    frames = played(tmp_path / made.names[0])
    assert len(frames) == made.frames == len(story.path)
    shown = slice(0, int(made.panel[0]))
    off = np.zeros((len(frames), len(frames)))
    stage = stage_of(axle(name), plates=plates_of(axle(name)))
    with Theatre(stage, SIZE) as theatre:
        theatre.look(made.camera)
        for k in range(len(frames)):
            at = np.array([story.path.rack_mm[k]])
            sides = [
                sweep_axle(axle(name), at, np.array([story.path.travel_mm[side][k]])).corners[s]
                for s, side in enumerate(Side)
            ]
            here = {c.corner.side: {p: m[0, 0] for p, m in c.poses.items()} for c in sides}
            theatre.place(stage.placings(AxlePose(here, float(at[0]), {})))
            shot = softened(theatre.shoot())[:, shown].astype(float)
            off[k] = np.abs(frames[:, :, shown] - shot).mean(axis=(1, 2, 3))
    # 3 of 255 leaves room for the ringed numbers and the film's compression.
    assert np.diag(off).max() < 3.0
    for k, row in enumerate(off):  # no other frame is nearer, but one of the very same pose
        assert row[k] <= row.min() + 0.2
    assert np.median(off) > 2.0 * np.median(np.diag(off))


@pytest.mark.gl
def test_frames_and_gif_hold_the_same_pictures_and_the_figures_are_written(told, tmp_path):
    name, story, figures = told
    few = name, replace(story, poses=story.poses[:5]), figures
    written = []
    with pytest.MonkeyPatch.context() as patch:
        plain = Sheet.texts
        patch.setattr(Sheet, "texts", lambda s, ls: (written.extend(ls), plain(s, ls))[1])
        made = film(tmp_path, few, FilmKind.FRAMES, size=(720, 1000), view=View.TOP)
    assert made.names == tuple(f"{name}_frames/{k:04d}.png" for k in range(1, 6))
    words = [line[1] for line in written]
    for row in figures.gaps:
        for side in Side:
            assert words.count(row.figure(side, 3)) >= 1
    assert any("no contact found is not safe" in w for w in words)
    for at, text, *_ in written:
        assert 0.0 <= at[0] <= 720.0, text
        assert 0.0 <= at[1] <= 1000.0 - 12.0, text
    with Image.open(tmp_path / made.names[0]) as still:
        assert still.size == (720, 1000)
    film(tmp_path, few, FilmKind.GIF)
    with Image.open(tmp_path / f"{name}.gif") as gif:
        assert (gif.n_frames, gif.size) == (3, SIZE)


@pytest.mark.gl
def test_a_size_without_room_says_what_has(told, tmp_path):
    with pytest.raises(CannotWrite, match=r"640x480 leaves no room .* at least 910x\d+, or 430x"):
        film(tmp_path, told, size=(640, 480))
    with pytest.raises(CannotWrite, match="even sides"):
        film(tmp_path, told, size=(1025, 640))
    nothing = replace(told[1], poses=(None,) * len(told[1].poses))
    with pytest.raises(CannotWrite, match="no frame of the film is within reach"):
        film(tmp_path, (told[0], nothing, told[2]))
    assert list(tmp_path.iterdir()) == []


def test_the_film_command_refuses_a_folder_of_frames_that_is_there(tmp_path, capsys):
    (tmp_path / "front_readouts_frames").mkdir()
    asked = ["film", str(demo_file()), "--format", "frames", "--out", str(tmp_path)]
    assert main(asked) == 2
    assert "is there already" in capsys.readouterr().err
    assert main(["film", str(demo_file()), "--axle", "frnt", "--out", str(tmp_path)]) == 2
    assert "did you mean 'front'" in capsys.readouterr().err
