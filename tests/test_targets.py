"""Design targets: every answer is checked by a sweep of the variant it would be in the file."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
from shipped import MODELS, car_of

from linkview.alignment.axle import align
from linkview.cli import main
from linkview.errors import LinkviewError, ModelFaults
from linkview.export.targets import answer_lines
from linkview.kinematics.assemble import build_car
from linkview.kinematics.sweep import sweep_axle
from linkview.model.aims import AimTable, MoveTable
from linkview.model.read import read_file
from linkview.tuning.aimed import aimed_of
from linkview.tuning.problem import Problem, Variables
from linkview.tuning.targets import reach

MODEL = MODELS / "demo_coupe" / "setting_up.toml"
FLAT = AimTable(reading="toe_in_deg", travel=(-40.0, 40.0), change=True, equals=0.0, within=0.03)
RACK = {"tie_rod_inner": MoveTable(x=(-5.0, 5.0), z=(-12.0, 12.0))}


@pytest.fixture(scope="module")
def car():
    return build_car(read_file(MODEL))


def test_slopes_of_the_misses_are_those_of_moved_linkages(car):
    axle = replace(car.axles["front"], aims=())
    aims = (FLAT, AimTable(reading="percent_ackermann", rack=40.0, equals=50.0, within=2.0),
            AimTable(reading="steer_deg", rack=-70.0, at_least=60.0, within=0.2))  # fmt: skip
    aimed = aimed_of(aims)
    some = replace(axle, may_move={**RACK, "strut_top": MoveTable(y=(-9.0, 9.0))})
    box = Variables.of(some, list(some.may_move))
    problem = Problem(axle, car, aimed, box)
    at = np.array([1.0, -2.0, 0.5])
    slopes = problem.slopes(at)
    for k in range(len(at)):
        h = 1e-4 * np.eye(len(at))[k]
        difference = (problem.off(at + h) - problem.off(at - h)) / 2e-4
        assert slopes[:, k] == pytest.approx(difference, rel=1e-5, abs=1e-6)


def test_bump_toe_goes_flat_by_moving_the_rack_alone_and_the_file_agrees(car, tmp_path, capsys):
    """The answer's own text, put into the file, gives a car that a sweep reads as promised."""
    text = MODEL.read_text(encoding="utf-8")
    text = text.replace("travel = [-40, -20, 20, 40]", "travel = [-40, 40]")
    start = text.index('[[axle.front.aims]]\nreading = "steer')
    end = text.rindex("# ---", 0, text.index("[axle.rear]"))
    path = tmp_path / "one.toml"
    box = "[axle.front.may_move.tie_rod_inner]\nx = [-5, 5]\nz = [-12, 12]\n"
    path.write_text(text[:start] + box + text[end:], encoding="utf-8")
    assert main(["targets", str(path), "--strict", "--out", str(tmp_path / "o")]) == 0
    assert "every aim met; moves tie rod inner" in capsys.readouterr().out
    more = (tmp_path / "o" / "targets_variants.toml").read_text(encoding="utf-8")
    path.write_text(path.read_text(encoding="utf-8") + more, encoding="utf-8")
    axle = build_car(read_file(path), "front_answer_1").axles["front"]
    travel = np.array([-40.0, -20.0, 0.0, 20.0, 40.0])
    toe = align(sweep_axle(axle, np.zeros(1), travel), car).left.toe_in_deg[0]
    assert np.abs(toe - toe[2]).max() < 0.03
    plain = align(sweep_axle(car.axles["front"], np.zeros(1), travel), car).left.toe_in_deg[0]
    assert np.abs(plain - plain[2]).max() > 0.15


def test_answers_differ_stay_in_their_boxes_and_say_what_they_cost(car):
    flat = AimTable(reading="bump_steer_deg_per_mm", equals=0.0, within=5e-4)
    lock = AimTable(reading="steer_deg", rack=-70.0, at_least=54.0, within=0.2)
    may = {"tie_rod_inner": RACK["tie_rod_inner"], "tie_rod_outer": MoveTable(z=(-8.0, 8.0))}
    axle = replace(car.axles["front"], aims=(flat, lock), may_move=may)
    answers = reach(axle, car)
    assert len([a for a in answers if not a.missed]) >= 2
    assert len({frozenset(a.moves) for a in answers}) == len(answers)
    for answer in answers:
        for point, by in answer.moves.items():
            for v, (low, high) in zip(by, axle.may_move[point].ranges, strict=True):
                assert low - 0.05 <= v <= high + 0.05
        assert answer.costs["caster_deg"][0] == pytest.approx(6.999, abs=1e-3)
        moved = [p for p in answer.moves if p.startswith("tie_rod")]
        assert ("tie rod" in answer.sizes) == bool(moved)


def test_aims_that_cannot_be_met_are_said_not_to_be(car):
    far = AimTable(reading="steer_deg", rack=-70.0, at_least=75.0, within=0.2)
    (answer,) = reach(replace(car.axles["front"], aims=(far,), may_move=RACK), car)
    (out,) = answer.outcomes
    assert not out.met
    assert answer.missed == 1
    assert out.before < out.after < 75.0
    two = (AimTable(reading="caster_deg", equals=3.0, within=0.1),)
    axle = replace(car.axles["front"], aims=two, may_move=RACK)
    (stands,) = reach(axle, car)
    assert (stands.moves, stands.missed) == ({}, 1)
    said = "\n".join(answer_lines(axle, [stands]))
    assert "FRONT AXLE: no answer" in said
    assert "caster, rack +0, travel +0 (equals 3 deg): +7.00 -> +7.00   NOT MET" in said


def test_what_cannot_be_aimed_at_is_refused(car):
    axle = car.axles["front"]
    with pytest.raises(LinkviewError, match="did you mean 'toe_in_deg'"):
        reach(replace(axle, aims=(AimTable(reading="toe_in_dg", equals=0.0, within=1.0),)), car)
    with pytest.raises(LinkviewError, match="nothing may move"):
        reach(replace(axle, may_move={}), car)
    with pytest.raises(LinkviewError, match="nothing to aim at"):
        reach(car_of("demo_coupe").axles["front"], car)
    with pytest.raises(LinkviewError, match="sides are alike"):
        reach(replace(axle, symmetric=False), car)


@pytest.mark.parametrize(
    ("aims", "told"),
    [
        ([{"reading": "caster_deg", "rack": 500.0, "equals": 0.0}], "beyond its stop, 75 mm"),
        ([{"reading": "caster_deg", "travel": 90.0, "equals": 0.0}], "droop -70 and bump 60"),
        ([{"reading": "contact_centre_mm", "equals": 0.0}], "is three numbers"),
        (
            [
                {"reading": "steer_deg", "rack": (-70.0, 0.0), "at_least": 58.0},
                {"reading": "steer_deg", "rack": -70.0, "equals": 50.0},
            ],
            "aims fight: steer_deg at rack -70, travel 0 should be 58 or more and 51 or less",
        ),
    ],
)
def test_aims_that_no_car_can_have_are_refused(car, aims, told):
    tables = tuple(AimTable(within=1.0, **aim) for aim in aims)
    with pytest.raises(LinkviewError, match=re.escape(told)):
        reach(replace(car.axles["front"], aims=tables, may_move=RACK), car)


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("equals = 0 ", "at_least = 1\nequals = 0 ", "give one of equals"),
        ("z = [-12, 12]", "z = [2, 12]", "does not hold 0"),
        ("may_move.tie_rod_inner", "may_move.tie_rod_iner", "did you mean 'tie_rod_inner'?"),
        ("within = 0.03", "within = 0", "must be more than 0"),
    ],
)
def test_faults_of_aims_name_key_and_fix(tmp_path, old, new, words):
    text = MODEL.read_text(encoding="utf-8")
    assert old in text
    path = tmp_path / "bad.toml"
    path.write_text(text.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(ModelFaults) as fault:
        read_file(path)
    assert words in str(fault.value)
