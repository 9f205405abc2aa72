"""Contours of lines and arcs against shapely (dense polygons), the DXF reference and hand sums."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from linkview.plates.edges import crossings, edge, gap, reach
from linkview.plates.outline import (
    area_mm2,
    bounding_box,
    circle,
    contains,
    contour,
    edges,
    faults,
    flipped,
    hull,
    length_mm,
    margin_mm,
    polygon,
    sampled,
    slot,
    web_mm,
)

# Chords of the sampled polygon stay within this of the arcs, so that areas agree within it times
# the length and distances within twice it.
ERROR_MM = 1e-4

# The demo bracket's outline as its drawing gives it: an eye of radius 26 about (0, 0), corners at
# (+-38, 60), a notch of radius 30.15 about (0, 72).
DEMO = [
    (38.0, 60.0, 0.0),
    (27.659, 60.0, -0.656205),
    (-27.659, 60.0, 0.0),
    (-38.0, 60.0, 0.0),
    (-25.533, -4.904, 0.826201),
    (25.533, -4.904, 0.0),
]


def demo():
    table = np.array(DEMO)
    return contour(table[:, :2], table[:, 2])


def shape(loop):
    return shapely.Polygon(sampled(loop, error_mm=ERROR_MM))


# The machine may be busy: a slow example is no fault.
calm = settings(deadline=None, max_examples=150)

coordinate = st.floats(-60.0, 60.0)
radius = st.floats(2.0, 30.0)
place = st.tuples(coordinate, coordinate)
discs = st.lists(st.tuples(coordinate, coordinate, radius), min_size=1, max_size=6)


@st.composite
def rough_loops(draw):
    """Star-shaped polygons with any bulges: some cross themselves, some do not."""
    n = draw(st.integers(3, 7))
    angles = np.arange(n) + 0.6 * np.array(draw(st.lists(st.floats(0, 1), min_size=n, max_size=n)))
    angles *= 2 * math.pi / n
    radii = np.array(draw(st.lists(st.floats(10, 50), min_size=n, max_size=n)))
    bulges = draw(
        st.lists(st.sampled_from([0.0, 0.3, -0.3, 0.9, -0.9, 1.6]), min_size=n, max_size=n)
    )
    return contour(radii[:, None] * np.column_stack([np.cos(angles), np.sin(angles)]), bulges)


def test_demo_outline_area_by_hand():
    # Truth: the trapezium of the corners, plus the eye's segment, minus the notch's segment,
    # r^2/2 (theta - sin theta) from the radii and chords alone, no bulge used.
    half_eye = math.pi / 2 - math.atan2(4.904, 25.533)
    half_notch = math.asin(27.659 / 30.15)
    straight = (2 * 38.0 + 2 * 25.533) / 2 * (60.0 + 4.904)
    eye = 26.0**2 / 2 * (2 * half_eye - math.sin(2 * half_eye))
    notch = 30.15**2 / 2 * (2 * half_notch - math.sin(2 * half_notch))
    # Vertices are given to 0.001 mm over a length of 295 mm.
    assert area_mm2(demo()) == pytest.approx(straight + eye - notch, abs=0.1)


def test_bulges_are_those_of_the_dxf_reference():
    # DXF reference, LWPOLYLINE code 42: 1 is a semicircle, tan(90 deg / 4) = 0.414214 a quarter.
    half = edge(0j, 2 + 0j, 1.0)
    assert half.length_mm == pytest.approx(math.pi, abs=1e-12)
    assert half.at(0.5) == pytest.approx(1 - 1j)  # counter-clockwise: bulging to the right
    quarter = contour([[0, 0], [1, 0], [0, 1]], [0, 0.414214, 0])
    assert area_mm2(quarter) == pytest.approx(math.pi / 4, abs=1e-6)  # six printed digits
    assert length_mm(quarter) == pytest.approx(2 + math.pi / 2, abs=1e-6)


def test_circle_and_slot_by_formula():
    assert area_mm2(circle([3, 4], 7.1)) == pytest.approx(math.pi * 7.1**2, rel=1e-14)
    assert length_mm(circle([3, 4], 7.1)) == pytest.approx(math.tau * 7.1, rel=1e-14)
    obround = slot([0, -12], [0, 12], 8.5)
    assert area_mm2(obround) == pytest.approx(24 * 8.5 + math.pi * 4.25**2, rel=1e-14)
    assert length_mm(obround) == pytest.approx(48 + math.pi * 8.5, rel=1e-14)
    assert bounding_box(obround) == pytest.approx((-4.25, -16.25, 4.25, 16.25))


@calm
@given(discs)
def test_hull_is_shapelys_hull_of_dense_discs(discs):
    loop = hull([d[:2] for d in discs], [d[2] for d in discs])
    dense = shapely.union_all([shapely.Point(d[:2]).buffer(d[2], quad_segs=720) for d in discs])
    truth = dense.convex_hull
    assert faults(loop) == ()
    # A 2880-gon inside a circle is 8e-7 of its area short: 2.3e-3 mm2 at radius 30.
    assert area_mm2(loop) == pytest.approx(truth.area, abs=0.02)
    assert length_mm(loop) == pytest.approx(truth.length, abs=1e-3)


def test_hull_draws_no_edge_twice_where_many_circles_share_a_tangent():
    loop = hull([[x, y] for x in (0, 30, 60) for y in (0, 40)], [5.0] * 6)
    assert len(loop.points) == 8
    assert area_mm2(loop) == pytest.approx(70 * 50 - (4 - math.pi) * 25, rel=1e-14)


@pytest.mark.parametrize(
    "loop", [slot([0, 0], [9, 5], 4), hull([[0, 0], [50, 0], [20, 40]], [9, 5, 12]), demo()]
)
def test_closing_edge_is_straight(loop):
    # Some readers drop the bulge of the last vertex.
    assert loop.bulges[-1] == 0.0


@calm
@given(rough_loops())
def test_crossing_loops_are_told_from_sound_ones(loop):
    pieces = edges(loop)
    n = len(pieces)
    apart = [
        gap(pieces[i], pieces[j]) for i in range(n) for j in range(i + 2, n) if (j + 1) % n != i
    ]
    near = [
        abs(p - corner)
        for i in range(n)
        for p in crossings(pieces[i - 1], pieces[i])
        if abs(p - (corner := pieces[i].a)) > 1e-6
    ]
    # Where edges all but touch, or cross right beside their shared corner, the sampled polygon
    # (chords of up to 0.1 mm) cannot decide.
    assume(all(g == 0.0 or g > 0.05 for g in apart) and all(d > 0.5 for d in near))
    dense = shape(loop)
    assert (faults(loop) == ()) == dense.is_valid


@calm
@given(rough_loops(), place)
def test_measures_agree_with_shapely(loop, point):
    dense = shape(loop)
    assume(faults(loop) == () and dense.is_valid)
    assert abs(area_mm2(loop)) == pytest.approx(dense.area, abs=ERROR_MM * length_mm(loop))
    assert length_mm(loop) == pytest.approx(dense.length, rel=1e-4)
    assert bounding_box(loop) == pytest.approx(dense.bounds, abs=ERROR_MM)
    away = dense.boundary.distance(shapely.Point(point))
    assert margin_mm(loop, point) == pytest.approx(away, abs=ERROR_MM)
    assume(away > 2 * ERROR_MM)
    assert contains(loop, point) == dense.contains(shapely.Point(point))


@pytest.mark.parametrize("x", [-6.9, -3.0, 0.0, 3.0, 6.9])
def test_points_on_the_chord_of_a_half_turn_are_inside(x):
    assert contains(circle([0, 0], 7.0), [x, 0.0])
    assert contains(slot([0, -12], [0, 12], 14.0), [x, 12.0])
    assert contains(slot([0, -12], [0, 12], 14.0), [x, -12.0])
    assert not contains(circle([0, 0], 7.0), [x + math.copysign(14.0, x), 0.0])


@calm
@given(rough_loops(), rough_loops(), place)
def test_webs_agree_with_shapely(one, other, shift):
    other = contour(other.points + shift, other.bulges)
    truth = shape(one).boundary.distance(shape(other).boundary)
    assert web_mm(one, other) == pytest.approx(truth, abs=2 * ERROR_MM)


@calm
@given(place, radius, place, radius)
def test_web_between_two_holes_is_centres_less_radii(a, ra, b, rb):
    d = math.dist(a, b)
    truth = max(d - ra - rb, abs(ra - rb) - d, 0.0)
    assert web_mm(circle(a, ra), circle(b, rb)) == pytest.approx(truth, abs=1e-9)


@calm
@given(place, place, place, st.sampled_from([-1.7, -0.8, 0.0, 0.2, 1.0, 2.5]))
def test_reach_is_the_least_of_a_dense_row_of_points(a, b, p, bulge):
    a, b, p = complex(*a), complex(*b), complex(*p)
    assume(abs(b - a) > 1.0)
    e = edge(a, b, bulge)
    row = contour([[a.real, a.imag], [b.real, b.imag]], [bulge, 0.0])
    points = sampled(row, error_mm=1e-3) if bulge else np.array([[a.real, a.imag]])
    ends = np.array([[b.real, b.imag]])
    truth = shapely.LineString(np.vstack([points, ends]))
    truth = truth.distance(shapely.Point(p.real, p.imag))
    assert reach(e, p) == pytest.approx(truth, abs=2e-3)


@calm
@given(rough_loops())
def test_flipped_twice_is_itself(loop):
    once = flipped(loop)
    assert area_mm2(once) == pytest.approx(area_mm2(loop), rel=1e-9, abs=1e-6)
    assert once.bulges[-1] == loop.bulges[-1]
    twice = flipped(once)
    assert np.array_equal(twice.points, loop.points)
    assert np.array_equal(twice.bulges, loop.bulges)


@pytest.mark.parametrize(
    ("loop", "phrase"),
    [
        (polygon([[0, 0], [10, 10], [10, 0], [0, 10]]), "crosses or touches itself at (5.000, 5.0"),
        (polygon([[0, 0], [10, 0], [4, 0], [5, 8]]), "crosses or touches itself at (4.000, 0.000"),
        (polygon([[0, 0], [10, 0], [10, 10], [5, 0], [0, 5]]), "itself at (5.000, 0.000)"),
        (polygon([[0, 0], [10, 0], [10, 0], [5, 8]]), "an edge of no length at (10.000, 0.000)"),
        (polygon([[0, 0], [10, 0]]), "encloses no area"),
        (polygon([[0, 0], [10, 0], [math.nan, 4]]), "not a number"),
        (polygon([[0, 0]]), "1 vertices"),
    ],
)
def test_faulty_loops_say_where(loop, phrase):
    assert phrase in " ".join(faults(loop))
