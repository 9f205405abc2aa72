"""Plates tied to the car: tapes found back, slots re-solved, solids in the gap check."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import shapely
import trimesh
from plate_cases import bent
from scipy.optimize import least_squares

from linkview.alignment.posed import at_ride_height, steering_axis
from linkview.alignment.steering import caster_rad
from linkview.clearance.bodies import placed
from linkview.clearance.far_apart import ball_floor_mm, floor_mm
from linkview.clearance.gaps import survey
from linkview.clearance.meshes import MeshSolid
from linkview.geometry import apply
from linkview.kinematics.assemble import build_car
from linkview.kinematics.kept import corner_with
from linkview.model.parts import Side
from linkview.model.read import read_file
from linkview.model.reference import wheel_angles_deg
from linkview.plates.adjusting import slot_effect
from linkview.plates.brackets import draw_plate
from linkview.plates.drawn import FAR_MM, drawn_plates, far_from_plates
from linkview.plates.outline import sampled
from linkview.plates.placing import found_again, placings
from linkview.plates.plate import mirrored_plate
from linkview.plates.profiles import WATER_JET
from linkview.plates.solid import plate_body, plate_mesh
from linkview.study import swept

DEMO = Path(__file__).parent.parent / "models" / "demo_coupe" / "demo_coupe.toml"


@pytest.fixture(scope="module")
def file():
    return read_file(DEMO)


@pytest.fixture(scope="module")
def planned(file):
    return build_car(file, "planned")


@pytest.fixture(scope="module")
def drawn(planned):
    return {name: drawn_plates(axle, WATER_JET) for name, axle in planned.axles.items()}


def test_every_plate_of_the_demo_passes_and_holds_its_joint(drawn):
    for plates in drawn.values():
        for plate in plates:
            assert plate.refused is None, plate.refused
            assert plate.miss_mm < 0.01


def test_every_kind_of_plate_is_on_the_demo_car(planned):
    kinds = {spec.kind for axle in planned.axles.values() for spec in axle.plates.values()}
    assert kinds == {
        "weld_on_ear", "top_mount_base", "top_mount_slider", "drop_bracket", "gusset",
        "steering_arm", "caliper_adapter", "wheel_spacer", "droop_strap_tab", "free",
    }  # fmt: skip


@pytest.mark.parametrize(
    "variant", ["as_found", "top_mount_in_10", "top_mount_back_10", "rack_shim_up_3"]
)
def test_plates_follow_the_points_in_other_variants(file, variant):
    for axle in build_car(file, variant).axles.values():
        for plate in drawn_plates(axle, WATER_JET):
            assert plate.refused is None, plate.refused
            assert plate.miss_mm < 0.01


# --- placing ------------------------------


def test_three_tapes_lead_back_to_the_hole(drawn):
    """Twice: the closed form, and scipy from a start 80 mm off."""
    count = 0
    for plate in drawn["rear"]:
        for held in plate.placings.values():
            for placing in held:
                assert len(placing.tapes) == 3
                assert (
                    np.linalg.norm(found_again(placing.tapes, placing.spot) - placing.spot) < 1e-9
                )

                def miss(p, tapes=placing.tapes):
                    return [np.linalg.norm(p - t.at) - t.distance_mm for t in tapes]

                start = placing.spot + np.array([40.0, -50.0, 45.0])
                found = least_squares(miss, start, xtol=1e-15, ftol=1e-15, gtol=1e-15)
                assert found.cost < 1e-12
                count += 1
    assert count == 10  # two ears, two sides of a bracket and a tab, left and right


def test_a_tape_read_1_mm_wrong_moves_the_hole_by_no_more_than_is_said(drawn):
    placing = drawn["rear"][0].placings[Side.LEFT][0]
    for signs in np.ndindex(2, 2, 2):
        wrong = tuple(
            replace(t, distance_mm=t.distance_mm + 2 * s - 1)
            for t, s in zip(placing.tapes, signs, strict=True)
        )
        off = np.linalg.norm(found_again(wrong, placing.spot) - placing.spot)
        # 3 %: the figure is the tangent's, a whole millimetre bends a little away from it.
        assert off <= placing.off_per_mm * 1.03


def test_both_sides_mirror_each_other_and_no_tape_starts_at_a_point_not_yet_made(drawn):
    for plate in drawn["rear"]:
        if not plate.placings:
            continue
        left, right = plate.placings[Side.LEFT], plate.placings[Side.RIGHT]
        for one, other in zip(left, right, strict=True):
            np.testing.assert_allclose(one.spot * [1, -1, 1], other.spot, atol=1e-9)
            assert sorted(t.distance_mm for t in one.tapes) == pytest.approx(
                sorted(t.distance_mm for t in other.tapes)
            )
        for tape in (t for p in left for t in p.tapes):
            assert not tape.to.startswith(("lower_lateral_inner", "lower_front_inner"))


def test_the_hole_is_measured_on_the_face_that_is_named(drawn):
    ear = next(p for p in drawn["rear"] if p.name == "lower_link_ear")
    front, back = ear.placings[Side.LEFT]
    # Mid-planes 30 mm either side of x = -2632, 6 mm thick: outer faces at 33.
    assert (front.spot[0], back.spot[0]) == pytest.approx((-2599.0, -2665.0))
    assert (front.face, back.face) == ("forward", "rearward")


def test_places_named_in_the_file_are_used(planned):
    axle = planned.axles["rear"]
    spec = axle.plates["lower_link_ear"].model_copy(
        update={"place_from": ("damper_upper", "toe_link_inner", (-2500.0, 0.0, 300.0))}
    )
    plate = draw_plate("ear", spec, axle.left)
    tapes = placings(plate, axle)[0].tapes
    assert [t.to for t in tapes] == ["damper_upper", "toe_link_inner", "[-2500, 0, 300]"]


def test_three_points_in_line_are_said_to_fix_nothing(planned):
    axle = planned.axles["rear"]
    line = ((0.0, 0.0, 0.0), (100.0, 0.0, 0.0), (200.0, 0.0, 0.0))
    spec = axle.plates["lower_link_ear"].model_copy(update={"place_from": line})
    held = placings(draw_plate("ear", spec, axle.left), axle)[0]
    assert "DO NOT FIX THE HOLE" in held.words[-1]


# --- slots ------------------------------


def test_the_slots_ends_are_the_re_assembled_variants(file, planned):
    """The same question asked of the file's own variant machinery: top mount 10 mm inboard."""
    there = build_car(file, "top_mount_in_10").axles["front"].left
    here = planned.axles["front"].left
    moved = corner_with(here, {"strut_top": here.points["strut_top"] + [0.0, -10.0, 0.0]})
    np.testing.assert_allclose(moved.wheel.spin_axis, there.wheel.spin_axis, atol=1e-9)
    for name, place in there.points.items():
        np.testing.assert_allclose(moved.points[name], place, atol=1e-6)


def test_slots_say_camber_and_caster_at_both_ends_and_per_millimetre(planned, drawn):
    plate = next(p for p in drawn["front"] if p.name == "top_mount_plate")
    corner, effect = planned.axles["front"].left, plate.slots
    low, middle, high = effect.readings
    assert (low.at_mm, high.at_mm) == (-12.0, 12.0)
    assert middle.camber_deg == pytest.approx(-4.0, abs=1e-9)  # as the plan says
    assert low.camber_deg < middle.camber_deg < high.camber_deg  # top inboard: more negative
    for reading in effect.readings:
        place = corner.points["strut_top"] + reading.at_mm * effect.adjusts.way
        moved = corner_with(corner, {"strut_top": place})
        camber, toe = wheel_angles_deg(Side.LEFT, moved.wheel.spin_axis)
        axis = steering_axis(at_ride_height(moved))
        caster = float(np.rad2deg(caster_rad(axis))[0, 0])
        assert (camber, toe, caster) == pytest.approx(
            (reading.camber_deg, reading.toe_in_deg, reading.caster_deg)
        )
        for rod in corner.layout.rods.values():  # parts kept
            assert moved.distance_mm(rod.inner, rod.outer) == pytest.approx(
                corner.distance_mm(rod.inner, rod.outer), abs=1e-6
            )
        assert moved.points["wheel_centre"][2] == pytest.approx(corner.points["wheel_centre"][2])
    # Per millimetre against the whole slot: a smooth curve, so within 5 % of its chord.
    chord = (high.camber_deg - low.camber_deg) / 24.0
    assert effect.camber_deg_per_mm == pytest.approx(chord, rel=0.05)


def test_a_plate_without_slots_adjusts_nothing(planned):
    corner = planned.axles["rear"].left
    spec = planned.axles["rear"].plates["lower_link_ear"]
    assert slot_effect(draw_plate("ear", spec, corner), corner) is None


def test_tapes_of_a_bent_plate_lead_to_its_hole_on_the_turned_leg(planned):
    """An angle whose one leg stands upright on the bolt: found again by scipy, on either side."""
    axle = planned.axles["rear"]
    joint = axle.left.points["lower_lateral_inner"]
    # Flat leg level, 40 mm under the joint; the turned leg's middle stands in the joint's plane.
    taken = math.pi / 2.0 * (4.0 + 0.4 * 4.0)
    origin = joint - [taken / 2.0 + 4.0 + 2.0, 15.0, 40.0]
    told = {
        "origin": origin.tolist(),
        "thickness": 4.0,
        "welded": True,
        "corners": [{"at": at} for at in ([-40, 0], [70, 0], [70, 30], [-40, 30])],
        "holes": [{"joint": "lower_lateral_inner", "diameter": 12.2, "bolt_axis": [1, 0, 0]}],
    }
    # The leg stands half an allowance short of the line, an inside radius and half a thickness on.
    plate = bent((taken, 90.0, 4.0, 0.4), at=axle.left, **told)
    for one, corner in ((plate, axle.left), (mirrored_plate(plate), axle.right)):
        (held,) = placings(one, axle)
        there = corner.points["lower_lateral_inner"]
        axis = np.array([1.0, 0.0, 0.0])
        np.testing.assert_allclose(np.abs((held.spot - there) @ axis), 2.0, atol=1e-9)
        np.testing.assert_allclose(np.cross(held.spot - there, axis), 0.0, atol=1e-9)
        assert (held.level_deg, held.plan_deg) == pytest.approx((0.0, 0.0), abs=1e-6)
        off = [t.distance_mm for t in held.tapes]
        places = np.array([t.at for t in held.tapes])
        again = least_squares(
            lambda p, places=places, off=off: np.linalg.norm(p - places, axis=1) - off,
            held.spot + 5.0,
        )
        np.testing.assert_allclose(again.x, held.spot, atol=0.01)


# --- solids and gaps ------------------------------


def test_every_plates_solid_is_closed_and_holds_its_volume(drawn):
    for plates in drawn.values():
        for p in plates:
            plate = p.sides[Side.LEFT]
            mesh = trimesh.Trimesh(*plate_mesh(plate), process=False)
            assert mesh.is_watertight
            assert mesh.is_winding_consistent
            metal = plate.net_area_mm2 * plate.thickness_mm
            if p.name == "hose_bracket":  # 34 mm of it bent: the middle is longer than the k layer
                metal += 34.0 * 3.0 * math.pi / 2.0 * ((3.0 + 1.5) - (3.0 + 0.4 * 3.0))
            # Chords of 0.05 mm sagitta at most.
            assert mesh.volume == pytest.approx(metal, rel=2e-3)


def test_the_ears_faces_are_measured_from_the_link_between_them(planned, drawn):
    axle = planned.axles["rear"]
    ear = next(p for p in drawn["rear"] if p.name == "lower_link_ear")
    link = next(b for b in axle.left.bodies if b.name == "lower_lateral")
    corner = replace(axle.left, bodies=(link, plate_body(ear.sides[Side.LEFT])))
    still = {part: np.eye(4)[None, None] for part in axle.left.layout.parts}
    (pair,) = survey(corner, still).pairs
    assert pair.least.gap_mm == pytest.approx(
        least_by_slices(ear.sides[Side.LEFT], axle.left, radius_mm=19.0), abs=0.06
    )  # facets up to 0.05 mm inside the arcs
    assert any("chords up to 0.05 mm inside" in note for note in pair.notes)


def least_by_slices(plate, corner, *, radius_mm):
    """Distance of the link's axis from the plates, point by point: in the plane by shapely, out
    of it by the plate's thickness."""
    rings = [sampled(loop, error_mm=1e-3) for loop in (plate.outline, *plate.inner_loops)]
    flat = shapely.Polygon(rings[0], rings[1:])
    ends = corner.points["lower_lateral_inner"], corner.points["lower_lateral_outer"]
    axis = ends[0] + np.linspace(0.0, 1.0, 4001)[:, None] * (ends[1] - ends[0])
    least = np.inf
    for stand in plate.stands:
        x, y, z = apply(np.linalg.inv(stand), axis).T
        over = np.maximum(np.abs(z) - plate.thickness_mm / 2.0, 0.0)
        beside = shapely.distance(flat, shapely.points(x, y))
        least = min(least, float(np.hypot(over, beside).min()))
    return least - radius_mm


def test_a_plate_is_never_left_out_nearer_than_it_is_said_to_be(planned, drawn):
    axle = planned.axles["rear"]
    sweep = swept(axle)
    solid = [plate_body(p.sides[Side.LEFT]) for p in drawn["rear"]]
    corner = replace(axle.left, bodies=(*axle.left.bodies, *solid))
    far = far_from_plates(corner, sweep.left.poses, axle)
    assert len(far) > 20
    coarse = {p: m[:, ::8] for p, m in sweep.left.poses.items()}
    left = [
        b
        for b in corner.bodies
        if b.name in ("damper", "tyre", "driveshaft", *(s.name for s in solid))
    ]
    found = survey(replace(corner, bodies=tuple(left)), coarse)
    for pair in found.pairs:
        if frozenset(pair.pair) in far:
            a, b = (placed(next(x for x in left if x.name == n)) for n in pair.pair)
            assert pair.least.gap_mm >= floor_mm(a, b, coarse) - 1e-6
            plate, other = (a, b) if isinstance(a, MeshSolid) else (b, a)
            assert pair.least.gap_mm >= ball_floor_mm(plate, other, coarse) - 1e-6
            assert pair.least.gap_mm > FAR_MM


def test_the_steering_arm_rides_on_the_knuckle_when_points_move_and_parts_stay(file):
    before, after = (build_car(file, v).axles["front"].left for v in ("planned", "top_mount_in_10"))
    spec = build_car(file, "planned").axles["front"].plates["arm_plate"]
    plates = [draw_plate("arm_plate", spec, c) for c in (before, after)]
    holes = [np.array([apply(p.placement, [*h.centre, 0.0]) for h in p.holes]) for p in plates]
    for name in ("lower_ball_joint", "tie_rod_outer", "wheel_centre"):
        away = [
            np.linalg.norm(h - c.points[name], axis=1)
            for h, c in zip(holes, (before, after), strict=True)
        ]
        np.testing.assert_allclose(away[0], away[1], atol=1e-6)
