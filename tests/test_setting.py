"""Adjusters and setting up: slopes against differences, settings against brute force, bad input."""

from __future__ import annotations

from dataclasses import replace
from itertools import product
from pathlib import Path

import numpy as np
import pytest
from shipped import MODELS, axle_of_model, car_of

from linkview.cli import main
from linkview.errors import ModelFaults, UnknownName
from linkview.kinematics.adjusted import Change, adjusted
from linkview.kinematics.assemble import build_car
from linkview.kinematics.kept import corner_with
from linkview.model.adjusters import (
    Eccentric,
    Holes,
    Shims,
    SlotAdjuster,
    SpringPerch,
    Threaded,
)
from linkview.model.parts import Side
from linkview.model.read import read_file
from linkview.tuning.bench import CLOSE
from linkview.tuning.dials import (
    RIDE_HEIGHT,
    dial_table,
    dials_of,
    set_axle,
    stance,
    state_of,
)
from linkview.tuning.setting import CannotSet, set_up, wanted_of

MODEL = MODELS / "demo_coupe" / "setting_up.toml"


@pytest.fixture(scope="module")
def car():
    return build_car(read_file(MODEL))


def slot(point, way, **more):
    return SlotAdjuster(kind="slot", points=(point,), way=way, range=(-10.0, 10.0), **more)


def rod(part, **more):
    given = {"pitch": 1.5, "hands": ("right",), "engaged": 22.0, "least_engaged": 16.0}
    return Threaded(kind="threaded", part=part, **{**given, "most_engaged": 35.0, **more})


# --- what a setting does ----------------------------------------------------------------------


@pytest.mark.parametrize("name", ["front", "rear"])
def test_slopes_are_those_of_the_linkage_put_together_again(car, name):
    """Central differences of whole re-assembled axles, away from the present setting."""
    axle = car.axles[name]
    dials = dials_of(axle)
    rng = np.random.default_rng(1)
    here = np.array([0.0 if d.by_choice else rng.uniform(*d.adjuster.ends) / 2 for d in dials])
    state = state_of(axle, car, dials, here, set_axle(axle, dials, here))
    h = 1e-3
    for k, dial in enumerate(dials):
        if dial.by_choice or dial.side is Side.RIGHT:
            continue
        step = np.eye(len(dials))[k] * h
        up, down = (state_of(axle, car, dials, s, set_axle(axle, dials, s)).values
                    for s in (here + step, here - step))  # fmt: skip
        for key, slopes in state.slopes.items():
            if np.isfinite(slopes[k]):
                difference = (up[key] - down[key]) / (2 * h)
                # h^2 times third derivatives, and 1e-9 of rounding over h.
                assert slopes[k] == pytest.approx(difference, rel=2e-5, abs=2e-6), (dial, key)


def test_a_set_corner_keeps_every_length_but_those_that_were_set(car):
    corner = car.axles["front"].left
    change = Change(
        {"strut_top": np.array([3.0, -4.0, 0.0])}, {("tie_rod_inner", "tie_rod_outer"): 1.5}, -6.0
    )
    done = adjusted(corner, change)
    for a, b, more in (
        ("tie_rod_inner", "tie_rod_outer", 1.5),
        ("lower_arm_rear_pivot", "lower_ball_joint", 0.0),
        ("lower_arm_front_pivot", "lower_ball_joint", 0.0),
        ("strut_lower", "strut_top", -6.0),
        ("lower_ball_joint", "tie_rod_outer", 0.0),
        ("wheel_centre", "strut_lower", 0.0),
    ):
        assert done.distance_mm(a, b) - corner.distance_mm(a, b) == pytest.approx(more, abs=1e-9)
    moved = done.points["strut_top"] - corner.points["strut_top"]
    assert moved == pytest.approx([3.0, -4.0, 0.0])
    # The tube's axis still runs through the top mount, fixed to the knuckle: the tube's distance
    # from the wheel centre is what it was.
    off = []
    for c in (corner, done):
        along = c.points["strut_top"] - c.points["strut_lower"]
        along = along / np.linalg.norm(along)
        off.append(np.cross(along, c.points["wheel_centre"] - c.points["strut_lower"]))
    assert np.linalg.norm(off[1]) == pytest.approx(np.linalg.norm(off[0]), abs=1e-9)


def test_without_a_damper_it_is_what_a_slot_alone_does_with_the_wheel_height_held(car):
    """A second route in the project, written apart: `corner_with`."""
    corner = car.axles["rear"].left
    bare = {n: p for n, p in corner.points.items() if not n.startswith("damper")}
    corner = replace(corner, points=bare, damper=None)
    shift = np.array([0.0, 2.0, -3.0])
    one = adjusted(corner, Change({"toe_link_inner": shift}))
    other = corner_with(corner, {"toe_link_inner": bare["toe_link_inner"] + shift})
    for name, at in other.points.items():
        assert one.points[name] == pytest.approx(at, abs=1e-9)


def test_both_sides_mirror_each_other_and_a_shim_serves_both(car):
    axle = car.axles["front"]
    dials = dials_of(axle)
    turned = {"tie_rod_end": 0.5, "top_mount_across": -3.0, "rack": 2.0}
    settings = np.array([turned.get(d.name, 0.0) for d in dials])
    read = stance(axle, set_axle(axle, dials, settings))
    for (side, name), value in read.items():
        other = Side.RIGHT if side is Side.LEFT else Side.LEFT
        assert value == pytest.approx(read[other, name], abs=1e-9)
    assert [d.side for d in dials if d.name == "rack"] == [None]


def test_quick_and_full_reading_agree(car):
    for axle in car.axles.values():
        dials = dials_of(axle)
        corners = set_axle(axle, dials, np.zeros(len(dials)) + 0.25)
        full = state_of(axle, car, dials, np.zeros(len(dials)), corners).values
        for key, value in stance(axle, corners).items():
            assert value == pytest.approx(full[key], abs=1e-9)


def test_kinds_know_their_ends_and_what_a_unit_is():
    one = rod("tie_rod")
    both = rod("tie_rod", hands=("right", "left"))
    assert one.ends == pytest.approx((-13 / 1.5, 4.0))
    assert one.effect(2.0).longer == ("tie_rod", (), 3.0)
    assert both.effect(2.0).longer == ("tie_rod", (), 6.0)
    cam = Eccentric(kind="eccentric", points=("a",), way=(0.0, 2.0, 0.0), offset=5.0, angle=30.0)
    assert cam.ends == (-120.0, 60.0)
    assert cam.mm(60.0) == pytest.approx(2.5)
    assert cam.effect(-60.0).shifts["a"] == pytest.approx((0.0, -5.0, 0.0))
    shims = Shims(kind="shims", points=("a",), way=(0.0, 0.0, 1.0), thickness=2.0, fitted=1, most=4)
    assert shims.ends == (-1.0, 3.0)
    assert shims.effect(3).shifts["a"] == pytest.approx((0.0, 0.0, 6.0))
    seat = SpringPerch(kind="spring_perch", pitch=2.0, range=(-10.0, 20.0))
    assert seat.ends == (-5.0, 10.0)
    assert seat.effect(3.0).damper_mm == 6.0
    holes = Holes(kind="holes", points=("a",), others=((0.0, 0.0, -8.0),))
    assert holes.effect(0).shifts == {}
    assert holes.effect(1).shifts["a"] == (0.0, 0.0, -8.0)


# --- setting up -----------------------------------------------------------------------------------


def test_what_is_wanted_is_reached_and_said_truly(car):
    axle = car.axles["front"]
    wanted = wanted_of(axle.wanted, {})
    found = set_up(axle, car, wanted)
    assert found.misses == ()
    # Put together again from the settings alone.
    read = stance(axle, set_axle(axle, found.dials, found.settings))
    for key, want in wanted.items():
        assert read[key] == pytest.approx(want, abs=CLOSE[key[1]])
        assert found.after.values[key] == pytest.approx(read[key], abs=1e-9)
    for dial, setting in zip(found.dials, found.settings, strict=True):
        steps = setting / dial.adjuster.increment
        low, high = dial.adjuster.ends
        assert steps == pytest.approx(round(steps), abs=1e-9)
        assert low - 1e-9 <= setting <= high + 1e-9
        assert not (dial.held and setting)
    last = {k: v for step in found.steps for k, v in step.readings.items()}
    assert last == pytest.approx({k: read[k] for k in last}, abs=1e-9)


def test_the_steps_are_nearly_the_best_of_all_near_them(car):
    """Brute force over whole re-assembled axles: three steps either way of three dials a side."""
    axle = car.axles["front"]
    axle = replace(axle, adjusters={k: v for k, v in axle.adjusters.items() if "seat" not in k})
    wanted = wanted_of(None, {"camber": -4.37, "caster": 6.77, "toe_in": 0.07, "ride_height": -0.6})
    found = set_up(axle, car, wanted)
    mine = [k for k, d in enumerate(found.dials) if d.side is Side.LEFT]

    def cost(settings):
        read = stance(axle, set_axle(axle, found.dials, settings))
        return sum(
            ((read[k] - v) / CLOSE[k[1]]) ** 2 for k, v in wanted.items() if k[0] is Side.LEFT
        )

    best = cost(found.settings)
    for steps in product((-2, -1, 0, 1, 2), repeat=len(mine)):
        there = np.array(found.settings)
        for k, n in zip(mine, steps, strict=True):
            there[k] += n * found.dials[k].adjuster.increment
        # What leaving a dial alone and small settings count for; see `TOUCHED`, `FEW`, `KEPT`.
        assert cost(there) > best - 0.5


def test_what_stops_it_is_named(car):
    axle = car.axles["front"]
    held = ["top_mount_across_left"]
    found = set_up(axle, car, wanted_of(None, {"camber": -7.0}), held)
    why = {m.key[0]: "; ".join(m.why) for m in found.misses if m.key[1] == "camber_deg"}
    assert "top mount across, left would change it but is held" in why[Side.LEFT]
    assert "top mount across, right is at its end (inner end of the slot)" in why[Side.RIGHT]
    k = [d.label for d in found.dials].index(held[0])
    assert found.settings[k] == 0.0
    right = [d.label for d in found.dials].index("top_mount_across_right")
    assert found.settings[right] == -12.0


def test_what_is_out_of_reach_does_not_drag_the_rest_away(car):
    axle = car.axles["front"]
    found = set_up(axle, car, wanted_of(None, {"camber": -15.0, "toe_in": 0.1}))
    assert {m.key[1] for m in found.misses} == {"camber_deg"}
    for miss in found.misses:  # the slot's whole range is a tenth of what is missing: still named
        across = f"top mount across, {miss.key[0].value}"
        assert f"of those at their end {across} does most (inner end of the slot)" in miss.words
    for side in Side:
        assert found.after.values[side, "camber_deg"] < -5.0
        assert found.after.values[side, "toe_in_deg"] == pytest.approx(0.1, abs=0.05)
        assert abs(found.after.values[side, RIDE_HEIGHT]) < 12.0


def test_what_can_be_reached_is_met_beside_what_cannot(car):
    """Camber and caster far out of reach: toe and ride height are met all the same."""
    axle = car.axles["front"]
    wanted = wanted_of(None, {"camber": -9.0, "caster": 12.0, "ride_height": -8.0, "toe_in": -0.3})
    found = set_up(axle, car, wanted)
    assert {m.key[1] for m in found.misses} == {"camber_deg", "caster_deg"}
    for side in Side:
        # Half a turn of the seat is 1 mm, a twelfth of the rod end 0.07 deg: the nearest steps.
        assert found.after.values[side, RIDE_HEIGHT] == pytest.approx(-8.0, abs=0.6)
        assert found.after.values[side, "toe_in_deg"] == pytest.approx(-0.3, abs=0.05)
        assert found.after.values[side, "camber_deg"] < -5.0
        assert found.after.values[side, "caster_deg"] > 7.9


def test_a_value_nothing_changes_is_said_to_be_so(car):
    axle = replace(car.axles["front"], adjusters={"tie_rod_end": rod("tie_rod")})
    found = set_up(axle, car, wanted_of(None, {"caster": 8.0, "toe_in": 0.0}))
    assert {m.why for m in found.misses} == {("no adjuster here changes it enough",)}


def test_steps_too_coarse_are_the_reason(car):
    axle = replace(car.axles["front"], adjusters={"tie_rod_end": rod("tie_rod")})
    found = set_up(axle, car, wanted_of(None, {"toe_in": 0.25}))
    assert all("between two workshop steps" in m.why[0] for m in found.misses)
    assert len(found.misses) == 2


def test_adjusters_that_do_nothing_or_fight_are_named(car):
    bar = axle_of_model("strut_with_bar")
    idle = replace(bar, adjusters={"drop_link": rod("drop_link")})
    found = set_up(idle, car_of("strut_with_bar"), wanted_of(None, {"camber": -4.5}))
    assert "drop link, left changes nothing of camber, caster, toe or ride height" in found.remarks
    demo = car_of("demo_coupe")
    shaft = replace(demo.axles["rear"], adjusters={"gearbox": slot("cv_inner", (0.0, 0.0, 1.0))})
    assert all(dial_table(shaft, demo).idle(k) for k in range(2))
    axle = car.axles["front"]
    two = {"one": slot("strut_top", (0.0, 1.0, 0.0)), "two": slot("strut_top", (0.0, 2.0, 0.0))}
    found = set_up(replace(axle, adjusters=two), car, wanted_of(None, {"camber": -4.5}))
    assert any("one, left does the same as two, left" in r for r in found.remarks)
    stuck = slot("strut_top", (1.0, 0.0, 0.0)).model_copy(update={"range": (-0.3, 0.3)})
    found = set_up(
        replace(axle, adjusters={**two, "stuck": stuck}), car, wanted_of(None, {"camber": -4.5})
    )
    assert "stuck, left has no room for one step of 0.5 mm: it stays" in found.remarks
    with pytest.raises(CannotSet, match="every adjuster is held fixed"):
        set_up(axle, car, wanted_of(None, {"camber": -4.5}), list(axle.adjusters))
    with pytest.raises(UnknownName, match="did you mean 'tie_rod_end'"):
        set_up(axle, car, wanted_of(None, {"camber": -4.5}), ["tie_rod_ed"])
    with pytest.raises(CannotSet, match="caster is not read here"):
        set_up(car.axles["rear"], car, wanted_of(None, {"caster": 4.0}))
    with pytest.raises(CannotSet, match="camber 400 deg cannot be meant"):
        set_up(axle, car, wanted_of(None, {"camber": 400.0}))
    with pytest.raises(UnknownName, match="camber"):
        wanted_of(None, {"cambr": 1.0})


def test_another_hole_is_chosen_where_it_helps(car):
    axle = car.axles["front"]
    adjusters = {
        "tie_rod_end": axle.adjusters["tie_rod_end"],
        "mount": Holes(
            kind="holes", points=("strut_top",), others=((0.0, -6.0, 0.0), (0.0, 6.0, 0.0))
        ),
    }
    found = set_up(replace(axle, adjusters=adjusters), car, wanted_of(None, {"camber": -4.55}))
    chosen = {d.label: s for d, s in zip(found.dials, found.settings, strict=True)}
    assert (chosen["mount_left"], chosen["mount_right"]) == (1.0, 1.0)
    assert found.steps[0].dial.name == "mount"
    assert abs(found.after.values[Side.LEFT, RIDE_HEIGHT]) < 3.0


# --- bad input, and the command line --------------------------------------------------------------


@pytest.mark.parametrize(
    ("old", "new", "where", "words"),
    [
        ('part = "tie_rod"', 'part = "tie_rd"', "tie_rod_end.part", "did you mean 'tie_rod'?"),
        ('part = "tie_rod"', 'part = "lower_arm"', "tie_rod_end.between", "which leg of the arm?"),
        ('hands = ["right"]', 'hands = ["right", "right"]', "tie_rod_end", "changes no length"),
        ("engaged = 22", "engaged = 60", "tie_rod_end", "is not between"),
        ('points = ["strut_top"]', 'points = ["strut_tp"]', "points", "did you mean 'strut_top'?"),
        ('points = ["strut_top"]', 'points = ["strut_lower"]', "points", "would change both"),
        ("range = [-12, 12]", "range = [2, 12]", "range", "does not hold 0"),
        ("fitted = 3 ", "fitted = 9 ", "rack", "more than most"),
        ('= ["tie_rod_inner"]', '= ["strut_top"]', "rack.points", "use kind = 'shims'"),
        ("way = [0, 1, 0]", "way = [0, 0, 0]", "way", "a direction needs"),
        ('kind = "slot"', 'kind = "slott"', "adjusters.top_mount", "slot"),
        ("camber = -4.5", "cambre = -4.5", "wanted", "did you mean 'camber'?"),
    ],
)  # fmt: skip
def test_faults_name_key_and_fix(tmp_path, old, new, where, words):
    text = MODEL.read_text(encoding="utf-8")
    assert old in text
    path = tmp_path / "bad.toml"
    path.write_text(text.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(ModelFaults) as fault:
        read_file(path)
    assert where in str(fault.value)
    assert words in str(fault.value)


def test_commands_print_and_write(tmp_path, capsys):
    out = ["--out", str(tmp_path / "o")]
    assert main(["adjusters", str(MODEL), *out]) == 0
    said = capsys.readouterr().out
    assert "tie rod end" in said
    assert "-8.67 to +4.00 turns" in said
    assert main(["setup", str(MODEL), "--axle", "front", *out]) == 0
    said = capsys.readouterr().out
    assert "1. top mount across, left: slide 4.5 mm inboard" in said
    assert "CAUTION" in said
    rows = (tmp_path / "o" / "setup_steps.csv").read_text(encoding="utf-8").splitlines()
    assert len(rows) == 9
    assert rows[0].startswith("axle,step,adjuster")
    far = ["setup", str(MODEL), "--axle", "front", "--want", "camber=-9", "--strict", *out]
    assert main(far) == 1
    assert "NOT MET left camber" in capsys.readouterr().out


def test_a_trailing_arm_whose_roll_centre_only_then_has_a_place_is_written(tmp_path, capsys):
    plain = (MODELS / "trailing_arm" / "trailing_arm.toml").read_text(encoding="utf-8")
    path, out = tmp_path / "arms.toml", tmp_path / "o"
    path.write_text(
        f"""{plain}
[axle.rear.adjusters.toe]
kind = "eccentric"
points = ["arm_inner_pivot"]
way = [1, 0, 0]
offset = 5
angle = 0
[axle.rear.wanted]
toe_in = [0.2, 0.1]
""",
        encoding="utf-8",
    )
    assert main(["setup", str(path), "--out", str(out)]) == 0
    assert "toe, left: turn the cam" in capsys.readouterr().out
    rows = (out / "setup_readings.csv").read_text(encoding="utf-8").splitlines()
    (roll,) = [r.split(",") for r in rows if ",roll centre height," in r]
    assert roll[4] == ""  # level arms: no place before
    assert abs(float(roll[6])) < 10.0  # near the ground still


@pytest.mark.parametrize(
    ("more", "words"),
    [
        (["--want", "camber=-3"], "for which axle?"),
        (["--axle", "frnt"], "did you mean 'front'?"),
        (["--axle", "front", "--want", "cambr=-3"], "did you mean 'camber'?"),
        (["--fix", "nothing"], "no adjuster 'nothing'"),
    ],
)
def test_wrong_words_on_the_command_line_are_told(tmp_path, capsys, more, words):
    assert main(["setup", str(MODEL), "--out", str(tmp_path / "o"), *more]) == 2
    assert words in capsys.readouterr().err
    assert not Path(tmp_path / "o").exists()


def test_a_file_without_adjusters_says_what_to_add(tmp_path, capsys):
    plain = MODELS / "five_link" / "five_link.toml"
    assert main(["adjusters", str(plain), "--out", str(tmp_path / "o")]) == 2
    assert "add [axle.NAME.adjusters.NAME]" in capsys.readouterr().err
