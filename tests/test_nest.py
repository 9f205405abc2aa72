"""Sheets: every piece on them, never nearer than the gap, by shapely; cut list and order text."""

from __future__ import annotations

import csv
import itertools
from dataclasses import replace

import ezdxf
import pyogrio
import pytest
import shapely
from plate_cases import bent, ear, front, rear, top_mount

from linkview.errors import CannotWrite, PlateRefused
from linkview.export.cutting_papers import order_text, write_cut_list
from linkview.export.dxf import write_dxf, write_sheet_dxf
from linkview.export.dxf_back import read_cut_loops
from linkview.plates.brackets import draw_plate
from linkview.plates.nest import nested, pieces_of
from linkview.plates.outline import sampled
from linkview.plates.profiles import LASER, WATER_JET, Contours, DxfStyle, DxfVersion


@pytest.fixture(scope="module")
def plates():
    one = draw_plate("ear", ear(quantity=9, mirrored=4), rear())
    top = draw_plate("top", top_mount(thickness=6.0, quantity=6, mirrored=3), front())
    return one, top


@pytest.fixture(scope="module")
def sheets(plates):
    small = replace(WATER_JET, sheets_mm=((500.0, 400.0), (600.0, 500.0)))
    return small, nested(plates, small)


def solids(sheet):
    loops = [piece.loop(piece.plate.outline) for piece in sheet.laid]
    return [shapely.Polygon(sampled(loop, error_mm=1e-3)) for loop in loops]


def test_every_piece_is_on_a_sheet_mirrored_ones_as_such(plates, sheets):
    _, found = sheets
    assert sum(len(sheet.laid) for sheet in found) == 15
    drawn = {id(plate) for plate in plates}
    turned = [p.plate for sheet in found for p in sheet.laid if id(p.plate) not in drawn]
    assert len(turned) == 4 + 3
    assert sorted(p.name for p in pieces_of(plates)) == [
        "ear",
        "ear_mirrored",
        "top",
        "top_mirrored",
    ]


def test_no_two_pieces_and_no_edge_nearer_than_the_gap_by_shapely(sheets):
    profile, found = sheets
    for sheet in found:
        parts = solids(sheet)
        inside = shapely.box(0.0, 0.0, *sheet.size_mm)
        for part in parts:
            assert inside.contains(part)
            assert inside.boundary.distance(part) >= profile.part_gap_mm - 1e-3
        for a, b in itertools.combinations(parts, 2):
            # Sampled arcs lie up to 1e-3 mm inside the true ones.
            assert a.distance(b) >= profile.part_gap_mm - 2e-3


def test_the_stated_use_and_the_area_bound_are_true(sheets):
    _, found = sheets
    for sheet in found:
        area = sum(part.area for part in solids(sheet))
        long, wide = sheet.size_mm
        assert sheet.use == pytest.approx(area / (long * wide), rel=1e-4)
        assert sheet.least_mm == pytest.approx(area / wide, rel=1e-4)
        assert sheet.density == pytest.approx(area / (sheet.used_mm * wide), rel=1e-4)
        assert sheet.used_mm <= long + 1e-6
        assert 0.0 < sheet.density < 1.0


def test_a_piece_larger_than_every_sheet_is_refused(plates):
    tiny = replace(WATER_JET, sheets_mm=((120.0, 90.0),))
    with pytest.raises(PlateRefused, match=r"plates\.top: .* does not fit the largest sheet"):
        nested(plates, tiny)


@pytest.mark.parametrize("version", list(DxfVersion))
@pytest.mark.parametrize("contours", list(Contours))
def test_the_sheets_file_holds_the_same_parts_by_gdal(tmp_path, sheets, version, contours):
    _, found = sheets
    style = DxfStyle(version=version, contours=contours)
    receipt = write_sheet_dxf(found[0], tmp_path / "sheet.dxf", style=style)
    assert ezdxf.readfile(receipt.path).audit().errors == []
    pyogrio.set_gdal_config_options({"OGR_ARC_STEPSIZE": "0.25"})
    meta, _, wkb, fields = pyogrio.raw.read(receipt.path, layer="entities")
    layer = fields[list(meta["fields"]).index("Layer")]
    lines = shapely.force_2d(shapely.from_wkb(wkb[layer == "CUT"]))
    rings = shapely.get_parts(shapely.polygonize(shapely.set_precision(lines, 1e-5)))
    total = sum(p.plate.cut_length_mm for p in found[0].laid)
    assert shapely.length(lines).sum() == pytest.approx(total, rel=1e-5)
    net = sum(p.plate.net_area_mm2 for p in found[0].laid)
    assert receipt.net_area_mm2 == pytest.approx(net, rel=1e-9)
    assert len(rings) >= len(receipt.loops)
    assert "SHEET" in layer


def test_loose_lines_and_arcs_come_back_as_the_same_loops(tmp_path, plates):
    for plate in plates:
        style = DxfStyle(contours=Contours.LOOSE, cut_layer="0", mark_layer="ETCH", marking=True)
        receipt = write_dxf(plate, tmp_path / "loose.dxf", style=style)
        kinds = {
            e.dxftype() for e in ezdxf.readfile(receipt.path).modelspace() if e.dxf.layer == "0"
        }
        assert kinds == {"LINE", "ARC", "CIRCLE"}
        assert receipt.net_area_mm2 == pytest.approx(plate.net_area_mm2, rel=1e-9)
        loops = read_cut_loops(receipt.path, layer="0", contours=Contours.LOOSE)
        assert len(loops) == 1 + len(plate.inner_loops)
        with pytest.raises(CannotWrite, match="stands on layer 0, which takes closed loops only"):
            read_cut_loops(receipt.path, layer="0")


def test_without_marking_nothing_but_cuts_is_in_the_file(tmp_path, plates):
    receipt = write_dxf(plates[0], tmp_path / "bare.dxf", style=DxfStyle(marking=False))
    assert {e.dxf.layer for e in ezdxf.readfile(receipt.path).modelspace()} == {"CUT"}
    assert "no lettering, as the shop profile says" in receipt.compared


def test_the_cut_list_adds_up(tmp_path, plates):
    pieces = pieces_of(plates)
    write_cut_list(tmp_path / "cut.csv", pieces)
    text = (tmp_path / "cut.csv").read_text(encoding="utf-8")
    rows = list(csv.DictReader(text.splitlines()))
    assert [row["quantity"] for row in rows] == ["5", "4", "3", "3"]
    for row, piece in zip(rows, pieces, strict=True):
        solid = shapely.Polygon(
            sampled(piece.plate.outline, error_mm=1e-4),
            [sampled(loop, error_mm=1e-4) for loop in piece.plate.inner_loops],
        )
        assert float(row["net area (mm2)"]) == pytest.approx(solid.area, rel=1e-4)
        # Steel 7850 kg/m3 (from memory).
        assert float(row["mass each (kg)"]) == pytest.approx(solid.area * 6.0 * 7850e-9, rel=1e-3)
        rings = (solid.exterior, *solid.interiors)
        assert float(row["cut length each (mm)"]) == pytest.approx(
            sum(r.length for r in rings), rel=1e-3
        )
        assert int(row["pierces each"]) == len(rings)


def test_the_order_says_what_a_shop_has_to_know(plates):
    told = order_text(pieces_of(plates), LASER, ())
    for words in ("ear.dxf: 5 off, 6 mm S355J2", "ear_mirrored.dxf", "millimetres", "check size",
                  "ISO 9013 class 1", "certificate", "deburr", "good face", "revision A",
                  "no tabs left"):  # fmt: skip
        assert words in told
    r12 = replace(LASER, dxf=DxfStyle(version=DxfVersion.R12))
    assert "carries no unit" in order_text(pieces_of(plates), r12, ())


@pytest.mark.parametrize("count", [3, 20])  # in columns, and by the search
def test_bent_pieces_lie_with_their_bend_across_the_sheets_length(count):
    slanted = [{"from": [10, 0], "to": [20, 30], "angle": 60, "radius": 3, "k_factor": 0.4}]
    plate = replace(bent(bends=slanted), quantity=count, mirrored=1)
    (sheet,) = nested([plate], WATER_JET)
    assert len(sheet.laid) == count
    for laid in sheet.laid:
        (bend,) = laid.plate.bends
        ends = laid.place(bend.start), laid.place(bend.end)
        assert ends[0][0] == pytest.approx(
            ends[1][0], abs=1e-3
        )  # turns are kept in single precision
