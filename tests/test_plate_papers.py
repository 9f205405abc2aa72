"""Drawings and templates measured in the PDF's own vectors; SVG by its arcs; STL by trimesh."""

from __future__ import annotations

import math
import re
import sys
import xml.etree.ElementTree as ET
import zlib
from dataclasses import replace

import ezdxf
import numpy as np
import pytest
import trimesh
from plate_cases import ear, front, rear, top_mount

from linkview.app.plate_results import write_plate_files
from linkview.cli import main
from linkview.commands.job import demo_file
from linkview.export.drawings import write_drawing
from linkview.export.stl import write_stl
from linkview.export.svg import path_data, write_svg
from linkview.export.templates import Paper, write_template
from linkview.geometry import frozen
from linkview.kinematics.assemble import build_car
from linkview.model.read import read_file
from linkview.plates.brackets import draw_plate
from linkview.plates.outline import area_mm2, edges, polygon
from linkview.plates.plate import Hole
from linkview.plates.profiles import LASER, WATER_JET
from linkview.plates.shop import verdicts
from linkview.study import study_without_gaps

MM = 72.0 / 25.4  # PDF unit 1/72 in (PDF reference)
NUMBER = rb"(-?[\d.]+)"
LINE = re.compile(NUMBER + rb" " + NUMBER + rb" m\s+" + NUMBER + rb" " + NUMBER + rb" l\s+S")


@pytest.fixture(scope="module")
def plate():
    return draw_plate("ear", ear(), rear())


@pytest.fixture(scope="module")
def top():
    return draw_plate(
        "top", top_mount(opening=62.0, slots_across=110.0, stud_circle=300.0), front()
    )


def streams(path):
    """Every page's drawing operators, unpacked."""
    out = []
    for packed in re.findall(rb"stream\r?\n(.*?)\r?\nendstream", path.read_bytes(), re.S):
        try:
            text = zlib.decompress(packed)
        except zlib.error:
            continue
        if b" m\n" in text:
            out.append(text)
    return out


def boxes_mm(path):
    """Page sizes as the PDF states them."""
    found = re.findall(rb"/MediaBox \[ ?0 0 ([\d.]+) ([\d.]+) ?\]", path.read_bytes())
    return [(float(w) / MM, float(h) / MM) for w, h in found]


def curve_box_mm(text):
    """Width and height of the largest closed path with curves: the outline."""
    best = (0.0, 0.0)
    for path in re.split(rb"\n[Bbsfh]\*?\n", text):
        if b" c\n" not in path:
            continue
        spots = [
            [float(v) / MM for v in found]
            for found in re.findall(NUMBER + rb" " + NUMBER + rb" (?:m|l)\n", path)
        ]
        spots += [
            [float(v) / MM for v in found]
            for found in re.findall(rb" " + NUMBER + rb" " + NUMBER + rb" c\n", path)
        ]
        size = tuple(np.ptp(np.array(spots), axis=0))
        best = max(best, size)
    return best


@pytest.mark.parametrize("paper", list(Paper))
def test_the_check_bar_and_the_plate_are_their_true_size_in_the_pdf(tmp_path, plate, paper):
    path = tmp_path / "ear.pdf"
    assert write_template(plate, path, paper=paper) == 1
    (text,) = streams(path)
    lines = [[float(v) / MM for v in found] for found in LINE.findall(text)]
    bars = [x2 - x1 for x1, y1, x2, y2 in lines if y1 == y2 and x2 - x1 > 90.0]
    assert bars == pytest.approx([100.0], abs=1e-4)
    # 76 x 86 mm; arcs end at their bottom only where a curve does, so compare the straight width.
    assert curve_box_mm(text)[0] == pytest.approx(76.0, abs=1e-4)
    wide = {Paper.A4: {210.0, 297.0}, Paper.LETTER: {215.9, 279.4}}[paper]
    (box,) = boxes_mm(path)
    assert {round(v, 1) for v in box} == wide


def test_a_large_plate_is_tiled_with_a_bar_on_every_page(tmp_path, top):
    path = tmp_path / "top.pdf"
    count = write_template(top, path)
    assert count == 2 or count == 4
    assert len(boxes_mm(path)) == count
    for text in streams(path):
        lines = [[float(v) / MM for v in found] for found in LINE.findall(text)]
        bars = [x2 - x1 for x1, y1, x2, y2 in lines if abs(x2 - x1 - 100.0) < 1e-3 and y1 == y2]
        assert len(bars) == 1


def test_the_drawing_names_everything_a_shop_asks_for(tmp_path, plate):
    path = tmp_path / "ear.pdf"
    write_drawing(plate, path, profile=LASER, verdicts=verdicts(plate, LASER))
    (text,) = streams(path)
    strings = re.findall(rb"\(((?:\\.|[^()\\])*)\)", text)
    words = b" ".join(strings).decode("latin-1")
    flat = re.sub(r"[^A-Za-z0-9.,:]", "", words)
    for what in (
        "S355J2,6mm",
        "4,ofwhichmirrored0",
        "76.0x86.0mm",
        "ISO9013class1",
        "goodface",
        "revision",
        "14.2",
        "M14pivotbolt",
        "arcR30.15",
        "CAUTION:",
        "cankill",
    ):
        assert re.sub(r"[^A-Za-z0-9.,:]", "", what) in flat, what


def test_the_same_plate_gives_the_same_pdf(tmp_path, plate):
    for name in ("a", "b"):
        write_drawing(plate, tmp_path / f"{name}.pdf", profile=LASER)
    assert (tmp_path / "a.pdf").read_bytes() == (tmp_path / "b.pdf").read_bytes()


def test_a_plate_of_many_features_goes_on_over_pages(tmp_path, plate):
    holes = tuple(
        Hole(frozen([x * 20.0, y * 20.0]), 6.0, "grid") for x in range(15) for y in range(15)
    )
    square = polygon([[-20, -20], [300, -20], [300, 300], [-20, 300]])
    many = replace(plate, outline=square, holes=holes, crosses=(), texts=())
    path = tmp_path / "many.pdf"
    write_drawing(many, path, profile=LASER)
    assert len(boxes_mm(path)) == 1 + math.ceil((225 + 2 + 4 - 31) / 96)


# --- SVG and STL ------------------------------


def test_svg_arcs_are_the_outlines_arcs(tmp_path, plate):
    write_svg(plate, tmp_path / "ear.svg")
    root = ET.fromstring((tmp_path / "ear.svg").read_text(encoding="utf-8"))
    assert (root.get("width"), root.get("height")) == ("76mm", "86mm")
    space = "{http://www.w3.org/2000/svg}"
    cut = next(g for g in root.iter(f"{space}g") if g.get("id") == "CUT")
    circle = cut.find(f"{space}circle")
    assert float(circle.get("r")) == pytest.approx(7.1)
    data = cut.find(f"{space}path").get("d")
    assert data == path_data(plate.outline)
    assert svg_area(data) == pytest.approx(area_mm2(plate.outline), rel=1e-6)


def svg_area(data):
    """Area of an SVG path of M, L and A; arcs by their radius and flags (SVG 1.1, F.6)."""
    parts = data.split()
    total, at, k = 0.0, 0j, 0
    start = 0j
    while k < len(parts):
        if parts[k] == "M":
            at = start = complex(float(parts[k + 1]), float(parts[k + 2]))
            k += 3
        elif parts[k] == "L":
            to = complex(float(parts[k + 1]), float(parts[k + 2]))
            total += (at.conjugate() * to).imag / 2.0
            at, k = to, k + 3
        elif parts[k] == "A":
            r, large, sweep = float(parts[k + 1]), parts[k + 4] == "1", parts[k + 5] == "1"
            to = complex(float(parts[k + 6]), float(parts[k + 7]))
            half = abs(to - at) / 2.0
            turn = 2.0 * math.asin(min(half / r, 1.0))
            turn = math.tau - turn if large else turn
            signed = turn if sweep else -turn
            total += (at.conjugate() * to).imag / 2.0 + r * r * (signed - math.sin(signed)) / 2.0
            at, k = to, k + 8
        else:
            total += (at.conjugate() * start).imag / 2.0
            k += 1
    return -total  # y runs down


def test_stl_is_closed_and_in_millimetres(tmp_path, plate):
    write_stl(plate, tmp_path / "ear.stl")
    mesh = trimesh.load_mesh(tmp_path / "ear.stl")
    assert mesh.is_watertight
    assert mesh.extents == pytest.approx([76.0, 86.0, 6.0], abs=0.05)
    assert mesh.volume == pytest.approx(plate.net_area_mm2 * 6.0, rel=2e-3)
    assert len(edges(plate.outline)) == 6


def test_step_holds_planes_cylinders_and_the_volume(tmp_path, plate):
    build123d = pytest.importorskip("build123d")
    from linkview.export.step import write_step

    assert write_step(plate, tmp_path / "ear.step") == pytest.approx(plate.net_area_mm2 * 6.0)
    faces = build123d.import_step(str(tmp_path / "ear.step")).faces()
    kinds = sorted(str(face.geom_type) for face in faces)
    assert kinds == ["GeomType.CYLINDER"] * 3 + ["GeomType.PLANE"] * 6


def test_without_the_extra_step_is_refused_with_what_to_install(tmp_path, capsys, monkeypatch):
    monkeypatch.setitem(sys.modules, "build123d", None)
    monkeypatch.delitem(sys.modules, "linkview.export.step", raising=False)
    assert main(["plates", str(demo_file()), "--step", "--out", str(tmp_path / "out")]) == 2
    assert "pip install 'linkview[step]'" in capsys.readouterr().err
    assert not (tmp_path / "out").exists()


# --- all together ------------------------------


def test_all_files_of_the_demo_are_written_and_listed(tmp_path):
    car = build_car(read_file(demo_file()), "planned")
    study = study_without_gaps(car, WATER_JET, lambda what, done, count: None)
    made = write_plate_files(study, tmp_path)
    listed = {f.name for f in made.written}
    beside = {
        f.name.replace(".dxf", end)
        for f in made.written
        if "beside it" in f.what
        for end in ("_1to1.pdf", ".svg", ".stl")
    }
    there = {f"plates/{p.name}" for p in (tmp_path / "plates").iterdir()}
    assert listed | beside == there
    assert len(beside) == 3 * 15
    for name in ("order.txt", "placing.txt", "static_check.txt", "cut_list.csv", "read_back.txt"):
        assert f"plates/{name}" in listed
    read_back = (tmp_path / "plates" / "read_back.txt").read_text(encoding="utf-8")
    for receipt in made.receipts:
        assert receipt.path.name in read_back
    assert "NO PROOF" in (tmp_path / "plates" / "static_check.txt").read_text(encoding="utf-8")
    placing = (tmp_path / "plates" / "placing.txt").read_text(encoding="utf-8")
    assert "right side" in placing
    assert "can kill" in placing


def test_the_command_line_shows_a_profile_and_takes_an_edited_one(tmp_path, capsys):
    assert main(["shop", "plasma"]) == 0
    text = capsys.readouterr().out
    (tmp_path / "mine.toml").write_text(text.replace('"plasma"', '"corner shop"'), encoding="utf-8")
    out = str(tmp_path / "out")
    status = main(["plates", str(demo_file()), "--shop", str(tmp_path / "mine.toml"), "--out", out])
    told = capsys.readouterr().out
    assert "shop profile 'corner shop'" in told
    assert status == 2  # plasma cannot cut the hose bracket's thin webs, and says so
    assert "REFUSED" in told
    assert (tmp_path / "out" / "plates" / "hose_bracket_drawing.pdf").exists()
    assert not (tmp_path / "out" / "plates" / "hose_bracket.dxf").exists()


def test_the_command_line_mends_a_drawing(tmp_path, capsys):
    doc = ezdxf.new("R2010", units=4)
    for a, b in (((0, 0), (80, 0)), ((80, 0), (80, 50)), ((80, 50), (0, 50)), ((0, 50), (0, 0.02))):
        doc.modelspace().add_line(a, b)
    doc.saveas(tmp_path / "theirs.dxf")
    asked = ["outline", str(tmp_path / "theirs.dxf"), "--thickness", "5"]
    assert main(asked) == 2
    assert "open end" in capsys.readouterr().out
    assert main([*asked, "--mend", str(tmp_path / "ours.dxf")]) == 0
    assert main(["outline", str(tmp_path / "ours.dxf"), "--thickness", "5"]) == 0
    with pytest.raises(SystemExit):
        main(["outline", str(tmp_path / "theirs.dxf"), "--thickness", "0"])
