"""Sweeps of whole corners: closed joints, own assembly, edges of reach, symmetry, rates.

Figures of the demo car quoted here (edge of reach, drop and camber at lock) come from a separate
solve of the same points, made before linkview existed; everything else is measured from the poses
that a sweep gives out, by formulas written in this file.
"""

from __future__ import annotations

import warnings

import numpy as np
import pytest
from assemblies import distance, distinct, random_states, wandered
from conftest import FRONT, axle_of, front_corner, rear_corner
from scipy.spatial.transform import Rotation

from linkview.errors import CannotAssemble, LinkageLocked
from linkview.geometry import frozen, mirrored_move, turn_between, unit
from linkview.kinematics.closure import State
from linkview.kinematics.corner import linkage_of
from linkview.kinematics.solve import Target
from linkview.kinematics.sweep import grid_of, pose_at, sweep_axle, sweep_corner
from linkview.model.parts import Corner, Hold, Side

HOLDS = list(Hold)
HEIGHT, DAMPER = Hold.WHEEL_HEIGHT, Hold.DAMPER_LENGTH


def grid(rack: float, droop: float, bump: float, *, racks: int = 21, travels: int = 14):
    travel = np.linspace(droop, bump, travels)
    travel[np.argmin(np.abs(travel))] = 0.0
    return np.linspace(-rack, rack, racks), travel


def carried(pose: np.ndarray, point: np.ndarray) -> np.ndarray:
    return pose[..., :3, :3] @ np.asarray(point) + pose[..., :3, 3]


def strut_misfit_mm(sweep) -> np.ndarray:
    """Largest change of any length in a strut corner, and of the strut's run through the top."""
    p, knuckle = sweep.corner.points, sweep.poses["knuckle"]
    rack = p["tie_rod_inner"] + sweep.rack_mm[:, None, None] * sweep.corner.rack.axis
    ball, outer = carried(knuckle, p["lower_ball_joint"]), carried(knuckle, p["tie_rod_outer"])
    pairs = [(ball, p[f"lower_arm_{e}_pivot"], "lower_ball_joint", f"lower_arm_{e}_pivot") for e in
             ("rear", "front")]  # fmt: skip
    pairs.append((outer, np.broadcast_to(rack, outer.shape), "tie_rod_outer", "tie_rod_inner"))
    misfit = [np.linalg.norm(a - b, axis=-1) - np.linalg.norm(p[i] - p[k]) for a, b, i, k in pairs]
    foot = carried(knuckle, p["strut_lower"])
    axis = knuckle[..., :3, :3] @ (p["strut_top"] - p["strut_lower"])
    axis /= np.linalg.norm(axis, axis=-1, keepdims=True)
    misfit.append(np.linalg.norm(np.cross(axis, p["strut_top"] - foot), axis=-1))
    # The carried parts must stand where the knuckle says.
    misfit.append(
        np.linalg.norm(carried(sweep.poses["lower_arm"], p["lower_ball_joint"]) - ball, axis=-1)
    )
    misfit.append(
        np.linalg.norm(carried(sweep.poses["tie_rod"], p["tie_rod_outer"]) - outer, axis=-1)
    )
    along = sweep.poses["strut"][..., :3, :3] @ (p["strut_top"] - p["strut_lower"])
    misfit.append(np.linalg.norm(np.cross(along, axis), axis=-1))
    misfit.append(
        np.linalg.norm(carried(sweep.poses["strut"], p["strut_top"]) - p["strut_top"], axis=-1)
    )
    return np.max(np.abs(misfit), axis=0)


def link_misfit_mm(sweep) -> np.ndarray:
    """Largest change of length of the rear corner's five links."""
    p, knuckle, out = sweep.corner.points, sweep.poses["knuckle"], []
    for name in ("lower_lateral", "lower_front", "toe_link", "upper_rear", "upper_front"):
        a, b = p[f"{name}_inner"], p[f"{name}_outer"]
        end = carried(knuckle, b)
        out.append(np.linalg.norm(end - a, axis=-1) - np.linalg.norm(b - a))
        out.append(np.linalg.norm(carried(sweep.poses[name], b) - end, axis=-1))
        out.append(np.linalg.norm(carried(sweep.poses[name], a) - a, axis=-1))
    return np.max(np.abs(out), axis=0)


def orthogonality(pose: np.ndarray) -> float:
    r = pose[..., :3, :3]
    return float(np.nanmax(np.abs(r @ np.swapaxes(r, -1, -2) - np.eye(3))))


# --- joints stay closed ----------------------------------------------------------------------


@pytest.mark.parametrize("hold", HOLDS)
@pytest.mark.parametrize("side", list(Side))
def test_every_joint_of_the_front_stays_closed(hold, side):
    sweep = sweep_corner(front_corner(side), *grid(70.0, -70.0, 60.0), hold)
    assert sweep.solved.all()
    for name, pose in sweep.poses.items():
        assert np.isfinite(pose).all(), name
        assert orthogonality(pose) < 1e-12, name
    assert strut_misfit_mm(sweep).max() < 1e-9  # mm; NaN would fail
    assert np.isfinite(sweep.residual_mm).all()
    assert sweep.residual_mm.max() < 1e-9


def test_every_joint_of_the_rear_stays_closed(rear):
    sweep = sweep_corner(rear, np.zeros(1), np.linspace(-110.0, 80.0, 39), HEIGHT)
    assert sweep.solved.all()
    assert all(np.isfinite(pose).all() for pose in sweep.poses.values())
    assert link_misfit_mm(sweep).max() < 1e-9
    assert np.abs(sweep.wheel_centre[0, :, 2] - 312.0 - sweep.travel_mm).max() < 1e-9


def test_a_fine_grid_gives_the_same_poses_as_a_coarse_one(front):
    rack, travel = grid(70.0, -70.0, 60.0, racks=9, travels=5)
    fine = np.linspace(-70.0, 70.0, 8 * 40 + 1)
    coarse, many = (
        sweep_corner(front, rack, travel, HEIGHT),
        sweep_corner(front, fine, travel, HEIGHT),
    )
    assert np.abs(many.poses["knuckle"][::40] - coarse.poses["knuckle"]).max() < 2e-8
    assert orthogonality(many.poses["knuckle"]) < 1e-13


def test_the_wheel_centre_goes_with_the_knuckle_by_either_name(front, rear):
    for corner in (front, rear):
        sweep = sweep_corner(corner, np.zeros(1), np.array([-30.0, 0.0, 30.0]), HEIGHT)
        assert np.array_equal(sweep.point("wheel_centre"), sweep.wheel_centre)
        assert np.ptp(sweep.point("wheel_centre")[..., 2]) == pytest.approx(60.0, abs=1e-9)


# --- what is held --------------------------------------------------------------------------------


def test_wheel_height_held_is_held(front):
    sweep = sweep_corner(front, *grid(70.0, -70.0, 60.0), HEIGHT)
    assert np.abs(sweep.wheel_centre[..., 2] - 310.0 - sweep.travel_mm).max() < 1e-9


def test_damper_length_held_is_held(front):
    sweep = sweep_corner(front, *grid(70.0, -60.0, 60.0), DAMPER)
    length = np.linalg.norm(sweep.point("strut_lower") - sweep.point("strut_top"), axis=-1)
    assert np.ptp(length, axis=0).max() < 1e-9
    middle = sweep.wheel_centre[10, :, 2] - 310.0
    assert np.abs(middle - sweep.travel_mm).max() < 1e-9


def test_left_lock_of_the_planned_car(front):
    # Source: terms of the trade sheet of the demo car, a separate solve: the wheel drops 21 mm with
    # the damper held; camber +8.5 deg with the height held (both to the figures printed).
    drop = pose_at(front, -70.0, 0.0, DAMPER).wheel_centre[0, 0, 2] - 310.0
    assert drop == pytest.approx(-21.0, abs=0.5)
    spin = pose_at(front, -70.0, 0.0, HEIGHT).spin_axis[0, 0]
    assert np.degrees(-np.arcsin(spin[2])) == pytest.approx(8.5, abs=0.05)


# --- one assembly --------------------------------------------------------------------------------


def wheel_heights_on_every_branch(corner: Corner, count: int) -> np.ndarray:
    """Wheel-centre z over one whole turn of the lower arm, on all branches: (count, 4), NaN where
    the tie rod does not reach.

    A compass drawing in formulas, with nothing of the solver in it. The arm's angle places the
    ball joint; the top mount's distance from it gives the strut's length twice (upright, upside
    down); the knuckle then turns about the line from ball joint to top, and the tie rod's length
    is one equation a cos + b sin = c in that turn: two answers each.
    """
    p = corner.points
    rear, top, inner = p["lower_arm_rear_pivot"], p["strut_top"], p["tie_rod_inner"]
    ball = (
        Rotation.from_rotvec(
            np.linspace(0.1, 0.1 + 2.0 * np.pi, count)[:, None]
            * unit(p["lower_arm_front_pivot"] - rear)
        ).apply(p["lower_ball_joint"] - rear)
        + rear
    )
    to_top = top - ball
    along = unit(top - p["strut_lower"])
    arm = p["lower_ball_joint"] - p["strut_lower"]
    off = arm - (arm @ along) * along
    reach = np.linalg.norm(to_top, axis=-1)
    run = np.sqrt(np.maximum(reach**2 - off @ off, 0.0))
    q0, w0 = p["tie_rod_outer"] - p["lower_ball_joint"], p["wheel_centre"] - p["lower_ball_joint"]
    rod = np.linalg.norm(p["tie_rod_outer"] - inner)
    out = []
    for sign in (1.0, -1.0):
        from_line = unit(sign * run[:, None] * along - off)  # ball joint to top, on the knuckle
        base = turn_between(from_line, to_top)
        axis = unit(to_top)
        q, w = base @ q0, base @ w0
        q_along = np.sum(q * axis, axis=-1, keepdims=True) * axis
        gap = ball - inner
        c = (rod**2 - q0 @ q0 - np.sum(gap * gap, axis=-1)) / 2.0 - np.sum(gap * q_along, axis=-1)
        a = np.sum(gap * (q - q_along), axis=-1)
        b = np.sum(gap * np.cross(axis, q), axis=-1)
        with np.errstate(invalid="ignore"):
            swing = np.arccos(c / np.hypot(a, b))
        swing[run == 0.0] = np.nan
        for way in (1.0, -1.0):
            turn = np.arctan2(b, a) + way * swing
            wheel = Rotation.from_rotvec(np.nan_to_num(turn)[:, None] * axis).apply(w)
            out.append(np.where(np.isnan(turn), np.nan, ball[:, 2] + wheel[:, 2]))
    return np.stack(out, axis=-1)


def test_the_sweep_never_leaves_its_own_of_eight_assemblies(front):
    # How many there are: counted on the compass drawing, whose branches are complete, and by
    # random starts. Four have the strut upright, four upside down.
    height = wheel_heights_on_every_branch(front, 40_001) - 310.0
    crossings = (np.sign(height[:-1]) * np.sign(height[1:]) < 0).sum(axis=0)
    assert crossings.reshape(2, 2).sum(axis=1).tolist() == [4, 4]
    problem = linkage_of(front).problem(HEIGHT)
    centre = np.array([0.0, 780.0, 310.0])

    def at(count: int, rack_mm: float) -> Target:
        return Target(np.full(count, rack_mm), np.zeros(count))

    found = distinct(wandered(problem, random_states(3000, centre, 400.0, 3), at(3000, 0.0)))
    assert found.count == 8
    racks = np.linspace(-70.0, 70.0, 29)
    sweep = sweep_corner(front, racks, np.zeros(1), HEIGHT)
    own = distance(found, problem.linkage.reference())[:, 0]
    assert (own < 1e-9).sum() == 1
    for way in (1, -1):  # follow the other seven outward in fine steps, by plain Newton
        others = found.take(np.flatnonzero(own > 1e-3))
        for i in np.flatnonzero(racks * way > 0)[::way]:
            others = distinct(wandered(problem, others, at(others.count, racks[i]), steps=30))
            pose = sweep.poses["knuckle"][i, 0]
            mine = State(pose[:3, :3][None, :, :, None], carried(pose, centre)[None, :, None])
            near = distance(others, mine)
            assert near[near > 1e-6].min(initial=np.inf) > 0.02  # rad, or 6 mm
    turn = sweep.poses["knuckle"][:, 0, :3, :3]
    step = np.abs(np.diff(turn, axis=0)).max()
    assert step < 0.12  # 5 mm of rack turns the wheel 5 deg at most here


def test_there_and_back_ends_where_it_began(front):
    out = sweep_corner(front, np.array([-65.0, 60.0]), np.array([-50.0, 40.0]), HEIGHT)
    turned = sweep_corner(front, np.array([60.0, -65.0]), np.array([40.0, -50.0]), HEIGHT)
    again = turned.poses["knuckle"][::-1, ::-1]
    assert np.abs(out.poses["knuckle"] - again).max() < 2e-8  # 1e-10 mm of misfit, magnified
    home = sweep_corner(front, np.array([0.0, 70.0, 0.0]), np.zeros(1), HEIGHT)
    assert np.abs(home.poses["knuckle"][[0, 2], 0] - np.eye(4)).max() < 1e-9


# --- the edge of reach ---------------------------------------------------------------------------

TRAP = [-77, 706, 196]


def test_over_centre_trap_ends_at_the_tie_rod():
    # Source: a separate solve of these points, by continuation: edge of reach at rack -68.559 mm,
    # left wheel, ride height, wheel-centre height held.
    corner = front_corner(tie_rod_outer=TRAP)
    racks = np.array([-75.0, -72.0, -70.0, -68.6, -68.5, -60.0, 0.0, 30.0])
    sweep = sweep_corner(corner, racks, np.zeros(1), HEIGHT)
    assert sweep.solved[:, 0].tolist() == [False] * 4 + [True] * 4
    for pose in sweep.poses.values():
        assert np.isnan(pose[~sweep.solved]).all()
        assert np.isfinite(pose[sweep.solved]).all()
    (edge,) = sweep.edges
    assert edge.rack_mm == pytest.approx(-68.559, abs=0.01)
    assert edge.joints == ("tie_rod",)
    assert edge.toggle
    for i in range(4):
        assert "tie rod" in sweep.reasons[i, 0]
        assert "-68.56 mm" in sweep.reasons[i, 0]
    assert set(sweep.reasons) == {(i, 0) for i in range(4)}


@pytest.mark.parametrize("hold", HOLDS)
def test_at_a_toggle_the_tie_rod_lines_up_with_the_steering_axis(hold):
    corner = front_corner(tie_rod_outer=TRAP)
    racks = np.linspace(-75.0, 0.0, 61)
    edge = sweep_corner(corner, racks, np.zeros(1), hold).edges[0]
    assert edge.toggle
    just_inside = pose_at(corner, edge.rack_mm + 1e-3, 0.0, hold)
    before = pose_at(corner, edge.rack_mm + 5.0, 0.0, hold)

    def moment_arm(sweep) -> float:
        ball, top = sweep.point("lower_ball_joint")[0, 0], sweep.point("strut_top")[0, 0]
        outer, inner = sweep.point("tie_rod_outer")[0, 0], sweep.point("tie_rod_inner")[0, 0]
        axis, rod = (v / np.linalg.norm(v) for v in (top - ball, inner - outer))
        return float(np.cross(outer - ball, rod) @ axis)

    at_rest = moment_arm(pose_at(corner, 0.0, 0.0, hold))
    assert abs(at_rest) > 50.0
    assert abs(moment_arm(before)) > 5.0
    assert abs(moment_arm(just_inside)) < 1.0
    assert np.sign(moment_arm(before)) == np.sign(at_rest)


def test_edges_are_the_same_on_any_grid():
    corner = front_corner(tie_rod_outer=TRAP)
    edges = []
    for racks in ([-90.0], [-500.0, 0.0], np.linspace(-80, 80, 5), np.linspace(-80, 80, 33)):
        sweep = sweep_corner(corner, np.array(racks), np.zeros(1), HEIGHT)
        edges.append(next(e.rack_mm for e in sweep.edges if e.rack_mm < 0.0))
    assert np.ptp(edges) < 1e-3  # 2^-20 of 500 mm


# --- symmetry ------------------------------------------------------------------------------------


@pytest.mark.parametrize("hold", HOLDS)
def test_right_at_a_rack_is_left_mirrored_at_minus_it(hold):
    sweep = sweep_axle(axle_of(front_corner, "front", hold=hold), *grid(70.0, -70.0, 60.0))
    for part, left in sweep.left.poses.items():
        right = sweep.right.poses[part]
        assert np.abs(mirrored_move(left[::-1]) - right).max() < 1e-9, part


def test_mirror_rule_holds_for_the_rear_too():
    axle = axle_of(rear_corner, "rear")
    sweep = sweep_axle(axle, *grid_of(axle, travel_count=11))
    for part, left in sweep.left.poses.items():
        assert np.abs(mirrored_move(left) - sweep.right.poses[part]).max() < 1e-9, part


def moved_corner(move: np.ndarray) -> Corner:
    """The front corner with its points, spin axis and rack carried by a rigid move."""
    base = front_corner()
    points = {k: frozen(carried(move, v)) for k, v in base.points.items()}
    wheel = type(base.wheel)(
        points["wheel_centre"],
        frozen(move[:3, :3] @ base.wheel.spin_axis),
        base.wheel.loaded_radius_mm,
        base.wheel.tyre,
        base.wheel.rim,
    )
    rack = type(base.rack)(frozen(move[:3, :3] @ base.rack.axis), 75.0, 70.0)
    return Corner(
        "front", Side.LEFT, base.layout, points, wheel, rack, base.travel, (), base.damper, None, ()
    )


@pytest.mark.parametrize("hold", HOLDS)
def test_shifting_and_turning_the_car_about_the_vertical_changes_nothing(hold):
    c, s = np.cos(0.7), np.sin(0.7)
    move = np.array([[c, -s, 0, 2000.0], [s, c, 0, -300.0], [0, 0, 1, 450.0], [0, 0, 0, 1]])
    here = sweep_corner(front_corner(), *grid(70.0, -70.0, 60.0, racks=7, travels=5), hold)
    there = sweep_corner(moved_corner(move), here.rack_mm, here.travel_mm, hold)
    names = list(FRONT)
    for i, a in enumerate(names):
        for b in names[:i]:
            near = np.linalg.norm(here.point(a) - here.point(b), axis=-1)
            far = np.linalg.norm(there.point(a) - there.point(b), axis=-1)
            assert np.abs(near - far).max() < 1e-8, (a, b)


# --- rates ---------------------------------------------------------------------------------------


def twist_by_difference(low: np.ndarray, high: np.ndarray, centre, step: float) -> np.ndarray:
    """Shift of the centre and turn per unit, from two moves (4, 4) 2 x step apart."""
    shift = (carried(high, centre) - carried(low, centre)) / (2.0 * step)
    turn = high[:3, :3] @ low[:3, :3].T
    w = 0.5 * np.array([turn[2, 1] - turn[1, 2], turn[0, 2] - turn[2, 0], turn[1, 0] - turn[0, 1]])
    return np.concatenate([shift, w / (2.0 * step)])


@pytest.mark.parametrize("hold", HOLDS)
@pytest.mark.parametrize(("rack", "travel"), [(0.0, 0.0), (-55.0, 25.0), (50.0, -60.0)])
def test_twists_are_the_slopes_of_the_poses(front, hold, rack, travel):
    h = 0.01
    here = pose_at(front, rack, travel, hold)
    knuckle, centre = here.poses["knuckle"][0, 0], front.points["wheel_centre"]

    def pose(rack_mm, travel_mm, held):
        return pose_at(front, rack_mm, travel_mm, held).poses["knuckle"][0, 0]

    by_rack = twist_by_difference(
        pose(rack - h, travel, hold), pose(rack + h, travel, hold), centre, h
    )
    assert np.abs(here.rack_twist[0, 0] - by_rack).max() < 1e-5 * np.abs(by_rack).max()
    # With the rack still, travel is travel whatever the sweep holds: go by the pose's own height.
    z = carried(knuckle, centre)[2] - 310.0
    by_travel = twist_by_difference(pose(rack, z - h, HEIGHT), pose(rack, z + h, HEIGHT), centre, h)
    assert np.abs(here.travel_twist[0, 0] - by_travel).max() < 1e-5
    assert here.travel_twist[0, 0, 2] == pytest.approx(1.0, abs=1e-12)
    # Damper held, from the same pose: find the travel whose damper line passes through it.
    mine = sweep_corner(front, np.array([rack]), np.linspace(-90.0, 90.0, 181), DAMPER)
    heights = mine.wheel_centre[0, :, 2] - 310.0
    at = float(np.interp(z, heights[mine.solved[0]], mine.travel_mm[mine.solved[0]]))
    for _ in range(4):
        got = pose_at(front, rack, at, DAMPER)
        miss = z - (got.wheel_centre[0, 0, 2] - 310.0)
        ahead = pose_at(front, rack, at + h, DAMPER).wheel_centre[0, 0, 2] - 310.0
        at += miss * h / (ahead - (got.wheel_centre[0, 0, 2] - 310.0))
    screw = twist_by_difference(pose(rack - h, at, DAMPER), pose(rack + h, at, DAMPER), centre, h)
    assert np.abs(here.screw_twist[0, 0] - screw).max() < 1e-5


def test_a_corner_without_a_damper_has_no_screw_but_all_the_rest(rear):
    points = {k: v for k, v in rear.points.items() if not k.startswith("damper")}
    bare = Corner(
        "rear", Side.LEFT, rear.layout, points, rear.wheel, None, rear.travel, (), None, None, ()
    )
    sweep = sweep_corner(bare, np.zeros(1), np.array([-20.0, 0.0, 20.0]), HEIGHT)
    assert sweep.solved.all()
    assert np.isnan(sweep.screw_twist).all()
    assert np.isfinite(sweep.travel_twist).all()
    assert np.abs(sweep.rack_twist).max() == 0.0
    with pytest.raises(CannotAssemble, match="damper's two points"):
        sweep_corner(bare, np.zeros(1), np.zeros(1), DAMPER)


# --- random linkages -----------------------------------------------------------------------------


def check_whole(sweep, misfit) -> None:
    lost = ~sweep.solved
    for pose in sweep.poses.values():
        assert np.isfinite(pose[sweep.solved]).all()
        assert np.isnan(pose[lost]).all()
    assert set(sweep.reasons) == {(int(i), int(j)) for i, j in np.argwhere(lost)}
    assert all(words and "mm" in words for words in sweep.reasons.values())
    assert misfit(sweep)[sweep.solved].max(initial=0.0) < 1e-9
    middle = np.argmin(np.abs(sweep.rack_mm)), np.argmin(np.abs(sweep.travel_mm))
    assert np.abs(sweep.poses["knuckle"][middle] - np.eye(4)).max() < 1e-9
    for j in range(sweep.solved.shape[1]):  # reach is one unbroken run about the middle
        run = np.flatnonzero(sweep.solved[:, j])
        assert run.size == 0 or run.size == run[-1] - run[0] + 1


@pytest.mark.parametrize("seed", range(12))
def test_random_strut_corners(seed):
    rng = np.random.default_rng(seed)
    spread = rng.uniform(2.0, 45.0)
    corner = front_corner(
        **{k: np.add(v, rng.uniform(-spread, spread, 3)) for k, v in FRONT.items()}
    )
    for hold in HOLDS:
        check_whole(
            sweep_corner(corner, *grid(90.0, -120.0, 120.0, racks=19), hold), strut_misfit_mm
        )


@pytest.mark.parametrize("seed", range(8))
def test_random_five_link_corners(seed):
    rng = np.random.default_rng(100 + seed)
    base = rear_corner().points
    corner = rear_corner(**{k: v + rng.uniform(-25.0, 25.0, 3) for k, v in base.items()})
    sweep = sweep_corner(
        corner, np.zeros(1), np.array([-260.0, -100, -40, 0, 40, 100, 260]), HEIGHT
    )
    check_whole(sweep, link_misfit_mm)


@pytest.mark.parametrize("seed", range(6))
def test_coarse_columns_reach_no_further_and_no_other_pose_than_fine_ones(seed):
    """What lies between two columns is not seen, so it must be foreseen."""
    rng = np.random.default_rng(300 + seed)
    corner = front_corner(**{k: np.add(v, rng.uniform(-120, 120, 3)) for k, v in FRONT.items()})
    racks, travel = np.linspace(-100.0, 100.0, 129), np.array([-100.0, -40.0, 0.0, 60.0])
    for hold in HOLDS:
        fine = sweep_corner(corner, racks, travel, hold)
        for every in (8, 32, 64):
            coarse = sweep_corner(corner, racks[::every], travel, hold)
            assert np.array_equal(coarse.solved, fine.solved[::every])
            a, b = coarse.poses["knuckle"], fine.poses["knuckle"][::every]
            assert np.abs(a - b)[coarse.solved][:, :3, :3].max(initial=0.0) < 1e-8


@pytest.mark.parametrize("seed", [10, 25, 39, 52])
def test_no_pose_past_the_tie_rods_toggle_is_shown(seed):
    """Corners whose rows could be solved on past the toggle, as many columns would."""
    rng = np.random.default_rng(seed)
    spread = rng.choice([10, 40, 100, 160])
    corner = front_corner(
        **{k: np.add(v, rng.uniform(-spread, spread, 3)) for k, v in FRONT.items()}
    )
    travel = np.array([-120.0, -60.0, 0.0, 50.0, 120.0])
    for hold in HOLDS:
        sweep = sweep_corner(corner, np.linspace(-100.0, 100.0, 257), travel, hold)
        ball, outer = sweep.point("lower_ball_joint"), sweep.point("tie_rod_outer")
        lever = np.cross(outer - ball, sweep.point("tie_rod_inner") - outer)
        lever = np.sum(lever * (sweep.point("strut_top") - ball), axis=-1)
        signs = np.sign(lever[sweep.solved])
        assert signs.size
        assert (signs == signs[0]).all()


# --- odd grids -----------------------------------------------------------------------------------


@pytest.mark.parametrize("hold", HOLDS)
@pytest.mark.parametrize(
    ("rack", "travel"),
    [
        ([7.0, 21.0, 35.0], [0.0]),  # no zero, one side only
        ([-30.0], [-10.0, 10.0]),  # one column, no ride height
        ([12.0], [15.0]),  # a single pose
        ([40.0, -20.0, 0.0, 10.0, -60.0], [30.0, -30.0, 5.0]),  # unsorted
        ([5.0, 5.0, -5.0, 0.0, 0.0], [3.0, 3.0]),  # repeated
        ([-70.0, -1.0, 2.0], [-60.0, 1.0]),  # asymmetric
        ([0.0], [0.0]),
        ([-0.0, 1e-9, 30.0], [1e-12]),
    ],
)
def test_any_grid_gives_the_poses_of_single_solves(front, hold, rack, travel):
    sweep = sweep_corner(front, np.array(rack), np.array(travel), hold)
    assert sweep.solved.all()
    assert sweep.reasons == {}
    for i, r in enumerate(rack):
        for j, t in enumerate(travel):
            alone = pose_at(front, r, t, hold).poses["knuckle"][0, 0]
            assert np.abs(sweep.poses["knuckle"][i, j] - alone).max() < 2e-8


def test_far_beyond_reach_is_nan_with_reasons_and_no_warning(front):
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        for hold in HOLDS:
            sweep = sweep_corner(front, np.array([-500.0, 500.0]), np.array([-20.0, 0.0]), hold)
            assert not sweep.solved.any()
            assert np.isnan(sweep.poses["knuckle"]).all()
            assert np.isnan(sweep.residual_mm).all()
            assert len(sweep.reasons) == 4
            assert len(sweep.edges) == 4
            assert all("tie rod goes over centre at rack" in r for r in sweep.reasons.values())


def test_travel_out_of_reach_is_nan_with_reasons(front):
    rack, travel = np.array([-10.0, 0.0, 10.0]), np.array([-600.0, 0.0, 600.0])
    for hold in HOLDS:
        sweep = sweep_corner(front, rack, travel, hold)
        assert sweep.solved.tolist() == [[False, True, False]] * 3
        assert all("travel" in sweep.reasons[i, j] for i in range(3) for j in (0, 2))
        assert len(sweep.reasons) == 6


def test_one_pose_beyond_reach_raises_and_names_corner_and_joint(front):
    with pytest.raises(LinkageLocked, match=r"front left: tie rod goes over centre at rack -7\d"):
        pose_at(front, -120.0, 0.0, HEIGHT)


def test_a_grid_with_a_hole_is_refused(front):
    with pytest.raises(ValueError, match="finite"):
        sweep_corner(front, np.array([0.0, np.nan]), np.zeros(1), HEIGHT)


# --- points that do not make a corner ------------------------------------------------------------


@pytest.mark.parametrize("hold", HOLDS)
def test_dead_point_at_ride_height_is_refused(hold):
    # The tie rod's inner joint in the plane of the steering axis and the outer joint: no leverage.
    points = {k: np.array(v, dtype=float) for k, v in FRONT.items()}
    ball, top, outer = points["lower_ball_joint"], points["strut_top"], points["tie_rod_outer"]
    foot = ball + (top - ball) * ((outer - ball) @ (top - ball)) / ((top - ball) @ (top - ball))
    corner = front_corner(tie_rod_inner=outer + 4.0 * (foot - outer))
    with pytest.raises(CannotAssemble, match=r"dead point at ride height.*tie rod"):
        sweep_corner(corner, np.zeros(1), np.zeros(1), hold)


def test_a_rod_without_length_is_refused():
    corner = front_corner(tie_rod_inner=FRONT["tie_rod_outer"])
    with pytest.raises(CannotAssemble, match="tie rod has no length"):
        sweep_corner(corner, np.zeros(1), np.zeros(1), HEIGHT)


def test_two_links_on_one_line_are_refused():
    corner = rear_corner()
    points = {"upper_front_outer": corner.points["upper_rear_outer"],
              "upper_front_inner": corner.points["upper_rear_inner"]}  # fmt: skip
    with pytest.raises(CannotAssemble, match="dead point at ride height"):
        sweep_corner(rear_corner(**points), np.zeros(1), np.zeros(1), HEIGHT)


def test_grid_of_runs_from_stop_to_stop_through_zero():
    rack, travel = grid_of(axle_of(front_corner, "front"))
    assert (rack[0], rack[-1]) == (-75.0, 75.0)
    assert (travel[0], travel[-1]) == (-70.0, 60.0)
    assert 0.0 in rack
    assert 0.0 in travel
    assert grid_of(axle_of(rear_corner, "rear"))[0].tolist() == [0.0]
