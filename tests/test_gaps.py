"""The survey of one corner: which pairs are left out and why, the least gap and where."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest
import trimesh

from linkview.clearance.bodies import placed
from linkview.clearance.distance import pair_gap
from linkview.clearance.gaps import GapState, GapSurvey, survey
from linkview.errors import MeshFault, UnknownName
from linkview.geometry import Array, rigid, rotation_from_vector, turn_about
from linkview.model.bodies import Anchor, Body, Box, MeshFile, Profile, Revolved, Tube, WantedGap
from linkview.model.layouts import STRUT
from linkview.model.parts import Corner, Rim, Side, Travel, Tyre, Wheel

POINTS = {
    "lower_ball_joint": np.array([12.0, 715, 180]),
    "strut_top": np.array([-67.8, 541, 830]),
    "strut_lower": np.array([-20.0, 612, 380]),
    "lower_arm_rear_pivot": np.array([-8.0, 350, 196]),
    "lower_arm_front_pivot": np.array([330.0, 380, 206]),
    "tie_rod_outer": np.array([-77.0, 716, 196]),
    "tie_rod_inner": np.array([-100.0, 352, 208]),
    "wheel_centre": np.array([0.0, 780, 310]),
}
STEER, TRAVEL = 5, 3


def bar(name: str, part: str, start: str, end: str, radius: float) -> Tube:
    return Tube(name, part, (Anchor(part, POINTS[start]), Anchor(part, POINTS[end])), radius)


TYRE = Revolved(
    "tyre",
    "wheel",
    POINTS["wheel_centre"],
    np.array([0.0, 1, 0]),
    (Profile(np.array([[-84.0, 233], [84, 233], [84, 289], [-84, 289]]), 28.0),),
)
RIM = Revolved(
    "rim",
    "wheel",
    POINTS["wheel_centre"],
    np.array([0.0, 1, 0]),
    (Profile(np.array([[-108.0, 200], [108, 200], [108, 205], [-108, 205]])),),
)
ARM = bar("arm", "lower_arm", "lower_arm_rear_pivot", "lower_ball_joint", 16.0)
LEG = bar("leg", "lower_arm", "lower_arm_front_pivot", "lower_ball_joint", 15.0)
TIE_ROD = bar("tie rod", "tie_rod", "tie_rod_inner", "tie_rod_outer", 11.0)
STEERING_ARM = bar("steering arm", "knuckle", "tie_rod_outer", "lower_ball_joint", 14.0)
DAMPER_TUBE = bar("damper tube", "knuckle", "strut_lower", "strut_lower", 27.0)
SPRING = Tube(
    "spring",
    "strut",
    (Anchor("knuckle", np.array([-30.0, 590, 470])), Anchor("body", POINTS["strut_top"])),
    43.0,
)
ARCH = Box("arch", "body", np.array([385.0, 400, 230]), np.array([391.0, 700, 640]))
RAIL = Box("rail", "body", np.array([-700.0, 330, 290]), np.array([750.0, 415, 400]))
ALL = (TYRE, RIM, ARM, LEG, TIE_ROD, STEERING_ARM, DAMPER_TUBE, SPRING, ARCH, RAIL)


def corner(*bodies: Body) -> Corner:
    wheel = Wheel(
        POINTS["wheel_centre"],
        np.array([0.0, 1, 0]),
        310.8,
        Tyre(317.0, 205.0, 112.0, 28.0),
        Rim(8.5, 17.0, 30.0),
    )
    return Corner(
        axle="front",
        side=Side.LEFT,
        layout=STRUT,
        points=POINTS,
        wheel=wheel,
        rack=None,
        travel=Travel(-70.0, 60.0),
        joints=(),
        damper=None,
        driveshaft=None,
        bodies=bodies,
    )


def poses() -> dict[str, Array]:
    """Made-up moves, not a linkage: the wheel turns and rises, the arm swings, each on its own."""
    steer = np.linspace(-0.6, 0.6, STEER)[:, None] * np.ones(TRAVEL)
    rise = np.ones(STEER)[:, None] * np.linspace(-70, 60, TRAVEL)
    zero = np.zeros_like(steer)
    centre = POINTS["wheel_centre"]
    knuckle = turn_about(
        rotation_from_vector(np.stack([zero, zero, steer], -1)),
        centre,
        centre + np.stack([zero, zero, rise], -1),
    )
    pivot = POINTS["lower_arm_rear_pivot"]
    swing = rotation_from_vector(np.stack([rise / 365.0, zero, zero], -1))
    arm = turn_about(swing, pivot, np.broadcast_to(pivot, (STEER, TRAVEL, 3)))
    rod = rigid(np.eye(3), np.stack([zero, 60.0 * steer, rise / 2], -1))
    return {
        "knuckle": knuckle,
        "wheel": knuckle,
        "lower_arm": arm,
        "tie_rod": rod,
        "strut": knuckle,
        "rack": rod,
    }


def reason(found: GapSurvey, a: str, b: str) -> str:
    return next(left.reason for left in found.left_out if set(left.pair) == {a, b})


def test_every_pair_is_either_measured_or_left_out_with_a_reason() -> None:
    found = survey(corner(*ALL), poses())
    every = {frozenset(pair) for pair in combinations([body.name for body in ALL], 2)}
    measured = [frozenset(pair.pair) for pair in found.pairs]
    left = [frozenset(out.pair) for out in found.left_out]
    assert set(measured) | set(left) == every
    assert len(measured) + len(left) == len(every)
    assert all(out.reason for out in found.left_out)


def test_why_pairs_are_left_out() -> None:
    told = {frozenset({"rail", "leg"}): "the leg passes under the rail"}
    found = survey(corner(*ALL), poses(), left_out=told)
    assert reason(found, "arch", "rail") == "both on the body: they never move against each other"
    assert reason(found, "tyre", "rim") == "both on the wheel: they never move against each other"
    assert "both on the lower arm" in reason(found, "arm", "leg")
    assert reason(found, "arm", "steering arm") == "joined at lower_ball_joint"
    assert reason(found, "tie rod", "steering arm") == "joined at tie_rod_outer"
    assert reason(found, "rail", "leg") == "the leg passes under the rail"


def test_joined_parts_are_measured_where_the_bodies_are_away_from_the_joint() -> None:
    far = Box("pad", "knuckle", np.array([50.0, 600, 300]), np.array([80.0, 640, 340]))
    found = survey(corner(ARM, far), poses())
    assert found.of("arm", "pad").least.state is GapState.MEASURED
    # 5 mm is the reach: a boss 4 mm off the ball joint's centre is joined there, 6 mm off is not.
    at = POINTS["lower_ball_joint"]
    for away, names in ((4.0, 0), (6.0, 1)):
        low, high = np.array([-5, -5, away]), np.array([5, 5, away + 20])
        boss = Box("boss", "knuckle", at + low, at + high)
        assert len(survey(corner(ARM, boss), poses()).pairs) == names


def test_a_tube_that_ends_on_another_body_is_left_out_there() -> None:
    seat = Box("seat", "knuckle", np.array([-60.0, 560, 460]), np.array([0.0, 620, 475]))
    found = survey(corner(SPRING, seat, TYRE), poses())
    assert reason(found, "spring", "seat") == "spring ends at seat on the knuckle"
    assert found.of("spring", "tyre").least.state is GapState.MEASURED


def test_a_wanted_gap_at_a_joint_is_measured_all_the_same() -> None:
    wanted = (WantedGap(frozenset({"arm", "steering arm"}), 5.0),)
    found = survey(corner(ARM, STEERING_ARM), poses(), wanted=wanted)
    assert found.of("steering arm", "arm").wanted_mm == 5.0
    assert found.left_out == ()


def test_the_least_gap_is_the_least_of_the_single_poses() -> None:
    # Truth: each pose measured alone by pair_gap, whose own truths are in test_distance.py.
    found = survey(corner(*ALL), poses()).of("tyre", "arch")
    tyre, arch = placed(TYRE), placed(ARCH)
    alone = np.array(
        [
            [
                pair_gap(tyre, arch, {"wheel": poses()["wheel"][i, j][None]}).gap_mm[0]
                for j in range(TRAVEL)
            ]
            for i in range(STEER)
        ]
    )
    assert found.gap_mm == pytest.approx(alone, abs=0.01)
    assert found.gap_mm.shape == (STEER, TRAVEL)
    assert (found.least.steer, found.least.travel) == np.unravel_index(alone.argmin(), alone.shape)
    assert found.least.gap_mm == found.gap_mm.min()
    between = np.linalg.norm(found.least.on_a - found.least.on_b)
    assert between == pytest.approx(found.least.gap_mm, abs=1e-6)
    assert found.least.on_b[0] == pytest.approx(385.0, abs=1e-6)  # on the arch's near face


def test_poses_out_of_reach_are_counted_unknown_and_never_the_least() -> None:
    moves = {part: move.copy() for part, move in poses().items()}
    for part in ("knuckle", "wheel", "strut"):
        moves[part][0, :] = np.nan
    found = survey(corner(*ALL), moves).of("tyre", "arch")
    assert found.poses_unknown == TRAVEL
    assert found.poses_measured == (STEER - 1) * TRAVEL
    assert (found.state[0] == GapState.UNKNOWN).all()
    assert np.isnan(found.gap_mm[0]).all()
    assert found.least.steer != 0
    assert f"unknown at {TRAVEL} of {STEER * TRAVEL} poses" in found.notes


def test_a_pair_never_measured_is_unknown_and_comes_before_all_clear_ones() -> None:
    moves = {part: move.copy() for part, move in poses().items()}
    moves["tie_rod"][:] = np.nan
    found = survey(corner(TYRE, TIE_ROD, ARCH), moves)
    lost = found.of("tie rod", "arch")
    assert lost.least.state is GapState.UNKNOWN
    assert np.isnan(lost.least.gap_mm)
    assert lost.least.steer is None
    assert lost.poses_measured == 0
    states = [pair.least.state for pair in found.worst(99)]
    assert states == [GapState.UNKNOWN, GapState.UNKNOWN, GapState.MEASURED]


def test_the_worst_come_first_contact_before_all_then_by_margin() -> None:
    wall = Box("wall", "body", np.array([-400.0, 700, 200]), np.array([400.0, 720, 400]))
    wanted = (WantedGap(frozenset({"tyre", "arch"}), 500.0),)
    found = survey(corner(TYRE, wall, ARCH, LEG, TIE_ROD), poses(), wanted=wanted)
    worst = found.worst(3)
    assert len(worst) == 3
    assert worst[0].pair == ("tyre", "wall")
    assert worst[0].least.state is GapState.CONTACT
    assert worst[0].poses_touching == STEER * TRAVEL
    margins = [p.margin_mm for p in found.worst(99) if p.least.gap_mm > 0]
    assert len(margins) > 3
    assert margins == sorted(margins)
    assert found.of("tyre", "arch").margin_mm < -400


def test_contact_is_the_least_even_where_its_depth_is_not_known() -> None:
    wall = Box("wall", "body", np.array([300.0, 600, 100]), np.array([320.0, 800, 500]))
    flap = Box("flap", "knuckle", np.array([200.0, 650, 300]), np.array([290.0, 700, 310]))
    found = survey(corner(wall, flap), poses()).of("flap", "wall")
    assert 0 < found.poses_touching < found.poses_measured
    assert found.least.state is GapState.CONTACT
    assert np.isnan(found.least.gap_mm)


def test_tyre_against_a_body_on_the_knuckle_is_measured_and_constant() -> None:
    found = survey(corner(TYRE, DAMPER_TUBE), poses()).of("tyre", "damper tube")
    assert found.constant
    assert found.least.state is GapState.MEASURED
    assert any("constant" in note for note in found.notes)
    assert found.poses_measured == STEER * TRAVEL


def test_progress_is_told_before_every_pair_and_an_interrupt_comes_through() -> None:
    told: list[tuple[int, int, tuple[str, str]]] = []
    found = survey(corner(*ALL), poses(), progress=lambda *step: told.append(step))
    assert [step[0] for step in told] == list(range(len(found.pairs)))
    assert {step[1] for step in told} == {len(found.pairs)}
    assert [step[2] for step in told] == [pair.pair for pair in found.pairs]

    def stop(done: int, _count: int, _pair: tuple[str, str]) -> None:
        if done == 2:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        survey(corner(*ALL), poses(), progress=stop)


def test_asking_for_a_pair_that_is_left_out_or_misspelt_says_so() -> None:
    found = survey(corner(*ALL), poses())
    with pytest.raises(UnknownName, match="was not measured: both on the body"):
        found.of("arch", "rail")
    with pytest.raises(UnknownName, match="no body 'tire'; did you mean 'tyre'"):
        found.of("tire", "rail")


def test_unusable_meshes_stop_the_survey_before_it_starts(tmp_path: object) -> None:
    missing = MeshFile("scan", "body", tmp_path / "scan.stl", 1.0, np.eye(4))  # type: ignore[operator]
    with pytest.raises(MeshFault, match="there is no such file"):
        survey(corner(TYRE, missing), poses())


def test_notes_of_a_mesh_reach_its_pairs(tmp_path: object) -> None:
    path = tmp_path / "panel.stl"  # type: ignore[operator]
    block = trimesh.creation.box((100, 200, 300))
    trimesh.Trimesh(block.vertices, block.faces[:-2], process=False).export(path)
    place = rigid(np.eye(3), [600.0, 700, 300])
    found = survey(corner(TYRE, MeshFile("panel", "body", path, 1.0, place)), poses())
    assert any(note.startswith("panel: open surface") for note in found.of("tyre", "panel").notes)


def test_a_grid_of_another_shape_gives_answers_of_that_shape() -> None:
    one = {part: move[:1, :1] for part, move in poses().items()}
    assert survey(corner(*ALL), one).of("tyre", "arch").gap_mm.shape == (1, 1)
