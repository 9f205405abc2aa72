"""Bent plates: the folded solid against closed forms, shapely's section and trimesh's volume, and
the holes on turned legs against the joints they hold.

Bend: L = angle (r + k t); DIN 6935's k = .65 + .5 log10(r / s), at most 1, counts half thicknesses
(from memory; copies contradict each other).
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
import shapely
import trimesh
from plate_cases import STRIP_MM, bent, corner
from scipy.spatial.transform import Rotation

from linkview.clearance.gaps import survey
from linkview.errors import PlateRefused
from linkview.geometry import apply, frozen, rigid
from linkview.model.bodies import Box
from linkview.model.layouts import FIVE_LINK
from linkview.plates.bends import Bend, flat_length_mm
from linkview.plates.legs import leg_sizes
from linkview.plates.plate import mirrored_plate, pin_misses
from linkview.plates.solid import CHORD_MM, plate_body, plate_mesh

WIDE, T = STRIP_MM


def solid(plate, chord_mm=CHORD_MM):
    mesh = trimesh.Trimesh(*plate_mesh(plate, chord_mm=chord_mm), process=False)
    assert mesh.is_watertight
    assert mesh.is_winding_consistent
    return mesh


BENDS = {
    "square up": (10.0, 90.0, 3.0, 0.4),
    "square down": (10.0, -90.0, 3.0, 0.4),
    "sharp": (10.0, 35.0, 0.5, 0.33),
    "by DIN 6935": (10.0, 60.0, 6.0, (0.65 + 0.5 * math.log10(6.0 / T)) / 2.0),
    "past square": (10.0, -120.0, 8.0, 0.5),
    "hem": (10.0, 180.0, 2.0, 0.35),
}


@pytest.mark.parametrize("what", BENDS)
def test_the_folded_solid_is_two_flat_legs_and_a_ring_sector(what):
    _, angle, r, k = BENDS[what]
    turned = math.radians(abs(angle))
    taken = turned * (r + k * T)
    mesh = solid(bent(BENDS[what]), chord_mm=1e-3)
    flats = 80.0 - taken
    sector = turned / 2.0 * ((r + T) ** 2 - r**2)
    assert mesh.volume == pytest.approx(WIDE * (flats * T + sector), rel=2e-4)
    edges = 2.0 * (flats * T + sector) + 2.0 * WIDE * T
    faces = WIDE * (2.0 * flats + turned * (2.0 * r + T))
    assert mesh.area == pytest.approx(edges + faces, rel=2e-4)


@pytest.mark.parametrize("what", BENDS)
def test_its_section_is_shapelys_band_round_the_folded_middle(what):
    x, angle, r, k = BENDS[what]
    mesh = solid(bent(BENDS[what]), chord_mm=1e-3)
    lines = mesh.section(plane_origin=[0.0, WIDE / 2.0, 0.0], plane_normal=[0.0, 1.0, 0.0])
    (ring,) = (shapely.Polygon(ring[:, [0, 2]]) for ring in lines.discrete)
    # The middle line drawn anew: a straight, an arc, a straight.
    taken = math.radians(abs(angle)) * (r + k * T)
    start, sense = x - taken / 2.0, math.copysign(1.0, angle)
    a = np.linspace(0.0, math.radians(abs(angle)), 2000)
    m = r + T / 2.0
    arc = np.column_stack([start + m * np.sin(a), sense * (m - m * np.cos(a))])
    tip = arc[-1] + (60.0 - x - taken / 2.0) * np.array([math.cos(a[-1]), sense * math.sin(a[-1])])
    band = shapely.LineString([[-20.0, 0.0], *arc, tip]).buffer(T / 2.0, cap_style="flat")
    assert band.symmetric_difference(ring).area < 2e-4 * band.area


@pytest.mark.parametrize("what", ["square up", "square down", "sharp", "by DIN 6935"])
def test_legs_measured_on_the_solid_give_the_flat_length_back(what):
    """The mesh is measured as with a square: outside corner to both ends."""
    x, angle, r, k = BENDS[what]
    mesh = solid(bent(BENDS[what]), chord_mm=1e-3)
    a = math.radians(abs(angle))
    way = np.array([math.cos(a), 0.0, math.copysign(math.sin(a), angle)])
    outer = np.array([0.0, 0.0, -math.copysign(T / 2.0, angle)])
    # Outside corner: where the first leg's outer face meets the second's.
    second = np.array([-way[2], 0.0, way[0]]) * -math.copysign(1.0, angle)
    far = float((mesh.vertices @ second).max())
    corner_x = (far - outer[2] * second[2]) / second[0]
    apex = np.array([corner_x, 0.0, outer[2]])
    legs = corner_x + 20.0, float(((mesh.vertices - apex) @ way).max())
    bend = Bend(frozen([x, 0.0]), frozen([x, WIDE]), angle, r, k)
    assert flat_length_mm(legs, bend, T) == pytest.approx(80.0, abs=2e-3)
    ((_, told),) = leg_sizes(bent(BENDS[what]))
    assert [leg.outside_mm for leg in told] == pytest.approx(sorted(legs), abs=2e-3)
    for leg in told:
        assert leg.outside_mm - leg.inside_mm == pytest.approx(T * math.tan(a / 2.0))


def test_the_layer_at_k_keeps_its_length_and_the_outside_is_stretched():
    k = BENDS["square up"][3]
    plate = bent(BENDS["square up"])
    edge = np.isclose(plate.fold.sheet.vertices[:, 1], 0.0)
    order = np.argsort(plate.fold.sheet.vertices[edge, 0])
    for w, more in ((T / 2.0 - k * T, 0.0), (-T / 2.0, math.pi / 2.0 * (1.0 - k) * T)):
        line = plate.fold.level(w)[edge][order]
        length = np.linalg.norm(np.diff(line, axis=0), axis=1).sum()
        assert length == pytest.approx(80.0 + more, abs=0.1)  # chords of 0.05 mm
        assert length > 79.9 + more


def test_a_channel_is_as_wide_over_its_corners_as_it_says():
    plate = bent((-10.0, 90.0, 2.0, 0.4), (30.0, 90.0, 2.0, 0.4), corners=[
        {"at": p} for p in ([-40.0, 0.0], [60.0, 0.0], [60.0, WIDE], [-40.0, WIDE])
    ])  # fmt: skip
    (_, (over, _)), (_, (again, _)) = leg_sizes(plate)  # both bends are folded from the web
    wide = np.ptp(solid(plate).vertices[:, 0])
    assert over.outside_mm == pytest.approx(wide, abs=1e-6)
    assert again.outside_mm == pytest.approx(wide, abs=1e-6)
    assert over.inside_mm == pytest.approx(wide - 2.0 * T, abs=1e-6)
    assert (over.end, again.end) == ("the corner of bend 2", "the corner of bend 1")


def hinge(angle, x, r, k, sense=1.0):
    """A turned leg's move written apart: scipy's rotation about the bend's own axis."""
    taken = math.radians(angle) * (r + k * T)
    axis = np.array([x - taken / 2.0, 0.0, sense * (r + T / 2.0)])
    turn = Rotation.from_euler("y", -sense * angle, degrees=True)
    return turn, axis, np.array([taken, 0.0, 0.0])


def test_a_joint_on_the_turned_leg_has_its_hole_on_its_axis():
    x, angle, r, k = 10.0, 75.0, 4.0, 0.42
    turn, axis, shift = hinge(angle, x, r, k)
    stand = rigid(Rotation.from_euler("zyx", [30, -20, 12], degrees=True).as_matrix(), [5, 6, 7])
    flat = np.array([45.0, 12.0, 0.0])
    joint = apply(stand, turn.apply(flat - shift - axis) + axis)
    bolt = stand[:3, :3] @ turn.apply([0.0, 0.0, 1.0])
    at = corner(FIVE_LINK, {"lower_lateral_inner": joint})
    changed = {
        "origin": stand[:3, 3].tolist(),
        "normal": stand[:3, 2].tolist(),
        "x_direction": stand[:3, 0].tolist(),
        "holes": [
            {"at": [-10.0, 15.0], "diameter": 6.0},
            {"joint": "lower_lateral_inner", "diameter": 8.0, "bolt_axis": bolt.tolist()},
        ],
    }
    plate = bent((x, angle, r, k), at=at, **changed)
    np.testing.assert_allclose(plate.holes[1].centre, flat[:2], atol=1e-9)
    for one in (plate, mirrored_plate(plate), mirrored_plate(mirrored_plate(plate))):
        (miss,) = pin_misses(one, one.pins[0])
        assert miss.off_mm < 1e-9
        assert miss.tilt_deg < 1e-5
    # The hole is where the solid has it: its rim lies round the joint, square to the bolt.
    mesh = solid(plate, chord_mm=1e-3).apply_transform(plate.placement)
    away = mesh.vertices - joint
    along = away @ bolt
    radius = np.linalg.norm(away - along[:, None] * bolt, axis=1)
    rim = radius < 4.5
    assert rim.sum() > 40
    np.testing.assert_allclose(radius[rim], 4.0, atol=1e-9)
    np.testing.assert_allclose(np.abs(along[rim]), T / 2.0, atol=1e-9)
    changed["holes"][1]["bolt_axis"] = [0.0, 0.0, 1.0]
    with pytest.raises(PlateRefused, match=r"holes.bolt_axis .* deg off this bolt"):
        bent((x, angle, r, k), at=at, **changed)
    changed["holes"][1] = {"joint": "lower_lateral_inner", "diameter": 8.0}
    with pytest.raises(PlateRefused, match="over the plane of the nearest leg"):
        bent((x, angle + 5.0, r, k), at=at, **changed)


def test_the_mirrored_bracket_is_the_mirror_image_of_the_bent_one():
    plate = bent((10.0, 60.0, 4.0, 0.4), (40.0, -30.0, 4.0, 0.4), origin=[100.0, 300.0, 50.0])
    one, other = (solid(p).apply_transform(p.placement) for p in (plate, mirrored_plate(plate)))
    assert other.volume == pytest.approx(one.volume)
    # Other triangles, the same solid: extents, middle and moments of inertia.
    y = np.diag([1.0, -1.0, 1.0])
    np.testing.assert_allclose(np.sort(other.bounds @ y, axis=0), one.bounds, atol=1e-9)
    np.testing.assert_allclose(y @ other.center_mass, one.center_mass, atol=1e-7)
    np.testing.assert_allclose(y @ other.moment_inertia @ y, one.moment_inertia, rtol=1e-7, atol=1)


def test_a_gap_is_measured_to_the_turned_leg():
    """A block over the flat plate, beside the leg that the bend turns up to it."""
    plate = bent((10.0, 90.0, 3.0, 0.4))
    leg_x = 10.0 - math.pi / 4.0 * 4.2 + 3.0 + T  # its outer face
    low, high = [leg_x + 7.0, 10.0, 25.0], [leg_x + 17.0, 20.0, 35.0]
    block = Box("block", "lower_lateral", frozen(low), frozen(high))
    at = replace(corner(FIVE_LINK, {}), bodies=(block, plate_body(plate)))
    still = {part: np.eye(4)[None, None] for part in at.layout.parts}
    (pair,) = survey(at, still).pairs
    assert pair.least.gap_mm == pytest.approx(7.0, abs=1e-6)
    flat = replace(at, bodies=(block, plate_body(replace(plate, bends=()))))
    (pair,) = survey(flat, still).pairs
    assert pair.least.gap_mm == pytest.approx(25.0 - T / 2.0, abs=1e-6)


def test_the_flat_pattern_is_the_same_with_and_without_its_bends():
    with_bends, without = bent((10.0, 90.0, 3.0, 0.4)), bent()
    for one, other in zip(
        (with_bends.outline, *with_bends.inner_loops),
        (without.outline, *without.inner_loops),
        strict=True,
    ):
        np.testing.assert_array_equal(one.points, other.points)
        np.testing.assert_array_equal(one.bulges, other.bulges)


def line(a, b, angle=90.0, radius=3.0):
    return {"from": a, "to": b, "angle": angle, "radius": radius, "k_factor": 0.4}


SHOULDER = [{"at": p} for p in ([0, 0], [60, 0], [60, 20], [40, 20], [40, 50], [0, 50])]
FRAME = [{"at": [30.0, 15.0], "diameter": 20.0}]
REFUSED = {
    "beside a shoulder": (
        {"corners": SHOULDER, "bends": [line([0, 22], [40, 22])]},
        "a shoulder 20.0 mm wide lies within 3.30 mm of its line",
    ),
    "on a shoulder": (
        {"corners": SHOULDER, "bends": [line([0, 20], [40, 20])]},
        "metal on its line goes on 20.0 mm past the line's end",
    ),
    "not right across": ({"bends": [line([20, 0], [20, 20])]}, "goes on 10.0 mm past"),
    "off the plate": ({"bends": [line([90, 0], [90, 30])]}, "its line meets no metal"),
    "two in one place": (
        {"bends": [line([20, 0], [20, 30]), line([24, 0], [24, 30])]},
        "the same metal as bend 1",
    ),
    "crossing": (
        {"bends": [line([20, 0], [20, 30]), line([-20, 15], [60, 15])]},
        "the same metal as bend 1",
    ),
    "at the edge": (
        {"bends": [line([56, 0], [56, 30])]},
        "the leg beside it is 4.0 mm in the flat",
    ),
    "through the origin": ({"bends": [line([0, 0], [0, 30])]}, "x = y = 0 lies in the metal"),
    "by nothing": ({"bends": [line([20, 0], [20, 30], angle=0.0)]}, "turns nothing"),
    "of no length": ({"bends": [line([20, 0], [20, 0])]}, "the bend line has no length"),
    "round a window": (
        {
            "tab_slots": [{"at": [30, 15], "length": 20, "width": 14}],
            "bends": [line([20, 15], [20, 30]) | {"from": [30, 22], "to": [30, 30]}],
        },
        "the metal also goes round it",
    ),
    "into itself": (
        {"bends": [line([0.5 + 14, 0], [14.5, 30], 150.0), line([32, 0], [32, 30], 150.0)]},
        "runs into itself",
    ),
}


def test_a_leg_may_taper_and_stand_clear_of_its_shoulder():
    # The line 3.31 mm off the shoulder, half the allowance being 3.30 mm.
    assert bent(corners=SHOULDER, bends=[line([0, 23.31], [40, 23.31])]).bends
    taper = [{"at": p} for p in ([-20, 0], [60, 0], [30, 50], [10, 50])]
    plate = bent(corners=taper, bends=[line([-20, 25], [60, 25])])
    np.testing.assert_allclose([plate.bends[0].start, plate.bends[0].end], [[-5, 25], [45, 25]])
    assert solid(plate).volume > 0.0


@pytest.mark.parametrize("what", REFUSED)
def test_a_fold_that_cannot_be_made_is_refused_by_name(what):
    changed, words = REFUSED[what]
    with pytest.raises(PlateRefused) as refusal:
        bent(**changed)
    assert words in str(refusal.value)
    assert str(refusal.value).startswith("plates.bracket: ")
