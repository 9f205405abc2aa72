"""Every plate kind drawn for a corner: joints on hole axes, outlines by hand, refusals by name."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
import shapely
from plate_cases import POINTS, corner, ear, rear
from pydantic import TypeAdapter, ValidationError

from linkview.errors import PlateRefused
from linkview.geometry import apply
from linkview.model.hardware import ROD_ENDS
from linkview.model.layouts import FIVE_LINK, STRUT
from linkview.model.parts import Side
from linkview.model.platespec import PlateSpec
from linkview.plates.brackets import draw_plate, draw_plates
from linkview.plates.outline import area_mm2, bounding_box, edges, sampled, web_mm
from linkview.plates.plate import mirrored_plate, pin_misses
from linkview.plates.plate_faults import plate_faults

SPEC = TypeAdapter(PlateSpec)
SHEET = {"thickness": 6.0, "edge_margin": 14.0, "material": "S355J2"}
DROP: dict[str, Any] = {
    **SHEET,
    "kind": "drop_bracket",
    "joint": "lower_lateral_inner",
    "bolt_axis": [1.0, 0.0, 0.0],
    "hole": 12.2,
    "inner_gap": 40.0,
    "flat_point": [-2600.0, 350.0, 306.0],
    "flat_normal": [0.0, 0.0, -1.0],
    "foot_width": 84.0,
    "bridge_margin": 12.0,
    "tab_width": 18.0,
}
GUSSET: dict[str, Any] = {
    **SHEET,
    "kind": "gusset",
    "tube_diameter": 60.3,
    "tube_from": [-2750.0, 350.0, 322.0],
    "tube_to": [-2500.0, 350.0, 322.0],
    "stand_at": [-2560.0, 350.0, 322.0],
    "flat_point": [-2560.0, 350.0, 372.0],
    "flat_normal": [0.0, 0.0, -1.0],
    "toward": [0.0, -1.0, 0.0],
    "leg": 90.0,
    "end_height": 18.0,
    "tube_angle": 10.0,
    "snip": 14.0,
}
ARM: dict[str, Any] = {
    **SHEET,
    "kind": "steering_arm",
    "joint": "tie_rod_outer",
    "hole": 12.2,
    "face_normal": [0.0, 0.0, 1.0],
    "bolts": [[-26.0, 698.0, 218.0], [-26.0, 734.0, 218.0]],
    "bolt_hole": 10.5,
    "ball_height": -22.0,
}
CALIPER: dict[str, Any] = {
    **SHEET,
    "kind": "caliper_adapter",
    "face_normal": [0.0, 1.0, 0.0],
    "knuckle_bolts": [[-2566.0, 712.0, 268.0], [-2566.0, 712.0, 362.0]],
    "knuckle_hole": 12.5,
    "caliper_bolts": [[-2530.0, 712.0, 245.0], [-2530.0, 712.0, 385.0]],
    "caliper_hole": 10.2,
}
SPACER: dict[str, Any] = {
    **SHEET,
    "kind": "wheel_spacer",
    "outside": 176.0,
    "bore": 57.1,
    "hub_count": 5,
    "hub_circle": 112.0,
    "hub_hole": 14.2,
    "wheel_count": 5,
    "wheel_circle": 120.0,
    "wheel_hole": 12.5,
    "thickness": 20.0,
}
STRAP: dict[str, Any] = {
    **SHEET,
    "kind": "droop_strap_tab",
    "at": [-2722.0, 470.0, 600.0],
    "bolt_axis": [1.0, 0.0, 0.0],
    "hole": 10.5,
    "flat_point": [-2722.0, 470.0, 642.0],
    "flat_normal": [0.0, 0.0, -1.0],
    "foot_width": 60.0,
}
SLIDER: dict[str, Any] = {
    **SHEET,
    "kind": "top_mount_slider",
    "top": "strut_top",
    "lower": "strut_lower",
    "bore": 47.0,
    "bolt_hole": 8.4,
    "slots_across": 96.0,
    "slots_along": 52.0,
    "above": 7.0,
}
FREE: dict[str, Any] = {
    **SHEET,
    "kind": "free",
    "origin": "lower_lateral_inner",
    "normal": [1.0, 0.0, 0.0],
    "x_direction": [0.0, 1.0, 0.0],
    "corners": [
        {"at": [-40.0, -40.0]},
        {"at": [40.0, -40.0], "fillet": 8.0},
        {"at": [40.0, 40.0]},
        {"at": [-40.0, 40.0]},
    ],
    "holes": [{"joint": "lower_lateral_inner", "diameter": 14.2, "use": "pivot"}],
}
FRONT = {**POINTS, "tie_rod_outer": [-77.0, 716.0, 196.0], "wheel_centre": [0.0, 780.0, 310.0]}


def spec(base, **changed):
    return SPEC.validate_python({**base, **changed})


def strut(side=Side.LEFT):
    points = (
        FRONT if side is Side.LEFT else {n: np.multiply(p, [1, -1, 1]) for n, p in FRONT.items()}
    )
    return corner(STRUT, points, side=side)


def five(side=Side.LEFT):
    points = (
        POINTS if side is Side.LEFT else {n: np.multiply(p, [1, -1, 1]) for n, p in POINTS.items()}
    )
    return corner(FIVE_LINK, points, side=side)


KINDS = {
    "drop_bracket": (DROP, five),
    "gusset": (GUSSET, five),
    "steering_arm": (ARM, strut),
    "caliper_adapter": (CALIPER, five),
    "wheel_spacer": (SPACER, strut),
    "droop_strap_tab": (STRAP, five),
    "top_mount_slider": (SLIDER, strut),
    "free": (FREE, five),
}


@pytest.mark.parametrize("kind", KINDS)
def test_every_joint_lies_on_its_holes_axis_on_both_sides(kind):
    base, at = KINDS[kind]
    for side in Side:
        for plate in draw_plates("trial", spec(base), at(side)):
            assert plate_faults(plate) == ()
            for pin in plate.pins:
                for miss in pin_misses(plate, pin):
                    assert miss.off_mm < 0.01  # the figure; round-off is 1e-12
                    assert miss.tilt_deg < 1e-6


@pytest.mark.parametrize("kind", KINDS)
def test_the_right_plate_is_the_mirror_image(kind):
    base, at = KINDS[kind]
    lefts, rights = (draw_plates("trial", spec(base), at(side)) for side in Side)
    for left, right in zip(lefts, rights, strict=True):
        assert area_mm2(left.outline) == pytest.approx(area_mm2(right.outline), rel=1e-12)
        one = apply(
            left.placement,
            np.column_stack([left.outline.points, np.zeros(len(left.outline.points))]),
        )
        other = apply(
            right.placement,
            np.column_stack([right.outline.points, np.zeros(len(right.outline.points))]),
        )
        apart = np.linalg.norm(one[:, None] * [1, -1, 1] - other[None], axis=-1)
        assert apart.min(axis=1).max() < 1e-9


# --- the pair ------------------------------


def test_a_pair_stands_clear_of_ball_and_spacers():
    # Series K rod end, bore 14: ball width 19 (DIN ISO 12240-4, secondary copy); spacers 4 each.
    pair = draw_plate("ear", ear(ball_width=19.0, spacer=4.0), rear())
    inner = [abs(stand[0, 3] - POINTS["lower_lateral_inner"][0]) - 3.0 for stand in pair.stands]
    assert inner == pytest.approx([13.5, 13.5])


def test_a_rod_end_named_by_its_bore_brings_its_ball_width():
    # DIN ISO 12240-4 series K (secondary copy): bore | ball width B.
    for bore, ball in ((10, 14.0), (12, 16.0), (14, 19.0), (16, 21.0), (20, 25.0)):
        told = ear(rod_end=bore, spacer=2.0)
        assert told.stands_at == pytest.approx((ball / 2 + 5.0, -ball / 2 - 5.0))
    with pytest.raises(ValidationError):
        ear(rod_end=13)


def test_the_rod_end_table_keeps_within_its_own_geometry():
    # Tilt <= asin(B / dk) - asin(C / dk), dk = sqrt(face^2 + B^2); the table is rounded and lower.
    for end in ROD_ENDS.values():
        dk = math.hypot(end.face_mm, end.ball_width_mm)
        most = math.asin(end.ball_width_mm / dk) - math.asin(end.eye_width_mm / dk)
        assert end.tilt_deg <= math.degrees(most)


def test_a_pivot_in_a_clearance_hole_is_told():
    # ISO 273 (secondary copy): M14 fine 15, medium 15.5.
    assert draw_plate("ear", ear(), rear()).notes == ()
    (note,) = draw_plate("ear", ear(hole=15.0), rear()).notes
    assert "clearance hole (ISO 273 fine 15, medium 15.5)" in note


def test_offsets_and_ball_width_cannot_both_be_given():
    with pytest.raises(ValidationError, match="all say where the pair stands"):
        ear(ball_width=19.0, offsets=(10.0, -10.0))


def test_a_socket_needs_room_beside_the_tube():
    # Tube 41.85 mm from the bolt: 72 - 30.15.
    assert draw_plate("ear", ear(socket=80.0), rear()).holes
    with pytest.raises(PlateRefused, match=r"socket = 82: .* 41\.9 mm from the bolt"):
        draw_plate("ear", ear(socket=82.0), rear())


def test_no_hole_inside_the_weld_toe():
    assert draw_plate("ear", ear(weld_leg=28.0), rear()).holes
    with pytest.raises(PlateRefused, match=r"5\.8 mm from the toe of the weld"):
        draw_plate("ear", ear(weld_leg=29.0), rear())


def test_a_square_tube_gets_a_flat_foot_or_a_relieved_notch():
    up = {"tube_shape": "square", "tube_face": [0.0, 0.0, -1.0], "tube_diameter": 60.0}
    flat = draw_plate("ear", ear(**up, foot_width=58.0, foot_past=0.1), rear())
    assert bounding_box(flat.outline)[3] == pytest.approx(72.0 - 30.0)
    horns = draw_plate("ear", ear(**up, foot_width=76.0, foot_past=18.0), rear())
    assert bounding_box(horns.outline)[3] == pytest.approx(72.0 - 30.0 + 18.0)
    assert sum(hasattr(e, "radius") for e in edges(horns.outline)) == 3  # eye and two reliefs
    with pytest.raises(PlateRefused, match="off the middle of this face"):
        draw_plate("ear", ear(**{**up, "tube_face": [0.0, 0.2, -1.0]}, foot_width=58.0), rear())


# --- drop bracket ------------------------------


def test_the_brackets_tabs_stand_in_the_bridges_slots():
    side, bridge = draw_plates("drop", spec(DROP), five())
    assert (side.name, bridge.name) == ("drop_side", "drop_bridge")
    assert (side.quantity, bridge.quantity) == (2, 1)
    tabs = [p for p in side.outline.points if p[1] == pytest.approx(56.0)]
    assert len(tabs) == 4  # 56 mm from joint to flat: the tabs come through flush
    for stand in side.stands:
        tips = apply(stand, np.array([[x, y, 0.0] for x, y in tabs]))
        there = np.linalg.inv(bridge.placement)
        spots = apply(there, tips)
        assert spots[:, 2] == pytest.approx([3.0] * 4)  # the flat's side of a 6 mm bridge
        middles = np.array([slot.middle for slot in bridge.slots])
        for pair in (spots[:2], spots[2:]):
            middle = pair[:, :2].mean(axis=0)
            assert np.linalg.norm(middles - middle, axis=1).min() < 1e-9


def test_the_drop_bracket_says_what_does_not_go():
    with pytest.raises(PlateRefused, match="behind the flat"):
        draw_plates("drop", spec(DROP, flat_normal=[0.0, 0.0, 1.0]), five())
    with pytest.raises(PlateRefused, match="out of the flat's plane"):
        draw_plates("drop", spec(DROP, bolt_axis=[1.0, 0.0, 0.1]), five())
    with pytest.raises(PlateRefused, match=r"eye and bridge need 26\.1 mm"):
        draw_plates("drop", spec(DROP, flat_point=[0.0, 0.0, 270.0]), five())
    with pytest.raises(PlateRefused, match="two tabs need"):
        draw_plates("drop", spec(DROP, tab_width=30.0), five())


# --- gusset ------------------------------


def test_the_gusset_lies_on_tube_and_flat():
    plate = draw_plate("gusset", spec(GUSSET), five())
    # The tube's centre is the origin, the flat 50 mm below it.
    assert bounding_box(plate.outline)[1] == pytest.approx(-50.0)
    tube = next(e for e in edges(plate.outline) if hasattr(e, "radius"))
    assert (abs(tube.centre), tube.radius) == (pytest.approx(0.0, abs=1e-9), pytest.approx(30.15))
    for bad, words in (
        ({"flat_point": [0.0, 0.0, 340.0]}, "inside the tube"),
        ({"snip": 40.0}, "use a smaller snip"),
        ({"leg": 25.0}, "beyond its leg"),
        ({"joint": "lower_lateral_inner", "hole": 10.0}, "off the gusset's plane"),
    ):
        with pytest.raises(PlateRefused, match=words):
            draw_plate("gusset", spec(GUSSET, **bad), five())


# --- bolted plates ------------------------------


def test_the_steering_arm_refuses_a_joint_off_its_plane():
    with pytest.raises(PlateRefused, match=r"stands -22\.0 mm over the face.*-22\.0 would fit"):
        draw_plate("arm", spec(ARM, ball_height=0.0), strut())
    crooked = [[-26.0, 698.0, 218.0], [-26.0, 734.0, 218.0], [-40.0, 716.0, 221.0]]
    with pytest.raises(PlateRefused, match="off the plane of the others"):
        draw_plate("arm", spec(ARM, bolts=crooked), strut())


def test_the_caliper_adapters_holes_are_where_the_lugs_are():
    plate = draw_plate("caliper", spec(CALIPER), five())
    wanted = [*CALIPER["knuckle_bolts"], *CALIPER["caliper_bolts"]]
    for hole, lug in zip(plate.holes, wanted, strict=True):
        face = apply(plate.placement, [*hole.centre, -3.0])  # half of 6 mm back on the face
        np.testing.assert_allclose(face, lug, atol=1e-9)
    moved = [[-2530.0, 714.0, 245.0], [-2530.0, 714.0, 385.0]]
    with pytest.raises(PlateRefused, match=r"\+2\.0 mm off the knuckle bolts' plane"):
        draw_plate("caliper", spec(CALIPER, caliper_bolts=moved), five())


def test_the_spacer_sits_inboard_of_the_rims_face_on_two_circles():
    plate = draw_plate("spacer", spec(SPACER), strut())
    # ET 30: mounting face 30 mm outboard of y = 780; the spacer's middle 10 mm inboard of that.
    assert plate.placement[1, 3] == pytest.approx(780.0 + 30.0 - 10.0)
    radii = sorted(round(float(np.linalg.norm(h.centre)), 9) for h in plate.holes)
    assert radii == [0.0, *[56.0] * 5, *[60.0] * 5]
    studs = [h.centre for h in plate.holes if h.use == "wheel stud"]
    chord = 2.0 * 60.0 * math.sin(math.pi / 5.0)
    assert np.linalg.norm(studs[1] - studs[0]) == pytest.approx(chord)


# --- free ------------------------------


def test_the_free_plate_puts_features_where_they_are_listed():
    plate = draw_plate(
        "free", spec(FREE, slots=[{"from": [-20, 25], "to": [20, 25], "width": 8.0}]), five()
    )
    assert area_mm2(plate.outline) == pytest.approx(6400.0 - 64.0 * (1 - math.pi / 4), abs=1e-9)
    assert web_mm(plate.outline, plate.slots[0].loop) == pytest.approx(40.0 - 25.0 - 4.0)


def test_the_free_hull_is_the_band_round_its_holes():
    holes = [{"at": [0.0, 0.0], "diameter": 10.0}, {"at": [50.0, 0.0], "diameter": 10.0}]
    plate = draw_plate("free", spec({**FREE, "corners": []}, holes=holes), five())
    r = 5.0 + 14.0
    assert area_mm2(plate.outline) == pytest.approx(math.pi * r * r + 50.0 * 2 * r, rel=1e-12)


def test_every_cut_is_turned_over_with_its_plate():
    """The mirrored plate's loops, turned back by hand, enclose the same places."""
    cuts = {
        "slots": [{"from": [-20, 25], "to": [20, 30], "width": 6.0}],
        "curved_slots": [
            {"centre": [0, 0], "radius": 24, "from_angle": 200, "to_angle": 250, "width": 6}
        ],
        "tab_slots": [{"at": [24, -14], "angle": 30, "length": 12, "width": 6}],
        "bends": [{"from": [-40, -30], "to": [40, -30], "angle": 90, "radius": 2, "k_factor": 0.4}],
    }
    plate = draw_plate("free", spec(FREE, **cuts, thickness=2.0), five())
    turned = mirrored_plate(plate)
    for one, other in zip(plate.inner_loops, turned.inner_loops, strict=True):
        a, b = (shapely.Polygon(sampled(loop, error_mm=1e-3)) for loop in (one, other))
        back = shapely.transform(b, lambda p: p * [-1, 1])
        assert a.symmetric_difference(back).area < 0.05  # mm2, two strokings of 1e-3 mm
        assert b.exterior.is_ccw
    for one, other in zip(plate.slots, turned.slots, strict=True):
        np.testing.assert_allclose(other.middle, one.middle * [-1, 1], atol=1e-9)
    np.testing.assert_allclose(turned.bends[0].start, plate.bends[0].start * [-1, 1])


BAD_FREE = {
    "holes outside the plate": (
        {"holes": [{"at": [90.0, 0.0], "diameter": 8.0}]},
        "lies outside the outline",
    ),
    "overlapping slots": (
        {
            "slots": [
                {"from": [-20, 25], "to": [20, 25], "width": 8.0},
                {"from": [0, 28], "to": [20, 28], "width": 8.0},
            ]
        },
        "run into each other",
    ),
    "a fillet larger than its edge": (
        {"corners": [{"at": [-40.0, -40.0], "fillet": 90.0}, *FREE["corners"][1:]]},
        "plates.trial: fillet = 90",
    ),
    "a hard point too far off the plane": (
        {"origin": [-2650.0, 350.0, 250.0]},
        "stands 18.0 mm over the plate's plane",
    ),
    "a slot of no length": (
        {"slots": [{"from": [0, 25], "to": [0, 25], "width": 8.0}]},
        "the slot has no length",
    ),
    "a bend beside the edge": (
        {
            "bends": [
                {"from": [-40, 38], "to": [40, 38], "angle": 90.0, "radius": 6.0, "k_factor": 0.4}
            ]
        },
        "move the bend line into the plate",
    ),
    "a part that is not there": ({"part": "wing"}, "no such part"),
}


@pytest.mark.parametrize("what", BAD_FREE)
def test_what_cannot_be_drawn_is_refused_by_name(what):
    changed, words = BAD_FREE[what]
    with pytest.raises(PlateRefused) as refusal:
        draw_plate("trial", spec(FREE, **changed), five())
    assert words in str(refusal.value)
    assert str(refusal.value).startswith("plates.trial: ")


BAD_NUMBERS = {
    "a negative margin": {"edge_margin": -1.0},
    "a thickness of 0": {"thickness": 0.0},
    "a hull of one hole": {"corners": [], "holes": [{"at": [0.0, 0.0], "diameter": 8.0}]},
    "two corners": {"corners": FREE["corners"][:2]},
    "a hole nowhere": {"holes": [{"diameter": 8.0}]},
    "tabs on a hull": {"corners": [], "tabs": [{"edge": 0, "middle": 5, "width": 4, "depth": 3}]},
    "not a number": {"thickness": float("nan")},
}


@pytest.mark.parametrize("what", BAD_NUMBERS)
def test_a_description_that_cannot_be_meant_is_refused(what):
    with pytest.raises(ValidationError):
        spec(FREE, **BAD_NUMBERS[what])
