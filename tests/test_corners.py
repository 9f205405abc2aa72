"""Fillets, dog-bones, tabs, notches, curved slots, bends: closed forms and shapely's buffers."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely

from linkview.errors import PlateRefused
from linkview.geometry import frozen
from linkview.plates.bends import Bend, allowance_mm, flat_length_mm, outside_leg_mm
from linkview.plates.corners import (
    curved_slot,
    dog_boned,
    filleted,
    tab_opening,
    with_round_notch,
    with_tab,
)
from linkview.plates.edges import Arc, Line
from linkview.plates.offset import offset
from linkview.plates.outline import area_mm2, contains, edges, faults, hull, polygon, sampled

PLATE = polygon([[0, 0], [100, 0], [100, 60], [0, 60]])


def solid(loop):
    return shapely.Polygon(sampled(loop, error_mm=1e-4))


def test_fillets_take_the_corner_less_a_quarter_circle():
    # Each right-angled corner loses r^2 (1 - pi / 4).
    rounded = filleted(PLATE, {0: 10.0, 1: 5.0, 2: 20.0, 3: 30.0})
    lost = (1.0 - math.pi / 4.0) * (100 + 25 + 400 + 900)
    assert area_mm2(rounded) == pytest.approx(6000.0 - lost, abs=1e-9)
    assert faults(rounded) == ()
    for e, f in zip(edges(rounded), (*edges(rounded)[1:], edges(rounded)[0]), strict=True):
        if isinstance(e, Arc) != isinstance(f, Arc):  # tangent: a line is square to the radius
            arc, line = (e, f) if isinstance(e, Arc) else (f, e)
            along = (line.b - line.a) / abs(line.b - line.a)
            assert abs((along.conjugate() * (e.b - arc.centre)).real) < 1e-9


def test_a_fillet_between_a_line_and_an_arc_is_tangent_to_both():
    notched = with_round_notch(PLATE, 2, middle_mm=50.0, radius_mm=30.0, depth_mm=18.0)
    corner = int(np.argmin(np.linalg.norm(notched.points - [77.5, 60.0], axis=1)))
    rounded = filleted(notched, {corner: 3.0})
    assert faults(rounded) == ()
    fillet = next(e for e in edges(rounded) if isinstance(e, Arc) and abs(e.radius - 3.0) < 1e-9)
    tube = next(e for e in edges(rounded) if isinstance(e, Arc) and abs(e.radius - 30.0) < 1e-9)
    assert abs(fillet.centre - tube.centre) == pytest.approx(33.0, abs=1e-9)
    assert fillet.centre.imag == pytest.approx(57.0, abs=1e-9)


def test_a_fillet_larger_than_its_edge_is_refused():
    with pytest.raises(PlateRefused, match=r"fillet = 61 at corner 1 .*60\.0 mm left"):
        filleted(PLATE, {1: 61.0})
    with pytest.raises(PlateRefused, match="fillet = 35"):  # two that share a 60 mm edge
        filleted(PLATE, {1: 35.0, 2: 35.0})


def test_a_dog_bone_passes_through_its_corner_and_lets_a_square_tab_seat():
    notched = with_tab(PLATE, 1, middle_mm=30.0, width_mm=20.0, depth_mm=-8.0)
    relieved = dog_boned(notched, [3, 4], 2.0)
    assert faults(relieved) == ()
    # Each relief takes half a disc less the triangle of its chord's corner: pi r^2 / 2 - r^2.
    taken = area_mm2(notched) - area_mm2(relieved)
    assert taken == pytest.approx(2.0 * (math.pi / 2.0 - 1.0) * 4.0, abs=1e-9)
    assert solid(relieved).boundary.distance(shapely.Point(92.0, 20.0)) < 1e-6
    assert solid(relieved).intersection(shapely.box(92.0, 20.0, 100.0, 40.0)).area < 1e-3


def test_a_dog_bone_too_large_for_its_edge_is_refused():
    notched = with_tab(PLATE, 1, middle_mm=30.0, width_mm=20.0, depth_mm=-3.0)
    with pytest.raises(PlateRefused, match="dog-bone of radius 4"):
        dog_boned(notched, [3], 4.0)


def test_tabs_add_their_own_area_and_need_a_straight_edge_long_enough():
    tabbed = with_tab(PLATE, 1, middle_mm=30.0, width_mm=20.0, depth_mm=8.0)
    assert area_mm2(tabbed) == pytest.approx(6160.0, abs=1e-9)
    with pytest.raises(PlateRefused, match=r"the edge is 60\.0 mm long"):
        with_tab(PLATE, 1, middle_mm=5.0, width_mm=20.0, depth_mm=8.0)


def test_a_tab_goes_through_its_opening_with_the_play_it_was_given():
    opening = tab_opening([10.0, 20.0], [1.0, 2.0], length_mm=18.4, width_mm=6.4, relief_mm=1.0)
    tab = tab_opening([10.0, 20.0], [1.0, 2.0], length_mm=18.0, width_mm=6.0, relief_mm=0.0)
    assert faults(opening) == ()
    assert solid(opening).contains(solid(tab))
    assert solid(opening).boundary.distance(solid(tab)) == pytest.approx(0.2, abs=1e-4)


def test_the_round_notch_is_the_tube_cut_out_of_the_edge():
    notched = with_round_notch(PLATE, 2, middle_mm=50.0, radius_mm=30.0, depth_mm=18.0)
    tube = shapely.Point(50.0, 72.0).buffer(30.0, quad_segs=2000)
    assert area_mm2(notched) == pytest.approx(solid(PLATE).difference(tube).area, abs=0.01)
    with pytest.raises(PlateRefused, match="between 0 and the tube's radius 30"):
        with_round_notch(PLATE, 2, middle_mm=50.0, radius_mm=30.0, depth_mm=31.0)


def test_a_curved_slot_is_the_band_round_its_arc():
    slot = curved_slot([5.0, -3.0], 50.0, 0.2, 1.4, 8.5)
    angles = np.linspace(0.2, 1.4, 3000)
    arc = shapely.LineString(np.column_stack([5 + 50 * np.cos(angles), -3 + 50 * np.sin(angles)]))
    band = arc.buffer(4.25, quad_segs=400)
    assert solid(slot).symmetric_difference(band).area < 0.01  # mm2
    assert faults(slot) == ()
    for bad in ((4.0, 0.0, 1.0), (50.0, 1.0, 1.0), (50.0, 0.0, 6.2)):
        with pytest.raises(PlateRefused, match="would close on itself"):
            curved_slot([0.0, 0.0], *bad, 8.5)


# --- offset ---------------------------------------------------------------------------------------


def grown(loop, by_mm):
    """The plate and a band along each of its edges: what GEOS's one-step buffer rounds off."""
    spots = sampled(loop, error_mm=1e-3)
    ring = np.vstack([spots, spots[:1]])
    bands = [
        shapely.LineString(ring[i : i + 2]).buffer(abs(by_mm), quad_segs=64)
        for i in range(len(spots))
    ]
    band = shapely.unary_union(bands)
    plate = shapely.Polygon(spots)
    return plate.union(band) if by_mm > 0 else plate.difference(band)


SHAPES = {
    "filleted": filleted(PLATE, {0: 10.0, 1: 5.0, 2: 20.0, 3: 30.0}),
    "tabbed": with_tab(PLATE, 1, middle_mm=30.0, width_mm=20.0, depth_mm=8.0),
    "notched": with_round_notch(PLATE, 2, middle_mm=50.0, radius_mm=30.0, depth_mm=18.0),
    "dog-boned": tab_opening([0, 0], [1, 1], length_mm=30.0, width_mm=6.2, relief_mm=1.0),
    "curved slot": curved_slot([0, 0], 50.0, 0.2, 1.4, 8.5),
    "hull": hull([[0, 0], [80, 0], [20, 50]], [20, 10, 5]),
}


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("by_mm", [0.5, 3.0, -0.5, -2.0, -9.0])
def test_an_offset_is_everything_within_that_distance(shape, by_mm):
    want = grown(SHAPES[shape], by_mm)
    got = offset(SHAPES[shape], by_mm)
    # The bands' chords lose up to 3e-4 of each disc they are made of.
    assert sum(area_mm2(loop) for loop in got) == pytest.approx(want.area, rel=1.5e-3, abs=0.1)
    assert all(faults(loop) == () for loop in got)
    assert all(isinstance(e, Line | Arc) for loop in got for e in edges(loop))


def test_there_and_back_is_where_it_began_for_a_round_cornered_plate():
    rounded = filleted(PLATE, {0: 10.0, 1: 10.0, 2: 20.0, 3: 30.0})
    (out,) = offset(rounded, 4.0)
    (back,) = offset(out, -4.0)
    assert area_mm2(back) == pytest.approx(area_mm2(rounded), rel=1e-9)
    assert len(edges(back)) == len(edges(rounded))


def test_an_inward_offset_falls_into_two_loops_at_a_narrow_waist():
    bone = polygon([[0, 0], [40, 0], [40, 17], [60, 17], [60, 0], [100, 0], [100, 40], [60, 40],
                    [60, 23], [40, 23], [40, 40], [0, 40]])  # fmt: skip
    assert len(offset(bone, -2.0)) == 1
    assert len(offset(bone, -4.0)) == 2
    assert offset(bone, -25.0) == ()


# --- bends ----------------------------------------------------------------------------------------


def test_bend_allowance_is_the_neutral_lines_arc():
    # L = angle (r + k t): 90 deg, r 3, t 3, k 0.4 gives pi / 2 x 4.2.
    assert allowance_mm(90.0, 3.0, 3.0, 0.4) == pytest.approx(math.pi / 2 * 4.2, rel=1e-12)
    bend = Bend(frozen([0.0, 0.0]), frozen([30.0, 0.0]), 90.0, 3.0, 0.4)
    flat = flat_length_mm((40.0, 30.0), bend, 3.0)
    assert flat == pytest.approx(40 + 30 - 2 * 6.0 + math.pi / 2 * 4.2, rel=1e-12)


def test_legs_measured_after_bending_add_up_to_the_flat_length_again():
    bend = Bend(frozen([0.0, 0.0]), frozen([30.0, 0.0]), -60.0, 5.0, 0.33)
    legs = tuple(outside_leg_mm(flat, bend, 4.0) for flat in (34.0, 51.0))
    assert flat_length_mm(legs, bend, 4.0) == pytest.approx(34.0 + 51.0, rel=1e-12)


def test_the_relief_lies_on_the_open_side():
    opening = tab_opening([0, 0], [1, 0], length_mm=20.0, width_mm=6.0, relief_mm=1.0)
    assert contains(opening, [10.2, 2.3])
    assert not contains(opening, [10.8, 0.0])


@pytest.mark.parametrize("seed", range(40))
def test_offsets_of_random_filleted_polygons(seed):
    dice = np.random.default_rng(seed)
    loop = polygon([[0.0, 0.0], [1.0, 1.0]])
    while faults(loop) or area_mm2(loop) < 50.0:
        count = int(dice.integers(3, 9))
        angles = np.sort(dice.uniform(0.0, math.tau, count))
        reach = dice.uniform(15.0, 60.0, (count, 2))
        loop = polygon(reach * np.column_stack([np.cos(angles), np.sin(angles)]))
    for corner in range(count):
        try:
            loop = filleted(loop, {corner: float(dice.uniform(1.0, 6.0))})
        except PlateRefused:
            break
    for by_mm in (float(dice.uniform(0.3, 12.0)), -float(dice.uniform(0.3, 9.0))):
        got = sum(area_mm2(piece) for piece in offset(loop, by_mm))
        assert got == pytest.approx(grown(loop, by_mm).area, rel=3e-3, abs=0.5)
