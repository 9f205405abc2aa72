"""Two states side by side, the ladder between them, curves and the limit map."""

from __future__ import annotations

import csv
import re
import xml.etree.ElementTree as ET
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from PIL import Image
from shipped import MODELS, car_of

from linkview.app.compare import compare_without_gaps, write_comparison
from linkview.clearance.distance import GapState
from linkview.cli import main
from linkview.errors import UnknownName
from linkview.export.compare import differences, moved_points
from linkview.export.curves import Against, State, curves_of, draw_curves, write_curves
from linkview.export.limit_map import draw_limit_map
from linkview.export.tables import write_stops
from linkview.kinematics.assemble import build_car, ladder
from linkview.kinematics.sweep import sweep_axle
from linkview.limits.limit import Stops
from linkview.limits.readings import readings
from linkview.limits.regions import INSIDE, region_map
from linkview.limits.stops import first_stop
from linkview.model.parts import Side
from linkview.model.read import read_file
from linkview.plates.profiles import WATER_JET
from linkview.study import along_rack, along_travel, first_contacts, limit_regions, study_car

FILE = MODELS / "demo_coupe" / "demo_coupe.toml"


def table(path) -> list[dict[str, str]]:
    return list(csv.DictReader(path.read_text(encoding="utf-8").splitlines()))


def quiet(what: str, done: int, count: int) -> None:
    pass


@pytest.fixture(scope="module")
def compared():
    return compare_without_gaps(read_file(FILE), "as_found", "straight_front_leg", quiet)


def test_moved_points_are_those_of_the_file(compared):
    moved = {
        p: by
        for axle, s, p, by in moved_points(compared.before.car, compared.after.car)
        if axle == "front" and s is Side.LEFT
    }
    # The plan's arm ball joint less the one as found, by hand from the file's own numbers.
    assert moved["lower_ball_joint"] == pytest.approx([1.2, 19.8, -3.3], abs=1e-9)
    assert "lower_arm_rear_pivot" not in moved


def test_the_rungs_add_up_to_the_whole_difference(compared):
    """Each step's change, summed, is the difference of both ends; the ends are the two cars."""
    whole = {
        (d.axle, d.side, d.reading): d.change
        for d in differences(compared.before, compared.after)
        if "lock" not in d.reading
    }
    first, last = compared.rungs[0], compared.rungs[-1]
    for name, alignment in last.alignments.items():
        for reading in ("camber_deg", "trail_mm", "bump_steer_deg_per_mm"):
            key = (name, "left", reading)
            if key not in whole:
                continue
            values = [getattr(r.alignments[name].left, reading) for r in compared.rungs]
            i = int(np.argmin(np.abs(alignment.rack_mm)))
            j = int(np.argmin(np.abs(alignment.travel_mm)))
            steps = [float(b[i, j] - a[i, j]) for a, b in pairwise(values)]
            assert sum(steps) == pytest.approx(whole[key], abs=1e-12)
    assert first.title == "as found"


def test_a_ladder_takes_one_change_at_a_time():
    file = read_file(FILE)
    steps = ladder(file, "as_found", "straight_front_leg")
    assert len(steps) == 1 + len(file.variant("planned").change) + len(
        file.variant("straight_front_leg").change
    )
    whole = build_car(file, "straight_front_leg")
    for name, axle in whole.axles.items():
        for point, at in axle.left.points.items():
            assert steps[-1][1].axles[name].left.points[point] == pytest.approx(at, abs=1e-12)


def test_there_is_no_ladder_between_states_that_are_not_built_on_each_other():
    with pytest.raises(UnknownName, match="'as_found' is not built on 'planned'"):
        ladder(read_file(FILE), "planned", "as_found")


def test_the_files_of_a_comparison(compared, tmp_path):
    written = write_comparison(compared, tmp_path)
    for one in written:
        assert (tmp_path / one.name).stat().st_size > 100
    rows = table(tmp_path / "compare_readings.csv")
    camber = next(r for r in rows if r["reading"] == "camber_deg" and r["axle"] == "front")
    assert float(camber["as_found"]) == pytest.approx(-1.0, abs=1e-6)
    assert float(camber["change"]) == pytest.approx(-3.0, abs=1e-5)
    assert "CAUTIONS" in (tmp_path / "compare.txt").read_text(encoding="utf-8")


def test_compare_from_the_command_line(tmp_path, capsys):
    args = ["compare", str(FILE), "as_found", "top_mount_in_10", "--no-gaps"]
    assert main([*args, "--out", str(tmp_path / "out")]) == 0
    said = capsys.readouterr().out
    assert "LADDER" in said
    assert "gaps were not measured" in said
    assert main(["compare", str(FILE), "as_found", "plannd", "--no-gaps"]) == 2
    assert "did you mean 'planned'" in capsys.readouterr().err


def test_where_the_sides_differ_each_line_says_whose_it_is(tmp_path, capsys):
    """One upper link of a beam axle moved: both wheels' readings, and steps, differ."""
    text = (FILE.parents[1] / "four_link_axle" / "four_link_axle.toml").read_text(encoding="utf-8")
    path = tmp_path / "beam.toml"
    path.write_text(
        f'{text}\n[variant.v]\ntitle = "up"\n[[variant.v.change]]\naxle = "rear"\n'
        'how = "parts_kept"\n[variant.v.change.move]\nupper_left_inner = [0, 0, 10]\n',
        encoding="utf-8",
    )
    out = tmp_path / "out"
    assert main(["compare", str(path), "as_found", "v", "--no-gaps", "--out", str(out)]) == 0
    said = capsys.readouterr().out
    rows = {
        (r["side"], r["reading"]): float(r["change"])
        for r in table(out / "compare_readings.csv")
        if r["change"]
    }
    step = said.split("LADDER")[1]
    for side in ("left", "right"):
        ratio = f"{rows[side, 'motion_ratio']:+.4f} mm/mm"
        assert re.search(rf"(?m)^  {side} motion ratio .* {re.escape(ratio)}$", said)
        assert f"{side} motion ratio {ratio}" in step
    assert rows["left", "motion_ratio"] != pytest.approx(rows["right", "motion_ratio"], abs=1e-4)
    assert not re.search(r"(?m)^  (toe-in|camber) ", said)


def test_sensitivity_from_the_command_line(tmp_path, capsys):
    out = tmp_path / "out"
    args = ["sensitivity", str(FILE), "--variant", "planned", "--parts", "kept", "--out", str(out)]
    assert main(args) == 0
    assert "strut top y" in capsys.readouterr().out
    with pytest.raises(SystemExit):
        main(["sensitivity", str(FILE), "--rack", "nan"])
    assert "nan is no place of a rack or a wheel" in capsys.readouterr().err
    rows = table(out / "sensitivity.csv")
    mine = [
        r
        for r in rows
        if (r["reading"], r["point"], r["coordinate"]) == ("camber", "strut_top", "y")
    ]
    # The definitions quote the top mount 10 mm inboard as -4.000 to -4.846 deg; the slope agrees
    # to the curvature over 10 mm.
    assert 10.0 * float(mine[0]["change per mm"]) == pytest.approx(0.846, abs=0.02)


# --- curves ---------------------------------------------------------------------------------------


def test_curves_are_the_readings_and_end_where_reach_ends():
    car = build_car(read_file(FILE), "over_centre_trap")
    states = [State("trap", along_rack(car.axles["front"], car))]
    lines = curves_of(states, Against.RACK)
    steer = next(c for c in lines if c.quantity.name == "steer_deg" and c.side is Side.LEFT)
    assert np.isnan(steer.y[steer.x < -68.6]).all()
    assert np.isfinite(steer.y[np.abs(steer.x) < 68.0]).all()
    want = states[0].alignment.left.steer_deg[:, 0]
    assert steer.y == pytest.approx(want, nan_ok=True)


def test_curves_as_png_svg_and_csv(tmp_path):
    car = car_of("double_wishbone")
    states = [State("as found", along_travel(car.axles["front"], car))]
    png, svg = draw_curves(tmp_path / "curves", states, Against.TRAVEL)
    with Image.open(png) as picture:
        assert picture.size[0] == 1650
        assert len(picture.convert("RGB").getcolors(1 << 20)) > 50  # something is drawn
    words = "".join(ET.parse(svg).getroot().itertext())
    for said in ("camber, deg", "roll centre height, mm", "wheel travel, mm", "Rack centred"):
        assert said in words
    write_curves(tmp_path / "curves.csv", states, Against.TRAVEL)
    rows = table(tmp_path / "curves.csv")
    ride = [r for r in rows if r["reading"] == "camber" and float(r["travel (mm)"]) == 0.0]
    assert float(ride[0]["value"]) == pytest.approx(-1.0, abs=1e-5)


# --- the map --------------------------------------------------------------------------------------


def test_every_pose_of_the_map_is_named_for_a_limit_it_breaks():
    """Against the margins themselves, pose by pose: outside means that some limit is exceeded at
    that pose or nearer to the middle on the same row; inside, that none is."""
    car = build_car(read_file(FILE))
    axle = car.axles["front"]
    sweep = sweep_axle(axle, np.linspace(-75.0, 75.0, 31), np.linspace(-70.0, 60.0, 27))
    limits = readings(sweep, car)
    found = region_map(sweep, limits, None)
    real = [r for r in limits if r.stops is not Stops.NOTHING and r.name != "edge of reach"]
    for j in range(27):
        for i in range(31):
            way = range(15, i + 1) if i >= 15 else range(15, i - 1, -1)
            broken = {r.name for k in way for r in real if r.margin[k, j] < 0.0}
            name = found.names[found.region[i, j]]
            assert (name == INSIDE) == (not broken)
            assert name == INSIDE or name in broken
    assert {w.name for w in found.worst} == set(found.names[1:])


def test_contact_makes_a_region_of_its_own_and_the_edge_of_reach_too():
    car = build_car(read_file(FILE), "over_centre_trap")
    sweep = sweep_axle(car.axles["front"], np.linspace(-75.0, 75.0, 31), np.array([0.0]))
    touch = np.zeros((31, 1), dtype=bool)
    touch[10] = True
    found = region_map(sweep, (), {"tyre touches rail": touch})
    assert found.names == (INSIDE, "tyre touches rail", "edge of reach")
    assert (found.region[:11, 0] == 1).all()  # and all beyond it: it is met first
    assert (found.region[11:29, 0] == 0).all()
    assert (found.region[29:, 0] == 2).all()
    assert found.contact_rack_mm == pytest.approx(25.0)


def test_a_map_with_contact_inside_names_no_rack_setting_as_keeping_inside(tmp_path):
    car = build_car(read_file(FILE), "planned")
    axle = car.axles["front"]
    sweep = sweep_axle(axle, np.linspace(-75.0, 75.0, 31), np.array([-20.0, 0.0, 20.0]))
    stops = first_stop(sweep, car)
    assert stops.safe_rack_mm > 60.0
    touch = np.zeros((31, 3), dtype=bool)
    for where, said in ((8, "parts touch at 35.0 mm"), (0, "keeps inside at every travel")):
        touch[:] = False
        touch[where, 1] = True
        found = region_map(sweep, (), {"tyre touches rail": touch})
        _, svg = draw_limit_map(tmp_path / str(where), found, stops)
        assert said in "".join(ET.parse(svg).getroot().itertext())


def test_the_map_is_drawn_with_its_names(tmp_path):
    car = build_car(read_file(FILE))
    axle = car.axles["front"]
    sweep = sweep_axle(axle, np.linspace(-75.0, 75.0, 21), np.linspace(-70.0, 60.0, 14))
    sweep = sweep_axle(axle, sweep.left.rack_mm, np.append(sweep.left.travel_mm, 0.0))
    png, svg = draw_limit_map(
        tmp_path / "map", limit_regions(axle, car, {}), first_stop(sweep, car)
    )
    words = "".join(ET.parse(svg).getroot().itertext())
    assert "1  tie rod outer rod end misalignment" in words
    assert "Gaps are not in this map" in words
    assert png.stat().st_size > 10_000


def test_the_stops_table_names_contact_where_gaps_were_measured(tmp_path):
    """The first touching rack outward, by travel and lock, against the survey's own states."""
    car = car_of("twin_link_strut")
    axle = car.axles["front"]
    study = study_car(car, WATER_JET, quiet).axles["front"]
    assert first_contacts(study) == {}  # as shipped nothing touches
    pair = study.gaps[Side.LEFT].pairs[0]
    gap = np.full(study.sweep.left.solved.shape, 5.0)
    gap[3, 7] = -0.5  # the left wheel, at the fourth rack from one end
    touched = replace(pair, gap_mm=gap, state=np.full(gap.shape, int(GapState.MEASURED)))
    survey = replace(study.gaps[Side.LEFT], pairs=(touched,))
    assert axle.symmetric
    found = first_contacts(replace(study, gaps={Side.LEFT: survey}))
    rack = study.sweep.left.rack_mm
    assert {key[0] for key in found} == {7}
    assert sorted(at for at, _ in found.values()) == pytest.approx(sorted([rack[3], -rack[3]]))
    write_stops(tmp_path / "stops.csv", {"front": replace(study, gaps={Side.LEFT: survey})})
    rows = table(tmp_path / "stops.csv")
    assert sum("touches" in r["contact of"] for r in rows) == 2
    assert rows[0]["contact of"] == "none found at the grid's poses"
