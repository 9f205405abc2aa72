"""Least gaps and slot travel as aims: answers measured anew by closed forms, on the rebuilt car."""

from __future__ import annotations

from dataclasses import replace
from functools import partial

import numpy as np
import pytest
from shipped import MODELS, car_of

from linkview.cli import main
from linkview.errors import LinkviewError, ModelFaults
from linkview.export.targets import answer_lines, variants_text
from linkview.geometry import Array
from linkview.kinematics.assemble import build_car, rebuilder
from linkview.kinematics.sweep import sweep_axle
from linkview.model.aims import AimTable, MoveTable
from linkview.model.bodies import WantedGap
from linkview.model.parts import Axle, Side
from linkview.model.read import read_file
from linkview.tuning.aimed import aimed_of
from linkview.tuning.gap_meter import GapMeter
from linkview.tuning.problem import Problem, Variables
from linkview.tuning.slots import room_mm
from linkview.tuning.targets import reach

MODEL = MODELS / "demo_coupe" / "setting_up.toml"
ROD_MM, SHELF_TOP_MM = 11.0, 90.0
BODIES = f"""
[axle.front.bodies.tie_rod]
kind = "tube"
from = "tie_rod_inner"
to = "tie_rod_outer"
radius = {ROD_MM}

[axle.front.bodies.shelf]
kind = "box"
low = [-900, 50, 20]
high = [900, 1300, {SHELF_TOP_MM}]
"""
GAP = AimTable(between=("tie_rod", "shelf"), at_least=30.0, within=1.0)
UP = {"tie_rod_outer": MoveTable(z=(-8.0, 14.0))}


@pytest.fixture(scope="module")
def path(tmp_path_factory):
    """The shipped car with a tie rod over a wide shelf, without its own aims."""
    text = MODEL.read_text(encoding="utf-8")
    start = text.index("# Design targets, for")
    end = text.rindex("# ---", 0, text.index("[axle.rear]"))
    out = tmp_path_factory.mktemp("gaps") / "shelf.toml"
    out.write_text(text[:start] + BODIES + text[end:], encoding="utf-8")
    return out


@pytest.fixture(scope="module")
def file(path):
    return read_file(path)


@pytest.fixture(scope="module")
def car(file):
    return build_car(file)


def over_the_shelf_mm(axle: Axle) -> Array:
    """Truth: a straight rod with round ends is nearest to a plane at one of its ends. (S, T)."""
    corner = axle.left
    assert corner.rack is not None
    rack = np.linspace(-corner.rack.stop_mm, corner.rack.stop_mm, 31)
    travel = np.linspace(corner.travel.droop_mm, corner.travel.bump_mm, 27)
    left = sweep_axle(axle, rack, travel).left
    ends = np.minimum(left.point("tie_rod_inner")[..., 2], left.point("tie_rod_outer")[..., 2])
    strut = np.linalg.norm(left.point("strut_top") - left.point("strut_lower"), axis=-1)
    assert corner.damper is not None
    inside = (strut >= corner.damper.min_length_mm) & (strut <= corner.damper.max_length_mm)
    return np.where(inside, ends, np.nan) - ROD_MM - SHELF_TOP_MM


def test_a_gap_is_reached_and_the_car_built_from_the_answer_has_it(car, path, tmp_path, capsys):
    plain = np.nanmin(over_the_shelf_mm(car.axles["front"]))
    assert plain < 26.0
    full = path.with_name("full.toml")
    aim = '[[axle.front.aims]]\nbetween = ["tie_rod", "shelf"]\nat_least = 30\nwithin = 1\n'
    box = "[axle.front.may_move.tie_rod_outer]\nz = [-8, 14]\n"
    full.write_text(path.read_text(encoding="utf-8") + aim + box, encoding="utf-8")
    assert main(["targets", str(full), "--strict", "--out", str(tmp_path / "o")]) == 0
    said = capsys.readouterr().out
    assert "gap tie rod to shelf, inside the limits (at least 30 mm)" in said
    assert "certain: least between" in said
    more = (tmp_path / "o" / "targets_variants.toml").read_text(encoding="utf-8")
    full.write_text(full.read_text(encoding="utf-8") + more, encoding="utf-8")
    there = build_car(read_file(full), "front_answer_1").axles["front"]
    assert np.nanmin(over_the_shelf_mm(there)) >= 30.0
    assert np.nanmin(over_the_shelf_mm(there)) < 32.0  # no further than it need be


def test_a_gap_and_a_reading_that_fight_are_told(car, file):
    """The outer joint must rise 5 mm for the gap; that bends the bump steer, which is held."""
    keep = AimTable(reading="bump_steer_deg_per_mm", equals=-0.0101, within=2e-4)
    axle = replace(car.axles["front"], aims=(GAP, keep), may_move=UP)
    (answer,) = reach(axle, car, rebuilder(file))
    assert answer.missed >= 1
    gap, reading = answer.outcomes
    moved = rebuilder(file).corner("front", axle.given_side, answer.moves)
    truth = np.nanmin(over_the_shelf_mm(replace(axle, left=moved)))
    assert gap.met == (gap.after >= 30.0)
    # What is certain is under every gap on the grid, by what the proof leaves open and no more.
    assert truth - 0.6 < gap.after <= truth + 1e-6
    assert reading.met == (abs(reading.after + 0.0101) <= 2e-4)


def test_slopes_of_gaps_are_those_of_cars_built_anew_in_contact_too(car, file):
    axle = replace(car.axles["front"], may_move={**UP, "strut_top": MoveTable(y=(-9.0, 9.0))})
    meter = GapMeter.of(axle, car, partial(rebuilder(file).corner, "front", axle.given_side))
    box = Variables.of(axle, list(axle.may_move))
    for at_least in (60.0, 200.0):
        aim = AimTable(between=("shelf", "tie_rod"), at_least=at_least, within=2.0)
        problem = Problem(axle, car, aimed_of((aim,)), box, meter)
        at = np.array([2.0, 1.0])
        slopes = problem.slopes(at)
        active = problem.off(at)[: meter.count] != 0.0
        assert active.any()
        for k in range(2):
            h = 1e-3 * np.eye(2)[k]
            difference = (problem.off(at + h) - problem.off(at - h)) / 2e-3
            assert slopes[:-2, k][active] == pytest.approx(
                difference[:-2][active], rel=1e-3, abs=1e-4
            )


def test_slots_are_kept_or_said_to_be_left(car):
    """Caster by the strut top alone; its slot goes 10 mm along the car, another 12 mm across."""
    caster = AimTable(reading="caster_deg", equals=8.2, within=0.05)
    room = AimTable(slot="top_mount_along", at_least=2.0, within=0.5)
    may = {"strut_top": MoveTable(x=(-25.0, 25.0))}
    axle = replace(car.axles["front"], aims=(caster,), may_move=may)
    (free,) = reach(axle, car)
    gone = abs(float(free.moves["strut_top"][0]))
    assert free.missed == 0
    assert gone > 10.0
    assert free.broken == (f"leaves slot top mount along by {gone - 10.0:.1f} mm",)
    (held,) = reach(replace(axle, aims=(caster, room)), car)
    reading, left = held.outcomes
    assert held.broken == ()
    assert left.after == pytest.approx(10.0 - abs(float(held.moves["strut_top"][0])))
    assert not (reading.met and left.met)
    up = replace(axle, aims=(room,), may_move={"strut_top": MoveTable(z=(-5.0, 5.0))})
    problem = Problem(up, car, aimed_of(up.aims), Variables.of(up, ["strut_top"]))
    # A slot that lies flat gives no height: 3 mm up is 3 mm off its ways, and 5 short of 2 mm room.
    assert problem.off(np.array([3.0]))[0] == pytest.approx((-3.0 - 2.0) / 0.5 - 0.3)
    assert problem.slopes(np.array([3.0]))[0, 0] == pytest.approx(-1.0 / 0.5)


def test_the_slots_of_a_plate_give_way_along_themselves_and_no_further():
    """The demo's top mount plate: 12 mm either way across, in its plane, square to the strut."""
    demo = car_of("demo_coupe")
    room = AimTable(slot="top_mount_plate", at_least=3.0, within=0.5)
    may = {"strut_top": MoveTable(y=(-20.0, 20.0), z=(-6.0, 6.0))}
    axle = replace(demo.axles["front"], aims=(room,), may_move=may)
    top, lower = (axle.left.points[p] for p in ("strut_top", "strut_lower"))
    strut = (top - lower) / np.linalg.norm(top - lower)
    way = np.array([0.0, 1.0, 0.0]) - strut[1] * strut
    way /= np.linalg.norm(way)  # written apart from the plate's drawing
    assert room_mm(axle, "top_mount_plate", {}) == pytest.approx(12.0)
    assert room_mm(axle, "top_mount_plate", {"strut_top": 5.0 * way}) == pytest.approx(7.0)
    off = room_mm(axle, "top_mount_plate", {"strut_top": 4.0 * strut})
    assert off == pytest.approx(-4.0)
    right = replace(axle, given_side=Side.RIGHT)
    mirror = {"strut_top": 5.0 * way * (1.0, -1.0, 1.0)}
    assert room_mm(right, "top_mount_plate", mirror) == pytest.approx(7.0)
    camber = AimTable(reading="scrub_radius_mm", equals=45.0, within=0.1)
    (held,) = reach(replace(axle, aims=(camber, room)), demo)
    reading, left = held.outcomes
    gone = np.asarray(held.moves["strut_top"])
    assert left.after == pytest.approx(12.0 - abs(float(gone @ way)), abs=0.1)
    assert left.met or not reading.met
    none = AimTable(slot="arm_plate", at_least=3.0, within=0.5)
    with pytest.raises(LinkviewError, match="no plate with slots"):
        reach(replace(axle, aims=(none,)), demo)


def test_gaps_the_file_wants_are_told_when_an_answer_leaves_them_short(car, file):
    flat = AimTable(reading="bump_steer_deg_per_mm", equals=-0.0101, within=1.0)
    low = AimTable(reading="steer_rate_deg_per_mm", equals=-0.63, within=0.01)
    wanted = WantedGap(frozenset(("tie_rod", "shelf")), 40.0)
    may = {"tie_rod_outer": MoveTable(y=(-30.0, 30.0), x=(-30.0, 30.0))}
    axle = replace(car.axles["front"], aims=(flat, low), may_move=may, wanted_gaps=(wanted,))
    answers = reach(axle, car, rebuilder(file))
    assert answers
    for answer in answers:
        (line,) = answer.broken
        assert line.startswith("gap shelf to tie rod: 25.")
        assert line.endswith("40 mm wanted (sampled)")


def test_aims_met_as_the_car_stands_move_nothing_and_say_so(car, file):
    near = AimTable(between=("tie_rod", "shelf"), at_least=20.0, within=1.0)
    axle = replace(car.axles["front"], aims=(near,), may_move=UP)
    (answer,) = reach(axle, car, rebuilder(file))
    assert (answer.moves, answer.missed) == ({}, 0)
    assert "nothing: the aims are met as the car stands" in "\n".join(answer_lines(axle, [answer]))
    assert "[variant" not in variants_text({"front": (axle, [answer])}, "as_found")


def test_where_nothing_is_proved_it_is_said_to_be_sampled(monkeypatch):
    # Every shipped layout's cells can be bounded; as for one whose arms hang on what moves.
    monkeypatch.setattr("linkview.tuning.gap_meter.domain_of", lambda sweep, limits: None)
    path = MODELS / "push_rod" / "push_rod.toml"
    file = read_file(path)
    there = build_car(file)
    aim = AimTable(between=("push_rod", "tyre"), at_least=40.0, within=1.0)
    may = {"push_rod_outer": MoveTable(y=(-5.0, 5.0))}
    axle = replace(there.axles["front"], aims=(aim,), may_move=may)
    (answer,) = reach(axle, there, rebuilder(file))
    assert answer.outcomes[0].how.startswith("sampled at ")
    assert answer.outcomes[0].how.endswith("poses, not certain")


def test_names_that_are_none_are_refused(car, file):
    axle = replace(car.axles["front"], may_move=UP)
    wrong = AimTable(between=("tie_rod", "shelv"), at_least=3.0, within=1.0)
    with pytest.raises(LinkviewError, match="did you mean 'shelf'"):
        reach(replace(axle, aims=(wrong,)), car, rebuilder(file))
    with pytest.raises(LinkviewError, match="the bodies' file is needed"):
        reach(replace(axle, aims=(GAP,)), car)
    slot = AimTable(slot="top_mount_acros", at_least=0.0, within=1.0)
    with pytest.raises(LinkviewError, match="did you mean 'top_mount_across'"):
        reach(replace(axle, aims=(slot,)), car)


@pytest.mark.parametrize(
    ("aim", "words"),
    [
        ('between = ["shelf", "tie_rod"]\nequals = 3', "between takes at_least"),
        ('between = ["shelf", "shelf"]\nat_least = 3', "one body twice"),
        ('between = ["shelf", "tie_rod"]\nat_least = 3000', "is not 0 to 500"),
        ('between = ["shelf", "tie_rod"]\nat_least = 3\nrack = 5', "rack belongs to a reading"),
        ('slot = "top_mount_across"\nreading = "camber_deg"\nat_least = 1', "give one of reading"),
        ("at_least = 3", "give one of reading"),
    ],
)
def test_faults_of_such_aims_name_key_and_fix(path, tmp_path, aim, words):
    bad = tmp_path / "bad.toml"
    text = path.read_text(encoding="utf-8")
    bad.write_text(f"{text}\n[[axle.front.aims]]\nwithin = 1\n{aim}\n", encoding="utf-8")
    with pytest.raises(ModelFaults) as fault:
        read_file(bad)
    assert words in str(fault.value)
