"""Springs, dampers, driveshafts and brakes: their shape, that they follow, and the motion bound."""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import trimesh
from conftest import front_corner, rear_corner
from solids import round_bar

from linkview.clearance.answers import GapState
from linkview.clearance.bodies import line_of, placed
from linkview.clearance.certified import Certainty, Task
from linkview.clearance.certify import certify
from linkview.clearance.distance import pair_gap
from linkview.clearance.domain import Domain
from linkview.clearance.drift import Drift, corners_of
from linkview.clearance.gaps import survey
from linkview.errors import ModelFaults
from linkview.geometry import apply, frozen, length, unit
from linkview.kinematics.assemble import build_car
from linkview.kinematics.part_poses import part_poses
from linkview.kinematics.solve import Target, trace
from linkview.kinematics.sweep import sweep_corner
from linkview.model.bodies import Anchor, WantedGap
from linkview.model.brakes import brake_disc, caliper
from linkview.model.parts import Driveshaft, Hold, Side
from linkview.model.read import read_file
from linkview.model.stretching import ShaftJoint, coil_spring, damper, driveshaft

SMALL = Path(__file__).parent / "small.toml"
NEEDLES = max(4, int(os.environ.get("LINKVIEW_ATTACKS", "0")) // 100)
OUTER, WIRE, COILS = 46.0, 11.0, 6.5


def ends_of(corner, start=0.0, before=0.0):
    a, b = corner.layout.damper
    low, top = corner.layout.ends_ride(a, b)
    way = unit(corner.points[b] - corner.points[a])
    at = corner.points[a] + start * way, corner.points[b] - before * way
    return Anchor(low, frozen(at[0])), Anchor(top, frozen(at[1]))


def spring_of(corner, side=Side.LEFT, *, begins=None):
    ends = ends_of(corner, 170.0, 40.0)
    return coil_spring(
        "spring", ends, side, outer_mm=OUTER, wire_mm=WIRE, turns=COILS, begins_deg=begins
    )


def shaft_of(corner):
    inner, outer = corner.points["cv_inner"], corner.points["cv_outer"]
    way = unit(outer - inner)
    joints = (
        ShaftJoint(
            "inner", Anchor("body", inner), np.array([0, 1.0, 0]), 47.0, 28.0, 95.0
        ),
        ShaftJoint(
            "outer", Anchor("knuckle", outer), -corner.wheel.spin_axis, 44.0, 25.0, 90.0
        ),
    )  # fmt: skip
    assert joints[0].axis @ way > 0.0
    return {b.name: b for b in driveshaft("shaft", "driveshaft", joints, Side.LEFT, 14.0)}


def swept(make, hold=Hold.WHEEL_HEIGHT):
    corner = make()
    rack = np.linspace(-70, 70, 9) if corner.rack else np.zeros(1)
    travel = np.linspace(corner.travel.droop_mm, corner.travel.bump_mm, 9)
    travel[np.argmin(np.abs(travel))] = 0.0
    return sweep_corner(corner, rack, travel, hold)


def flat(sweep):
    poses = {p: m[sweep.solved] for p, m in sweep.poses.items()}
    n = len(next(iter(poses.values())))
    return {**poses, "body": np.broadcast_to(np.eye(4), (n, 4, 4))}


@pytest.mark.parametrize("make", [front_corner, rear_corner])
def test_a_spring_stays_on_its_axis_and_between_its_seats(make):
    # Truth: a helix between two planes that move along the damper's line; its axis distance is the
    # mean radius, and its first and last turn touch the seats.
    sweep = swept(make)
    corner, poses = sweep.corner, flat(sweep)
    body = spring_of(corner)
    line = line_of(body.line, poses)
    low, top = (apply(poses[e.part], e.at) for e in body.ends)
    along = unit(top - low)
    up = np.einsum("nkj,nj->nk", line - low[:, None], along)
    out = length(line - low[:, None] - up[..., None] * along[:, None])
    assert out == pytest.approx(OUTER - WIRE / 2.0, abs=body.inside_mm + 1e-9)
    reach = length(top - low)
    assert np.ptp(reach) > 50.0
    assert up[:, 0] == pytest.approx(np.full(len(up), WIRE / 2.0), abs=1e-6)
    assert reach - up[:, -1] == pytest.approx(np.full(len(up), WIRE / 2.0), abs=1e-6)
    assert (np.diff(up, axis=1) > -1e-9).all()


@pytest.mark.parametrize("side", Side)
@pytest.mark.parametrize("turns", [COILS, -COILS])
def test_a_springs_wire_begins_where_the_file_says(side, turns):
    # Truth: a protractor round the damper's top view, 0 ahead and 90 outboard; a right-hand thread
    # seen along its axis turns from ahead to outboard on the left side, where both point that way.
    corner = front_corner(side)
    low, top = ends_of(corner, 170.0, 40.0)
    along, outboard = unit(top.at - low.at), np.array([0.0, side.outboard, 0.0])
    for begins in (0.0, 90.0, 200.0, -45.0):
        body = coil_spring(
            "s", (low, top), side, outer_mm=OUTER, wire_mm=WIRE, turns=turns, begins_deg=begins
        )
        line = sum(s.weight[:, None] * s.at for s in body.line)
        out = line - low.at - ((line - low.at) @ along)[:, None] * along
        ahead = unit(np.array([1.0, 0, 0]) - along[0] * along)
        third = np.cross(along, ahead)
        third *= np.sign(third @ outboard)
        seen = np.rad2deg(np.arctan2(out @ third, out @ ahead))
        assert (seen[0] - begins + 180.0) % 360.0 - 180.0 == pytest.approx(0.0, abs=1e-6)
        step = (seen[1] - seen[0] + 180.0) % 360.0 - 180.0
        assert step == pytest.approx(np.sign(turns) * 360.0 / 24, abs=1e-6)
        assert not any("assumed" in note for note in placed(body).notes)
    assert any("wire_begins" in note for note in placed(spring_of(corner)).notes)


def test_a_dampers_round_is_told_however_it_lies():
    # One lying lengthwise has 0 above it, one lying crosswise 90 above: never no direction at all.
    for way, zero, ninety in (
        ([1.0, 0, 0], [0, 0, 1.0], [0, 1.0, 0]),
        ([-1.0, 0, 0], [0, 0, 1.0], [0, 1.0, 0]),
        ([0, 1.0, 0], [1.0, 0, 0], [0, 0, 1.0]),
        ([0, 0, -1.0], [1.0, 0, 0], [0, 1.0, 0]),
    ):
        ends = Anchor("body", np.zeros(3)), Anchor("body", 300.0 * np.array(way))
        for begins, expected in ((0.0, zero), (90.0, ninety)):
            body = coil_spring(
                "s", ends, Side.LEFT, outer_mm=OUTER, wire_mm=WIRE, turns=6, begins_deg=begins
            )
            start = sum(s.weight[0] * s.at[0] for s in body.line)
            start = start - (start @ way) * np.array(way)
            assert unit(start) == pytest.approx(np.array(expected), abs=1e-9)


def test_the_damper_in_the_spring_has_the_room_that_its_radii_leave():
    sweep = swept(rear_corner)
    spring = placed(spring_of(sweep.corner))
    tube, shaft = damper("damper", ends_of(sweep.corner), body_mm=24.0, long_mm=300.0, shaft_mm=9.0)
    found = pair_gap(spring, placed(tube), flat(sweep))
    assert found.gap_mm == pytest.approx(OUTER - WIRE - 24.0, abs=2.0 * spring.inside_mm)
    # Body and shaft meet, and together they reach from eye to eye at every length.
    a, b = (placed(t) for t in (tube, shaft))
    body, rod = (line_of(s.line, flat(sweep)) for s in (a, b))
    assert rod[:, 0] == pytest.approx(body[:, 1], abs=1e-9)
    eyes = [apply(flat(sweep)[e.part], e.at) for e in ends_of(sweep.corner)]
    total = length(body[:, 1] - body[:, 0]) + length(rod[:, 1] - rod[:, 0])
    assert total == pytest.approx(length(eyes[1] - eyes[0]), abs=1e-6)


def test_the_boots_follow_plunge_and_angle():
    sweep = swept(rear_corner)
    corner, poses = sweep.corner, flat(sweep)
    bodies = shaft_of(corner)
    outer = apply(poses["knuckle"], corner.points["cv_outer"])
    inner = corner.points["cv_inner"]
    assert np.ptp(length(outer - inner)) > 3.0  # it does plunge
    for name, centre in (("inner", np.broadcast_to(inner, outer.shape)), ("outer", outer)):
        body = bodies[f"shaft_{name}_boot"]
        line = line_of(body.line, poses)
        # The wide end stays on its housing: as far from the joint's centre as at the reference.
        wide = length(line[:, 0] - centre)
        assert np.ptp(wide) < 1e-9
        # The clamp stays where it is on the shaft, which is fixed in the outer joint.
        last = line[:, -1] - outer
        along = unit(inner - outer)
        on = (last * along).sum(axis=1)
        assert np.ptp(on) < 1e-6
        assert length(last - on[:, None] * along) == pytest.approx(
            np.full(len(on), 14.0 + body.radius_mm), abs=0.2
        )


def bodies_of(make):
    corner = make()
    solids = [placed(spring_of(corner))]
    solids += [placed(b) for b in damper("damper", ends_of(corner), body_mm=24.0, long_mm=260.0,
                                         shaft_mm=9.0)]  # fmt: skip
    if corner.driveshaft:
        solids += [placed(b) for b in shaft_of(corner).values()]
    return {s.name: s for s in solids}


def corners_of_cells(domain):
    """Poses at the middles of all cells, and at a corner of each."""
    rng = np.random.default_rng(31)
    cells = domain.leaves[domain.all.reach.sure[domain.leaves]]
    inputs = domain.inputs(cells)
    sign = rng.choice([-1.0, 1.0], (2, len(cells)))
    rack = inputs.rack_mm + sign[0] * inputs.half_rack_mm
    held = inputs.held_mm + sign[1] * inputs.half_held_mm
    start = Target(inputs.rack_mm, inputs.held_mm)
    stop = trace(domain.problem, domain.all.state.take(cells), start, Target(rack, held))
    assert stop.arrived.all()
    there = part_poses(domain.sweep.corner, stop.state, rack)
    middle = {part: p[cells] for part, p in domain.all.poses.items()}
    return cells, middle, there


@pytest.mark.parametrize("make", [front_corner, rear_corner])
def test_no_gap_to_what_stretches_falls_by_more_than_its_cell_allows(make):
    rng = np.random.default_rng(32)
    domain = Domain(swept(make), ())
    cells, middle, there = corners_of_cells(domain)
    solids = bodies_of(make)
    hub = np.asarray(solids["spring"].ends[0][1])
    balls = {
        f"ball {k}": round_bar(f"ball {k}", "body", ("body",), frozen((hub + 300.0 * way)[None]), 3)
        for k, way in enumerate(unit(rng.normal(size=(10, 3))))
    }
    # And some that go along with the lower seat, above the upper one, where only the stretch shows.
    top = np.asarray(solids["spring"].ends[1][1])
    part = solids["spring"].part
    for k, way in enumerate(unit(rng.normal(size=(4, 3)))):
        at = frozen((top + [0.0, 0.0, 60.0] + 30.0 * way)[None])
        balls[f"rider {k}"] = round_bar(f"rider {k}", part, (part,), at, 3.0)
    every = {**solids, **balls}
    drift = Drift(domain.motion(cells), {name: corners_of(s) for name, s in every.items()})
    spring = solids["spring"]
    # The same without the stretch, to see that this test would find the difference.
    rigid = replace(spring, name="rigid", hull=spring.hull[:1])
    without = Drift(domain.motion(cells), {**drift.corners, "rigid": corners_of(rigid)})
    steepest, missed = 0.0, 0
    for solid in solids.values():
        for ball in balls.values():
            before, after = (pair_gap(solid, ball, poses) for poses in (middle, there))
            fall, _ = drift.within(solid, ball)
            known = (before.gap_mm > 0.0) & (after.gap_mm > 0.0) & np.isfinite(fall)
            drop = before.gap_mm - after.gap_mm
            assert known.sum() > 0.8 * len(known)
            assert (drop[known] <= fall[known] + 0.006).all(), (solid.name, ball.name)
            moving = known & (fall > 0.01)
            if moving.any():
                steepest = max(steepest, float((drop[moving] / fall[moving]).max()))
            if solid is spring:
                less, _ = without.within(rigid, ball)
                missed += int((drop[known] > less[known] + 0.006).sum())
    assert steepest > 0.6
    # In the front's small cells the knuckle's straying is larger than the stretch.
    assert missed > 0 or make is front_corner


@pytest.mark.parametrize("make", [front_corner, rear_corner])
def test_no_needle_in_the_coils_is_missed(make):
    # As for the tyre: a needle whose point is 0.6 mm inside the wire at a pose of no grid.
    rng = np.random.default_rng(33)
    sweep = swept(make)
    domain = Domain(sweep, ())
    solids = bodies_of(make)
    named = ("spring", "shaft_inner_boot") if "shaft" in solids else ("spring",)
    cells, _, poses = corners_of_cells(domain)
    inside = np.flatnonzero(domain.all.allowed[cells])
    for name in named:
        solid, tasks, truth = solids[name], [], []
        middle = np.mean([at for _, at in solid.ends], axis=0)
        for k in rng.choice(inside, NEEDLES):
            here = {p: m[k : k + 1] for p, m in poses.items()}
            far = middle + 500.0 * unit(rng.normal(size=3))
            seen = pair_gap(solid, round_bar("tip", "body", ("body",), far[None], 0.0), here)
            out = unit(far - seen.on_a[0])
            start = seen.on_a[0] - 0.8 * out
            ends = frozen([start, start + 40.0 * out])
            spike = round_bar(f"spike {k}", "body", ("body", "body"), ends, 0.2)
            truth.append(float(pair_gap(solid, spike, here).gap_mm[0]))
            shape = sweep.solved.shape
            nothing = np.full(shape, GapState.UNKNOWN, dtype=np.int8)
            tasks.append(Task(solid, spike, 0.0, np.full(shape, np.nan), nothing))
        for certain, gap in zip(certify(domain, tasks, lambda *_: None), truth, strict=True):
            assert gap < 0.0
            assert certain.verdict is not Certainty.CLEAR
            assert certain.lower_mm <= gap + 0.005


# --- brakes and spokes --------------------------------------------------------------------------


def test_a_caliper_in_the_rim_has_the_room_that_the_radii_leave(tmp_path):
    corner = front_corner()
    block = caliper("caliper", corner.wheel, Side.LEFT, radii=(90.0, 180.0), outboard=(-60.0, 20.0),
                    angles_deg=(140.0, 220.0))  # fmt: skip
    mesh = trimesh.Trimesh(block.vertices, block.triangles, process=False)
    assert mesh.is_watertight
    # Truth: a part of a ring, to the chords' excess (3 degrees either way: 0.14 %).
    ring = np.radians(80.0) * (180.0**2 - 90.0**2) / 2.0 * 80.0
    assert mesh.volume == pytest.approx(ring, rel=0.004)
    assert mesh.volume > ring * 0.998
    # It stands behind the spin axis, and the left and the right one are mirrors.
    assert mesh.center_mass[0] < corner.wheel.centre[0] - 50.0
    other = front_corner(Side.RIGHT)
    right = caliper("caliper", other.wheel, Side.RIGHT, radii=(90.0, 180.0), outboard=(-60.0, 20.0),
                    angles_deg=(140.0, 220.0))  # fmt: skip
    assert np.sort(right.vertices * [1, -1, 1], axis=0) == pytest.approx(
        np.sort(block.vertices, axis=0), abs=1e-6
    )


def test_a_disc_stands_where_it_is_said_to():
    wheel = front_corner().wheel
    body = brake_disc("disc", wheel, Side.LEFT, radius=165.0, thickness=24.0, offset=-30.0)
    ball = round_bar("ball", "body", ("body",), (wheel.centre - 100.0 * wheel.spin_axis)[None], 5.0)
    still = {"wheel": np.eye(4)[None]}
    assert pair_gap(placed(body), ball, still).gap_mm[0] == pytest.approx(100 - 42 - 5, abs=0.003)


EXTRA = """
[axle.front.bodies.coil]
kind = "coil_spring"
from = "strut_lower"
to = "strut_top"
start = 150
end_before = 40
radius = 45
wire = 12
coils = 6

[axle.front.bodies.strut_damper]
kind = "damper"
from = "strut_lower"
to = "strut_top"
radius = 26
body_length = 240
shaft_radius = 11

[axle.front.bodies.disc]
kind = "brake_disc"
radius = 140
thickness = 24
offset = -20

[axle.front.bodies.caliper]
kind = "brake_caliper"
inner_radius = 80
outer_radius = 170
outboard_from = -60
outboard_to = 10
angle_from = 150
angle_to = 210

[[axle.front.gaps]]
between = ["strut_damper_shaft", "tyre"]
at_least = 5
"""
SPOKES = "spokes = [[40, 60], [30, 120], [55, 190]]\nspoke_thickness = 16\n"


def small(tmp_path, extra, *, rim=""):
    path = tmp_path / "car.toml"
    text = SMALL.read_text(encoding="utf-8").replace("offset = 35\n", f"offset = 35\n{rim}", 1)
    path.write_text(text + extra, encoding="utf-8")
    return build_car(read_file(path)).axles["front"]


def test_a_file_hangs_them_and_pairs_that_are_one_thing_are_left_out(tmp_path):
    axle = small(tmp_path, EXTRA, rim=SPOKES)
    names = [b.name for b in axle.left.bodies]
    assert {"coil", "strut_damper", "strut_damper_shaft", "disc", "caliper"} <= set(names)
    assert WantedGap(frozenset(("strut_damper_shaft", "tyre")), 5) in axle.wanted_gaps
    row = sweep_corner(axle.left, np.linspace(-40, 40, 3), np.array([-20.0, 0, 20]), axle.hold)
    found = survey(axle.left, row.poses, left_out=axle.left_out)
    left = {frozenset(o.pair): o.reason for o in found.left_out}
    assert "parts of strut_damper" in left[frozenset(("strut_damper", "strut_damper_shaft"))]
    assert "runs in the caliper" in left[frozenset(("disc", "caliper"))]
    inside = found.of("coil", "strut_damper")
    assert any("where its wire begins is assumed" in note for note in inside.notes)
    said = small(
        tmp_path, EXTRA.replace("coils = 6\n", 'coils = 6\nwire_begins = 30\nwound = "left"\n')
    )
    (coil,) = (b for b in said.left.bodies if b.name == "coil")
    assert coil.assumed == ""
    assert inside.least.gap_mm == pytest.approx(45 - 12 - 26, abs=0.5)
    assert any("chords" in note for note in inside.notes)
    # Truth: the spokes, 16 mm thick, come nearest where their middle line is 30 mm outboard, at a
    # radius that the caliper's face (10 mm outboard) has too; a solid disc would be at 35 mm.
    assert found.of("caliper", "rim").least.gap_mm == pytest.approx(30 - 10 - 8, abs=0.005)


@pytest.mark.parametrize(
    ("change", "key", "words"),
    [
        (("wire = 12", "wire = 50"), "coil.wire", "no wire"),
        (("coils = 6", "coils = 40"), "coil.coils", "do not go into"),
        (("body_length = 240", "body_length = 900"), "strut_damper.body_length", "apart"),
        (('from = "strut_lower"', 'from = "tie_rod_outer"'), "coil.from", "no end of the damper"),
        (("angle_to = 210", "angle_to = 100"), "caliper.angle_to", "not over"),
        (("outer_radius = 170", "outer_radius = 60"), "caliper.outer_radius", "not over"),
        (("bodies.disc]", "bodies.strut_damper_shaft]"), "strut_damper", "second body"),
    ],
)
def test_faults_name_key_and_fix(tmp_path, change, key, words):
    with pytest.raises(ModelFaults) as raised:
        small(tmp_path, EXTRA.replace(*change, 1))
    assert key in str(raised.value)
    assert words in str(raised.value)


def test_a_driveshaft_without_its_points_is_told(tmp_path):
    extra = (
        '\n[axle.front.bodies.shaft]\nkind = "driveshaft"\nradius = 14\n'
        "inner_joint = {radius = 45, half_length = 30, boot_length = 20}\n"
        "outer_joint = {radius = 45, half_length = 30}\n"
    )
    with pytest.raises(ModelFaults) as raised:
        small(tmp_path, extra)
    assert "no driveshaft here" in str(raised.value)
    assert "ends inside the housing" in str(raised.value)


def test_the_right_side_is_the_mirror():
    left, right = spring_of(front_corner()), spring_of(front_corner(Side.RIGHT), Side.RIGHT)
    lines = [sum(s.weight[:, None] * s.at for s in body.line) for body in (left, right)]
    assert lines[1] * [1, -1, 1] == pytest.approx(lines[0], abs=1e-9)
    assert isinstance(rear_corner().driveshaft, Driveshaft)
