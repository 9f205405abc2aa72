"""A corner's parts that go together two ways: which was taken, and how to choose the other."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest
from assemblies import distance, distinct, random_states, wandered
from scipy.optimize import least_squares
from scipy.spatial.transform import Rotation
from shipped import MODELS, axle_of_model

from linkview.alignment.assemblies import other_assemblies, other_assembly
from linkview.alignment.posed import ride_moment_arm_mm
from linkview.app.check import check_file
from linkview.errors import CannotAssemble
from linkview.geometry import frozen
from linkview.kinematics.assemble import build_car
from linkview.kinematics.axle import corner_poses, corner_poses_from, pose_list
from linkview.kinematics.corner import linkage_of
from linkview.kinematics.solve import Target
from linkview.kinematics.sweep import pose_at
from linkview.model.layouts import TWIN_LINK_STRUT
from linkview.model.parts import Hold
from linkview.model.read import read_file


@pytest.mark.parametrize("name", ["strut_with_bar", "double_wishbone", "push_rod"])
def test_the_other_assembly_has_the_same_parts_and_the_tie_rod_over_centre(name):
    corner = axle_of_model(name).left
    other = other_assembly(corner)
    rod = corner.layout.rods["tie_rod"]
    there = {**corner.points, **other.places}
    moved = replace(corner, points=there)
    assert moved.distance_mm(rod.inner, rod.outer) == pytest.approx(
        corner.distance_mm(rod.inner, rod.outer), abs=1e-9
    )
    for axis_point in corner.layout.steering_axis:  # and the knuckle is the same size
        a, b = (c.distance_mm(axis_point, rod.outer) for c in (corner, moved))
        assert a == pytest.approx(b, abs=1e-9)
    # Given those points the corner assembles there, with the tie rod's lever the other way round.
    pose_at(moved, 0.0, 0.0, Hold.WHEEL_HEIGHT)
    assert ride_moment_arm_mm(moved) * ride_moment_arm_mm(corner) < 0.0


@pytest.mark.parametrize(
    ("name", "part", "rod"),
    [
        ("push_rod", "rocker", "push_rod"),
        ("pull_rod", "rocker", "pull_rod"),
        ("strut_with_bar", "bar_lever", "drop_link"),
    ],
)
def test_a_rocker_can_stand_on_the_other_side_of_its_rod(name, part, rod):
    """Given the places told, every size of the part and its rod is the same, and it assembles."""
    corner = axle_of_model(name).left
    (other,) = (o for o in other_assemblies(corner) if o.part == part)
    assert f"{rod.replace('_', ' ')} over centre" in other.words
    assert all(f"{point} near [" in other.words for point in corner.layout.carried[part])
    moved = replace(corner, points={**corner.points, **other.places})
    ends = corner.layout.rods[rod]
    pivots = next(h.pivots for h in corner.layout.hinges.values() if h.part == part)
    pairs = [(ends.inner, ends.outer), *((p, q) for p in other.places for q in pivots)]
    pairs += [(p, q) for p in other.places for q in other.places if p < q]
    for a, b in pairs:
        assert moved.distance_mm(a, b) == pytest.approx(corner.distance_mm(a, b), abs=1e-9), (a, b)
    near = ends.inner if ends.inner in other.places else ends.outer
    assert np.linalg.norm(other.places[near] - corner.points[near]) > 10.0  # mm: another place
    pose_at(moved, 0.0, 0.0, Hold.WHEEL_HEIGHT)
    # Told of the other, it would be the first that is the other.
    (back,) = (o for o in other_assemblies(replace(moved, damper=None)) if o.part == part)
    for point, place in back.places.items():
        assert place == pytest.approx(corner.points[point], abs=1e-9)


def test_the_other_assembly_without_a_drawn_axis_is_one_of_those_found_anywhere():
    """Two lower links: told by turning the wheel on; found besides from random starts."""
    corner = axle_of_model("twin_link_strut").left
    (other,) = other_assemblies(corner)
    built = linkage_of(corner)
    starts = random_states(300, corner.points["wheel_centre"], 150.0, seed=5)
    still = Target(np.zeros(300), np.zeros(300))
    found = wandered(built.problem(Hold.DAMPER_LENGTH), starts, still)
    centre = corner.points["wheel_centre"]
    arm = corner.points["tie_rod_outer"] - centre
    ends = np.einsum("ijn,j->ni", found.turn[0], arm) + found.origin[0].T
    told = other.places["tie_rod_outer"]
    assert np.linalg.norm(ends - told, axis=1).min() < 1e-6
    assert np.linalg.norm(corner.points["tie_rod_outer"] - told) > 100.0  # mm: not its own


def test_two_lower_links_with_one_outer_joint_have_the_single_joint_cars_other_assembly(front):
    p = front.points
    ball = dict.fromkeys(("lower_lateral_outer", "lower_drag_outer"), p["lower_ball_joint"])
    inner = {
        "lower_lateral_inner": p["lower_arm_rear_pivot"],
        "lower_drag_inner": p["lower_arm_front_pivot"],
    }
    own = {n: p[n] for n in ("strut_top", "strut_lower", "tie_rod_inner", "tie_rod_outer")}
    points = {**own, **ball, **inner, "wheel_centre": p["wheel_centre"]}
    (twin,) = other_assemblies(replace(front, layout=TWIN_LINK_STRUT, points=points))
    there = other_assembly(front).places["tie_rod_outer"]
    assert twin.places["tie_rod_outer"] == pytest.approx(there, abs=1e-6)  # mm


def test_a_rocker_that_its_damper_keeps_from_the_other_side_has_none():
    corner = axle_of_model("push_rod").left
    now = corner.distance_mm("damper_rocker", "damper_body")
    tight = replace(corner, damper=replace(corner.damper, min_length_mm=now - 5.0,
                                           max_length_mm=now + 5.0))  # fmt: skip
    assert [o.part for o in other_assemblies(corner)] == ["knuckle", "rocker"]
    assert [o.part for o in other_assemblies(tight)] == ["knuckle"]


def _from_anywhere(corner, links, count: int):
    """Every move of the knuckle (turn vector, shift) that keeps five links and the damper as long
    as they are, by SciPy's least squares from random starts on equations written here."""
    inner, outer = (np.array([corner.points[r[k]] for r in links]) for k in (0, 1))
    sizes = np.linalg.norm(outer - inner, axis=1)
    centre, rng = corner.points["wheel_centre"], np.random.default_rng(11)

    def misfit(x):
        placed = Rotation.from_rotvec(x[:3]).apply(outer - centre) + centre + 100.0 * x[3:]
        return np.linalg.norm(placed - inner, axis=1) - sizes

    for _ in range(count):
        start = np.concatenate(
            [Rotation.random(random_state=rng).as_rotvec(), rng.uniform(-1.5, 1.5, 3)]
        )
        found = least_squares(misfit, start, xtol=1e-14, ftol=1e-14, gtol=1e-14)
        if np.abs(found.fun).max() < 1e-8:
            yield found.x


def test_a_wheel_on_five_links_is_told_the_least_turned_other_assembly():
    corner = axle_of_model("five_link").left
    (other,) = other_assemblies(corner)
    assert "turned over by" in other.words
    assert "lower_lateral_outer near [" in other.words
    links = [(r.inner, r.outer) for r in corner.layout.rods.values()]
    links.append(("damper_upper", "damper_lower"))
    moves = list(_from_anywhere(corner, links, 150))
    turns = np.array([Rotation.from_rotvec(x[:3]).magnitude() for x in moves])
    least = np.rad2deg(turns[turns > 1e-3].min())
    assert other.turn_deg == pytest.approx(least, abs=1e-6)
    moved = replace(corner, points={**corner.points, **other.places})
    for pair in links:
        assert moved.distance_mm(*pair) == pytest.approx(corner.distance_mm(*pair), abs=1e-8)
    for a, b in combinations(other.places, 2):  # and the knuckle is the same size
        assert moved.distance_mm(a, b) == pytest.approx(corner.distance_mm(a, b), abs=1e-8)


def test_a_hinge_put_in_end_for_end_is_no_assembly():
    """The H-shaped arm's equations close with its pivots swapped too; its bushes do not."""
    corner = axle_of_model("free_layout").left
    (other,) = other_assemblies(corner)
    h_arm = [n for n in other.places if n.startswith("h_arm")]
    pivots = next(h.pivots for h in corner.layout.hinges.values() if h.part == "h_arm")
    assert len(h_arm) == 2
    moved = replace(corner, points={**corner.points, **other.places})
    for a in h_arm:
        for b in pivots:
            assert moved.distance_mm(a, b) == pytest.approx(corner.distance_mm(a, b), abs=1e-8)


def test_a_wheel_on_a_hinge_alone_has_no_other():
    assert list(other_assemblies(axle_of_model("semi_trailing_arm").left)) == []


def test_check_says_which_was_taken():
    said = check_file(MODELS / "double_wishbone" / "double_wishbone.toml").words
    assert "taken is the way the points show" in said
    assert "tie_rod_outer near" in said


def test_at_the_toggle_there_is_only_one(front):
    p = front.points
    low, high = p["lower_ball_joint"], p["strut_top"]
    axis = (high - low) / np.linalg.norm(high - low)
    out = p["tie_rod_inner"] - low
    level = out - (out @ axis) * axis
    outer = low + 0.4 * level + ((p["tie_rod_outer"] - low) @ axis) * axis
    assert other_assembly(replace(front, points={**p, "tie_rod_outer": frozen(outer)})) is None


def test_a_start_in_another_assembly_is_refused():
    """The trap's corner at rack -60 mm, every assembly found from random starts: one is its own."""
    file = read_file(MODELS / "demo_coupe" / "demo_coupe.toml")
    corner = build_car(file, "over_centre_trap").axles["front"].left
    built = linkage_of(corner)
    problem, rack = built.problem(Hold.WHEEL_HEIGHT), np.array([-60.0])
    starts = random_states(400, corner.points["wheel_centre"], 150.0, seed=3)
    many = Target(np.full(400, -60.0), np.zeros(400))
    found = distinct(wandered(problem, starts, many))
    assert found.count >= 3
    own = built.state_of(corner_poses(corner, rack, np.zeros(1)).poses)
    at, goal, refused = Target(rack, np.zeros(1)), (np.array([-40.0]), np.array([10.0])), []
    for k in range(found.count):
        state = found.take(np.array([k]))
        start = pose_list(built, problem, state, at, np.ones(1, dtype=bool))
        if distance(state, own).min() < 1e-6:
            there = corner_poses_from(corner, start, *goal)
            direct = corner_poses(corner, *goal)
            assert np.abs(there.pose("knuckle") - direct.pose("knuckle")).max() < 1e-8
            continue
        with pytest.raises(CannotAssemble, match="is another assembly of the same parts") as told:
            corner_poses_from(corner, start, *goal)
        refused.append(str(told.value))
    assert len(refused) == found.count - 1
    assert any("its tie rod over centre" in words for words in refused)
    assert all("start from a pose of this corner's sweep" in words for words in refused)


def test_a_start_that_does_not_close_is_refused(front):
    start = corner_poses(front, np.zeros(1), np.zeros(1))
    poses = {name: pose.copy() for name, pose in start.poses.items()}
    poses["knuckle"][:, 2, 3] += 1.0  # mm
    with pytest.raises(CannotAssemble, match="does not close at the"):
        corner_poses_from(front, replace(start, poses=poses), np.zeros(1), np.zeros(1))
