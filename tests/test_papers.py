"""Report and sheets, read back: words and lengths from the PDF by another library, HTML checked."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from pypdf import PdfReader

from linkview.clearance.advice import GapAdvice, SafeStops
from linkview.export.blocks import (
    BOX,
    Column,
    Document,
    Drawing,
    Figures,
    Heading,
    Para,
    Row,
    Stroke,
    Table,
)
from linkview.export.blocks_html import write_html
from linkview.export.blocks_pdf import write_pdf
from linkview.export.cautions import CAUTIONS
from linkview.export.identity import Identity, identify
from linkview.export.line_drawings import lines_between, nice_step, tightest_share
from linkview.export.measuring_sheet import measuring_paper
from linkview.export.report import report_paper
from linkview.export.report_gaps import APART_MM
from linkview.export.setup_sheet import by_hand, setup_paper
from linkview.export.summary import summary_lines
from linkview.kinematics.assemble import build_car
from linkview.limits.limit import Stops
from linkview.limits.readings import readings
from linkview.model.parts import Side
from linkview.model.read import read_file
from linkview.plates.profiles import named_profile
from linkview.study import CarStudy, study_car, study_without_gaps
from tests.published_checkers import node, node_missing
from tests.scene_cases import DEMO, demo

QUIET = lambda what, done, count: None  # noqa: E731
SHOP = named_profile("water_jet")


@pytest.fixture(scope="module")
def study() -> CarStudy:
    return study_car(demo("planned"), SHOP, QUIET)


@pytest.fixture(scope="module")
def found() -> CarStudy:
    return study_without_gaps(demo("as_found"), SHOP, QUIET)


@pytest.fixture(scope="module")
def identity() -> Identity:
    return identify(read_file(DEMO), demo("planned"), revision="C", date="31 March 2026")


@pytest.fixture(scope="module")
def report(study, found, identity, tmp_path_factory) -> Path:
    path = tmp_path_factory.mktemp("papers") / "report.pdf"
    paper = report_paper(study, found, identity)
    write_pdf(path, paper)
    write_html(path.with_suffix(".html"), paper)
    return path


def text_of(path: Path) -> str:
    """All words of a PDF with single spaces."""
    return " ".join(" ".join(p.extract_text() for p in PdfReader(path).pages).split())


def test_every_page_is_numbered_and_carries_revision_date_and_caution(report: Path) -> None:
    pages = PdfReader(report).pages
    for number, page in enumerate(pages, start=1):
        words = " ".join(page.extract_text().split())
        assert f"page {number} of {len(pages)}" in words
        assert "revision C" in words
        assert "31 March 2026" in words
        assert "proves nothing about strength" in words


def test_the_report_says_all_that_falls_short_and_every_caution(report, study) -> None:
    words = text_of(report)
    assert study.shortfalls
    for line in (*study.shortfalls, *CAUTIONS):
        assert " ".join(line.split()) in words
    assert "name, signature, date" in words


def test_the_report_names_its_inputs_by_checksum(report, identity) -> None:
    words = text_of(report).replace(" ", "")
    assert [name for name, _ in identity.sources] == [
        "demo_coupe.toml",
        "arch_lip.stl",
        "wheel_well.stl",
    ]
    for _, checksum in identity.sources:
        assert checksum in words


def test_hard_points_of_both_sides_stand_in_the_report(report, study) -> None:
    words = text_of(report)
    for axle in study.axles.values():
        for name, at in axle.axle.left.points.items():
            cells = [f"{v:.1f}" for v in (*at, at[0], -at[1] + 0.0, at[2])]
            part = "wheel" if name == "wheel_centre" else axle.axle.left.layout.owner(name)
            row = " ".join([name.replace("_", " "), part.replace("_", " "), *cells, "0.0"])
            assert row in words, row


def test_every_measured_pair_and_every_pair_left_out_is_in_the_report(report, study) -> None:
    words = text_of(report)
    for axle in study.axles.values():
        for side, survey in axle.gaps.items():
            for pair in survey.pairs:
                a, b = (n.replace("_", " ") for n in pair.pair)
                assert f"{a} to {b}" in words
                # Only what is certain to keep clear may stand outside the table.
                certain = pair.certain
                sure = pair.constant or (certain is not None and certain.lower_mm > APART_MM)
                if pair.wanted_mm is not None or not sure:
                    assert f"{side.value} {a} to {b}" in words
            for out in survey.left_out:
                a, b = (n.replace("_", " ") for n in out.pair)
                assert f"{a} to {b}" in words


def test_a_side_that_is_off_its_mirror_image_says_by_how_much(found, study, identity, tmp_path):
    front = study.axles["front"]
    points = dict(front.axle.right.points)
    points["strut_top"] = points["strut_top"] + np.array([0.0, 3.0, 4.0])
    axle = replace(front.axle, right=replace(front.axle.right, points=points))
    crooked = replace(study, axles={**study.axles, "front": replace(front, axle=axle)})
    write_pdf(tmp_path / "r.pdf", report_paper(crooked, found, identity))
    assert re.search(r"strut top body -67.8 541.0 830.0 -67.8 -538.0 834.0 5.0",
                     text_of(tmp_path / "r.pdf"))  # fmt: skip


def test_the_same_study_gives_the_same_papers(report, study, found, identity, tmp_path) -> None:
    paper = report_paper(study, found, identity)
    write_pdf(tmp_path / "report.pdf", paper)
    write_html(tmp_path / "report.html", paper)
    assert (tmp_path / "report.pdf").read_bytes() == report.read_bytes()
    assert (tmp_path / "report.html").read_bytes() == report.with_suffix(".html").read_bytes()


def test_sheets_are_one_page_with_boxes(study, found, identity, tmp_path) -> None:
    assert write_pdf(tmp_path / "s.pdf", setup_paper(study, identity)) == 1
    words = text_of(tmp_path / "s.pdf")
    # Truth: the plan's points; sqrt(23^2 + 364^2 + 12^2) for the tie rod.
    assert "tie rod, eye to eye 364.9 364.9 mm" in words
    assert "camber at ride height -4.00 -4.00 deg" in words
    assert "Rack stop: 75 mm each way in the file, 70 mm used" in words
    path = tmp_path / "m.pdf"
    paper = measuring_paper(found.car, identity)
    assert write_pdf(path, paper) == 1
    words = text_of(path)
    boxes = 2  # from axle to axle
    for name, axle in found.car.axles.items():
        for point in axle.left.points:
            assert f"{name}: {point.replace('_', ' ')}" in words
        boxes += 6 * len(axle.left.points) + 2 * len(lines_between(axle.left)) + 3
    for k in range(1, sum(len(a.left.points) for a in found.car.axles.values()) + 1):
        assert f" {k} " in words
    tables = [b for b in paper.blocks if isinstance(b, Table)]
    assert sum(row.cells.count(BOX) for t in tables for row in t.rows) == boxes
    # Truth: the wheel centres of the car as found; sqrt((3+2650)^2 + (766.9-770)^2 + 2^2).
    assert "wheel centre, front to rear 2653.0 2653.0" in words


def test_a_line_of_100_mm_measures_100_mm_on_the_page(tmp_path: Path) -> None:
    line = Drawing(120.0, 20.0, (Stroke(((10.0, 10.0), (110.0, 10.0)), (0, 0, 0)),), "a line")
    paper = Document("t", ("", ""), ("", ""), (Figures(((line, "100 mm"),)),))
    write_pdf(tmp_path / "t.pdf", paper)
    page = PdfReader(tmp_path / "t.pdf").pages[0]
    drawn = page.get_contents().get_data().decode("latin-1")
    number = r"([\d.-]+)"
    lines = re.findall(rf"{number} {number} m {number} {number} l", drawn)
    scale = 72.0 / 25.4  # points to the mm
    spans = [abs(float(c) - float(a)) / scale for a, _, c, _ in lines]
    assert any(abs(span - 100.0) < 0.001 for span in spans), spans  # mm; the file has six digits
    assert [round(float(v) / scale) for v in page.mediabox[2:]] == [210, 297]


def test_too_much_for_one_page_flows_on_at_full_size(tmp_path: Path) -> None:
    rows = tuple(Row((f"point {k}", BOX)) for k in range(400))
    table = Table((Column("point", 2), Column("measured", 1)), rows)
    paper = Document("t", ("a", "b"), ("c", "d"), (Heading("many"), table), one_page=True)
    assert write_pdf(tmp_path / "t.pdf", paper) > 5
    assert write_pdf(tmp_path / "t2.pdf", replace(paper, one_page=False)) > 5
    assert (tmp_path / "t.pdf").read_bytes() == (tmp_path / "t2.pdf").read_bytes()
    assert "point 399" in text_of(tmp_path / "t.pdf")


def test_markup_foreign_letters_and_long_names_are_only_words(study, found, identity, tmp_path):
    nasty = '<b>Žluťoučký</b> & "кузов" <script>alert(1)</script> ' + "long_" * 60
    named = replace(identity, car=nasty, title=nasty)
    paper = report_paper(study, found, named)
    write_pdf(tmp_path / "n.pdf", paper)
    write_html(tmp_path / "n.html", paper)
    assert '<b>Žluťoučký</b> & "кузов" <script>alert(1)' in text_of(tmp_path / "n.pdf")
    page = (tmp_path / "n.html").read_text(encoding="utf-8")
    assert "<script" not in page
    assert "&lt;script&gt;alert(1)" in page


def test_the_html_is_valid_and_asks_for_nothing(report, study, identity) -> None:
    missing = node_missing("html-validate")
    if missing:
        pytest.skip(missing)
    page = report.with_suffix(".html")
    sheet = report.parent / "setup.html"
    write_html(sheet, setup_paper(study, identity))
    script = """
    const { HtmlValidate, StaticConfigLoader } = require('html-validate');
    const loader = new StaticConfigLoader({ extends: ['html-validate:standard'] });
    const one = new HtmlValidate(loader);
    Promise.all(process.argv.slice(1).map(f => one.validateFile(f))).then(all => console.log(
      JSON.stringify(all.flatMap(r => r.results.flatMap(f => f.messages.map(
        m => `${m.ruleId} ${m.line}:${m.column} ${m.message}`))))));
    """
    assert node(script, str(page), str(sheet)) == []
    text = page.read_text(encoding="utf-8")
    assert "default-src 'none'" in text
    assert not re.search(r"(src|href)=\"(?!data:)", text)


def test_the_map_of_limits_is_the_least_of_every_limit_that_stops_motion(study) -> None:
    front = study.axles["front"]
    share = tightest_share(front, study.car)
    again = [r.normalised for r in readings(front.sweep, study.car) if r.stops is not Stops.NOTHING]
    for i, j in ((0, 0), (10, 20), (20, 40), (3, 33)):
        known = [v[i, j] for v in again if np.isfinite(v[i, j])]
        assert share[i, j] == min(known)


@pytest.mark.parametrize(("span", "step"), [(1.0, 0.5), (4.0, 1.0), (130.0, 50.0), (0.03, 0.01)])
def test_axes_have_round_steps(span: float, step: float) -> None:
    assert nice_step(span) == pytest.approx(step)


@pytest.mark.parametrize(("model", "steered"), [("five_link", False), ("twin_link_strut", True)])
def test_what_is_checked_by_hand_names_a_rack_only_where_there_is_one(model, steered):
    path = Path(__file__).parents[1] / "models" / model / f"{model}.toml"
    assert (" rack" in " ".join(by_hand(build_car(read_file(path))))) == steered


def test_a_car_whose_bodies_never_pass_each_other_is_not_told_clear(identity):
    path = Path(__file__).parents[1] / "models" / "three_link_axle" / "three_link_axle.toml"
    found = study_car(build_car(read_file(path)), named_profile("water_jet"), lambda *_: None)
    said = "\n".join(summary_lines(found))
    assert "Of limits and plates (gaps not measured), nothing falls short." in said
    assert "No gap was measured" in said
    blocks = report_paper(found, found, identity).blocks
    paras = [block.text for block in blocks if isinstance(block, Para)]
    assert any("(gaps not measured), nothing" in words for words in paras)
    assert any("unknown, never clear" in words for words in paras)


def test_the_report_holds_the_set_up_sheet_line_for_line(study, found, identity):
    inside = report_paper(study, found, identity).blocks
    begins = inside.index(Heading("Set-up sheet"))
    wall = setup_paper(study, identity).blocks[2:-1]  # without its title and its caution
    assert inside[begins + 1 : begins + 1 + len(wall)] == wall


def test_the_sheet_for_the_wall_names_stops_that_keep_parts_apart(study, identity, tmp_path):
    # Truth: the advice itself, checked in test_advice.py; the limits alone would allow more.
    front = study.axles["front"]
    stops = SafeStops(rack_mm=41.0, droop_mm=None, together=(61.0, 62.0), needed=True)
    hopeless = replace(stops, rack_mm=None, together=None, always=(("rim", "tie_rod"),))
    unneeded = SafeStops(None, None, None, needed=False)
    told = {}
    nowhere = replace(front.stops, safe_rack_mm=None, no_safe_rack="it binds")
    cases = (
        ("told", stops, front.stops),
        ("hopeless", hopeless, front.stops),
        ("unneeded", unneeded, front.stops),
        ("limits", stops, nowhere),
    )
    for name, one, limits in cases:
        advice = {Side.LEFT: GapAdvice({}, one, ())}
        axle = replace(front, advice=advice, stops=limits)
        advised = replace(study, axles={"front": axle})
        write_pdf(tmp_path / "s.pdf", setup_paper(advised, identity))
        told[name] = text_of(tmp_path / "s.pdf")
    assert "rack stop from straight ahead, no further than 61.0 61.0 mm" in told["told"]
    assert "droop limit under ride height, no further than 62.0 62.0 mm" in told["told"]
    assert "a rack stop at 41.0 mm each way, or both at 61.0 mm of rack" in told["told"]
    assert "straight ahead, no further than none safe none safe mm" in told["hopeless"]
    assert "too near in bump or at ride height, rim to tie rod" in told["hopeless"]
    assert "straight ahead, no further than none safe none safe mm" in told["limits"]
    safe = f"{front.stops.safe_rack_mm:.1f}"
    assert f"straight ahead, no further than {safe} {safe} mm" in told["unneeded"]
    assert "bolt from its slot's middle, 12.0 each way 0.0 0.0 mm" in told["unneeded"]


def test_tables_leave_no_page_half_empty_and_no_head_alone(tmp_path: Path) -> None:
    rows = tuple(Row((f"point {k}", "1.0")) for k in range(60))
    table = Table((Column("point", 2), Column("value", 1)), rows)
    words = Para("Some words before it.")
    paper = Document("t", ("a", "b"), ("c", "d"), (Heading("one"), words, Heading("two"), table))
    assert write_pdf(tmp_path / "t.pdf", paper) == 2
    first, second = (page.extract_text() for page in PdfReader(tmp_path / "t.pdf").pages)
    assert "point 20" in first
    assert "point 59" in second
    huge = Table((Column("point", 2), Column("value", 1)), (Row(("very long " * 900, "1.0")),))
    assert write_pdf(tmp_path / "h.pdf", replace(paper, blocks=(huge,))) > 1
