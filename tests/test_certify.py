"""Certified gaps, attacked: blades, needles and spikes where no pose of any grid shows them.

Truth: gaps at exact poses, solved one by one at inputs of the attacker's choice, and fine grids of
them. LINKVIEW_ATTACKS=8000 in the environment throws four times as many spikes, shared among the
layouts by how long each takes.
"""

from __future__ import annotations

import os
from types import SimpleNamespace

import numpy as np
import pytest
from conftest import front_corner, rear_corner
from shipped import axle_of_model
from solids import round_bar

from linkview.clearance.bodies import placed
from linkview.clearance.certified import CLOSE_MM, Certainty, Patch, Task
from linkview.clearance.certify import certify
from linkview.clearance.distance import GapState, pair_gap
from linkview.clearance.domain import Domain, domain_of
from linkview.clearance.drift import Drift, corners_of
from linkview.export.gap_words import range_words
from linkview.geometry import apply, frozen, unit
from linkview.kinematics.part_poses import part_poses
from linkview.kinematics.solve import Target, trace
from linkview.kinematics.sweep import sweep_corner
from linkview.limits.limit import Limit
from linkview.model.bodies import Anchor, MeshFile, Tube
from linkview.model.parts import Hold, Side
from linkview.model.wheels import rim_body, tyre_body

ATTACKS = int(os.environ.get("LINKVIEW_ATTACKS", "2000"))


def silent(done, count, pair):
    """No one to tell."""


def shipped(name):
    """A maker of a shipped layout's left corner."""
    return lambda: axle_of_model(name).left


def swept(make, hold, *, racks=9, travels=9):
    corner = make()
    rack = np.linspace(-70, 70, racks) if corner.rack else np.zeros(1)
    travel = np.linspace(corner.travel.droop_mm, corner.travel.bump_mm, travels)
    travel[np.argmin(np.abs(travel))] = 0.0
    return sweep_corner(corner, rack, travel, hold)


def tyre_and_rim(corner):
    outboard = corner.side.outboard * corner.wheel.spin_axis
    return placed(tyre_body(corner.wheel, outboard)), placed(rim_body(corner.wheel, outboard))


def untold(a, b, wanted, sweep):
    """A task of which the grid has shown nothing, so that all must come from the search."""
    shape = sweep.solved.shape
    nothing = np.full(shape, GapState.UNKNOWN, dtype=np.int8)
    return Task(a, b, wanted, np.full(shape, np.nan), nothing)


def exact(domain, rng, count):
    """Exact poses at random inputs of the domain: rack, held, poses of every part."""
    rack, held = domain.low[:, None] + domain.span[:, None] * rng.uniform(0, 1, (2, count))
    i, j = domain.near.nearest(rack, held)
    state, start = domain.near.start(i, j)
    stop = trace(domain.problem, state, start, Target(rack, held))
    good = np.flatnonzero(stop.arrived)
    return part_poses(domain.sweep.corner, stop.state.take(good), rack[good])


@pytest.mark.parametrize(
    ("make", "hold", "share"),
    [
        (front_corner, Hold.WHEEL_HEIGHT, 0.06),
        (front_corner, Hold.DAMPER_LENGTH, 0.06),
        (rear_corner, Hold.WHEEL_HEIGHT, 0.22),
        (shipped("double_wishbone"), Hold.DAMPER_LENGTH, 0.06),
        (shipped("push_rod"), Hold.WHEEL_HEIGHT, 0.08),
        (shipped("strut_with_bar"), Hold.WHEEL_HEIGHT, 0.06),
        (shipped("semi_trailing_arm"), Hold.WHEEL_HEIGHT, 0.23),
        (shipped("four_link_axle"), Hold.WHEEL_HEIGHT, 0.23),
    ],
)
def test_no_spike_between_the_poses_is_missed(make, hold, share):
    # A needle's point is put 0.6 mm under the tyre's skin as it stands at a pose of no grid, facing
    # out of it. The gap there is measured at that exact pose, and must not be under lower_mm.
    rng = np.random.default_rng(11)
    sweep = swept(make, hold)
    domain = Domain(sweep, ())
    tyre, _ = tyre_and_rim(sweep.corner)
    poses = exact(domain, rng, round(share * ATTACKS))
    n = len(poses["wheel"])
    axis = apply(poses["wheel"], sweep.corner.points["wheel_centre"])
    tasks, truth = [], []
    far = axis + unit(rng.normal(size=(n, 3))) * 900.0
    for k in range(n):
        here = {p: m[k : k + 1] for p, m in poses.items()}
        tip = round_bar("tip", "body", ("body",), far[k][None], 0.0)
        seen = pair_gap(tyre, tip, here)
        out = unit(far[k] - seen.on_a[0])
        start = seen.on_a[0] - (0.6 + 0.2) * out  # the needle's radius is 0.2 mm
        spike = round_bar(
            f"spike {k}", "body", ("body", "body"), frozen([start, start + 60.0 * out]), 0.2
        )
        truth.append(float(pair_gap(tyre, spike, here).gap_mm[0]))
        tasks.append(untold(tyre, spike, 3.0, sweep))
    found = certify(domain, tasks, silent)
    for certain, gap in zip(found, truth, strict=True):
        assert gap < 0.0
        assert certain.verdict in (Certainty.CONTACT, Certainty.BRACKETED), certain.reason
        assert certain.lower_mm <= gap + 0.005
        if certain.verdict is Certainty.CONTACT:
            assert certain.upper_mm <= 0.0  # a touch was seen; how deep it gets is not looked for
        else:
            assert certain.upper_mm <= gap + CLOSE_MM + 0.005
    touch = sum(c.verdict is Certainty.CONTACT for c in found)
    assert touch >= 0.5 * n  # the rest is a bracket that reaches under zero


def test_what_is_called_clear_is_clear_at_every_pose_thrown_at_it():
    # Small balls strewn round the wheel's sweep; whatever lower bound is given must hold.
    rng = np.random.default_rng(12)
    sweep = swept(front_corner, Hold.WHEEL_HEIGHT)
    domain = Domain(sweep, ())
    tyre, rim = tyre_and_rim(sweep.corner)
    link = placed(
        Tube(
            "rod",
            "tie_rod",
            tuple(
                Anchor("tie_rod", sweep.corner.points[f"tie_rod_{e}"]) for e in ("inner", "outer")
            ),
            11.0,
        )
    )
    poses = exact(domain, rng, 1500)
    centre = sweep.corner.points["wheel_centre"]
    tasks = []
    for k in range(max(8, ATTACKS // 32)):
        at = centre + unit(rng.normal(size=3)) * rng.uniform(150, 520)
        ball = round_bar(f"ball {k}", "body", ("body",), frozen(at[None]), 3.0)
        tasks += [untold(body, ball, 6.0, sweep) for body in (tyre, rim, link)]
    brackets = 0
    for certain, task in zip(certify(domain, tasks, silent), tasks, strict=True):
        gaps = pair_gap(task.a, task.b, poses)
        least = np.nanmin(gaps.gap_mm)
        if certain.verdict is Certainty.CONTACT:
            assert certain.upper_mm <= 0.0
            continue
        assert certain.verdict is not Certainty.UNDECIDED, certain.reason
        assert certain.lower_mm <= least + 0.005
        if certain.verdict is Certainty.CLEAR:
            assert certain.lower_mm >= 12.0
        else:
            brackets += 1
            assert certain.upper_mm - certain.lower_mm <= CLOSE_MM + 1e-9
            assert certain.upper_mm <= 12.0 + CLOSE_MM
    assert brackets >= 3


def test_a_thin_blade_is_found_by_its_edge(tmp_path):
    # A 0.1 mm sheet hung where the tyre's shoulder passes once, between the poses of the sweep.
    import trimesh

    rng = np.random.default_rng(13)
    sweep = swept(front_corner, Hold.WHEEL_HEIGHT)
    domain = Domain(sweep, ())
    tyre, _ = tyre_and_rim(sweep.corner)
    poses = exact(domain, rng, 12)
    tasks, truth = [], []
    for k in range(len(poses["wheel"])):
        here = {p: m[k : k + 1] for p, m in poses.items()}
        far = apply(here["wheel"][0], sweep.corner.points["wheel_centre"])
        far = far + unit(rng.normal(size=3)) * 900.0
        tip = round_bar("tip", "body", ("body",), far[None], 0.0)
        seen = pair_gap(tyre, tip, here).on_a[0]
        out = unit(far - seen)
        across = unit(np.cross(out, rng.normal(size=3)))
        blade = trimesh.creation.box(extents=[0.1, 80.0, 40.0])
        frame = np.eye(4)
        frame[:3, :3] = np.stack([np.cross(across, out), across, out], axis=1)
        frame[:3, 3] = seen + (20.0 + 0.05) * out
        blade.apply_transform(frame)
        path = tmp_path / f"blade{k}.stl"
        blade.export(path)
        mesh = placed(MeshFile(f"blade {k}", "body", path, 1.0, np.eye(4)))
        truth.append(float(pair_gap(tyre, mesh, here).gap_mm[0]))
        tasks.append(untold(tyre, mesh, 2.0, sweep))
    for certain, gap in zip(certify(domain, tasks, silent), truth, strict=True):
        assert gap < 0.1
        assert certain.lower_mm <= gap + 0.005
        deepest = 0.0 if certain.verdict is Certainty.CONTACT else gap + CLOSE_MM + 0.005
        assert certain.upper_mm <= deepest


def test_limits_leave_out_only_what_is_beyond_them():
    # A limit on the rack alone: |rack| <= 40 of 75. The domain is that band, cells astride kept.
    sweep = swept(front_corner, Hold.WHEEL_HEIGHT, racks=11)
    limit = Limit(
        Side.LEFT,
        "band",
        "",
        "mm",
        40.0,
        False,
        40.0,
        lambda posed: np.abs(posed.pose("rack")[..., 1, 3]),
        drift=lambda cell: cell.inputs.half_rack_mm,
    )
    domain = Domain(sweep, (limit,))
    boxes = domain.boxes(domain.leaves)
    assert (np.abs(boxes[:, :2]).min(axis=1) <= 40.0).all()
    covered = domain.share(domain.leaves)
    assert 40.0 / 75.0 <= covered <= 40.0 / 75.0 + 0.13
    assert covered + domain.share(domain.beyond) == pytest.approx(1.0)
    # A ball that the wheel only meets at full lock is clear of it inside the band.
    tyre, _ = tyre_and_rim(sweep.corner)
    lock = sweep_corner(sweep.corner, np.array([-74.0]), np.zeros(1), sweep.hold)
    here = {p: m.reshape(-1, 4, 4) for p, m in lock.poses.items()}
    far = round_bar("far", "body", ("body",), np.array([[-900.0, 100, 300]]), 0.0)
    at = pair_gap(tyre, far, here).on_a
    ball = round_bar("ball", "body", ("body",), frozen(at), 1.0)
    (inside,) = certify(domain, [untold(tyre, ball, 2.0, sweep)], silent)
    (everywhere,) = certify(Domain(sweep, ()), [untold(tyre, ball, 2.0, sweep)], silent)
    assert inside.verdict is Certainty.CLEAR
    assert everywhere.verdict is Certainty.CONTACT


def test_the_edge_of_reach_leaves_a_strip_that_is_said():
    # The demo's over-centre trap: the tie rod goes over centre inside the rack's travel.
    def trap():
        return front_corner(tie_rod_outer=[-77.0, 690, 196])

    sweep = swept(trap, Hold.WHEEL_HEIGHT, racks=21)
    assert sweep.edges
    domain = Domain(sweep, ())
    tyre, _ = tyre_and_rim(sweep.corner)
    ball = round_bar("ball", "body", ("body",), np.array([[0.0, 1400, 300]]), 5.0)
    (certain,) = certify(domain, [untold(tyre, ball, 2.0, sweep)], silent)
    assert certain.verdict is Certainty.CLEAR
    assert 0.0 < certain.strip < 0.35
    assert "edge of reach" in certain.reason


@pytest.mark.parametrize("lever_mm", [0.6, 4.8])
def test_nothing_is_certain_of_a_linkage_that_hardly_holds_its_wheel(lever_mm):
    """A tie rod next to the steering axis: poses are reached, but no cell between them is sure.

    Without a cell left, the search came to an empty list; with strips alone, it called every gap
    kept that it had not seen.
    """
    given = front_corner().points
    low, top = given["lower_ball_joint"], given["strut_top"]
    outer = low + 0.05 * (top - low) + lever_mm * np.array([-1.0, 0.0, 0.0])
    inner = outer + np.array([0.0, -350.0, 0.0])
    near = front_corner(tie_rod_outer=outer, tie_rod_inner=inner)
    sweep = swept(lambda: near, Hold.WHEEL_HEIGHT, racks=21, travels=41)
    assert sweep.solved.any()
    assert domain_of(sweep, ()) is None


def test_gaps_that_are_certain_of_one_side_alone_say_so_of_the_other():
    def pairs(certain):
        return SimpleNamespace(pairs=(SimpleNamespace(certain=certain),))

    axle = SimpleNamespace(left=SimpleNamespace(layout=SimpleNamespace(level=False)))
    for left, right, said in (
        (True, True, []),
        (True, None, ["right side at the grid's poses only"]),
        (None, None, ["at the grid's poses only"]),
    ):
        study = SimpleNamespace(axle=axle, gaps={Side.LEFT: pairs(left), Side.RIGHT: pairs(right)})
        assert [words.split(":")[0] for words in range_words(study)] == said


def test_the_map_of_where_it_is_too_small_agrees_with_exact_gaps():
    rng = np.random.default_rng(14)
    sweep = swept(front_corner, Hold.WHEEL_HEIGHT)
    domain = Domain(sweep, ())
    tyre, _ = tyre_and_rim(sweep.corner)
    at = sweep.corner.points["wheel_centre"] + np.array([320.0, -60.0, 60.0])
    ball = round_bar("ball", "body", ("body",), frozen(at[None]), 3.0)
    wanted = 10.0
    (certain,) = certify(domain, [untold(tyre, ball, wanted, sweep)], silent)
    region = certain.region
    assert (region.kind == Patch.SHORT.value).any()
    assert (region.kind == Patch.CLEAR.value).any()
    poses = exact(domain, rng, 800)
    gaps = pair_gap(tyre, ball, poses).gap_mm
    rack = poses["rack"][:, 1, 3]
    travel = apply(poses["knuckle"], sweep.corner.points["wheel_centre"])[:, 2]
    travel = travel - sweep.corner.points["wheel_centre"][2]
    for x, z, gap in zip(rack, travel, gaps, strict=True):
        box = region.boxes
        hit = (box[:, 0] <= x) & (x <= box[:, 1]) & (box[:, 2] <= z) & (z <= box[:, 3])
        kinds = region.kind[hit]
        assert kinds.size
        if gap < wanted - 0.01:
            assert not (kinds == Patch.CLEAR.value).any()


@pytest.mark.parametrize("make", [front_corner, rear_corner])
def test_no_gap_falls_by_more_than_its_cell_allows(make):
    # Exact poses at the corners of cells: the gap there against the one at the middle, less the
    # bound. The steepest fall seen comes near the bound, so that half of it would not do.
    sweep = swept(make, Hold.WHEEL_HEIGHT)
    domain = Domain(sweep, ())
    rng = np.random.default_rng(15)
    tyre, rim = tyre_and_rim(sweep.corner)
    rod_name = "tie_rod" if sweep.corner.rack else "toe_link"
    ends = [sweep.corner.points[f"{rod_name}_{end}"] for end in ("inner", "outer")]
    rod = placed(Tube("rod", rod_name, tuple(Anchor(rod_name, p) for p in ends), 11.0))
    cells = domain.leaves[domain.all.reach.sure[domain.leaves]]
    inputs = domain.inputs(cells)
    sign = rng.choice([-1.0, 1.0], (2, len(cells)))
    rack = inputs.rack_mm + sign[0] * inputs.half_rack_mm
    held = inputs.held_mm + sign[1] * inputs.half_held_mm
    start = Target(inputs.rack_mm, inputs.held_mm)
    stop = trace(domain.problem, domain.all.state.take(cells), start, Target(rack, held))
    assert stop.arrived.all()
    there = part_poses(sweep.corner, stop.state, rack)
    middle = {part: p[cells] for part, p in domain.all.poses.items()}
    centre = sweep.corner.points["wheel_centre"]
    balls = [
        round_bar(f"ball {k}", "body", ("body",), frozen((centre + way * 600.0)[None]), 3.0)
        for k, way in enumerate(unit(rng.normal(size=(12, 3))))
    ]
    solids = {s.name: s for s in (tyre, rim, rod, *balls)}
    drift = Drift(domain.motion(cells), {name: corners_of(s) for name, s in solids.items()})
    steepest = 0.0
    for a, b in [*((s, ball) for s in (tyre, rod) for ball in balls), (tyre, rod), (rim, rod)]:
        before, after = (pair_gap(a, b, poses) for poses in (middle, there))
        fall, _ = drift.within(a, b)
        known = (before.gap_mm > 0.0) & (after.gap_mm > 0.0)
        drop = (before.gap_mm - after.gap_mm)[known]
        assert (drop <= fall[known] + 0.006).all(), (a.name, b.name)
        if known.any():
            steepest = max(steepest, float((drop / fall[known]).max()))
    assert steepest > 0.6
