"""DXF files read by GDAL, by ezdxf's audit and by eye; the moved hard point through the file."""

from __future__ import annotations

import itertools
from dataclasses import replace
from pathlib import Path

import ezdxf
import numpy as np
import pyogrio
import pytest
import shapely
from plate_cases import POINTS, ear, front, rear, shifted, top_mount

from linkview.errors import CannotWrite, PlateRefused
from linkview.export import dxf, dxf_back
from linkview.export.dxf import CUT, MARK, read_cut_loops, write_dxf
from linkview.geometry import apply, apply_direction, frozen
from linkview.plates.brackets import draw_plate, mirrored_plate
from linkview.plates.outline import bounding_box, edges, polygon
from linkview.plates.plate import Hole
from linkview.plates.profiles import DxfStyle, DxfVersion

GOLDEN = Path(__file__).parent / "golden"
VERSIONS = list(DxfVersion)


def ear_plate(**moved):
    return draw_plate("lower_lateral_ear", ear(), rear(**moved))


def top_plate(**moved):
    return draw_plate("top_mount", top_mount(), front(**moved))


PLATES = {"lower_lateral_ear": ear_plate, "top_mount": top_plate}
every_plate = pytest.mark.parametrize("draw", PLATES.values(), ids=PLATES)
every_version = pytest.mark.parametrize("version", VERSIONS, ids=lambda v: v.value)


def rings_by_gdal(path):
    """The cut layer's closed rings as polygons, largest first, arcs stroked by GDAL."""
    # Strokes of 0.25 deg: a circle loses 3.2e-6 of its area.
    pyogrio.set_gdal_config_options({"OGR_ARC_STEPSIZE": "0.25"})
    meta, _, wkb, fields = pyogrio.raw.read(path, layer="entities")
    layer = fields[list(meta["fields"]).index("Layer")]
    lines = shapely.from_wkb(wkb[layer == CUT])
    assert all(line.is_closed for line in lines)
    return sorted(
        (shapely.Polygon(shapely.force_2d(line)) for line in lines), key=lambda p: -p.area
    )


# --- outside readers ---------------------------------------------------------------------------


@every_plate
@every_version
def test_gdal_reads_the_same_areas_and_hole_count(tmp_path, draw, version):
    plate = draw()
    receipt = write_dxf(plate, tmp_path / "plate.dxf", style=DxfStyle(version=version))
    outline, *inner = rings_by_gdal(receipt.path)
    assert len(inner) == receipt.hole_count + receipt.slot_count
    assert len(inner) == len(plate.holes) + len(plate.slots)
    assert all(outline.contains(ring) for ring in inner)
    assert not any(a.intersects(b) for a, b in itertools.combinations(inner, 2))
    drawn = sorted((record.area_mm2 for record in receipt.loops), reverse=True)
    np.testing.assert_allclose([r.area for r in (outline, *inner)], drawn, rtol=1e-5)
    net = outline.area - sum(ring.area for ring in inner)
    assert net == pytest.approx(receipt.net_area_mm2, rel=1e-5)
    assert net == pytest.approx(plate.net_area_mm2, rel=1e-5)
    length = outline.length + sum(ring.length for ring in inner)
    assert length == pytest.approx(receipt.cut_length_mm, rel=1e-5)


@every_plate
@every_version
def test_ezdxf_audit_finds_nothing(tmp_path, draw, version):
    receipt = write_dxf(draw(), tmp_path / "plate.dxf", style=DxfStyle(version=version))
    doc = ezdxf.readfile(receipt.path)
    audit = doc.audit()
    assert audit.errors == []
    assert audit.fixes == []
    assert doc.acad_release == version.value


@every_plate
def test_millimetres_are_stated_where_the_version_can(tmp_path, draw):
    # DXF reference: $INSUNITS 4 is millimetres, $MEASUREMENT 1 metric.
    new = write_dxf(draw(), tmp_path / "new.dxf", style=DxfStyle(version=DxfVersion.R2010))
    header = ezdxf.readfile(new.path).header
    assert header["$INSUNITS"] == 4
    assert header["$MEASUREMENT"] == 1
    assert "unit mm" in new.compared
    old = write_dxf(draw(), tmp_path / "old.dxf", style=DxfStyle(version=DxfVersion.R12))
    assert "$INSUNITS" not in old.path.read_text(encoding="cp1252")
    assert "no unit in R12: check the marked size" in old.compared


def test_order_and_cautions_travel_with_the_drawing(tmp_path):
    receipt = write_dxf(ear_plate(), tmp_path / "ear.dxf")
    told = dict(ezdxf.readfile(receipt.path).header.custom_vars)
    assert told["Material"] == "S355J2"
    assert told["Thickness mm"] == "6"
    assert told["Quantity"] == "4, of which mirrored 0"
    assert told["Size mm"] == "76.0 x 86.0"
    assert "nothing here proves strength" in told["Caution 1"]
    assert any("can kill" in text for text in receipt.cautions)


# --- the moved hard point, through the file ------------------------------------------------------


def off_joint(plate, centre, joint):
    """Distance of a joint from the hole's axis, once a centre read from a file is placed back."""
    middle = apply(plate.placement, [*centre, 0.0])
    axis = apply_direction(plate.placement, [0.0, 0.0, 1.0])
    return float(np.linalg.norm(np.cross(joint - middle, axis))), axis


def tilt_deg(a, b):
    sine = np.linalg.norm(np.cross(a, b)) / np.linalg.norm(a) / np.linalg.norm(b)
    return float(np.degrees(np.arcsin(min(sine, 1.0))))


@every_version
def test_ear_hole_follows_the_moved_joint_and_the_notch_changes(tmp_path, version):
    notches = []
    for by in ([0, 0, 0], [3, -2, 5]):
        joint = shifted("lower_lateral_inner", by)
        plate = ear_plate(lower_lateral_inner=joint)
        write_dxf(plate, tmp_path / "ear.dxf", style=DxfStyle(version=version))
        (circle,) = ezdxf.readfile(tmp_path / "ear.dxf").modelspace().query("CIRCLE")
        off, axis = off_joint(plate, (circle.dxf.center.x, circle.dxf.center.y), joint)
        assert off < 0.01
        assert tilt_deg(axis, ear().bolt_axis) < 0.01
        outline = read_cut_loops(tmp_path / "ear.dxf")[0].loop
        (notch,) = (e for e in edges(outline) if getattr(e, "sweep_rad", 1) < 0)
        notches.append(abs(notch.centre))
        assert notch.radius == pytest.approx(30.15, abs=1e-9)
    assert notches == pytest.approx([72.0, np.hypot(67.0, 2.0)], abs=1e-9)


@every_version
def test_top_plate_follows_the_moved_top_mount(tmp_path, version):
    turned = []
    for by in ([0, 0, 0], [3, -2, 5]):
        top = shifted("strut_top", by)
        plate = top_plate(strut_top=top)
        write_dxf(plate, tmp_path / "top.dxf", style=DxfStyle(version=version))
        loops = [cut.loop for cut in read_cut_loops(tmp_path / "top.dxf")]
        left, low, right, high = bounding_box(loops[5])  # after outline and four slots: the opening
        off, axis = off_joint(plate, ((left + right) / 2, (low + high) / 2), top)
        assert off < 0.01
        assert tilt_deg(axis, top - np.array(POINTS["strut_lower"])) < 0.01
        circles = ezdxf.readfile(tmp_path / "top.dxf").modelspace().query("CIRCLE")
        studs = np.array([[c.dxf.center.x, c.dxf.center.y, 0.0] for c in circles])
        spread = np.linalg.norm(apply(plate.placement, studs) - top, axis=1)
        np.testing.assert_allclose(spread, 75.0, atol=0.01)
        turned.append(axis)
    # The strut leans differently now, and the plate with it.
    assert tilt_deg(*turned) > 0.1


# --- what stands in the file ---------------------------------------------------------------------


def entity_lines(path):
    """One readable line per entity, its layer first; three decimals."""
    for entity in ezdxf.readfile(path).modelspace():
        kind, layer = entity.dxftype(), entity.dxf.layer
        if kind == "LWPOLYLINE":
            rows = entity.get_points("xyb")
            told = f"{'closed' if entity.closed else 'open'} " + points(rows)
        elif kind == "POLYLINE":
            rows = [(*v.dxf.location.vec2, v.dxf.bulge) for v in entity.vertices]
            told = f"{'closed' if entity.is_closed else 'open'} " + points(rows)
        elif kind == "CIRCLE":
            told = f"centre {spot(entity.dxf.center)} diameter {2 * entity.dxf.radius:.3f}"
        elif kind == "LINE":
            told = f"{spot(entity.dxf.start)} to {spot(entity.dxf.end)}"
        else:
            told = (
                f"'{entity.dxf.text}' at {spot(entity.dxf.align_point)} {entity.dxf.height:g} high"
            )
        yield f"{layer} {kind} {told}"


def plain(number):
    return f"{round(float(number), 3) + 0.0:.3f}"


def spot(place):
    return f"({plain(place[0])}, {plain(place[1])})"


def points(rows):
    return " ".join(spot(r) + (f" bulge {plain(r[2])}" if r[2] else "") for r in rows)


@every_version
@pytest.mark.parametrize("name", PLATES)
def test_the_file_reads_as_the_golden_text(tmp_path, name, version):
    write_dxf(PLATES[name](), tmp_path / "plate.dxf", style=DxfStyle(version=version))
    text = "\n".join(entity_lines(tmp_path / "plate.dxf")) + "\n"
    golden = GOLDEN / f"dxf_{name}_{version.value}.txt"
    assert text == golden.read_text(encoding="utf-8")


@every_plate
@every_version
def test_layers_hold_only_what_belongs_there(tmp_path, draw, version):
    plate = draw()
    write_dxf(plate, tmp_path / "plate.dxf", style=DxfStyle(version=version))
    space = ezdxf.readfile(tmp_path / "plate.dxf").modelspace()
    cut = [e.dxftype() for e in space if e.dxf.layer == CUT]
    rest = [e for e in space if e.dxf.layer != CUT]
    loop = "POLYLINE" if version is DxfVersion.R12 else "LWPOLYLINE"
    assert sorted(cut) == sorted([loop] * (1 + len(plate.slots)) + ["CIRCLE"] * len(plate.holes))
    assert {e.dxf.layer for e in rest} == {MARK}
    assert {e.dxftype() for e in rest} == {"LINE", "TEXT"}


@every_plate
@every_version
def test_no_loop_ends_on_a_bulge(tmp_path, draw, version):
    write_dxf(draw(), tmp_path / "plate.dxf", style=DxfStyle(version=version))
    for cut in read_cut_loops(tmp_path / "plate.dxf"):
        assert cut.kind == "CIRCLE" or cut.loop.bulges[-1] == 0.0


@every_plate
@every_version
def test_same_plate_same_bytes(tmp_path, draw, version):
    before = ezdxf.options.write_fixed_meta_data_for_testing
    write_dxf(draw(), tmp_path / "a.dxf", style=DxfStyle(version=version))
    write_dxf(draw(), tmp_path / "b.dxf", style=DxfStyle(version=version))
    assert (tmp_path / "a.dxf").read_bytes() == (tmp_path / "b.dxf").read_bytes()
    assert ezdxf.options.write_fixed_meta_data_for_testing == before


@every_plate
def test_the_mirrored_plate_has_the_mirrored_file(tmp_path, draw):
    write_dxf(draw(), tmp_path / "left.dxf")
    write_dxf(mirrored_plate(draw()), tmp_path / "right.dxf")
    for left, right in zip(
        rings_by_gdal(tmp_path / "left.dxf"), rings_by_gdal(tmp_path / "right.dxf"), strict=True
    ):
        assert right.area == pytest.approx(left.area, rel=1e-9)
    left = shapely.union_all(rings_by_gdal(tmp_path / "left.dxf"))
    right = shapely.union_all(rings_by_gdal(tmp_path / "right.dxf"))
    turned = shapely.transform(right, lambda p: p * [-1, 1])
    assert turned.symmetric_difference(left).area < 0.1  # mm2, the two strokings


def test_the_receipt_measures_the_file(tmp_path):
    receipt = write_dxf(ear_plate(), tmp_path / "ear.dxf")
    # The demo bracket, by hand: 76 over the horns, 60 above and 26 below the hole's centre.
    assert receipt.size_mm == pytest.approx((76.0, 86.0), abs=1e-9)
    assert (receipt.hole_count, receipt.slot_count) == (1, 0)
    assert [record.what for record in receipt.loops] == ["outline", "hole"]
    assert receipt.loops[1].area_mm2 == pytest.approx(np.pi * 7.1**2, rel=1e-12)
    assert receipt.path == tmp_path / "ear.dxf"


# --- faults: the file must not appear -------------------------------------------------------------


def spoil_with(monkeypatch, change):
    """Let the drawing be spoilt after it is made: what a bug or a disk could do."""
    honest = dxf._drawing

    def spoilt(*drawn):
        doc = honest(*drawn)
        change(doc.modelspace())
        return doc

    monkeypatch.setattr(dxf, "_drawing", spoilt)


def outline_of(space):
    return next(iter(space.query("LWPOLYLINE")))


def nudge(space):
    line = outline_of(space)
    with line.points("xyb") as rows:
        x, y, bulge = rows[0]
        rows[0] = (x + 1e-5, y, bulge)


SPOILT = {
    "an open LWPOLYLINE stands on layer CUT": lambda s: setattr(outline_of(s), "closed", False),
    "a LINE stands on layer CUT": lambda s: s.add_line((0, 0), (9, 9), dxfattribs={"layer": CUT}),
    "a TEXT stands on layer CUT": lambda s: s.add_text("x", dxfattribs={"layer": CUT}),
    "a SPLINE stands on layer CUT": lambda s: s.add_spline(
        [(0, 0), (5, 1), (9, 9)], dxfattribs={"layer": CUT}
    ),
    "3 loops on CUT, 2 drawn": lambda s: s.add_circle((0, 30), 2, dxfattribs={"layer": CUT}),
    "two loops lie on each other": lambda s: s.add_circle((0, 0), 7.1, dxfattribs={"layer": CUT}),
    "the outline moved by 1e-05 mm": nudge,
    "POINT on another layer than CUT and MARK": lambda s: s.add_point((0, 0)),
    "MARK holds 3 lines": lambda s: s.add_line((0, 0), (1, 1), dxfattribs={"layer": MARK}),
    "something other than lines": lambda s: s.add_point((0, 0), dxfattribs={"layer": MARK}),
    "the order data differ": lambda s: s.doc.header.custom_vars.append("Bend", "90"),
    "$INSUNITS is 1, not 4 (mm)": lambda s: setattr(s.doc, "units", 1),
}


@pytest.mark.parametrize("words", SPOILT)
def test_a_file_that_is_not_the_plate_never_gets_its_name(tmp_path, monkeypatch, words):
    write_dxf(ear_plate(), tmp_path / "ear.dxf")
    before = (tmp_path / "ear.dxf").read_bytes()
    spoil_with(monkeypatch, SPOILT[words])
    with pytest.raises(CannotWrite) as refusal:
        write_dxf(ear_plate(), tmp_path / "ear.dxf")
    assert words in str(refusal.value)
    assert str(refusal.value).startswith(f"{tmp_path / 'ear.dxf'}: ")
    assert [path.name for path in tmp_path.iterdir()] == ["ear.dxf"]
    assert (tmp_path / "ear.dxf").read_bytes() == before


def test_a_file_cut_short_on_the_disk_is_noticed(tmp_path, monkeypatch):
    honest = dxf_back._read

    def cut_short(where, path):
        text = where.read_text(encoding="utf-8")
        where.write_text(text[: text.index("ENTITIES") + 60], encoding="utf-8")
        return honest(where, path)

    monkeypatch.setattr(dxf_back, "_read", cut_short)
    with pytest.raises(CannotWrite, match=r"ear\.dxf"):
        write_dxf(ear_plate(), tmp_path / "ear.dxf")
    assert list(tmp_path.iterdir()) == []


def test_a_plate_that_cannot_be_cut_is_not_drawn(tmp_path):
    plate = ear_plate()
    outside = replace(plate, holes=(Hole(frozen([0.0, 200.0]), 8.0, "stray"),))
    with pytest.raises(PlateRefused, match=r"hole 1 \(stray\) at \(0\.0, 200\.0\) lies outside"):
        write_dxf(outside, tmp_path / "ear.dxf")
    crossed = replace(plate, outline=polygon([[-50, -50], [50, 50], [50, -50], [-50, 50]]))
    with pytest.raises(PlateRefused, match="the outline crosses or touches itself at"):
        write_dxf(crossed, tmp_path / "ear.dxf")
    broken_out = replace(plate, holes=(Hole(frozen([0.0, 40.0]), 8.0, "high"),))
    with pytest.raises(PlateRefused, match="breaks through the outline, whose line is 1"):
        write_dxf(broken_out, tmp_path / "ear.dxf")
    assert list(tmp_path.iterdir()) == []
