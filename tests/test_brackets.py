"""Plates drawn from hard points: against the demo bracket, 3D distances, mirror images, shapely."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
import shapely
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from plate_cases import EAR, POINTS, TOP, corner, ear, front, rear, shifted, top_mount
from pydantic import TypeAdapter, ValidationError

from linkview.errors import PlateRefused
from linkview.geometry import apply, apply_direction, mirrored
from linkview.model.layouts import FIVE_LINK, STRUT
from linkview.model.parts import Side
from linkview.model.platespec import PlateSpec
from linkview.plates.brackets import draw_plate, mirrored_plate
from linkview.plates.lettering import text_box
from linkview.plates.outline import area_mm2, edges, sampled, web_mm
from linkview.plates.plate import pin_misses
from linkview.plates.plate_faults import plate_faults

calm = settings(deadline=None, max_examples=80)


def placed(plate, points):
    """Plate points (n, 2) in the car, at the plate's first place."""
    return at_height(plate.placement, points, 0.0)


def at_height(stand, points, z):
    """Plate points (n, 2), z off the middle of the sheet, in the car, at one of its places."""
    return apply(stand, np.column_stack([points, np.full(len(points), z)]))


def notch_points(plate):
    """Points (n, 2) along the tube notch: the outline's one clockwise arc."""
    (arc,) = (e for e in edges(plate.outline) if getattr(e, "sweep_rad", 1.0) < 0)
    return np.array([[p.real, p.imag] for p in (arc.at(k / 20) for k in range(21))])


def off_tube(points, spec):
    """Distance of points (n, 3) from the tube's centre line, by the cross product."""
    start, end = np.array(spec.tube_from), np.array(spec.tube_to)
    cross = np.cross(points - start, end - start)
    return np.linalg.norm(cross, axis=1) / np.linalg.norm(end - start)


# --- the ear ---------------------------------------------------------------------------------


def test_the_demo_bracket_comes_out_as_its_drawing():
    # Truth: the invented demo bracket's own vertices, drawn apart from this code, to 0.001 mm.
    drawing = [
        [38, 60, 0],
        [27.659, 60, -0.656205],
        [-27.659, 60, 0],
        [-38, 60, 0],
        [-25.533, -4.904, 0.826201],
        [25.533, -4.904, 0],
    ]
    plate = draw_plate("lower_lateral_ear", ear(), rear())
    got = np.column_stack([plate.outline.points, plate.outline.bulges])
    np.testing.assert_allclose(got[:, :2], np.array(drawing)[:, :2], atol=6e-4)
    np.testing.assert_allclose(got[:, 2], np.array(drawing)[:, 2], atol=1e-4)
    assert plate.holes[0].diameter_mm == 14.2
    assert np.array_equal(plate.holes[0].centre, [0.0, 0.0])


def test_moving_the_joint_redraws_the_notch_where_the_tube_still_is():
    spec = ear()
    before = draw_plate("ear", spec, rear())
    moved = rear(lower_lateral_inner=shifted("lower_lateral_inner", [3, -2, 5]))
    after = draw_plate("ear", spec, moved)
    # Truth: Pythagoras. The tube was 72 mm above; now 67 mm above and 2 mm to the side.
    deeper = notch_points(before)[:, 1].min() - notch_points(after)[:, 1].min()
    assert deeper == pytest.approx(72.0 - math.hypot(67.0, 2.0), abs=1e-9)
    for plate in (before, after):
        gaps = off_tube(placed(plate, notch_points(plate)), spec) - 60.3 / 2
        assert np.abs(gaps).max() < 1e-9  # mm, round-off


def test_a_pair_of_ears_stands_either_side_of_the_joint():
    plate = draw_plate("ear", ear(offsets=[13.5, -13.5]), rear())
    middles = [apply(stand, [0.0, 0.0, 0.0]) for stand in plate.stands]
    np.testing.assert_allclose(middles[0] - middles[1], [27.0, 0.0, 0.0], atol=1e-12)
    np.testing.assert_allclose(np.mean(middles, axis=0), POINTS["lower_lateral_inner"])
    assert [m.off_mm for m in pin_misses(plate, plate.pins[0])] == [0.0, 0.0]


unit_number = st.floats(-1.0, 1.0)
direction = st.tuples(unit_number, unit_number, unit_number).filter(
    lambda v: float(np.linalg.norm(v)) > 0.2
)


@st.composite
def ears(draw):
    """An ear that can be drawn, anywhere in the car, its tube up to 3.8 deg off the bolt."""
    joint = np.array(draw(st.tuples(*[st.floats(-3000.0, 3000.0)] * 3)))
    axis = np.array(draw(direction))
    axis /= np.linalg.norm(axis)
    side = np.cross(axis, draw(direction))
    assume(np.linalg.norm(side) > 0.1)
    side /= np.linalg.norm(side)
    hole, tube = draw(st.floats(8.0, 25.0)), draw(st.floats(20.0, 80.0))
    margin = draw(st.floats(8.0, 25.0))
    away = hole / 2 + tube / 2 + margin + draw(st.floats(8.0, 80.0))
    past = tube / 2 * draw(st.floats(0.2, 1.0))
    mouth = math.sqrt((tube / 2) ** 2 - (tube / 2 - past) ** 2)
    apart = draw(st.sampled_from([0.0, 8.0, 15.0]))
    # Half the sheet and half the pair's spacing wander by the tangent: 0.2 of the 0.3 mm.
    lean = draw(st.floats(0.0, 0.2)) / (apart + 3.0)
    way = draw(st.floats(0.0, math.tau))
    along = axis + lean * (math.cos(way) * np.cross(axis, side) + math.sin(way) * side)
    middle = joint + away * side
    spec = ear(
        bolt_axis=axis.tolist(),
        offsets=[apart, -apart] if apart else [0.0],
        hole=hole,
        edge_margin=margin,
        tube_diameter=tube,
        tube_from=(middle - 150 * along).tolist(),
        tube_to=(middle + 150 * along).tolist(),
        foot_past=past,
        foot_width=2 * mouth + draw(st.floats(8.0, 60.0)),
        mark="E",
    )
    return spec, rear(lower_lateral_inner=joint)


@calm
@given(ears())
def test_any_ear_is_sound_sits_on_its_joint_and_takes_its_tube(case):
    spec, corner_ = case
    plate = draw_plate("ear", spec, corner_)
    assert plate_faults(plate) == ()
    dense = shapely.Polygon(sampled(plate.outline, error_mm=1e-4))
    assert dense.is_valid
    assert area_mm2(plate.outline) == pytest.approx(dense.area, abs=1e-4 * dense.length)
    turn = plate.placement[:3, :3]
    np.testing.assert_allclose(turn @ turn.T, np.eye(3), atol=1e-12)
    assert np.linalg.det(turn) == pytest.approx(1.0)
    for miss in pin_misses(plate, plate.pins[0]):
        assert miss.off_mm < 1e-9
        assert miss.tilt_deg < 1e-9
    # Both faces of every ear: the promised weld gap, 0.3 mm.
    for stand, z in itertools.product(plate.stands, (-spec.thickness / 2, spec.thickness / 2)):
        gaps = off_tube(at_height(stand, notch_points(plate), z), spec) - spec.tube_diameter / 2
        assert np.abs(gaps).max() <= 0.3
    assert web_mm(plate.outline, plate.holes[0].loop) >= spec.edge_margin - 1e-9


@calm
@given(ears())
def test_mirrored_twice_is_itself_and_once_stands_at_the_mirror_image(case):
    plate = draw_plate("ear", *case)
    once = mirrored_plate(plate)
    twice = mirrored_plate(once)
    assert np.array_equal(twice.outline.points, plate.outline.points)
    assert np.array_equal(twice.outline.bulges, plate.outline.bulges)
    assert np.array_equal(twice.placement, plate.placement)
    assert np.linalg.det(once.placement[:3, :3]) == pytest.approx(1.0)
    there = placed(once, once.outline.points)[::-1]
    np.testing.assert_allclose(there, mirrored(placed(plate, plate.outline.points)), atol=1e-9)
    assert pin_misses(once, once.pins[0])[0].off_mm < 1e-9


# --- the top mount -----------------------------------------------------------------------------


def test_top_plate_lies_square_to_the_strut_through_the_top_mount():
    plate = draw_plate("top", top_mount(), front())
    top, lower = np.array(POINTS["strut_top"]), np.array(POINTS["strut_lower"])
    strut = (top - lower) / np.linalg.norm(top - lower)
    everywhere = placed(plate, plate.outline.points)
    assert np.abs((everywhere - top) @ strut).max() < 1e-9
    slide = apply_direction(plate.placement, [0.0, 1.0, 0.0])
    # The slots' direction is the car's y with its share along the strut taken out.
    assert np.linalg.norm(np.cross(slide, [0, 1, 0] - strut[1] * strut)) < 1e-12
    assert slide[1] > 0.9


def test_top_plate_has_what_was_asked_for():
    plate = draw_plate("top", top_mount(), front())
    studs = np.array([hole.centre for hole in plate.holes])
    np.testing.assert_allclose(np.linalg.norm(studs, axis=1), 75.0)
    np.testing.assert_allclose(studs.mean(axis=0), [0.0, 0.0], atol=1e-12)
    *adjust, opening = plate.slots
    assert len(adjust) == 4
    for slot in plate.slots:
        np.testing.assert_allclose(slot.end - slot.start, [0.0, 24.0])
    # The bearing in its opening slides as far as the bolts do, and no further.
    np.testing.assert_allclose((opening.start + opening.end) / 2, [0.0, 0.0])
    for cut in plate.inner_loops:
        assert web_mm(plate.outline, cut) >= 13.0 - 1e-9


def test_top_plate_outline_is_the_band_round_its_cuts():
    # Truth: shapely's hull of all cuts grown by the margin. Area within 0.02 mm2 for 2880-gons.
    plate = draw_plate("top", top_mount(), front())
    cuts = [shapely.Polygon(sampled(loop, error_mm=1e-4)) for loop in plate.inner_loops]
    truth = shapely.union_all([c.buffer(13.0, quad_segs=720) for c in cuts]).convex_hull
    assert area_mm2(plate.outline) == pytest.approx(truth.area, abs=0.1)


def test_studs_stay_in_the_body_when_the_top_mount_moves():
    kept = [-67.8, 541.0, 830.0]
    spec = top_mount(stud_centre=kept, opening=30.0)
    moved = draw_plate("top", spec, front(strut_top=shifted("strut_top", [0, -6, 0])))
    middle = np.mean([h.centre for h in moved.holes], axis=0)
    assert middle[1] == pytest.approx(6.0, abs=0.2)  # along the slots, less the plane's lean
    assert pin_misses(moved, moved.pins[0])[0].off_mm == pytest.approx(0.0, abs=1e-9)
    # Top (-67.8, 535, 830), strut direction (-47.8, -77, 450) / 459.0: 6 x -77 / 459.0 = -1.0.
    (note,) = moved.notes
    assert "1.0 mm below the plate's mid-plane" in note
    assert draw_plate("top", top_mount(), front()).notes == ()


@pytest.mark.parametrize("make", [lambda c: ("ear", ear(), c), lambda c: ("top", top_mount(), c)])
def test_the_right_side_is_the_mirror_of_the_left(make):
    name, spec, layout = make(FIVE_LINK if make("")[0] == "ear" else STRUT)
    other = {point: mirrored(at) for point, at in POINTS.items()}
    left = draw_plate(name, spec, corner(layout, POINTS))
    right = draw_plate(name, spec, corner(layout, other, side=Side.RIGHT))
    np.testing.assert_allclose(
        placed(right, right.outline.points)[::-1],
        mirrored(placed(left, left.outline.points)),
        atol=1e-9,
    )
    for mine, theirs in zip(left.holes, right.holes, strict=True):
        np.testing.assert_allclose(mine.centre * [-1, 1], theirs.centre)
    assert [t.text for t in right.texts] == [t.text for t in left.texts]


@pytest.mark.parametrize(
    "make", [lambda: ("ear", ear(), rear()), lambda: ("top", top_mount(), front())]
)
def test_lettering_lies_on_metal(make):
    plate = draw_plate(*make())
    metal = shapely.Polygon(sampled(plate.outline, error_mm=1e-3))
    for cut in plate.inner_loops:
        metal = metal.difference(shapely.Polygon(sampled(cut, error_mm=1e-3)))
    boxes = [shapely.Polygon(text_box(text).points) for text in plate.texts]
    assert len(boxes) == 2
    assert all(metal.contains(box) for box in boxes)
    assert not boxes[0].intersects(boxes[1])
    width, height = plate.size_mm
    assert plate.texts[1].text == f"{width:.1f} x {height:.1f} mm"


# --- refusals: the plate, the key, the value, the numbers, the fix -------------------------------

REFUSED = [
    (ear(joint="lower_lateral_iner"), "joint = 'lower_lateral_iner'", "'lower_lateral_inner'?"),
    (ear(joint="toe_link_outer"), "this hard point moves", "name one of lower_lateral_inner"),
    (ear(joint="wheel_centre"), "this hard point moves", "the plate is fixed to the body"),
    (
        ear(bolt_axis=[1.0, 0.1, 0.0]),
        "5.71 deg off the bolt",
        "0.45 mm (0.15 mm oval, 0.30 mm over",
    ),
    (ear(bolt_axis=[0.0, 1.0, 0.0]), "90.0 deg off the bolt", "set the bolt along the tube"),
    (ear(offsets=[200.0]), "tube_to = [-2500.0", "68.0 mm beyond this end"),
    (ear(offsets=[-200.0]), "tube_from = [-2750.0", "82.0 mm beyond this end"),
    (ear(edge_margin=35.0), "edge_margin = 35", "34.8 mm of metal"),
    (ear(foot_width=55.0), "notch is 55.3 mm wide", "use more than 55.3 mm"),
    (ear(mark="A" * 40), "mark = 'AAAA", "no room on the plate for 40 letters"),
    (top_mount(lower="strut_top"), "lower = 'strut_top'", "0.000 mm from 'strut_top'"),
    (top_mount(slot_direction=[0.0, 0.0, 1.0]), "deg off the strut, less than 30", "[0, 1, 0]"),
    (top_mount(top="lower_ball_joint"), "this hard point moves", "name one of strut_top"),
    (top_mount(slots_along=20.0), "slot 1 (adjustment) and slot 4 (adjustment) run into", None),
    (top_mount(stud_circle=60.0), "hole 1 (M8 stud) and slot 5 (bearing opening) run into", None),
]


@pytest.mark.parametrize(("spec", "words", "more"), REFUSED)
def test_refusals_name_plate_key_value_and_fix(spec, words, more):
    place = (
        front()
        if spec.kind == "top_mount_base"
        else rear(toe_link_outer=[0.0, 0.0, 0.0], wheel_centre=[0.0, 0.0, 0.0])
    )
    with pytest.raises(PlateRefused) as refusal:
        draw_plate("trial", spec, place)
    assert str(refusal.value).startswith("plates.trial: ")
    assert words in str(refusal.value)
    assert (more or "") in str(refusal.value)


SPEC_FAULTS = [
    (EAR, {"thickness": 0.0}, "greater than 0"),
    (EAR, {"hole": -14.2}, "greater than 0"),
    (EAR, {"hole": "14.2"}, "valid number"),
    (EAR, {"edge_margin": math.nan}, "finite number"),
    (EAR, {"bolt_axis": [0, 0, 0]}, "a direction needs at least one number that is not 0"),
    (EAR, {"tube_to": EAR["tube_from"]}, "give the tube's two ends"),
    (EAR, {"foot_past": 40.0}, "use 30.15 or less"),
    (EAR, {"mirrored": 5}, "mirrored = 5 is more than quantity = 4"),
    (EAR, {"hole_diameter": 14.2}, "Extra inputs"),
    (EAR, {"kind": "ear"}, "weld_on_ear"),
    (EAR, {"mark": "Ø14"}, "pattern"),
    (TOP, {"slot_each_way": 0}, "greater than 0"),
    (TOP, {"quantity": 0}, "greater than or equal to 1"),
]


@pytest.mark.parametrize(("base", "change", "words"), SPEC_FAULTS)
def test_descriptions_with_impossible_values_are_turned_away(base, change, words):
    with pytest.raises(ValidationError) as fault:
        TypeAdapter(PlateSpec).validate_python({**base, **change})
    assert words in str(fault.value)
