"""Pictures and films as files: what is on them, and where the labels are."""

from __future__ import annotations

import subprocess
from dataclasses import replace

import imageio_ffmpeg
import numpy as np
import pytest
from PIL import Image
from scene_cases import axle, plates_of

from linkview.errors import CannotWrite
from linkview.export.captions import CAUTION, Titles, caption_of
from linkview.export.encode import softened
from linkview.export.films import GhostCast, film_of
from linkview.export.lettering import Lettered, find_anchors, frame_of
from linkview.export.overlay import Label, Sheet, label_size, signed, wrapped
from linkview.export.pictures import Ghost, axle_camera, gap_picture_of, picture_of
from linkview.export.theatre import Theatre
from linkview.geometry import apply, length
from linkview.kinematics.sweep import sweep_axle
from linkview.model.parts import Side
from linkview.scene.colours import Paint
from linkview.scene.gap_view import DrawnGap
from linkview.scene.labels import overlapping
from linkview.scene.stage import ghost_stage, pose_of, stage_of
from linkview.scene.story import FRAMES_PER_S, Path, Story, poses_along, story_of

SIZE = (1280, 720)
STILL = np.zeros(1)
TITLES = Titles("Workshop demo coupe (invented)", "planned")
NAMES = {
    "front": {"tyre", "rim", "knuckle", "lower arm beam", "front leg", "tie rod", "strut tube",
              "spring", "frame rail", "arch front", "arch rear", "wheel well", "arch lip", "rack",
              "top mount plate", "bearing carrier", "arm plate", "hose bracket", "hub spacer"},
    "rear": {"tyre", "rim", "knuckle", "driveshaft", "inner boot", "lower lateral",
             "lower lateral eye", "lower front", "toe link", "upper rear", "upper front", "damper",
             "spring", "subframe tube", "lower link ear", "tube gusset", "front pick up side",
             "front pick up bridge", "caliper plate", "strap tab"},
}  # fmt: skip


def pose(name: str, rack: float = 0.0, travel: float = 0.0, variant: str = "planned"):
    return pose_of(sweep_axle(axle(name, variant), np.array([rack]), np.array([travel])), 0, 0)


def read(path) -> np.ndarray:
    with Image.open(path) as image:
        return np.array(image.convert("RGB"))


def played(path) -> tuple[np.ndarray, str]:
    """A film's frames (n, height, width, 3) and what the decoder says of it."""
    command = [imageio_ffmpeg.get_ffmpeg_exe(), "-hide_banner", "-i", str(path)]
    raw = [*command, "-f", "rawvideo", "-pix_fmt", "rgb24", "-"]
    done = subprocess.run(raw, capture_output=True, check=True)
    return np.frombuffer(done.stdout, np.uint8).reshape(-1, 720, 1280, 3), done.stderr.decode()


def check_labels(shown: Lettered) -> None:
    """No box over another or a taken one, all inside the frame, wide enough for their words."""
    boxes = shown.boxes[np.isfinite(shown.boxes[:, 0])]
    assert overlapping(np.concatenate([boxes, np.array(shown.taken)])) == []
    left, top, right, bottom = frame_of(SIZE)
    assert (boxes[:, :2] >= [left, top]).all()
    assert (boxes[:, 2:] <= [right, bottom]).all()
    for label, box in zip(shown.labels, shown.boxes, strict=True):
        if np.isfinite(box[0]):
            assert box[2:] - box[:2] == pytest.approx(label_size(label), abs=1.0)


# --- lettering, without a window --------------------------------------------------------------


def test_a_strokes_ink_is_its_length_times_its_width():
    sheet = Sheet(np.zeros((60, 200, 3), np.uint8))
    sheet.stroke(np.array([20.0, 15.0]), np.array([180.0, 45.0]), 6.0, (255, 255, 255))
    # A stadium: length x width + pi/4 width^2; edges are blended over one pixel.
    area = np.hypot(160.0, 30.0) * 6.0 + np.pi / 4.0 * 36.0
    assert sheet.pixels[..., 0].sum() / 255.0 == pytest.approx(area, rel=0.02)
    outside = Sheet(np.zeros((60, 200, 3), np.uint8))
    outside.stroke(np.array([500.0, 15.0]), np.array([700.0, 45.0]), 6.0, (255, 255, 255))
    assert not outside.pixels.any()


def test_a_labels_plate_holds_its_words_and_its_colour():
    label = Label("lower arm beam", Paint.ARM)
    width, height = label_size(label)
    sheet = Sheet(np.full((height + 40, width + 40, 3), 128, np.uint8))
    sheet.label(label, np.array([20.0, 20.0, 20.0 + width, 20.0 + height]))
    dark = np.argwhere(sheet.pixels.max(axis=2) < 60)  # letters
    assert dark[:, 1].min() > 20 + 9
    assert dark[:, 1].max() < 20 + width - 4
    assert (np.abs(sheet.pixels.astype(int) - Paint.ARM.rgb).max(axis=2) < 6).sum() > 18
    assert (sheet.pixels[:17] == 128).all()


@pytest.mark.parametrize(
    ("value", "shown"), [(-0.04, "0.0"), (0.0, "0.0"), (2.26, "+2.3"), (-7, "-7.0")]
)
def test_numbers_carry_their_sign_but_zero_has_none(value, shown):
    assert signed(value, 1) == shown


def test_notes_are_wrapped_to_the_room_they_have():
    rows = wrapped(f"{CAUTION} {CAUTION}", 13, 300.0)
    assert len(rows) > 2
    assert " ".join(rows) == f"{CAUTION} {CAUTION}"


def test_the_caption_says_pose_hold_and_caution():
    front = axle("front")
    caption = caption_of(front, pose("front", 40.0, -20.0), TITLES)
    assert caption.title == "Workshop demo coupe (invented)"
    assert caption.subtitle == "front axle - planned"
    assert caption.pose == "turned right, 20 mm droop"
    assert caption.notes == ("wheel-centre height held while steering", CAUTION)
    assert [g.value for g in caption.gauges] == [40.0, -20.0]
    at_rest = {r.name: r.value for r in caption_of(front, pose("front"), TITLES).readings}
    # What the file asks for: camber -4, toe 0.
    assert at_rest == {
        "steer L": "0.0°",
        "camber L": "-4.00°",
        "steer R": "0.0°",
        "camber R": "-4.00°",
    }
    rear = {r.name: r.value for r in caption_of(axle("rear"), pose("rear"), TITLES).readings}
    assert rear == {
        "toe-in L": "+0.15°",
        "camber L": "-1.50°",
        "toe-in R": "+0.15°",
        "camber R": "-1.50°",
    }


def test_softening_blends_steps_and_leaves_flat_areas_alone():
    picture = np.zeros((40, 40, 3), np.uint8)
    picture[np.tri(40, dtype=bool)] = 200
    soft = softened(picture)
    far = np.abs(np.subtract.outer(np.arange(40), np.arange(40))) > 2
    assert np.array_equal(soft[far], picture[far])
    assert 40 < soft[20, 20, 0] < 200
    assert soft[20, 21, 0] > 0


# --- the window -------------------------------------------------------------------------------


@pytest.fixture(scope="module", params=["front", "rear"])
def ride_height(request, tmp_path_factory):
    """Axle name, stage, and its picture at ride height."""
    name = request.param
    stage = stage_of(axle(name), plates=plates_of(axle(name)))
    path = tmp_path_factory.mktemp(name) / "ride_height.png"
    return name, stage, picture_of(path, stage, pose(name), TITLES)


@pytest.mark.gl
def test_every_body_is_named_and_no_label_overlaps_at_ride_height(ride_height):
    name, _, shown = ride_height
    assert shown.left_out == ()
    # What sits inside the near wheel may be out of sight; everything else is named.
    inside = NAMES[name] & {"knuckle", "hub spacer"}
    assert {label.text for label in shown.labels} | inside == NAMES[name]
    check_labels(shown)


@pytest.mark.gl
def test_the_picture_at_ride_height_is_not_blank(ride_height):
    picture = read(ride_height[2].path)
    assert picture.shape == (720, 1280, 3)
    middle = picture[100:600, 100:1180]
    assert (middle.max(axis=2) < 70).mean() > 0.04  # tyres
    assert len(np.unique(middle.reshape(-1, 3), axis=0)) > 5_000


@pytest.mark.gl
def test_parts_show_in_their_colour_where_the_camera_says_they_are(ride_height):
    name, stage, _ = ride_height
    placings = stage.placings(pose(name))
    camera = axle_camera(stage, [placings], SIZE)
    with Theatre(stage, SIZE) as theatre:
        theatre.place(placings)
        theatre.look(camera)
        picture = theatre.shoot().astype(float)
        found = {
            label.text: (label, p) for label, p in find_anchors(stage, theatre, placings, camera)
        }
    wanted = {"front": ("tie rod", "lower arm beam", "spring", "top mount plate"),
              "rear": ("driveshaft", "upper front", "lower lateral", "spring")}[name]  # fmt: skip
    for text in wanted:
        label, pointer = found[text]
        x, y = np.round(camera.pixels(pointer.place(placings))).astype(int)
        near = picture[y - 3 : y + 4, x - 3 : x + 4].reshape(-1, 3)
        paint = np.array(label.paint.rgb, dtype=float)
        # Light changes a colour's strength, not its direction from black.
        alike = near @ paint / (length(near) + 1e-9) / length(paint)
        assert alike.max() > 0.985, text


@pytest.mark.gl
def test_the_window_sees_a_place_where_the_camera_says(ride_height):
    # The drawing library's own projection against ours.
    name, stage, _ = ride_height
    placings = stage.placings(pose(name))
    camera = axle_camera(stage, [placings], SIZE)
    with Theatre(stage, SIZE) as theatre:
        theatre.place(placings)
        theatre.look(camera)
        theatre.shoot()
        renderer = theatre._plotter.renderer
        for at in axle(name).left.points.values():
            renderer.SetWorldPoint(*at, 1.0)
            renderer.WorldToDisplay()
            x, y, _ = renderer.GetDisplayPoint()
            assert camera.pixels(at) == pytest.approx([x, SIZE[1] - y], abs=0.05)


@pytest.mark.gl
def test_actors_carry_the_solvers_poses_and_a_second_picture_is_a_new_one():
    front = axle("front")
    sweep = sweep_axle(front, np.array([0.0, 55.0]), np.array([0.0, 40.0]))
    stage = stage_of(front)
    with Theatre(stage, SIZE) as theatre:
        first = stage.placings(pose_of(sweep, 0, 0))
        theatre.look(axle_camera(stage, [first], SIZE))
        theatre.place(first)
        before = theatre.shoot()
        again = theatre.shoot()
        theatre.place(stage.placings(pose_of(sweep, 1, 1)))
        after = theatre.shoot()
        for k, prop in enumerate(stage.props):
            if "tie_rod" in prop.pieces and prop.side is Side.LEFT:
                for actor in theatre.actors[k]:
                    assert np.array_equal(actor.user_matrix, sweep.left.poses["tie_rod"][1, 1])
                    assert np.array_equal(
                        np.array(actor.GetMatrix().GetData()).reshape(4, 4),
                        sweep.left.poses["tie_rod"][1, 1],
                    )
    assert np.array_equal(before, again)
    assert (before != after).any(axis=2).mean() > 0.05


@pytest.mark.gl
@pytest.mark.parametrize("ride_height", ["front"], indirect=True)
def test_the_ghost_is_pale_and_only_where_the_old_state_is(tmp_path, ride_height):
    _, stage, plain = ride_height
    pale = ghost_stage(axle("front", "as_found"))
    ghost = Ghost(pale, pose("front", variant="as_found"))
    shown = picture_of(tmp_path / "ghost.png", stage, pose("front"), TITLES, ghost=ghost)
    assert np.array_equal(shown.boxes, plain.boxes)
    bare, both = (read(p).astype(int)[90:610] for p in (plain.path, shown.path))
    changed = np.abs(bare - both).max(axis=2) > 8  # ambient shade has a grain of its own
    assert 0.003 < changed.mean() < 0.06
    toward_blue = (both - bare)[changed] @ [-1, 0, 1]
    assert (toward_blue > 0).mean() > 0.9
    # The old tyres stand 13 mm further in: nothing changes outboard of the near tyre's face.
    assert not changed[:, 1100:].any()


# --- the worst gap ----------------------------------------------------------------------------


def a_gap(gap_mm: float) -> DrawnGap:
    """From the left tyre's rear to the arch, at rack -60 and travel 20; as far as it really is."""
    front, at = axle("front"), pose("front", -60.0, 20.0)
    stage = stage_of(front)
    placings = stage.placings(at)
    for k, prop in enumerate(stage.props):
        if "tyre" in prop.pieces and prop.side is Side.LEFT:
            start, end = prop.pieces["tyre"]
            points = apply(placings[k], prop.mesh.points[start:end])
            near = points[np.argmin(points[:, 0])]
    wall = np.array([-414.0, near[1], near[2]])
    return DrawnGap(Side.LEFT, ("tyre", "arch_rear"), near, wall, gap_mm)


@pytest.mark.gl
def test_the_gap_is_drawn_labelled_and_in_sight(tmp_path):
    gap = a_gap(0.0)
    gap = replace(gap, gap_mm=float(length(gap.on_a - gap.on_b)))
    path = tmp_path / "gap.png"
    titles = replace(TITLES, ghost="as found")
    shown = gap_picture_of(path, axle("front"), pose("front", -60.0, 20.0), gap, titles)
    texts = [label.text for label in shown.labels]
    assert texts == [f"tyre to arch rear {gap.gap_mm:.1f} mm", "tyre", "arch rear"]
    assert shown.left_out == ()
    check_labels(shown)
    picture = read(path).astype(int)
    x, y = np.round(shown.anchors[0]).astype(int)
    # The line and its dots in amber, as wide as the picture's scale makes the gap.
    amber = (np.abs(picture - Paint.STEERING.rgb).max(axis=2) < 12)[
        y - 130 : y + 130, x - 130 : x + 130
    ]
    assert amber.sum() > 120
    stripes = np.abs(picture - Paint.WARNING.rgb).max(axis=2) < 40
    assert stripes.mean() > 0.01


@pytest.mark.gl
def test_a_contact_is_called_one_and_no_distance_is_drawn(tmp_path):
    path = tmp_path / "touch.png"
    shown = gap_picture_of(path, axle("front"), pose("front", -60.0, 20.0), a_gap(-1.0), TITLES)
    assert shown.labels[0].text == "tyre touches arch rear"
    check_labels(shown)


# --- films --------------------------------------------------------------------------------------


def every(story: Story, step: int) -> Story:
    """A shorter film of the same story."""
    path = Path(
        story.path.rack_mm[::step], {side: t[::step] for side, t in story.path.travel_mm.items()}
    )
    return replace(story, path=path, poses=story.poses[::step])


@pytest.fixture(scope="module", params=["front", "rear"])
def film(request, tmp_path_factory):
    """Every fourth frame of the axle's film, the front with its ghost."""
    name = request.param
    shown = axle(name)
    story = every(story_of(shown), 4)
    ghost = None
    if name == "front":
        old = axle(name, "as_found")
        ghost = GhostCast(ghost_stage(old), poses_along(old, story.path))
    folder = tmp_path_factory.mktemp(name)
    stage = stage_of(shown, plates=plates_of(shown))
    heard: list[tuple[int, int]] = []
    filmed = film_of(
        folder / "a.mp4", folder / "a.gif", stage, story, TITLES, ghost=ghost,
        progress=lambda done, count: heard.append((done, count)),
    )  # fmt: skip
    return name, story, filmed, heard


@pytest.mark.gl
def test_the_film_reads_back_with_every_frame_at_full_size(film):
    _, story, filmed, heard = film
    frames, told = played(filmed.mp4)
    assert frames.shape == (len(story.path), 720, 1280, 3)
    assert filmed.frames == len(story.path)
    assert heard[-1] == (len(story.path), len(story.path))
    stream = next(line for line in told.splitlines() if "Video: h264" in line)
    assert "yuv420p" in stream  # the form every phone plays
    assert f"{FRAMES_PER_S} fps" in stream
    assert "1280x720" in stream
    assert (np.abs(frames[0].astype(int) - frames[len(frames) // 5]) > 40).mean() > 0.01
    raw = filmed.mp4.read_bytes()
    assert raw.index(b"moov") < raw.index(b"mdat")  # plays before it is all there


@pytest.mark.gl
def test_labels_of_the_film_never_overlap(film):
    # Stricter than every tenth frame of the whole film: every frame of a quarter of it.
    _, _, filmed, _ = film
    assert len(filmed.lettering) == filmed.frames
    for shown in filmed.lettering:
        check_labels(shown)
        assert np.array_equal(shown.boxes, filmed.lettering[0].boxes, equal_nan=True)
    assert np.isfinite(filmed.lettering[0].boxes[:, 0]).sum() >= 8


@pytest.mark.gl
def test_leaders_follow_the_parts(film):
    _, _, filmed, _ = film
    k = [label.text for label in filmed.lettering[0].labels].index("tyre")
    tracks = np.array([shown.anchors[k] for shown in filmed.lettering])
    assert np.ptp(tracks, axis=0).max() > 15.0


@pytest.mark.gl
def test_the_gif_is_small_and_has_every_second_frame(film):
    _, story, filmed, _ = film
    assert filmed.gif.stat().st_size < 4_000_000 / 4  # a quarter of the film here
    with Image.open(filmed.gif) as gif:
        assert gif.size == (640, 360)
        assert gif.n_frames == (len(story.path) + 1) // 2
        assert gif.info["loop"] == 0
        assert gif.info["duration"] == 100
        gif.seek(3)
        colours = np.array(gif.convert("RGB")).reshape(-1, 3).astype(int)
    paint = Paint.STEERING if film[0] == "front" else Paint.UPPER_LINK
    assert (np.abs(colours - paint.rgb).max(axis=1) < 60).sum() > 20


@pytest.mark.gl
def test_frames_out_of_reach_are_left_out_and_counted(tmp_path):
    front = axle("front")
    story = every(story_of(front), 20)
    gone = replace(story, poses=(*story.poses[:2], None, *story.poses[3:]))
    filmed = film_of(tmp_path / "a.mp4", tmp_path / "a.gif", stage_of(front), gone, TITLES)
    assert filmed.left_out == 1
    assert filmed.frames == len(story.path) - 1
    assert len(played(filmed.mp4)[0]) == len(story.path) - 1
    assert filmed.notes == ("1 frame left out: a corner is out of reach there",)
    nothing = replace(story, poses=(None,) * len(story.path))
    with pytest.raises(CannotWrite, match="no frame of the film is within reach"):
        film_of(tmp_path / "b.mp4", tmp_path / "b.gif", stage_of(front), nothing, TITLES)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.gif", "a.mp4"]


@pytest.mark.gl
def test_a_film_that_is_interrupted_leaves_nothing_behind(tmp_path):
    front = axle("front")
    story = every(story_of(front), 20)

    def stop(done: int, count: int) -> None:
        if done == 3:
            raise KeyboardInterrupt

    stage = stage_of(front)
    with pytest.raises(KeyboardInterrupt):
        film_of(tmp_path / "a.mp4", tmp_path / "a.gif", stage, story, TITLES, progress=stop)
    assert list(tmp_path.iterdir()) == []
    with pytest.raises(CannotWrite, match="there is no folder"):
        film_of(tmp_path / "no" / "a.mp4", tmp_path / "a.gif", stage, story, TITLES)


@pytest.mark.gl
def test_what_stands_before_the_eye_is_covered():
    front = axle("front")
    stage = stage_of(front)
    placings = stage.placings(pose("front"))
    camera = axle_camera(stage, [placings], SIZE)
    with Theatre(stage, SIZE) as theatre:
        theatre.place(placings)
        theatre.look(camera)
        theatre.shoot()
        covered = theatre.covered()
    x, y = camera.pixels(front.left.points["wheel_centre"]).astype(int)
    assert covered[y, x]
    assert not covered[30:60, 1200:].any()
    assert 0.05 < covered.mean() < 0.6
