"""Foreign drawings: read with every conversion told, faults found, mended, judged, pictured."""

from __future__ import annotations

import math

import ezdxf
import numpy as np
import pytest

from linkview.app.outline_check import check_outline, draw_faults, write_mended
from linkview.errors import CannotWrite, PlateRefused
from linkview.export.dxf_back import read_cut_loops
from linkview.plates.edges import Arc
from linkview.plates.outline import area_mm2, edges
from linkview.plates.profiles import LASER

SQUARE = [(0, 0), (100, 0), (100, 60), (0, 60)]


def drawing(tmp_path, draw, *, version="R2010", units=4, fmt="asc"):
    doc = ezdxf.new(version)
    doc.header["$INSUNITS"] = units
    draw(doc.modelspace(), doc)
    path = tmp_path / "theirs.dxf"
    doc.saveas(path, fmt=fmt)
    return path


def check(path, **changed):
    asked = {"thickness_mm": 5.0, "unit": None, "layer": None, "join_mm": 0.05, "arcs_mm": 0.05}
    return check_outline(path, LASER, **{**asked, **changed})


def square(space, *_, gap=0.0):
    for a, b in zip(SQUARE, [*SQUARE[1:], (0, gap)], strict=True):
        space.add_line(a, b)


def polygon_of(count, radius, x=50.0, y=30.0):
    turns = np.arange(count) * 2 * np.pi / count
    return [(x + radius * math.cos(t), y + radius * math.sin(t)) for t in turns]


def told(found):
    return "\n".join(found.words)


def test_a_clean_drawing_passes_and_is_measured(tmp_path):
    def draw(space, _):
        space.add_lwpolyline(SQUARE, close=True)
        space.add_circle((50, 30), 10)

    found = check(drawing(tmp_path, draw))
    assert found.clean
    (plate,) = found.plates
    assert plate.net_area_mm2 == pytest.approx(6000.0 - math.pi * 100.0)
    assert [hole.diameter_mm for hole in plate.holes] == [pytest.approx(20.0)]
    assert "passes this profile" in told(found)


def test_every_fault_of_a_loose_drawing_is_listed_and_mended(tmp_path):
    def draw(space, _):
        square(space, gap=0.03)
        space.add_line(SQUARE[0], SQUARE[1])  # twice
        space.add_line((5, 5), (5, 5))  # no length
        space.add_lwpolyline(polygon_of(72, 10.0), close=True)
        space.add_text("PART 1", height=5)

    found = check(drawing(tmp_path, draw))
    words = told(found)
    for what in ("entity drawn twice", "entity of no length", "open end", "is 0.03 mm off",
                 "drawn as short lines", "TEXT on layer 0"):  # fmt: skip
        assert what in words
    assert not found.clean
    path = tmp_path / "mended.dxf"
    assert "Read back" in write_mended(found, path, LASER)
    loops = [loop.loop for loop in read_cut_loops(path)]
    assert len(loops) == 2
    assert area_mm2(loops[0]) == pytest.approx(6000.0, abs=0.03 * 100)
    # 72 lines on r = 10: sagitta 0.0095 mm, so the hole is round again within that.
    assert abs(area_mm2(loops[1])) == pytest.approx(math.pi * 100.0, rel=2e-3)
    again = check(path)
    assert again.clean, told(again)
    assert again.mended.done == ()


def test_arcs_are_never_further_from_the_lines_than_asked(tmp_path):
    def draw(space, _):
        space.add_lwpolyline(polygon_of(24, 40.0), close=True)

    # 24 lines on r = 40: sagitta 40 (1 - cos 7.5 deg) = 0.342 mm.
    path = drawing(tmp_path, draw)
    kept = check(path, arcs_mm=0.3).mended.contours[0]
    round_ = check(path, arcs_mm=0.4).mended.contours[0]
    assert not any(isinstance(e, Arc) for e in edges(kept))
    assert all(isinstance(e, Arc) and e.radius == pytest.approx(40.0) for e in edges(round_))


def test_corners_are_not_taken_for_arcs(tmp_path):
    def draw(space, _):
        space.add_lwpolyline(polygon_of(8, 3.0), close=True)  # an octagon is meant

    found = check(drawing(tmp_path, draw), arcs_mm=1.0)
    assert found.mended.done == ()


def test_a_gap_wider_than_the_tolerance_is_not_closed(tmp_path):
    found = check(drawing(tmp_path, lambda s, _: square(s, gap=0.2)))
    assert found.plates == ()
    with pytest.raises(PlateRefused, match=r"still open, the least gap is 0\.2 mm.*--join"):
        write_mended(found, tmp_path / "mended.dxf", LASER)
    assert not (tmp_path / "mended.dxf").exists()


def test_lines_on_each_other_for_a_part_are_told(tmp_path):
    def draw(space, _):
        square(space)
        space.add_line((20, 0), (45, 0))

    assert "two lines lie on each other over 25.00 mm" in told(check(drawing(tmp_path, draw)))


def test_crossing_contours_are_refused(tmp_path):
    def draw(space, _):
        space.add_lwpolyline([(0, 0), (50, 50), (50, 0), (0, 50)], close=True)

    found = check(drawing(tmp_path, draw))
    assert "crosses or touches itself" in told(found)
    with pytest.raises(PlateRefused, match="crosses or touches itself"):
        write_mended(found, tmp_path / "mended.dxf", LASER)


def test_parts_side_by_side_and_parts_in_holes_are_told_apart(tmp_path):
    def draw(space, _):
        space.add_lwpolyline(SQUARE, close=True)
        space.add_circle((50, 30), 25)
        space.add_circle((50, 30), 15)
        space.add_lwpolyline([(x + 200, y) for x, y in SQUARE], close=True)

    found = check(drawing(tmp_path, draw))
    assert [len(p.holes) for p in found.plates] == [1, 0, 0]


def test_the_shops_rules_are_held_against_it(tmp_path):
    def draw(space, _):
        space.add_lwpolyline(SQUARE, close=True)
        space.add_circle((3, 30), 2)  # 1 mm of metal, 4 mm hole in 5 mm sheet
        space.add_circle((50, 30), 5)

    found = check(drawing(tmp_path, draw), bolts_mm=(10.0,))
    words = told(found)
    assert "metal between 1.0 mm, at least 5.0 mm needed" in words
    assert "width 4.0 mm, at least 5.0 mm needed" in words
    assert [h.bolted for h in found.plates[0].holes] == [True, False]


# --- conversions that are told, and what is refused ------------------------------


def test_blocks_ellipses_splines_and_flat_3d_polylines_are_converted_and_told(tmp_path):
    def draw(space, doc):
        space.add_lwpolyline(SQUARE, close=True)
        doc.blocks.new("HOLE").add_circle((0, 0), 3)
        space.add_blockref("HOLE", (15, 30))
        space.add_ellipse((50, 30), major_axis=(12, 0), ratio=0.5)
        space.add_polyline3d([(80, 20, 0), (90, 20, 0), (90, 40, 0), (80, 40, 0)], close=True)

    found = check(drawing(tmp_path, draw))
    words = told(found)
    for what in ("1 INSERT (blocks) taken apart", "1 ELLIPSE turned into short lines",
                 "1 3D POLYLINE that lies flat taken as 2D"):  # fmt: skip
        assert what in words
    (plate,) = found.plates
    lost = math.pi * 9 + math.pi * 12 * 6 + 200
    # Arcs within 0.05 mm of lines within 0.01 mm of an ellipse 58 mm round.
    assert plate.net_area_mm2 == pytest.approx(6000.0 - lost, abs=0.06 * 58)


def test_a_closed_spline_becomes_arcs_within_the_tolerance(tmp_path):
    def draw(space, _):
        space.add_spline([*polygon_of(12, 20.0), polygon_of(12, 20.0)[0]])

    (plate,) = check(drawing(tmp_path, draw)).plates
    assert any(isinstance(e, Arc) for e in edges(plate.outline))


@pytest.mark.parametrize(("units", "factor"), [(1, 25.4), (5, 10.0)])
def test_other_units_are_converted_and_told(tmp_path, units, factor):
    def draw(space, _):
        space.add_lwpolyline([(x / factor, y / factor) for x, y in SQUARE], close=True)

    found = check(drawing(tmp_path, draw, units=units))
    assert found.plates[0].size_mm == pytest.approx((100.0, 60.0))
    assert f"all lengths times {factor:g}" in told(found)


def test_binary_dxf_is_read_and_told(tmp_path):
    found = check(drawing(tmp_path, square, fmt="bin"))
    assert "binary DXF read" in told(found)
    assert found.plates[0].size_mm == pytest.approx((100.0, 60.0))


def test_a_drawing_turned_over_comes_out_as_it_is_seen(tmp_path):
    def draw(space, _):
        space.add_lwpolyline(
            [(-x, y) for x, y in SQUARE], close=True, dxfattribs={"extrusion": (0, 0, -1)}
        )

    (plate,) = check(drawing(tmp_path, draw)).plates
    assert plate.outline.points[:, 0].min() == pytest.approx(0.0)
    assert plate.outline.points[:, 0].max() == pytest.approx(100.0)


REFUSED = {
    "no unit": (lambda s, _: square(s), {"units": 0}, "does not say its unit"),
    "a line out of the plane": (
        lambda s, _: s.add_line((0, 0, 0), (9, 0, 4)),
        {},
        "LINE: it rises by 4",
    ),
    "a 3D polyline": (
        lambda s, _: s.add_polyline3d([(0, 0, 0), (9, 0, 1), (9, 9, 0)]),
        {},
        "3D POLYLINE: it rises",
    ),
    "an end that is no number": (
        lambda s, _: s.add_line((0, 0), (float("nan"), 9)),
        {},
        "LINE: a coordinate in it is no number",
    ),
    "a 3D face": (lambda s, _: s.add_3dface([(0, 0), (9, 0), (9, 9)]), {}, "3DFACE: it is no line"),
    "nothing": (lambda s, _: s.add_text("hello"), {}, "nothing to cut"),
    "a polyline without points": (
        lambda s, _: s.add_lwpolyline([], close=True),
        {},
        "nothing to cut",
    ),
}


@pytest.mark.parametrize("what", REFUSED)
def test_what_cannot_be_used_is_refused_with_the_fix(tmp_path, what):
    draw, asked, words = REFUSED[what]
    path = drawing(tmp_path, draw, **asked)
    with pytest.raises(PlateRefused) as refusal:
        check(path)
    assert words in str(refusal.value)
    assert str(path) in str(refusal.value)


def test_r12_has_no_unit_until_it_is_told(tmp_path):
    path = drawing(tmp_path, square, version="R12")
    text = path.read_text(encoding="cp1252")
    if "$INSUNITS" in text:  # written by ezdxf for its own use; other programs leave it out
        start = text.index("$INSUNITS")
        path.write_text(text[:start] + "$XUNITS" + text[start + 9 :], encoding="cp1252")
    with pytest.raises(PlateRefused, match="say it with --unit"):
        check(path)
    assert check(path, unit="mm").plates[0].size_mm == pytest.approx((100.0, 60.0))


def test_a_file_that_is_no_dxf_is_refused(tmp_path):
    for name, content in (("a.dxf", b"hello"), ("b.dxf", b""), ("c.dxf", bytes(range(256)) * 9)):
        (tmp_path / name).write_bytes(content)
        with pytest.raises(PlateRefused, match="cannot be read as DXF"):
            check(tmp_path / name)
    with pytest.raises(PlateRefused, match="cannot be read as DXF"):
        check(tmp_path / "none.dxf")


def test_the_drawing_itself_is_never_overwritten(tmp_path):
    path = drawing(tmp_path, square)
    with pytest.raises(PlateRefused, match="that is the drawing itself"):
        write_mended(check(path), path, LASER)


def test_a_picture_of_an_unknown_kind_is_refused(tmp_path):
    with pytest.raises(CannotWrite, match=r"pictures are \.png or \.pdf"):
        draw_faults(check(drawing(tmp_path, square)), tmp_path / "faults.bmp")


@pytest.mark.parametrize("ending", ["png", "pdf"])
def test_the_faults_are_pictured(tmp_path, ending):
    found = check(drawing(tmp_path, lambda s, _: square(s, gap=0.03)))
    path = tmp_path / f"faults.{ending}"
    draw_faults(found, path)
    assert path.read_bytes()[:4] == (b"\x89PNG" if ending == "png" else b"%PDF")
