"""Shop rules against EN 1993-1-8's printed distances, the demo's bad example and shapely."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations

import pytest
import shapely
from plate_cases import ear, front, rear, top_mount

from linkview.errors import PlateRefused
from linkview.geometry import frozen
from linkview.plates.brackets import draw_plate
from linkview.plates.outline import polygon, sampled, web_mm
from linkview.plates.plate import Hole, Neck, Slot, labelled_cutouts
from linkview.plates.profiles import LASER, PLASMA, PROFILES, WATER_JET
from linkview.plates.shop import require_cuttable, verdicts
from linkview.plates.verdicts import Level


@pytest.fixture(scope="module")
def demo_ear():
    return draw_plate("lower_lateral_ear", ear(), rear())


@pytest.fixture(scope="module")
def top_plate():
    return draw_plate("top", top_mount(), front())


def bar(demo, *, half, holes=(), slots=(), thickness=12.0):
    """A square plate of this half width with these cuts, for rules alone."""
    square = polygon([[-half, -half], [half, -half], [half, half], [-half, half]])
    return replace(
        demo, name="bar", outline=square, holes=holes, slots=slots, necks=(), thickness_mm=thickness
    )


def hole(x, y, diameter, use="bolt"):
    return Hole(frozen([x, y]), diameter, use)


def levels(plate, profile, words):
    found = [v.level for v in verdicts(plate, profile) if words in str(v)]
    assert found, words
    return found


def test_two_holes_16_mm_apart_leave_1_8_mm_and_are_refused(demo_ear):
    # The demo's bad example: 14.2 mm holes, 16 mm apart, 6 mm sheet. 16 - 14.2 = 1.8.
    bad = replace(demo_ear, holes=(*demo_ear.holes, hole(0, 16, 14.2, "extension")))
    with pytest.raises(PlateRefused) as refusal:
        require_cuttable(bad, WATER_JET)
    told = str(refusal.value)
    assert "plates.lower_lateral_ear: hole 1 (M14 pivot bolt) and hole 2 (extension)" in told
    assert "metal between 1.8 mm, at least 6.0 mm needed" in told
    assert "centre to centre 16.0 mm, at least 31.2 mm needed (2.2 d0, EN 1993-1-8" in told
    assert "move the features apart" in told


def test_the_demo_ear_passes_with_a_word_about_its_end_distance(demo_ear):
    found = require_cuttable(demo_ear, WATER_JET)
    warned = [str(v) for v in found if v.level is Level.WARNING]
    # Eye radius 26 against 2 x 14.2 = 28.4 along the load; 1.5 x 14.2 = 21.3 across is met.
    assert warned == [
        "hole 1 (M14 pivot bolt): centre to edge along the load 26.0 mm, "
        "at least 28.4 mm needed (2 d0, common practice)"
    ]


def test_edge_distance_of_the_standard(demo_ear):
    # EN 1993-1-8 Table 3.3, M20 bolt in d0 = 22: e1, e2 >= 26.4 (secondary copy).
    at_limit = bar(demo_ear, half=26.4, holes=(hole(0, 0, 22.0),))
    under = bar(demo_ear, half=26.3, holes=(hole(0, 0, 22.0),))
    words = "1.2 d0, EN 1993-1-8 Table 3.3"
    assert levels(at_limit, WATER_JET, words) == [Level.PASS]
    assert levels(under, WATER_JET, words) == [Level.REFUSAL]


def test_spacing_of_the_standard(demo_ear):
    # The same table: p1 >= 48.4 for d0 = 22 (secondary copy).
    words = "2.2 d0, EN 1993-1-8 Table 3.3"
    for apart, level in ((48.4, Level.PASS), (48.3, Level.REFUSAL)):
        plate = bar(demo_ear, half=100.0, holes=(hole(0, 0, 22.0), hole(apart, 0, 22.0)))
        assert levels(plate, WATER_JET, words) == [level]


def test_slotted_holes_of_the_standard(demo_ear):
    # The same table: e3, e4 >= 1.5 d0, 33 mm for d0 = 22, from the slot's middle line.
    slot = Slot(frozen([-5.0, 0.0]), frozen([5.0, 0.0]), 22.0, "adjustment", True)
    for half, level in ((38.0, Level.PASS), (37.9, Level.REFUSAL)):
        plate = bar(demo_ear, half=half, slots=(slot,))
        assert levels(plate, WATER_JET, "1.5 d0, EN 1993-1-8") == [level]
    opening = replace(slot, bolted=False)
    assert not [
        v for v in verdicts(bar(demo_ear, half=20.0, slots=(opening,)), LASER) if "d0" in str(v)
    ]


@pytest.mark.parametrize(
    ("profile", "refused_below"), [(WATER_JET, 6.0), (LASER, 12.0), (PLASMA, 18.0)]
)
def test_smallest_hole_is_half_once_or_one_and_a_half_thicknesses(demo_ear, profile, refused_below):
    # Common practice: shops say 0.5, 1 or 1.5 x thickness; 12 mm sheet here.
    small = bar(demo_ear, half=90.0, holes=(hole(0, 0, refused_below - 0.1),))
    enough = bar(demo_ear, half=90.0, holes=(hole(0, 0, refused_below),))
    assert levels(small, profile, "width") == [Level.REFUSAL]
    assert levels(enough, profile, "width") == [Level.PASS]


def test_plasma_holes_are_to_be_cut_small_and_reamed(demo_ear):
    # The demo bracket's own note: for plasma cut the 14.2 hole 12.0 and ream.
    told = [str(v) for v in verdicts(demo_ear, PLASMA) if v.level is Level.WARNING]
    assert any("cut to 12.0 mm, then ream to 14.2 mm" in text for text in told)
    assert not [v for v in verdicts(demo_ear, WATER_JET) if "ream" in v.rule]


def test_a_hole_too_small_for_the_process_is_told_how_it_can_be_made(demo_ear):
    holes = (*(hole(x, 0, 9.0, "stud") for x in (-60, 0, 60)), hole(0, 60, 5.0, "pin"))
    plate = bar(demo_ear, half=90.0, holes=holes)
    with pytest.raises(PlateRefused) as refusal:
        require_cuttable(plate, PLASMA)
    told = str(refusal.value)
    assert "holes 1, 2, 3 (stud): width 9.0 mm, at least 18.0 mm" in told  # 1.5 x 12
    assert told.count("(stud)") == 1
    assert "larger bolt" in told
    assert "drill it after cutting" in told
    assert "smaller" not in told  # that would be the wrong way


def test_thin_horns_are_refused(demo_ear):
    narrow = draw_plate("ear", ear(foot_width=62.0), rear())
    with pytest.raises(PlateRefused, match=r"horn beside the tube notch: metal left 3\.3 mm"):
        require_cuttable(narrow, WATER_JET)
    thin = replace(demo_ear, necks=(Neck("waist", 5.9),))
    assert levels(thin, WATER_JET, "waist") == [Level.REFUSAL]


def test_a_hole_beside_the_plate_is_refused_whatever_its_webs(demo_ear):
    lost = replace(demo_ear, holes=(hole(200, 0, 14.2),))
    with pytest.raises(PlateRefused, match="lies outside the outline"):
        require_cuttable(lost, WATER_JET)
    nested = replace(demo_ear, holes=(hole(0, 0, 30.0), hole(0, 0, 8.0)))
    with pytest.raises(PlateRefused, match="run into each other"):
        require_cuttable(nested, WATER_JET)


def test_every_web_of_a_drawn_plate_agrees_with_shapely(top_plate, demo_ear):
    # Sampled arcs lie within 1e-4 mm of the true ones: distances within twice that.
    for plate in (top_plate, demo_ear):
        loops = (plate.outline, *plate.inner_loops)
        lines = [shapely.Polygon(sampled(loop, error_mm=1e-4)).boundary for loop in loops]
        for i, j in combinations(range(len(loops)), 2):
            assert web_mm(loops[i], loops[j]) == pytest.approx(
                lines[i].distance(lines[j]), abs=2e-4
            )


def test_the_horn_figure_agrees_with_shapely(demo_ear):
    line = shapely.LineString
    dense = sampled(demo_ear.outline, error_mm=1e-4)
    notch = [p for p in dense if abs(((p[0]) ** 2 + (p[1] - 72.0) ** 2) ** 0.5 - 30.15) < 1e-6]
    flank = line([[38.0, demo_ear.outline.points[0][1]], demo_ear.outline.points[5]])
    assert demo_ear.necks[0].width_mm == pytest.approx(line(notch).distance(flank), abs=2e-4)


def test_the_top_plate_passes_every_profile_and_lists_every_rule(top_plate):
    for profile in PROFILES.values():
        thick_enough = replace(top_plate, thickness_mm=5.0)
        found = require_cuttable(thick_enough, profile)
        # 8 cut widths, 8 webs to the outline, 7 bolted cuts with three edge rules each; of webs
        # between two cuts, those of the cuts that stand near each other.
        assert len(found) >= 8 + 8 + 7 * 3
        listed = {v.feature for v in found if v.rule == "metal between"}
        for (one, a), (other, b) in combinations(labelled_cutouts(thick_enough), 2):
            if web_mm(a.loop, b.loop) < profile.least_web_mm(5.0):
                assert f"{one} and {other}" in listed
