"""Shapes, stage, camera, labels and colours: everything of a picture that needs no window."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations, pairwise

import numpy as np
import pytest
import trimesh
from conftest import axle_of, front_corner
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scene_cases import axle, demo, plates_of

from linkview.errors import LinkageLocked
from linkview.geometry import apply, inverse, length, mirrored, rigid, rotation_from_vector
from linkview.kinematics.sweep import pose_at, sweep_axle
from linkview.model.bodies import Anchor, Tube
from linkview.model.layouts import BODY
from linkview.model.parts import Side
from linkview.scene.camera import fitted
from linkview.scene.colours import TOLD_APART, Paint
from linkview.scene.gap_view import DrawnGap, gap_camera
from linkview.scene.labels import leader_start, overlapping, place_labels
from linkview.scene.primitives import block, capsule, cylinder, ring
from linkview.scene.riding import Ride, Span, standing_at
from linkview.scene.shapes import axle_pieces, plate_mesh
from linkview.scene.stage import ghost_stage, pose_of, stage_of
from linkview.scene.story import poses_along, story_of
from linkview.scene.wheel_shapes import tyre

AXLES = ("front", "rear")
STILL = np.zeros(1)


def trimesh_of(mesh) -> trimesh.Trimesh:
    """Welded, so that creases split for lighting are one surface again."""
    out = trimesh.Trimesh(mesh.points, mesh.regular_faces, process=True)
    out.merge_vertices(merge_norm=True, digits_vertex=4)
    return out


# --- colours ---------------------------------------------------------------------------------

# Colour-blindness at full strength: Machado, Oliveira and Fernandes, "A Physiologically-based
# Model for Simulation of Color Vision Deficiency", IEEE TVCG 15(6), 2009, table for severity 1.0;
# acts on linear RGB. From memory.
SEEN_BY = {
    "common sight": np.eye(3),
    "protanopia": [
        [0.152286, 1.052583, -0.204868],
        [0.114503, 0.786281, 0.099216],
        [-0.003882, -0.048116, 1.051998],
    ],
    "deuteranopia": [
        [0.367322, 0.860646, -0.227968],
        [0.280085, 0.672501, 0.047413],
        [-0.011820, 0.042940, 0.968881],
    ],
    "tritanopia": [
        [1.255528, -0.076749, -0.178779],
        [-0.078411, 0.930809, 0.147602],
        [0.004733, 0.691367, 0.303900],
    ],
}


def lab(rgb: np.ndarray, sight: np.ndarray) -> np.ndarray:
    """CIE L*a*b* (D65, IEC 61966-2-1 sRGB) of 8-bit colours (n, 3) as this sight sees them."""
    c = rgb / 255.0
    linear = np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4)
    linear = np.clip(linear @ np.asarray(sight).T, 0.0, 1.0)
    to_xyz = np.array(
        [[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]
    )
    t = linear @ to_xyz.T / [0.95047, 1.0, 1.08883]
    f = np.where(t > (6 / 29) ** 3, np.cbrt(t), t / (3 * (6 / 29) ** 2) + 4 / 29)
    return np.stack([116 * f[:, 1] - 16, 500 * (f[:, 0] - f[:, 1]), 200 * (f[:, 1] - f[:, 2])], -1)


def test_the_lab_formula_gives_the_published_values_of_pure_red():
    # sRGB red is L 53.24, a 80.09, b 67.20 (D65; widely tabulated, from memory).
    assert lab(np.array([[255, 0, 0]]), np.eye(3))[0] == pytest.approx(
        [53.24, 80.09, 67.20], abs=0.1
    )


@pytest.mark.parametrize("sight", SEEN_BY)
def test_paints_that_tell_parts_apart_stay_apart_for_colour_blind_eyes(sight):
    # 16 in L*a*b* is about seven just-noticeable differences of 2.3.
    seen = lab(np.array([p.rgb for p in TOLD_APART]), SEEN_BY[sight])
    near = min(
        (float(length(seen[i] - seen[j])), TOLD_APART[i].name, TOLD_APART[j].name)
        for i, j in combinations(range(len(TOLD_APART)), 2)
    )
    assert near[0] > 16.0, near


# --- shapes ----------------------------------------------------------------------------------


def test_turned_solids_have_the_textbook_volume():
    # pi r^2 h + 4/3 pi r^3; pi (R^2 - r^2) h. An n-gon takes sin(x)/x of the circle, x = 2 pi / n.
    a, b = np.array([10.0, -20.0, 5.0]), np.array([110.0, 60.0, 95.0])
    h, r = float(length(b - a)), 17.0
    chord = np.sin(2 * np.pi / 28) / (2 * np.pi / 28)
    volume = trimesh_of(capsule(a, b, r)).volume
    assert volume == pytest.approx(chord * (np.pi * r**2 * h + 4 / 3 * np.pi * r**3), rel=0.004)
    flat = trimesh_of(cylinder(a, b, r)).volume
    assert flat == pytest.approx(np.pi * r**2 * h, rel=0.01)
    hollow = trimesh_of(ring(a, b - a, inner=10.0, outer=30.0, half_width=6.0)).volume
    assert hollow == pytest.approx(np.pi * (30**2 - 10**2) * 12.0, rel=0.03)
    box = trimesh_of(block(np.array([0.0, 1, 2]), np.array([10.0, 6, 4]))).volume
    assert box == pytest.approx(100.0)


@pytest.mark.parametrize("name", AXLES)
def test_every_drawn_solid_is_closed_and_faces_outward(name):
    open_ones = {"wheel_well", "arch_lip"}  # imported skins
    for pieces in axle_pieces(axle(name), plates_of(axle(name))).values():
        for piece in pieces:
            if piece.name not in open_ones:
                solid = trimesh_of(piece.mesh)
                assert solid.is_watertight, piece.name
                assert solid.volume > 0.0, piece.name


@pytest.mark.parametrize("name", AXLES)
def test_tubes_are_drawn_exactly_as_they_are_measured(name):
    corner = axle(name).left
    drawn = {p.name: p for p in axle_pieces(axle(name))[Side.LEFT] if p.measured}
    for body in corner.bodies:
        assert body.name in drawn
        if not isinstance(body, Tube):
            continue
        line = np.array([anchor.at for anchor in body.through])
        points = drawn[body.name].mesh.points
        off = np.min([distance_to(points, p, q) for p, q in pairwise(line)], axis=0)
        # Single precision on coordinates of 2.8 m: 2e-4 mm. A coil lies inside its tube.
        assert off.max() == pytest.approx(body.radius_mm, abs=2e-3), body.name


def distance_to(points: np.ndarray, a: np.ndarray, b: np.ndarray) -> np.ndarray:
    t = np.clip((points - a) @ (b - a) / ((b - a) @ (b - a)), 0.0, 1.0)
    return length(points - a - t[:, None] * (b - a))


def test_the_tyre_keeps_its_measured_section_but_for_its_grooves():
    corner = axle("front").left
    wheel, outboard = corner.wheel, corner.wheel.spin_axis
    away = np.asarray(tyre(wheel, outboard).points, dtype=float) - wheel.centre
    along = away @ outboard
    radius = length(away - along[:, None] * outboard)
    t = wheel.tyre
    # Signed distance to a rounded rectangle; positive outside.
    half = np.array([t.half_width_mm, (t.outer_radius_mm - t.inner_radius_mm) / 2.0])
    middle = (t.outer_radius_mm + t.inner_radius_mm) / 2.0
    q = np.abs(np.stack([along, radius - middle], -1)) - (half - t.shoulder_radius_mm)
    out = length(np.maximum(q, 0.0)) + np.minimum(q.max(axis=1), 0.0) - t.shoulder_radius_mm
    assert out.max() < 1e-3
    assert np.sum(out > -1e-3) > 0.6 * len(out)
    assert radius.max() == pytest.approx(317.0, abs=1e-3)


def test_the_right_side_is_the_mirror_of_a_symmetric_axle():
    left, right = (axle_pieces(axle("rear"))[side] for side in (Side.LEFT, Side.RIGHT))
    for a, b in zip(left, right, strict=True):
        assert (b.name, b.paint) == (a.name, a.paint)
        if a.paint is Paint.SPRING:
            continue  # coils are wound the same way on both sides
        x0, x1, y0, y1, z0, z1 = a.mesh.bounds
        # A turned solid's polygon may stand otherwise round its axis: its chords' depth.
        assert b.mesh.bounds == pytest.approx((x0, x1, -y1, -y0, z0, z1), abs=0.6), a.name


def test_a_plate_is_drawn_with_its_exact_metal_where_it_stands():
    rear = axle("rear")
    ear = next(p for p in plates_of(rear)[Side.LEFT] if p.name == "lower_link_ear")
    solid = trimesh_of(plate_mesh(ear))
    assert solid.is_watertight
    metal = ear.net_area_mm2 * ear.thickness_mm * len(ear.stands)
    assert solid.volume == pytest.approx(metal, rel=0.01)  # arcs as chords within 0.2 mm
    for stand in ear.stands:
        middle = apply(stand, [*ear.holes[0].centre, 0.0])
        near = length(solid.vertices - middle).min()
        # The hole is open: the nearest metal is its wall, half a thickness up.
        assert near == pytest.approx(np.hypot(ear.holes[0].diameter_mm / 2.0, 3.0), abs=0.02)


def test_slots_one_above_the_other_do_not_run_together():
    # Found on the demo's top-mount plate: the triangulator joined two slots in line.
    found = plates_of(axle("front"))[Side.LEFT]
    plate = next(p for p in found if p.name == "top_mount_plate")
    solid = trimesh_of(plate_mesh(plate))
    assert solid.is_watertight
    assert solid.volume == pytest.approx(plate.net_area_mm2 * plate.thickness_mm, rel=0.01)
    # Euler: 2 - 2 x the number of holes through it.
    assert solid.euler_number == 2 - 2 * len(plate.inner_loops)


# --- what moves it -----------------------------------------------------------------------------


@given(st.lists(st.floats(-1, 1), min_size=12, max_size=12))
def test_a_span_keeps_both_its_ends_on_their_parts(numbers):
    one, two = (
        rigid(rotation_from_vector(np.array(n[:3])), 40.0 * np.array(n[3:]))
        for n in (numbers[:6], numbers[6:])
    )
    a, b = np.array([10.0, 200.0, 30.0]), np.array([-90.0, 500.0, 330.0])
    move = Span(Anchor("one", a), Anchor("two", b)).at({"one": one, "two": two})
    assert apply(move, a) == pytest.approx(apply(one, a), abs=1e-9)
    assert apply(move, b) == pytest.approx(apply(two, b), abs=1e-9)
    # Round it nothing is scaled: a ring square to the line keeps its size.
    side = np.cross(b - a, [1.0, 0.0, 0.0])
    side /= length(side)
    assert length(move[:3, :3] @ side) == pytest.approx(1.0, abs=1e-9)


@pytest.mark.parametrize("name", AXLES)
def test_props_stand_where_the_solver_put_their_parts(name):
    rack = np.array([0.0, 40.0]) if name == "front" else STILL
    sweep = sweep_axle(axle(name), rack, np.array([-30.0, 0.0, 25.0]))
    stage = stage_of(axle(name), plates=plates_of(axle(name)))
    i = len(rack) - 1
    placings = stage.placings(pose_of(sweep, i, 2))
    corners = dict(zip((Side.LEFT, Side.RIGHT), sweep.corners, strict=True))
    rides = 0
    for prop, placing in zip(stage.props, placings, strict=True):
        if isinstance(prop.move, Ride):
            rides += 1
            assert np.array_equal(placing, corners[prop.side].pose(prop.move.part)[i, 2])
            assert prop.move.part != BODY or np.array_equal(placing, np.eye(4))
    assert rides > 15


def test_the_pad_stays_level_under_the_contact_centre():
    front = axle("front")
    sweep = sweep_axle(front, np.array([60.0]), np.array([30.0]))
    pose = pose_of(sweep, 0, 0)
    stage = stage_of(front)
    placings = stage.placings(pose)
    for corner in front.corners:
        (k,) = (
            k for k, p in enumerate(stage.props) if p.paint is Paint.PAD and p.side is corner.side
        )
        assert np.array_equal(placings[k][:3, :3], np.eye(3))
        top = np.asarray(stage.props[k].mesh.points)[:, 2].max() + placings[k][2, 3]
        assert top == pytest.approx(standing_at(corner, pose.corners[corner.side])[2], abs=0.6)


def test_a_pose_out_of_reach_is_refused_with_its_reason():
    trap = axle_of(front_corner, "front", symmetric=True)
    sweep = sweep_axle(trap, np.array([0.0, 140.0]), STILL)
    with pytest.raises(LinkageLocked, match=r"front left: .*tie rod"):
        pose_of(sweep, 1, 0)


def test_the_ghost_is_what_moves_and_nothing_of_the_shell():
    stage = ghost_stage(axle("front", "as_found"))
    assert {prop.paint for prop in stage.props} == {Paint.GHOST}
    names = {name for prop in stage.props for name in prop.pieces}
    assert {"tyre", "tie_rod", "lower_arm_beam", "spring"} <= names
    assert not names & {"frame_rail", "wheel_well", "arch_front"}


# --- the film's story --------------------------------------------------------------------------


@pytest.mark.parametrize("name", AXLES)
def test_every_frame_is_the_solvers_own_pose(name):
    shown = axle(name)
    story = story_of(shown)
    assert 5.0 <= len(story.path) / 20 <= 8.0  # seconds
    assert story.left_out == 0
    for k in range(0, len(story.path), 17):
        pose = story.poses[k]
        for corner in shown.corners:
            alone = pose_at(
                corner, story.path.rack_mm[k], story.path.travel_mm[corner.side][k], shown.hold
            )
            for part, move in pose.corners[corner.side].items():
                # Two solves of one pose: 1e-9 mm and its lever.
                assert move == pytest.approx(alone.poses[part][0, 0], abs=1e-6), (k, part)


def test_the_front_film_steers_left_then_right_then_travels_then_both():
    story = story_of(axle("front"))
    rack, travel = story.path.rack_mm, story.path.travel_mm[Side.LEFT]
    # The demo's rack is behind the axle: moved to the right (-) it steers left.
    left, right = int(np.argmin(rack)), int(np.argmax(rack))
    assert left < right
    assert (rack[left], rack[right]) == pytest.approx((-75.0, 75.0), abs=0.05)
    assert not travel[:right].any()
    bump, droop = int(np.argmax(travel)), int(np.argmin(travel))
    assert right < bump < droop
    assert (travel[bump], travel[droop]) == pytest.approx((60.0, -70.0), abs=0.05)
    both = (np.abs(rack) > 20) & (np.abs(travel) > 20)
    assert both.sum() > 8
    assert np.flatnonzero(both)[0] > droop
    assert (rack[-1], travel[-1]) == (0.0, 0.0)
    assert np.abs(np.diff(rack)).max() < 16.0  # eased: no jump between frames


def test_the_rear_film_travels_and_rolls():
    path = story_of(axle("rear")).path
    left, right = path.travel_mm[Side.LEFT], path.travel_mm[Side.RIGHT]
    assert (left.max(), left.min()) == pytest.approx((80.0, -110.0), abs=0.1)
    assert ((left > 40) & (right < -40)).any()
    assert ((left < -40) & (right > 40)).any()


def test_what_is_out_of_reach_is_left_out_of_the_film_and_said():
    long_rack = axle_of(front_corner, "front")
    far = replace(long_rack.left.rack, stop_mm=140.0)
    stretched = replace(
        long_rack,
        left=replace(long_rack.left, rack=far),
        right=replace(long_rack.right, rack=far),
    )
    story = story_of(stretched)
    assert story.rack.high < 140.0
    assert story.rack.low > -140.0
    assert "tie rod" in story.rack.why
    assert story.notes[0].startswith("rack shown from -")
    beyond = replace(story.path, rack_mm=np.full(len(story.path), 139.0))
    assert set(poses_along(stretched, beyond)) == {None}


# --- the camera ----------------------------------------------------------------------------------


@settings(max_examples=60)
@given(
    st.lists(st.tuples(*[st.floats(-900, 900)] * 3), min_size=4, max_size=12),
    st.tuples(st.floats(-1, 1), st.floats(-1, 1), st.floats(-0.8, 0.8)),
)
def test_a_fitted_camera_sees_everything_and_no_nearer_one_does(places, direction):
    places, direction = np.array(places), np.array(direction)
    assume(np.linalg.norm(direction[:2]) > 0.2)
    sight = direction / np.linalg.norm(direction)
    across = places - (places @ sight)[:, None] * sight
    assume(np.ptp(across, axis=0).max() > 50.0)  # places in one line of sight have no size
    frame = (40.0, 90.0, 1240.0, 610.0)
    camera = fitted(places, direction, size=(1280, 720), inside=frame, view_angle_deg=19.0)
    seen = camera.pixels(places)
    x0, y0, x1, y1 = frame
    low, high = seen.min(axis=0), seen.max(axis=0)
    assert (low > [x0 - 1e-3, y0 - 1e-3]).all()
    assert (high < [x1 + 1e-3, y1 + 1e-3]).all()
    touches = [high[0] - low[0] - (x1 - x0), high[1] - low[1] - (y1 - y0)]
    assert max(touches) == pytest.approx(0.0, abs=1e-3)  # one way it fills the frame


def test_a_camera_by_hand():
    # 2 m ahead of the origin, looking back: the car's left is to the picture's right.
    camera = fitted(
        np.array([[0.0, 100, 0], [0, -100, 0]]),
        np.array([1.0, 0, 0]),
        size=(1000, 500),
        inside=(0, 0, 1000, 500),
        view_angle_deg=2 * np.degrees(np.arctan(0.25)),
    )
    # Half a picture is 500 px = slope 0.5: 100 mm at 200 mm.
    assert camera.eye == pytest.approx([200.0, 0.0, 0.0], abs=1e-9)
    assert camera.pixels(np.array([0.0, 50.0, 25.0])) == pytest.approx([750.0, 125.0])
    assert camera.mm_per_pixel(np.zeros(3)) == pytest.approx(0.2)
    assert np.isnan(camera.pixels(np.array([300.0, 0.0, 0.0]))).all()


def test_the_gap_camera_looks_square_at_the_gap_and_past_its_bodies():
    front = axle("front")
    sweep = sweep_axle(front, np.array([-60.0]), np.array([20.0]))
    pose = pose_of(sweep, 0, 0)
    stage = stage_of(front)
    placings = stage.placings(pose)
    points = {}
    for name in ("tyre", "arch_rear"):
        k = next(k for k, p in enumerate(stage.props) if name in p.pieces and p.side is Side.LEFT)
        start, end = stage.props[k].pieces[name]
        points[name] = apply(placings[k], stage.props[k].mesh.points[start:end])
    tyre_points = points["tyre"]
    near = tyre_points[np.argmin(tyre_points[:, 0])]
    wall = np.array([-414.0, near[1], near[2]])
    gap = DrawnGap(Side.LEFT, ("tyre", "arch_rear"), near, wall, float(length(near - wall)))
    camera = gap_camera(stage, placings, gap, size=(1280, 720))
    line = (wall - near) / length(wall - near)
    assert abs(float(camera.look @ line)) < 0.5
    a, b = camera.pixels(np.array([near, wall]))
    assert length(a - b) > 20.0
    assert camera.pixels(gap.middle) == pytest.approx([640.0, 360.0], abs=1e-6)
    # Neither body stands between the eye and the middle of the gap.
    for k, prop in enumerate(stage.props):
        if set(prop.pieces) & {"tyre", "arch_rear"} and prop.side is Side.LEFT:
            back = inverse(placings[k])
            hits, _ = prop.mesh.ray_trace(apply(back, gap.middle), apply(back, camera.eye))
            assert len(hits) == 0, prop.pieces


@pytest.mark.parametrize(
    ("gap_mm", "words"),
    [
        (7.349, "tyre to front leg 7.3 mm"),
        (0.0, "tyre touches front leg"),
        (-3.0, "tyre touches front leg"),
    ],
)
def test_the_gaps_words(gap_mm, words):
    gap = DrawnGap(Side.LEFT, ("tyre", "front_leg"), np.zeros(3), np.ones(3), gap_mm)
    assert gap.words == words


# --- labels --------------------------------------------------------------------------------------

FRAME = (14.0, 14.0, 1266.0, 614.0)
pixel = st.tuples(st.floats(-50, 1330), st.floats(-50, 770))


@settings(max_examples=40, deadline=None)
@given(st.lists(st.tuples(pixel, st.integers(40, 230)), min_size=1, max_size=14))
def test_labels_never_overlap_nor_leave_the_frame(cases):
    anchors = np.array([anchor for anchor, _ in cases])
    sizes = np.array([[width, 27.0] for _, width in cases])
    taken = ((14.0, 14.0, 460.0, 84.0),)
    boxes = place_labels(anchors, sizes, frame=FRAME, taken=taken)
    inside = (anchors > FRAME[:2]).all(axis=1) & (anchors < FRAME[2:]).all(axis=1)
    assert np.array_equal(np.isfinite(boxes[:, 0]), inside)
    assert overlapping(np.concatenate([boxes[inside], taken])) == []
    for box, size in zip(boxes[inside], sizes[inside], strict=True):
        assert (box[:2] >= FRAME[:2]).all()
        assert (box[2:] <= FRAME[2:]).all()
        assert box[2:] - box[:2] == pytest.approx(size, abs=1.0)  # whole pixels


def test_a_label_with_no_room_left_is_left_out_not_laid_over_another():
    boxes = place_labels(
        np.full((6, 2), 50.0), np.full((6, 2), [90.0, 30.0]), frame=(0.0, 0.0, 100.0, 100.0)
    )
    placed = boxes[np.isfinite(boxes[:, 0])]
    assert 1 <= len(placed) <= 3
    assert overlapping(placed) == []


def test_labels_keep_off_busy_pixels_where_they_can():
    busy = np.zeros((720, 1280), dtype=bool)
    busy[:, :640] = True
    (box,) = place_labels(
        np.array([[600.0, 300.0]]), np.array([[80.0, 26.0]]), frame=FRAME, busy=busy
    )
    assert busy[int(box[1]) : int(box[3]), int(box[0]) : int(box[2])].mean() < 0.05


def test_overlapping_boxes_are_found():
    boxes = np.array([[0, 0, 10, 10], [9, 9, 20, 20], [20, 0, 30, 10], [np.nan] * 4])
    assert overlapping(boxes) == [(0, 1)]


def test_a_leader_starts_on_the_boxs_nearest_edge():
    assert leader_start(np.array([10.0, 10, 50, 30]), np.array([100.0, 20])) == pytest.approx(
        [50, 20]
    )


def test_mirrored_corners_of_the_demo_are_mirrored():
    # The scene trusts this: each side is drawn from its own corner.
    front = demo("planned").axles["front"]
    for name, at in front.left.points.items():
        assert front.right.points[name] == pytest.approx(mirrored(at))
