"""Reading hard-point files: the shipped car, and one fault each in broken/."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest

from linkview.errors import LinkviewError, ModelFaults, UnknownName
from linkview.kinematics.assemble import build_car
from linkview.model.bodies import MeshFile, Revolved, Tube
from linkview.model.parts import Hold, JointKind, Side
from linkview.model.read import read_file
from linkview.model.wheels import rim_diameter_mm, tyre_of_code

HERE = Path(__file__).parent
BROKEN = HERE / "broken"
DEMO = HERE.parent / "models" / "demo_coupe" / "demo_coupe.toml"

# One file each: the key it must name, and the words of the fix.
FAULTS = {
    "axis_upside_down": ("axle.front.points.strut_top", "leans 167 deg from upright; mixed up?"),
    "bad_tyre_code": ("axle.front.wheel.tyre_code", "looks like '225/45R17'"),
    "centre_over_another_datum": (
        "axle.front.wheel.loaded_radius",
        "where z = 0 is not the ground",
    ),
    "cv_off_the_spin_axis": ("axle.rear.points.cv_outer", "8.9 mm off the wheel's spin axis"),
    "damper_outside_stroke": ("axle.front.damper", "445.4 mm long"),
    "does_not_go_together": ("variant.lower.change[0]", "does not go together: "),
    "format_missing": ("format", "write format = 1"),
    "format_of_tomorrow": ("format", "2 is not a format this version reads"),
    "inches": ("axle.front.wheel.centre[1]", "must be at most 20000"),
    "joint_with_two_axes": ("axle.front.joints.tie_rod_outer", "give one: bolt_axis"),
    "joint_without_angle": ("axle.front.joints.tie_rod_outer.max_misalignment", "bolt_axis"),
    "left_and_right_mixed": ("axle.front.points.lower_ball_joint", "left and right mixed up?"),
    "made_to_fit_untold": ("variant.lower.change[0].parts", "add 'body' to parts"),
    "mesh_not_there": ("axle.front.bodies.arch.file", "'nowhere.stl' is not there"),
    "mesh_without_unit": ("axle.front.bodies.arch.unit", "which was it drawn in?"),
    "metres": ("car.wheelbase", "must be at least 500"),
    "missing_point": ("axle.front.points.strut_lower", "measure it and add it"),
    "no_travel": ("axle.front.travel", "droop is negative"),
    "not_a_number": ("axle.front.points.strut_top[1]", "not a finite number"),
    "not_toml": ("file", "at line 3, column 5"),
    "on_stands_without_length": ("axle.front.damper.length_at_ride_height", "on its wheels"),
    "parts_kept_on_the_knuckle": ("variant.lower.change[0].points.tie_rod_outer", "made_to_fit"),
    "rack_in_metres": ("axle.front.rack.stop", "must be at least 1"),
    "rack_fore_and_aft": ("axle.front.rack.axis", "does not run across the car"),
    "text_for_a_number": ("car.wheelbase", "must be a number, without quotes"),
    "twice_the_same_name": ("file", "each name may stand once"),
    "unknown_body_in_gaps": ("axle.front.gaps[0].between", "did you mean 'tie_rod'?"),
    "unknown_body_kind": ("axle.front.bodies.tie_rod", "kinds are 'tube', 'bent_tube'"),
    "unknown_key": ("axle.front.unsprung_mass", "did you mean 'unsprung_kg'?"),
    "unknown_layout": ("axle.front.layout", "did you mean 'strut'?"),
    "unknown_point": ("axle.front.points.tie_rod_outr", "did you mean 'tie_rod_outer'?"),
    "variant_in_a_ring": ("variant.lower.on", "lower on lower"),
    "variant_on_nothing": ("variant.lower.on", "no variant 'planed'"),
    "variant_unknown_point": ("variant.lower.change[0].move.strut_tip", "'strut_top'?"),
    "toe_that_no_wheel_has": ("variant.lower.change[0].reset_toe_in", "must be at most 45"),
    "wheel_lying_down": ("axle.front.wheel.camber", "must be at most 45"),
    "wheel_on_wrong_side": ("axle.front.wheel.centre", "y is + to the driver's left"),
    "working_past_stop": ("axle.front.rack.working", "beyond the stop at 70 mm"),
    "zero_length_link": ("axle.front.points.tie_rod_outer", "tie rod has no length"),
}
# Faults that necessarily come in company; every other file has exactly one.
IN_COMPANY = {"unknown_key": 2, "unknown_point": 2, "zero_length_link": 2}


def fault_text(path: Path) -> str:
    with pytest.raises(LinkviewError) as caught:
        build_every_variant(path)
    return str(caught.value)


def build_every_variant(path: Path) -> None:
    file = read_file(path)
    for variant in ["as_found", *file.variants]:
        build_car(file, variant)


@pytest.mark.parametrize("name", FAULTS)
def test_one_fault_is_one_line_with_key_and_fix(name):
    path = BROKEN / f"{name}.toml"
    text = fault_text(path)
    key, fix = FAULTS[name]
    assert len(text.splitlines()) == IN_COMPANY.get(name, 1), text
    assert any(line.startswith(f"{path}: {key}: ") for line in text.splitlines()), text
    assert fix in text
    assert "pydantic" not in text
    assert "Traceback" not in text


def test_every_broken_file_is_expected():
    found = {p.stem for p in BROKEN.glob("*.toml")} - {"three_faults"}
    assert found == set(FAULTS)


def test_the_small_car_without_its_fault_is_fine():
    build_every_variant(HERE / "small.toml")


def test_all_faults_of_a_file_come_at_once():
    text = fault_text(BROKEN / "three_faults.toml")
    for words in ("car.wheelbase", "unsprung_mass", "wheel.tyre_code"):
        assert words in text


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda p: None, "is not there"),
        (lambda p: p.mkdir(), "is a folder"),
        (lambda p: p.write_bytes(b"\xff\xfe\x00bad"), "not plain text"),
        (lambda p: p.write_text(""), "missing"),
        (lambda p: p.write_text("x = " + "[" * 5000), "not valid TOML|nested too deep"),
    ],
)
def test_unusable_files_say_so(tmp_path, make, words):
    path = tmp_path / "car.toml"
    make(path)
    with pytest.raises(ModelFaults, match=words):
        read_file(path)


def test_unknown_variant_offers_the_nearest():
    with pytest.raises(UnknownName, match="did you mean 'planned'"):
        build_car(read_file(DEMO), "planed")


def test_the_demo_reads_whole():
    file = read_file(DEMO)
    car = build_car(file)
    front, rear = car.axles["front"], car.axles["rear"]
    assert car.variant == "as_found"
    assert front.hold is Hold.WHEEL_HEIGHT
    assert front.left.rack.stop_mm == 75
    assert front.right.points["strut_top"][1] == -front.left.points["strut_top"][1]
    assert rear.driven
    assert not front.driven
    kinds = {b.name: type(b) for b in front.left.bodies}
    assert kinds["tyre"] is Revolved
    assert kinds["tie_rod"] is Tube
    assert kinds["wheel_well"] is MeshFile
    joints = {j.point: j.kind for j in front.left.joints}
    assert joints["strut_top"] is JointKind.BEARING
    assert joints["tie_rod_outer"] is JointKind.ROD_END
    assert {"top_mount_plate", "arm_plate", "hub_spacer"} <= set(front.plates)


def test_every_key_of_the_demo_is_explained():
    # Every key has a comment on at least one of the lines where it is used; the hard points
    # themselves stand under one comment for all.
    lines = DEMO.read_text(encoding="utf-8").splitlines()
    used = {m[1] for line in lines if (m := re.match(r"(\w+)\s*=", line))}
    explained = {m[1] for line in lines if (m := re.match(r"(\w+)\s*=.*\s# [\w+]", line))}
    car = build_car(read_file(DEMO))
    points = {p for axle in car.axles.values() for p in axle.left.points}
    assert used - explained - points == set()


def test_both_sides_measured_keep_their_differences(tmp_path):
    text = (HERE / "small.toml").read_text()
    left = text.split("[axle.front.points]")[1].split("[axle.front.wheel]")[0]
    right = re.sub(r"\[(-?\d+), (\d+), (\d+)\]", r"[\1, -\2, \3]", left)
    right = right.replace("lower_ball_joint = [10, -700", "lower_ball_joint = [12, -701")
    sides = (
        f"[axle.front.points_left]{left}[axle.front.points_right]{right}"
        "[axle.front.wheel_left]\ncentre = [0, 770, 305]\ncamber = -1.5\ntoe_in = 0\n"
        "[axle.front.wheel_right]\ncentre = [1, -772, 304]\ncamber = -1.2\ntoe_in = 0.1\n"
    )
    path = tmp_path / "car.toml"
    path.write_text(text.replace(f"[axle.front.points]{left}", sides))
    axle = build_car(read_file(path)).axles["front"]
    assert not axle.symmetric
    assert axle.right.points["lower_ball_joint"].tolist() == [12, -701, 185]
    assert axle.right.wheel.centre.tolist() == [1, -772, 304]
    assert axle.right.side is Side.RIGHT
    # camber + top outboard: on the right side the axis, pointing left, then points up for - camber
    assert np.degrees(np.arcsin(axle.right.wheel.spin_axis[2])) == pytest.approx(-1.2)


@pytest.mark.parametrize(
    ("code", "diameter_mm"),
    [("205/65R15", 647.0), ("245/70R16", 749.0)],
)
def test_tyre_diameters_against_published_ones(code, diameter_mm):
    # Source: published outer diameters of these sizes under UN Regulation 30 (secondary copy).
    tyre, _ = tyre_of_code(code)
    assert 2 * tyre.outer_radius_mm == diameter_mm


def test_tyre_width_follows_the_rim():
    # Source: UN Regulation 30, 6.1.1.1: S = S1 + 0.4 (A - A1); about 5 mm per half inch of rim.
    narrow, _ = tyre_of_code("225/45R17", 7.5)
    wide, _ = tyre_of_code("225/45R17", 8.0)
    assert 2 * narrow.half_width_mm == pytest.approx(225.0)
    assert 2 * (wide.half_width_mm - narrow.half_width_mm) == pytest.approx(0.4 * 12.7)


def test_rim_diameters():
    # Source: UN Regulation 30 rim diameter codes (16 to 18 from memory, 15 read).
    assert [rim_diameter_mm(c) for c in (15, 16, 17, 18)] == [381, 406, 432, 457]
