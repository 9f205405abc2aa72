"""A corner moved over a grid of steer and travel, always on the assembly it was measured in.

Travel first with the rack centred, then outward along the rack, each pose from its neighbours. A
row that meets the edge of reach (or the tie rod's toggle) ends there: the poses beyond are NaN,
with a reason that names the joint and the input value.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from linkview.errors import BadLinkage, Fault, LinkageLocked
from linkview.geometry import Array, Flags, dot
from linkview.kinematics.closure import Rows
from linkview.kinematics.corner import CornerLinkage, linkage_of
from linkview.kinematics.march import Edge, Grid, fill
from linkview.kinematics.part_poses import fit_errors_mm, put_part_poses, room_for_poses
from linkview.kinematics.reach import blocked_by, blocks_at
from linkview.kinematics.solve import (
    SCALE_MM,
    Problem,
    Rates,
    Target,
    Trace,
    rates,
)
from linkview.kinematics.standing import Standing
from linkview.kinematics.travel_line import travel_line
from linkview.model.parts import Axle, Corner, Hold

RESIDUAL_LIMIT_MM = 1e-9
POSES_AT_ONCE = 5000
WEAK_GRIP = 0.02  # as LEAST_GRIP: under it 1 mm, as a tape gives it, moves a part by over 50 mm
# The least singular value of a start, in mm of joint per mm (or SCALE_MM * rad) of part. Below it a
# length wrong by 0.01 mm, finer than anything is measured, moves a part by over 100 mm: where the
# parts are is not known. Shipped layouts have 0.04 to 0.7; with every coordinate off by up to 15 mm
# not under 0.006.
LEAST_GRIP = 1e-4


@dataclass(frozen=True, eq=False)
class CornerSweep(Standing):
    """One corner over a grid, S rack positions by T travels.

    poses: part -> (S, T, 4, 4) rigid moves from the reference pose; NaN where not reached.
    solved: (S, T) bool. reasons: (i, j) -> words for each pose not reached.
    edges: one per travel row and direction that ends inside the grid.
    residual_mm: (S, T), the largest misfit of any joint, recomputed from `poses`.
    travel_twist: (S, T, 6) d(knuckle)/d(wheel-centre height) with the rack still; rack_twist the
    same per mm of rack with `hold` held; screw_twist per mm of rack with the damper's length held
    (NaN without a damper). Each is the wheel centre's shift, mm/mm, then the turn, rad/mm.
    travel_twists: the first of these for every solved part, of its own origin (`origin_of`).
    """

    corner: Corner
    hold: Hold
    rack_mm: Array
    travel_mm: Array
    poses: Mapping[str, Array]
    solved: Flags
    residual_mm: Array
    travel_twist: Array
    rack_twist: Array
    screw_twist: Array
    travel_twists: Mapping[str, Array]
    edges: tuple[Edge, ...] = ()
    reasons: Mapping[tuple[int, int], str] = field(default_factory=dict)


@dataclass(frozen=True, eq=False)
class AxleSweep:
    """Both corners of an axle over the same rack and travel grid."""

    axle: Axle
    left: CornerSweep
    right: CornerSweep

    @property
    def corners(self) -> tuple[CornerSweep, CornerSweep]:
        return self.left, self.right


def grid_of(axle: Axle, *, rack_count: int = 21, travel_count: int = 41) -> tuple[Array, Array]:
    """The usual grid: rack from stop to stop, travel from droop to bump, both through zero.

    Counts are kept odd on the rack so that straight ahead is a pose of the grid; ride height is
    put in by moving the nearest travel to exactly zero.
    """
    corner = axle.left
    if corner.rack is None:
        rack = np.zeros(1)
    else:
        rack = np.linspace(-corner.rack.stop_mm, corner.rack.stop_mm, rack_count | 1)
        rack[rack_count // 2] = 0.0
    travel = np.linspace(corner.travel.droop_mm, corner.travel.bump_mm, travel_count)
    travel[np.argmin(np.abs(travel))] = 0.0
    return rack, travel


def sweep_axle(axle: Axle, rack_mm: Array, travel_mm: Array) -> AxleSweep:
    """Both corners over one grid, each solved on its own points with the rack in common."""
    left, right = (sweep_corner(c, rack_mm, travel_mm, axle.hold) for c in axle.corners)
    return AxleSweep(axle, left, right)


def sweep_corner(corner: Corner, rack_mm: Array, travel_mm: Array, hold: Hold) -> CornerSweep:
    """Solves one corner over rack (S,) x travel (T,).

    Travel is that of the wheel centre with the rack centred; unless WHEEL_HEIGHT is held, the
    damper keeps the length it has there while the rack moves. Raises CannotAssemble when the hard
    points themselves do not close, never for poses out of reach.
    """
    rack_mm, travel_mm = np.array(rack_mm, dtype=float), np.array(travel_mm, dtype=float)
    if not (np.isfinite(rack_mm).all() and np.isfinite(travel_mm).all()):
        raise ValueError("rack_mm and travel_mm must be finite")
    built = linkage_of(corner)
    height = built.problem(Hold.WHEEL_HEIGHT)
    check_reference(built, height)
    zero = np.zeros(len(travel_mm))
    line = travel_line(built, height, travel_mm)
    problem, held, middle = height, travel_mm, line
    if hold.keeps_damper:
        problem = built.problem(hold)
        rows = built.linkage.rows(line.state, zero)
        held = rows.value[problem.driven]
        middle = Trace(line.state, line.reached, rates(problem, rows))
    grid = fill(problem, middle, rack_mm, travel_mm, held)
    reasons = {
        **_beyond_travel(height, line, travel_mm, grid),
        **_beyond_rack(grid, rack_mm, travel_mm),
    }
    return _read_out(built, hold, grid, rack_mm, travel_mm, reasons)


def pose_at(corner: Corner, rack_mm: float, travel_mm: float, hold: Hold) -> CornerSweep:
    """One pose, as a 1 x 1 sweep. Raises LinkageLocked, naming the joint, where out of reach."""
    sweep = sweep_corner(corner, np.array([rack_mm]), np.array([travel_mm]), hold)
    if not sweep.solved.all():
        raise LinkageLocked(f"{corner.axle} {corner.side.value}: {sweep.reasons[0, 0]}")
    return sweep


def check_reference(built: CornerLinkage, problem: Problem) -> None:
    """Raises BadLinkage unless the hard points close and hold every part at ride height."""
    rows = problem.rows(built.linkage.reference(), _still())
    values = np.nan_to_num(rows.value[problem.used, 0], nan=np.inf)
    worst = int(np.argmax(np.abs(values)))
    key = f"axle.{built.corner.axle}"
    if abs(values[worst]) > 1e-6:
        who = _spoken(built.linkage.row_names[problem.used[worst]])
        what = f"{who} misses its joint by {values[worst]:.3f} mm at ride height"
        raise BadLinkage(Fault(key, what, "check its hard points"))
    if _grip(problem, rows) < LEAST_GRIP:
        names = _weakest(built, problem)
        held = built.linkage.row_names[problem.driven]
        what = f"at a dead point at ride height: with {held} held, {names} cannot hold the parts"
        raise BadLinkage(Fault(key, what, "measure those hard points again, or move them"))


def near_dead_point(built: CornerLinkage, problem: Problem) -> str | None:
    """Words for a start that is held, but by little; None for one that is held well."""
    grip = _grip(problem, problem.rows(built.linkage.reference(), _still()))
    if grip >= WEAK_GRIP:
        return None
    return (
        f"near a dead point at ride height: {_weakest(built, problem)} hold the parts so weakly "
        f"that a millimetre in them moves a part by up to {1.0 / grip:.0f} mm"
    )


def _grip(problem: Problem, rows: Rows) -> float:
    """The least singular value of the rows, of one pose, over what can be driven in turn."""
    slope = rows.slope[..., 0].copy()
    slope.reshape(len(slope), -1, 6)[:, :, 3:] /= SCALE_MM
    sets = [problem.swapped(row) for row in (problem.driven, *problem.watched)]
    return min(float(np.linalg.svd(slope[some], compute_uv=False)[-1]) for some in sets)


def _weakest(built: CornerLinkage, problem: Problem) -> str:
    joints = blocked_by(problem, built.linkage.reference(), _still()).joints
    return ", ".join(_spoken(joint) for joint in joints)


def _still() -> Target:
    return Target(np.zeros(1), np.zeros(1))


def _spoken(joint: str) -> str:
    return joint.replace("_", " ")


def _beyond_travel(
    problem: Problem, line: Trace, travel_mm: Array, grid: Grid
) -> dict[tuple[int, int], str]:
    lost = np.flatnonzero(~line.arrived)
    if not lost.size:
        return {}
    reached = travel_mm[lost] * line.reached[lost]
    blocks = blocks_at(problem, line.state.take(lost), Target(np.zeros(lost.size), reached))
    out = {}
    for j, block, far in zip(lost.tolist(), blocks, reached, strict=True):
        words = block.words(f"travel {far:+.2f} mm (rack centred)")
        out.update({(i, j): words for i in range(grid.solved.shape[0])})
    return out


def _beyond_rack(grid: Grid, rack_mm: Array, travel_mm: Array) -> dict[tuple[int, int], str]:
    out = {}
    for (j, way), edge in grid.ends.items():
        for i in np.flatnonzero(~grid.solved[:, j] & (np.sign(rack_mm) == way)):
            out[int(i), j] = edge.words
    return out


def _read_out(
    built: CornerLinkage,
    hold: Hold,
    grid: Grid,
    rack_mm: Array,
    travel_mm: Array,
    reasons: Mapping[tuple[int, int], str],
) -> CornerSweep:
    """The grid as poses of every part, in batches so that what is thrown away stays small."""
    shape, count = grid.solved.shape, grid.solved.size
    slide = np.repeat(rack_mm, len(travel_mm))
    poses = room_for_poses(built.corner, count)
    misfit, twists = np.empty(count), np.empty((3, count, 6 * len(built.parts)))
    for first in range(0, count, POSES_AT_ONCE):
        some = slice(first, first + POSES_AT_ONCE)
        here = {name: part[some] for name, part in poses.items()}
        put_part_poses(built.corner, grid.state.take(some), slide[some], here)
        misfit[some] = np.max(list(fit_errors_mm(built.corner, here).values()), axis=0)
        twists[:, some] = twists_of(built, hold, here, grid.rates.take(some))
    for part in poses.values():
        part[~grid.solved.ravel()] = np.nan
    by_travel, by_rack, screw = twists.reshape(3, *shape, -1)
    return CornerSweep(
        corner=built.corner,
        hold=hold,
        rack_mm=rack_mm,
        travel_mm=travel_mm,
        poses={name: p.reshape(*shape, 4, 4) for name, p in poses.items()},
        solved=grid.solved,
        residual_mm=misfit.reshape(shape),
        travel_twist=by_travel[..., :6],
        rack_twist=by_rack[..., :6],
        screw_twist=screw[..., :6],
        travel_twists={p: by_travel[..., 6 * k : 6 * k + 6] for k, p in enumerate(built.parts)},
        edges=tuple(grid.ends.values()),
        reasons=reasons,
    )


def twists_of(built: CornerLinkage, hold: Hold, poses: Mapping[str, Array], known: Rates) -> Array:
    """(3, n, 6P): by travel with the rack still, by rack as held, by rack with the damper held."""
    by_rack, by_held = known.by_slide.T, known.by_held.T
    if hold.keeps_damper:
        # Twists with the rack still are all alike; this one is scaled to lift the wheel by 1 mm.
        return np.stack([by_held / by_held[:, 2:3], by_rack, by_rack])
    if built.damper_mm is None:
        return np.stack([by_held, by_rack, np.full_like(by_rack, np.nan)])
    damper = built.damper_slope(poses)
    share = dot(damper, by_rack) / dot(damper, by_held)
    return np.stack([by_held, by_rack, by_rack - share[:, None] * by_held])
