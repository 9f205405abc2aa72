"""Every layout moves: shipped models assemble and sweep, and closed forms hold.

Where a second engine is at hand the poses are held to it in test_second_engine.py.
"""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from matplotlib.figure import Figure
from shipped import MODELS, NAMES, axle_of_model, car_of

from linkview.app.check import check_file, linkage_faults, notes_of
from linkview.cli import main
from linkview.errors import ModelFaults
from linkview.geometry import frozen, length
from linkview.kinematics.assemble import build_car
from linkview.kinematics.corner import linkage_of
from linkview.kinematics.part_poses import fit_errors_mm
from linkview.kinematics.solve import Target
from linkview.kinematics.sweep import near_dead_point, pose_at, sweep_corner
from linkview.model.layouts import LAYOUTS, STRUT, TWIN_LINK_STRUT
from linkview.model.parts import Hold
from linkview.model.read import read_file
from linkview.study import swept

LAYOUT_MODELS = tuple(n for n in NAMES if n != "demo_coupe")


def test_every_layout_has_a_model():
    used = {a.left.layout.name for n in NAMES for a in car_of(n).axles.values()}
    assert used == {*LAYOUTS, "free"}


@pytest.mark.parametrize("name", LAYOUT_MODELS)
def test_a_shipped_model_passes_the_check_and_sweeps(name):
    check_file(MODELS / name / f"{name}.toml")
    axle = axle_of_model(name)
    sweep = swept(axle)
    for corner in sweep.corners:
        assert corner.solved.all()
        assert np.isfinite(corner.wheel_centre).all()
        assert corner.residual_mm.max() < 1e-9  # mm, of every joint, from the poses themselves
        rise = corner.wheel_centre[..., 2] - corner.corner.points["wheel_centre"][2]
        assert np.abs(rise - corner.travel_mm).max() < 1e-9


@pytest.mark.parametrize("name", LAYOUT_MODELS)
def test_the_damper_can_be_held_instead(name):
    axle = axle_of_model(name)
    if axle.left.rack is None:
        return
    rack = np.linspace(-30.0, 30.0, 7)
    sweep = sweep_corner(axle.left, rack, np.array([-20.0, 0.0, 20.0]), Hold.DAMPER_LENGTH)
    assert sweep.solved.all()
    a, b = (sweep.point(p) for p in axle.left.layout.damper)
    long = length(b - a)
    assert np.abs(long - long[3]).max() < 1e-9  # mm: row 3 is the centred rack
    assert np.ptp(sweep.wheel_centre[..., 2], axis=0).min() > 0.01  # and the wheel does rise


@pytest.mark.parametrize("name", LAYOUT_MODELS)
def test_rates_are_those_of_neighbouring_poses(name):
    """Central differences over 0.02 mm of travel and rack, of every solved part's own points."""
    corner = axle_of_model(name).left
    h = 0.01
    here = pose_at(corner, 0.0, 5.0, Hold.WHEEL_HEIGHT)
    for part in corner.layout.solved:
        ends = [pose_at(corner, 0.0, 5.0 + s * h, Hold.WHEEL_HEIGHT).pose(part) for s in (1, -1)]
        rate = (ends[0] - ends[1])[0, 0] / (2.0 * h)
        twist = here.travel_twists[part][0, 0]
        turn = rate[:3, :3] @ here.pose(part)[0, 0, :3, :3].T
        w = np.array([turn[2, 1], turn[0, 2], turn[1, 0]])
        assert np.abs(w - twist[3:]).max() < 1e-9  # rad/mm; differences are good to 1e-10


# --- closed forms -------------------------------------------------------------------------------


def test_a_trailing_arm_turns_the_wheel_about_its_hinge():
    """The wheel centre goes round the hinge in a circle: its closed form, and the wheel's tilt."""
    corner = axle_of_model("trailing_arm").left
    travel = np.linspace(-80.0, 70.0, 11)
    sweep = sweep_corner(corner, np.zeros(1), travel, Hold.WHEEL_HEIGHT)
    pivot, centre = corner.points["arm_inner_pivot"], corner.points["wheel_centre"]
    arm = centre - pivot
    radius, start = np.hypot(arm[0], arm[2]), np.arcsin(arm[2] / np.hypot(arm[0], arm[2]))
    angle = np.arcsin((arm[2] + travel) / radius)
    x = pivot[0] - radius * np.cos(angle)  # the arm trails: the wheel stands behind the hinge
    assert np.abs(sweep.wheel_centre[0, :, 0] - x).max() < 1e-9  # mm
    assert np.abs(sweep.wheel_centre[0, :, 1] - centre[1]).max() < 1e-9
    turned = np.arctan2(sweep.pose("knuckle")[0, :, 0, 2], sweep.pose("knuckle")[0, :, 0, 0])
    assert np.abs(turned - (angle - start)).max() < 1e-11  # rad


def test_equal_parallel_wishbones_keep_the_knuckle_upright():
    """A parallelogram: equal parallel arms and a tie rod like them; the knuckle only shifts."""
    shift = np.array([0.0, 0.0, 240.0])
    given = axle_of_model("double_wishbone").left
    points = dict(given.points)
    for name in ("rear_pivot", "front_pivot"):
        points[f"upper_arm_{name}"] = frozen(points[f"lower_arm_{name}"] + shift)
    points["upper_ball_joint"] = frozen(points["lower_ball_joint"] + shift)
    pivot = points["lower_arm_rear_pivot"]
    hinge = points["lower_arm_front_pivot"] - pivot
    along = (points["lower_ball_joint"] - pivot) @ hinge / (hinge @ hinge)
    foot = pivot + along * hinge
    side = np.array([-130.0, 0.0, 30.0])
    points["tie_rod_inner"] = frozen(foot + side)
    points["tie_rod_outer"] = frozen(points["lower_ball_joint"] + side)
    corner = replace(given, points=points)
    sweep = sweep_corner(corner, np.zeros(1), np.linspace(-60.0, 60.0, 9), Hold.WHEEL_HEIGHT)
    assert sweep.solved.all()
    turn = sweep.pose("knuckle")[..., :3, :3]
    assert np.abs(turn - np.eye(3)).max() < 1e-11  # rad; 1e-9 mm at 100 mm


def test_two_lower_links_with_one_outer_joint_are_the_single_joint_car(front):
    """Coincident outer joints: the same mechanism as one arm, poses and steering axis alike."""
    p = front.points
    points = {
        "strut_top": p["strut_top"],
        "strut_lower": p["strut_lower"],
        "lower_lateral_inner": p["lower_arm_rear_pivot"],
        "lower_lateral_outer": p["lower_ball_joint"],
        "lower_drag_inner": p["lower_arm_front_pivot"],
        "lower_drag_outer": p["lower_ball_joint"],
        "tie_rod_inner": p["tie_rod_inner"],
        "tie_rod_outer": p["tie_rod_outer"],
        "wheel_centre": p["wheel_centre"],
    }
    twin = replace(front, layout=TWIN_LINK_STRUT, points=points)
    rack, travel = np.linspace(-65.0, 65.0, 9), np.linspace(-60.0, 60.0, 5)
    one, two = (sweep_corner(c, rack, travel, Hold.WHEEL_HEIGHT) for c in (front, twin))
    assert STRUT.steering_axis is not None
    assert TWIN_LINK_STRUT.steering_axis is None
    assert np.abs(one.pose("knuckle") - two.pose("knuckle")).max() < 1e-9


def test_the_centre_link_is_a_parallelogram():
    """Pitman and idler alike: the link only shifts, on a circle of the pitman arm's radius."""
    corner = axle_of_model("steering_box").left
    rack = np.linspace(-62.0, 62.0, 9)
    sweep = sweep_corner(corner, rack, np.zeros(1), Hold.WHEEL_HEIGHT)
    turn = sweep.pose("centre_link")[..., :3, :3]
    assert np.abs(turn - np.eye(3)).max() < 1e-10
    arm = corner.points["centre_link_pitman"] - corner.points["pitman_shaft_lower"]
    reach = np.hypot(arm[0], arm[1])
    way = sweep.point("centre_link_pitman")[:, 0] - corner.points["pitman_shaft_lower"]
    assert np.abs(way[:, 1] - rack).max() < 1e-9  # mm: the input is the way across the car
    assert np.abs(way[:, 0] - np.sqrt(reach**2 - rack**2)).max() < 1e-9


def test_a_beam_axle_carries_both_wheels():
    axle = axle_of_model("three_link_axle")
    sweep = swept(axle)
    left, right = (c.pose("knuckle") for c in sweep.corners)
    assert np.abs(left - right).max() < 1e-9  # one part, solved twice
    # The lateral rod swings: the axle goes sideways as the rod's circle says (its own slope, level
    # axle, so the rod's rise is its start plus travel) up to what the other links turn it by.
    p = axle.left.points
    rod = p["lateral_rod_outer"] - p["lateral_rod_inner"]
    now = sweep.left.point("lateral_rod_outer")[0] - p["lateral_rod_inner"]
    assert np.abs(length(now) - length(rod)).max() < 1e-9
    assert np.ptp(sweep.left.wheel_centre[0, :, 1]) > 1.0  # mm


# --- loose, over-held, singular -----------------------------------------------------------------

FREE = (MODELS / "free_layout" / "free_layout.toml").read_text(encoding="utf-8")


ROD = 'camber_link = { inner = "camber_link_inner", outer = "camber_link_outer" }'
STAY = 'stay = { inner = "damper_upper", outer = "camber_link_outer" }'
TOE = 'toe_link = { inner = "camber_link_inner", outer = "h_arm_outer_rear" }'
OUTER = 'outer_bushes = { part = "h_arm", pivots = ["h_arm_outer_rear", "h_arm_outer_front"] }'
PARTS, POINTS = "[axle.rear.free.parts]", "[axle.rear.points]"
TITLE = 'title = "H-arm below, camber link above"'
LEVER = 'h_arm = ["damper_lower"]'
STEERED = 'rack = ["rack_end"]'
RACK = (
    ("[axle.rear.travel]", "[axle.rear.rack]\naxis = [0, 1, 0]\nstop = 50\nworking = 50\n"
     "[axle.rear.travel]"),
    (POINTS, f"{POINTS}\nrack_end = [-2690, 300, 300]"),
)  # fmt: skip

# What is changed in the free model, without its bodies; the key that must be named, the words.
BAD_FREE = {
    "loose": (
        [(ROD, "")],
        "axle.rear.free: 10 joint rows on 2 parts leave 2 ways to move",
        "loose: knuckle, h arm; add 1 more joint row (a rod holds one",
    ),
    "loose by five": ([(OUTER, "")], "axle.rear.free: 6 joint rows", "add 5 more joint rows"),
    "over-held": (
        [(ROD, f"{ROD}\n{STAY}")],
        "axle.rear.free: 12 joint rows on 2 parts leave no way to move",
        "over-held; it would move without camber link, or stay; take that out, or free what it",
    ),
    "over-held twice": (
        [(ROD, f"{ROD}\n{STAY}\n{TOE}")],
        "axle.rear.free: 13 joint rows",
        "without camber link and stay, or camber link and toe link, or stay and toe link; take",
    ),
    "to itself": (
        [(ROD, f"{ROD}\n{STAY.replace('damper_upper', 'h_arm_outer_front')}")],
        "axle.rear.free.rods.stay: joins the knuckle to itself and holds nothing",
        "join two parts, or take it out",
    ),
    "hinge to itself": (
        [(OUTER, OUTER.replace('"h_arm",', '"knuckle",'))],
        "axle.rear.free.hinges.outer_bushes: joins the knuckle to itself",
        "join two parts",
    ),
    "axis on two parts": (
        [(OUTER, OUTER.replace("h_arm_outer_front", "h_arm_rear_pivot"))],
        "axle.rear.free.hinges.outer_bushes.pivots: 'h_arm_outer_rear' is on the knuckle, "
        "'h_arm_rear_pivot' on the body",
        "both points of an axis belong to one part",
    ),
    "part without a joint": (
        [(LEVER, f"{LEVER}\nlever = []")],
        "axle.rear.free.parts.lever: no joint holds this part",
        "add its joints, or leave it out",
    ),
    "rack without a joint": (
        [(PARTS, f"{PARTS}\n{STEERED}"), *RACK],
        "axle.rear.free.parts.rack: no joint holds this part",
        "add its joints",
    ),
    "hinges in line": (
        [("[-2672, 690, 205]", "[-2880, 325, 232]"), ("[-2540, 692, 208]", "[-2310, 340, 256]")],
        "axle.rear: at a dead point at ride height: with wheel height held, camber link",
        "measure those hard points again, or move them",
    ),
    "hinge of one point": (
        [("h_arm_front_pivot = [-2500, 335, 248]", "h_arm_front_pivot = [-2690, 330, 240]")],
        "axle.rear.points.h_arm_front_pivot: only 0 mm from h_arm_rear_pivot",
        "inner bushes has no length; measure the two again",
    ),
    "held by no damper": (
        [('layout = "free"', 'layout = "free"\nhold = "damper_length"'),
         ('damper = ["damper_lower", "damper_upper"]', "")],
        "axle.rear.hold: 'damper_length' needs the damper's points",
        "name them in axle.rear.free.damper",
    ),
    "damper on one part": (
        [('damper = ["damper_lower",', 'damper = ["camber_link_inner",')],
        "axle.rear.free.damper: both its ends are on the body, so its length never changes",
        "name a point of each of the two parts it stands on",
    ),
    "axis on the body": (
        [(TITLE, f'{TITLE}\nsteering_axis = ["h_arm_rear_pivot", "camber_link_outer"]')],
        "axle.rear.free.steering_axis: 'h_arm_rear_pivot' is on the body, not where the knuckle",
        "name two ball joints of the knuckle, or one and the top of its strut",
    ),
    "axis of one point": (
        [(TITLE, f'{TITLE}\nsteering_axis = ["camber_link_outer", "camber_link_outer"]')],
        "axle.rear.free.steering_axis: names 'camber_link_outer' twice",
        "name two points",
    ),
    "shared knuckle": (
        [(TITLE, f'{TITLE}\nshared = ["camber_link_outer"]')],
        "axle.rear.free.shared: 'camber_link_outer' is on the knuckle, and each side has its own",
        "take it out of shared",
    ),
    "a solid axle that steers": (
        [(TITLE, f"{TITLE}\nsolid_axle = true\n"
          'steering_axis = ["h_arm_outer_rear", "camber_link_outer"]')],
        "axle.rear.free.steering_axis: given with solid_axle, whose wheels do not steer",
        "take one of the two out",
    ),
    "a solid axle over-held": (
        [(TITLE, f"{TITLE}\nsolid_axle = true")],
        "axle.rear.free: 12 joint rows on 2 parts leave no way to move",
        "over-held",
    ),
    "steered body": (
        [(TITLE, f'{TITLE}\nsteered = "camber_link_inner"'), RACK[0]],
        "axle.rear.free.steered: 'camber_link_inner' is on the body and cannot be moved",
        "name a point of the arm that turns, or of its link",
    ),
    "two steering inputs": (
        [(TITLE, f'{TITLE}\nsteered = "camber_link_outer"'), (PARTS, f"{PARTS}\n{STEERED}"), *RACK,
         (ROD, f"{ROD}\n{TOE.replace('camber_link_inner', 'rack_end')}")],
        "axle.rear.free.steered: 'camber_link_outer' is given beside points on a rack",
        "one thing steers",
    ),
    "a part called wheel": (
        [(LEVER, 'wheel = ["damper_lower"]'), ('part = "h_arm"', 'part = "wheel"')],
        "axle.rear.free.parts.wheel: this name is taken by the wheel itself",
        "give it a name of its own",
    ),
    "a rod called as a hinge": (
        [(ROD, ROD.replace("camber_link =", "inner_bushes ="))],
        "axle.rear.free.hinges.inner_bushes: this name is taken by one of rods",
        "give it a name of its own",
    ),
    "a part called as a rod": (
        [(ROD, ROD.replace("camber_link =", "h_arm ="))],
        "axle.rear.free.rods.h_arm: this name is taken by one of parts",
        "give it a name of its own",
    ),
    "the wheel's centre listed": (
        [('knuckle = ["h_arm_outer_rear"', 'knuckle = ["wheel_centre", "h_arm_outer_rear"')],
        "axle.rear.free.parts.knuckle: 'wheel_centre' is there without being listed",
        "take it out",
    ),
    "a bar on no part": (
        [("[axle.rear.travel]", '[axle.rear.anti_roll_bar]\non = "lower_arm"\n[axle.rear.travel]')],
        "axle.rear.anti_roll_bar.on: no solved part 'lower_arm'",
        "known here: body, h_arm, knuckle",
    ),
    "a point that is not there": (
        [('outer = "camber_link_outer" }', 'outer = "camber_link_outr" }')],
        "axle.rear.free.rods.camber_link: no point 'camber_link_outr' in parts",
        "did you mean 'camber_link_outer'?",
    ),
}  # fmt: skip


def changed(text: str, pairs: list[tuple[str, str]]) -> str:
    for old, new in pairs:
        assert old in text
        text = text.replace(old, new)
    return text


def refused(tmp_path, text: str) -> str:
    path = tmp_path / "bad.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(ModelFaults) as error:
        check_file(path)
    return str(error.value).replace(f"{path}: ", "")


@pytest.mark.parametrize("name", BAD_FREE)
def test_a_free_layout_that_is_none_is_told_so_in_one_line(tmp_path, name):
    pairs, what, fix = BAD_FREE[name]
    said = refused(tmp_path, changed(FREE[: FREE.index("[axle.rear.bodies")], pairs))
    assert len(said.splitlines()) == 1
    assert said.startswith(what)
    assert fix in said


def test_taking_out_what_was_named_frees_the_free_layout(tmp_path):
    """The advice is followed: without the rod that was one too many, the car is fine."""
    path = tmp_path / "free.toml"
    text = FREE[: FREE.index("[axle.rear.bodies")]
    path.write_text(changed(text, [(ROD, STAY)]), encoding="utf-8")
    check_file(path)


BOX = (MODELS / "steering_box" / "steering_box.toml").read_text(encoding="utf-8")
SHAFT, STUD = "pitman_shaft_upper = [-212, 285, 300]", "stud_lower = [-82, 285, 198]"


@pytest.mark.parametrize(
    "pairs",
    [
        pytest.param([(SHAFT, "pitman_shaft_upper = [-212, 385, 205]")], id="shaft across"),
        pytest.param(
            [(STUD, "stud_lower = [-212, 155, 198]"), ("[-82, 285, 236]", "[-212, 155, 236]"),
             ("[-82, 285, 216]", "[-212, 155, 216]")],
            id="arm across",
        ),
    ],
)  # fmt: skip
def test_a_pitman_arm_that_cannot_swing_across_the_car_is_told_so(tmp_path, pairs):
    said = refused(tmp_path, changed(BOX, pairs))
    assert len(said.splitlines()) == 1
    assert said.startswith("axle.front.rack.axis: the steering input moves nothing: ")
    assert "'centre_link_pitman' cannot go along this; check" in said


def test_a_damper_at_its_dead_point_is_told_where_it_is_held(tmp_path):
    """A rocker whose arm and damper are in line turns a little without any stroke."""
    file = MODELS / "push_rod" / "push_rod.toml"
    given = axle_of_model("push_rod")
    p = given.left.points
    hinge = p["rocker_front_pivot"] - p["rocker_rear_pivot"]
    arm = p["damper_rocker"] - p["rocker_rear_pivot"]
    out = arm - (arm @ hinge) / (hinge @ hinge) * hinge  # from the pivot's axis to the damper
    body = np.round(p["damper_rocker"] + 2.0 * out, 9).tolist()
    text = re.sub(r"(?m)^damper_body = .*$", f"damper_body = {body}", file.read_text("utf-8"))
    text = re.sub(r"(?m)^m(in|ax)_length = .*$", "", text)
    text = text.replace(
        "[axle.front.damper]", "[axle.front.damper]\nmin_length = 1\nmax_length = 900"
    )
    path = tmp_path / "rocker.toml"
    path.write_text(text, encoding="utf-8")
    check_file(path)  # driven by the wheel it moves well
    said = refused(
        tmp_path, text.replace("[axle.front]\n", '[axle.front]\nhold = "damper_length"\n')
    )
    assert said.startswith(
        "axle.front: at a dead point at ride height: with damper length held, rocker pivots cannot"
    )


def test_a_damper_that_points_at_the_hinge_holds_nothing(tmp_path):
    text = (MODELS / "trailing_arm" / "trailing_arm.toml").read_text(encoding="utf-8")
    p = axle_of_model("trailing_arm").left.points
    middle = 0.5 * (p["arm_inner_pivot"] + p["arm_outer_pivot"])
    away = middle + 3.0 * (p["damper_lower"] - middle)
    text = re.sub(r"(?m)^damper_upper = .*$", f"damper_upper = {away.tolist()}", text)
    text = re.sub(r"(?m)^m(in|ax)_length = .*$", "", text)
    text = text.replace(
        "[axle.rear.damper]", "[axle.rear.damper]\nmin_length = 1\nmax_length = 2000"
    )
    said = refused(tmp_path, text.replace("[axle.rear]\n", '[axle.rear]\nhold = "damper_length"\n'))
    assert said.startswith(
        "axle.rear: at a dead point at ride height: with damper length held, arm pivots"
    )


def apart(old: str, new: str) -> str:
    """The small test car with both sides measured, one thing changed on the right."""
    text = (Path(__file__).parent / "small.toml").read_text(encoding="utf-8")
    text = text.split("[variant")[0]
    own = text.split("[axle.front.points]\n")[1].split("\n\n")[0]
    right = re.sub(r"\[(\S+), (\d+), (\S+)\]", r"[\1, -\2, \3]", own)
    wheels = "".join(
        f"[axle.front.wheel_{side}]\ncentre = [0, {y}, 305]\ncamber = -1.5\ntoe_in = 0.0\n\n"
        for side, y in (("left", 770), ("right", -770))
    )
    assert old in right
    both = f"{own}\n\n[axle.front.points_right]\n{right.replace(old, new)}\n\n{wheels}"
    return text.replace("[axle.front.points]", "[axle.front.points_left]").replace(own, both, 1)


def test_what_is_wrong_with_the_right_side_is_told_of_its_own_points(tmp_path):
    inner, outer = "tie_rod_inner = [-120, -350, 212]", "tie_rod_outer = [-110, -690, 205]"
    said = refused(tmp_path, apart(inner, "tie_rod_inner = [-120, 350, 212]"))
    assert said.startswith("axle.front.points_right.tie_rod_inner: y = 350 is across the car")
    assert len(said.splitlines()) == 1
    path = tmp_path / "weak.toml"
    path.write_text(apart(outer, "tie_rod_outer = [7, -698, 212]"), encoding="utf-8")
    notes = [n for n in check_file(path).notes if "dead point" in n]
    assert [n.split(":")[0] for n in notes] == ["front right"]


def test_two_points_at_one_place_are_told(tmp_path):
    assert "one place" not in check_file(MODELS / "five_link" / "five_link.toml").words
    text = (MODELS / "five_link" / "five_link.toml").read_text(encoding="utf-8")
    (place,) = re.findall(r"(?m)^upper_rear_outer = (.*)$", text)
    path = tmp_path / "car.toml"
    path.write_text(re.sub(r"(?m)^upper_front_outer = .*$", f"upper_front_outer = {place}", text))
    said = "rear: upper_rear_outer and upper_front_outer are given at one place; measure them again"
    assert check_file(path).words.count(said) == 1


def test_a_wheelbase_that_the_wheels_do_not_have_is_told():
    car = car_of("demo_coupe")
    assert not any("fore and aft" in note for note in notes_of(car))
    (note,) = (n for n in notes_of(replace(car, wheelbase_mm=2500.0)) if "fore and aft" in n)
    assert note.startswith(
        "the wheel centres stand 2653 mm apart fore and aft, car.wheelbase is 2500"
    )


def test_a_fault_of_one_side_names_the_side():
    axle = axle_of_model("five_link")
    p = axle.right.points
    in_line = {"upper_front_outer": p["upper_rear_outer"],
               "upper_front_inner": p["upper_rear_inner"]}  # fmt: skip
    bent = replace(axle, right=replace(axle.right, points={**p, **in_line}))
    assert list(linkage_faults(axle)) == []
    (fault,) = linkage_faults(bent)
    assert fault.where == "axle.rear"
    assert fault.what.startswith("right side: at a dead point at ride height")


def test_a_start_nearly_at_a_dead_point_is_refused_or_told():
    """Two rods ever less in line: refused, then told how far 1 mm moves a part, then held well.

    How far is measured here: the worst move of a part when one rod is made 1 um longer.
    """
    axle = axle_of_model("five_link")
    p = axle.left.points
    for off_mm, bad, weak in ((0.01, 1, True), (1.0, 0, True), (25.0, 0, False)):
        near = {"upper_front_outer": frozen(p["upper_rear_outer"] + [off_mm, 0.0, 0.0]),
                "upper_front_inner": p["upper_rear_inner"]}  # fmt: skip
        left = replace(axle.left, points={**p, **near})
        assert len(list(linkage_faults(replace(axle, left=left)))) == bad
        built = linkage_of(left)
        told = near_dead_point(built, built.problem(Hold.WHEEL_HEIGHT))
        assert (told is not None) == weak
        if told is not None and not bad:
            problem = built.problem(Hold.WHEEL_HEIGHT)
            slope = problem.rows(built.linkage.reference(), Target(np.zeros(1), np.zeros(1))).slope
            moves = np.linalg.inv(slope[problem.used, :, 0])  # by a millimetre in each row
            most = np.hypot(*(np.linalg.norm(m, axis=0) for m in (moves[:3], 300.0 * moves[3:])))
            said = float(told.split("up to ")[1].split()[0])
            assert most.max() <= said + 0.5
            assert said < 3.0 * most.max()


def test_every_command_names_the_file_and_variant_of_a_bad_linkage(tmp_path, capsys):
    text = (Path(__file__).parent / "small.toml").read_text(encoding="utf-8")
    path = tmp_path / "car.toml"
    in_axis = "tie_rod_inner = [-8.2, 345.8, 204.05]\ntie_rod_outer = [7, 693, 216.75]\n"
    path.write_text(
        f'{text}\n[variant.dead]\ntitle = "no lever"\n[[variant.dead.change]]\naxle = "front"\n'
        'how = "made_to_fit"\nparts = ["knuckle", "tie_rod", "body"]\n'
        f"[variant.dead.change.points]\n{in_axis}",
        encoding="utf-8",
    )
    for command in (["check"], ["sweep", "--variant", "dead", "--out", str(tmp_path / "out")]):
        assert main([command[0], str(path), *command[1:]]) == 2
        said = capsys.readouterr().err
        assert said.startswith(f"linkview: {path}: variant.dead: axle.front: at a dead point at")
        assert len(said.splitlines()) == 1


def test_a_part_that_only_spins_is_named_and_kept_from_it(tmp_path):
    """A link made a part of its own, with a ball at each end, spins about itself."""
    text = FREE.replace('h_arm = ["damper_lower"]', 'h_arm = ["damper_lower"]\nlink = []')
    text = text.replace("[axle.rear.free.rods]\n", "[axle.rear.free.balls]\n")
    text = text.replace(
        'camber_link = { inner = "camber_link_inner", outer = "camber_link_outer" }',
        'in = { part = "link", point = "camber_link_inner" }\n'
        'out = { part = "link", point = "camber_link_outer" }',
    )
    path = tmp_path / "free.toml"
    path.write_text(text[: text.index("[axle.rear.bodies")], encoding="utf-8")
    assert "link can spin about itself without moving anything" in check_file(path).words
    corner = build_car(read_file(path)).axles["rear"].left
    plain = axle_of_model("free_layout").left
    travel = np.linspace(-60.0, 60.0, 7)
    a, b = (sweep_corner(c, np.zeros(1), travel, Hold.WHEEL_HEIGHT) for c in (corner, plain))
    assert np.abs(a.pose("knuckle") - b.pose("knuckle")).max() < 1e-9


def test_redundant_hinges_are_allowed_where_they_agree(tmp_path):
    """A second pair of bushes in line with the first holds nothing new and stops nothing."""
    text = FREE.replace(
        "inner_bushes = {",
        'more_bushes = { part = "h_arm", pivots = ["h_arm_middle", "h_arm_front_pivot"] }\n'
        "inner_bushes = {",
    )
    text = text.replace('body = ["h_arm_rear', 'body = ["h_arm_middle", "h_arm_rear')
    text = text.replace(
        "[axle.rear.points]\n", "[axle.rear.points]\nh_arm_middle = [-2595, 332.5, 244]\n"
    )
    path = tmp_path / "free.toml"
    path.write_text(text, encoding="utf-8")
    check_file(path)
    corner = build_car(read_file(path)).axles["rear"].left
    plain = axle_of_model("free_layout").left
    travel = np.linspace(-60.0, 60.0, 7)
    a, b = (sweep_corner(c, np.zeros(1), travel, Hold.WHEEL_HEIGHT) for c in (corner, plain))
    assert a.solved.all()
    assert np.abs(a.pose("knuckle") - b.pose("knuckle")).max() < 1e-9
    built = linkage_of(corner)
    assert built.linkage.row_count - 2 > len(built.sound)  # rows left out as superfluous
    assert max(float(e.max()) for e in fit_errors_mm(corner, a.poses).values()) < 1e-9


@pytest.mark.parametrize("name", LAYOUT_MODELS)
def test_every_model_goes_through_tables_and_charts(name, tmp_path, monkeypatch):
    """The whole job but the gaps and pictures: nothing in it knows a layout by name.

    Every chart is put together; those of two models are also drawn, which takes half of the time.
    """
    if name not in ("steering_box", "five_link"):
        monkeypatch.setattr(Figure, "savefig", lambda _, path, **__: path.write_bytes(b"chart"))
    assert main(["sweep", str(MODELS / name / f"{name}.toml"), "--out", str(tmp_path / "out")]) == 0
    axle = axle_of_model(name).name
    drawn = (tmp_path / "out" / f"{axle}_against_travel.svg").stat().st_size
    assert drawn > (1000 if name in ("steering_box", "five_link") else 0)
    assert (tmp_path / "out" / f"{axle}_alignment.csv").stat().st_size > 1000


def test_parts_kept_with_solved_arms_keeps_every_part(tmp_path):
    """Upper pivots lowered on a push-rod car: rods, arms, rocker and knuckle keep their sizes."""
    text = (MODELS / "push_rod" / "push_rod.toml").read_text(encoding="utf-8")
    text += (
        '\n[variant.low]\ntitle = "upper pivots lower"\n[[variant.low.change]]\naxle = "front"\n'
        'how = "parts_kept"\n[variant.low.change.move]\nupper_arm_rear_pivot = [0, 0, -8]\n'
        "upper_arm_front_pivot = [0, 0, -8]\nrocker_rear_pivot = [0, 2, 0]\n"
        "rocker_front_pivot = [0, 2, 0]\n"
    )
    path = tmp_path / "push_rod.toml"
    path.write_text(text, encoding="utf-8")
    check_file(path)
    old, new = (build_car(read_file(path), v).axles["front"].left for v in ("as_found", "low"))
    assert new.points["upper_arm_rear_pivot"][2] == old.points["upper_arm_rear_pivot"][2] - 8.0
    assert length(new.points["upper_ball_joint"] - old.points["upper_ball_joint"]) > 0.5  # mm
    same = [("push_rod_inner", "push_rod_outer"), ("tie_rod_inner", "tie_rod_outer")]
    same += [("upper_arm_rear_pivot", "upper_ball_joint"), ("push_rod_inner", "damper_rocker")]
    same += [("lower_ball_joint", "upper_ball_joint"), ("lower_arm_rear_pivot", "push_rod_outer")]
    same += [("rocker_rear_pivot", "push_rod_inner"), ("lower_ball_joint", "push_rod_outer")]
    for a, b in same:
        assert new.distance_mm(a, b) == pytest.approx(old.distance_mm(a, b), abs=1e-8), (a, b)
    assert new.points["wheel_centre"][2] == pytest.approx(old.points["wheel_centre"][2], abs=1e-9)
