"""A corner moved over a grid of steer and travel, always on the assembly it was measured in.

Travel first with the rack centred, then outward along the rack, each pose from its neighbours. A
row that meets the edge of reach (or the tie rod's toggle) ends there: the poses beyond are NaN,
with a reason that names the joint and the input value.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from linkview.errors import CannotAssemble, LinkageLocked
from linkview.geometry import Array, apply, apply_direction
from linkview.kinematics.corner import CornerLinkage, fit_errors_mm, linkage_of, part_poses
from linkview.kinematics.march import Edge, Grid, fill
from linkview.kinematics.solve import Problem, Target, Trace, blocked_by, trace, velocities
from linkview.model.layouts import BODY, KNUCKLE
from linkview.model.parts import Axle, Corner, Hold

RESIDUAL_LIMIT_MM = 1e-9


@dataclass(frozen=True, eq=False)
class CornerSweep:
    """One corner over a grid, S rack positions by T travels.

    poses: part -> (S, T, 4, 4) rigid moves from the reference pose; NaN where not reached.
    solved: (S, T) bool. reasons: (i, j) -> words for each pose not reached.
    edges: one per travel row and direction that ends inside the grid.
    residual_mm: (S, T), the largest misfit of any joint, recomputed from `poses`.
    travel_twist: (S, T, 6) d(knuckle)/d(wheel-centre height) with the rack still; rack_twist the
    same per mm of rack with `hold` held; screw_twist per mm of rack with the damper's length held
    (NaN without a damper). Each is the wheel centre's shift, mm/mm, then the turn, rad/mm.
    """

    corner: Corner
    hold: Hold
    rack_mm: Array
    travel_mm: Array
    poses: Mapping[str, Array]
    solved: Array
    residual_mm: Array
    travel_twist: Array
    rack_twist: Array
    screw_twist: Array
    edges: tuple[Edge, ...] = ()
    reasons: Mapping[tuple[int, int], str] = field(default_factory=dict)

    def pose(self, part: str) -> Array:
        """A part's moves (S, T, 4, 4); the body's are the identity."""
        if part == BODY:
            return np.broadcast_to(np.eye(4), (*self.solved.shape, 4, 4))
        return self.poses[part]

    def point(self, name: str) -> Array:
        """Where a hard point goes, (S, T, 3) mm."""
        return apply(self.pose(self.corner.layout.owner(name)), self.corner.points[name])

    @property
    def wheel_centre(self) -> Array:
        """(S, T, 3) mm."""
        return apply(self.poses[KNUCKLE], self.corner.points["wheel_centre"])

    @property
    def spin_axis(self) -> Array:
        """(S, T, 3) unit, to the car's left."""
        return apply_direction(self.poses[KNUCKLE], self.corner.wheel.spin_axis)


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

    Travel is that of the wheel centre with the rack centred; with DAMPER_LENGTH held, the damper
    keeps the length it has there while the rack moves. Raises CannotAssemble when the hard points
    themselves do not close, never for poses out of reach.
    """
    rack_mm, travel_mm = np.array(rack_mm, dtype=float), np.array(travel_mm, dtype=float)
    built = linkage_of(corner)
    height = built.problem(Hold.WHEEL_HEIGHT)
    check_reference(built, height)
    zero = np.zeros(len(travel_mm))
    start = built.linkage.reference(len(travel_mm))
    line = trace(height, start, Target(zero, zero), Target(zero, travel_mm))
    problem, held = height, travel_mm
    if hold is Hold.DAMPER_LENGTH:
        problem = built.problem(hold)
        held = built.linkage.rows(line.state, zero).value[problem.driven]
    grid = fill(problem, line.state, line.arrived, rack_mm, travel_mm, held)
    reasons = {
        **_beyond_travel(height, line, travel_mm, grid),
        **_beyond_rack(grid, rack_mm, travel_mm),
    }
    return _read_out(built, problem, hold, grid, rack_mm, travel_mm, held, reasons)


def pose_at(corner: Corner, rack_mm: float, travel_mm: float, hold: Hold) -> CornerSweep:
    """One pose, as a 1 x 1 sweep. Raises LinkageLocked, naming the joint, where out of reach."""
    sweep = sweep_corner(corner, np.array([rack_mm]), np.array([travel_mm]), hold)
    if not sweep.solved.all():
        raise LinkageLocked(f"{corner.axle} {corner.side.value}: {sweep.reasons[0, 0]}")
    return sweep


def check_reference(built: CornerLinkage, problem: Problem) -> None:
    """Raises CannotAssemble unless the hard points close and hold the knuckle at ride height."""
    here, still = built.linkage.reference(), Target(np.zeros(1), np.zeros(1))
    rows = problem.rows(here, still)
    values = np.nan_to_num(rows.value[problem.used, 0], nan=np.inf)
    worst = int(np.argmax(np.abs(values)))
    if abs(values[worst]) > 1e-6:
        raise CannotAssemble(
            f"{built.corner.axle} axle: {built.linkage.row_names[problem.used[worst]]} misses its "
            f"joint by {values[worst]:.3f} mm at ride height"
        )
    slope = rows.slope[problem.used][..., 0].copy()
    slope[:, 3:] /= 300.0
    if np.linalg.svd(slope, compute_uv=False)[-1] < 1e-6:
        names = blocked_by(problem, here, still).joints
        raise CannotAssemble(
            f"{built.corner.axle} axle: at a dead point at ride height "
            f"({', '.join(names)} cannot hold the knuckle); check those hard points"
        )


def _beyond_travel(
    problem: Problem, line: Trace, travel_mm: Array, grid: Grid
) -> dict[tuple[int, int], str]:
    out = {}
    for j in np.flatnonzero(~line.arrived):
        reached = float(travel_mm[j] * line.reached[j])
        at = Target(np.zeros(1), np.array([reached]))
        block = blocked_by(problem, line.state.take(np.array([j])), at)
        who = " and ".join(n.replace("_", " ") for n in block.joints) or "the linkage"
        words = f"{who} at full reach, travel {reached:+.2f} mm (rack centred)"
        out.update({(i, int(j)): words for i in range(grid.solved.shape[0])})
    return out


def _beyond_rack(grid: Grid, rack_mm: Array, travel_mm: Array) -> dict[tuple[int, int], str]:
    out = {}
    for (j, way), edge in grid.ends.items():
        for i in np.flatnonzero(~grid.solved[:, j] & (np.sign(rack_mm) == way)):
            out[int(i), j] = edge.words
    return out


def _read_out(
    built: CornerLinkage,
    problem: Problem,
    hold: Hold,
    grid: Grid,
    rack_mm: Array,
    travel_mm: Array,
    held: Array,
    reasons: Mapping[tuple[int, int], str],
) -> CornerSweep:
    shape = grid.solved.shape
    slide, rows = (a.ravel() for a in np.meshgrid(rack_mm, held, indexing="ij"))
    poses = part_poses(built.corner, grid.state, slide)
    misfit = np.max(list(fit_errors_mm(built.corner, poses).values()), axis=0)
    by_rack, by_travel, screw = _twists(built, problem, grid, Target(slide, rows))
    return CornerSweep(
        corner=built.corner,
        hold=hold,
        rack_mm=rack_mm,
        travel_mm=travel_mm,
        poses={name: p.reshape(*shape, 4, 4) for name, p in poses.items()},
        solved=grid.solved,
        residual_mm=misfit.reshape(shape),
        travel_twist=by_travel.reshape(*shape, 6),
        rack_twist=by_rack.reshape(*shape, 6),
        screw_twist=screw.reshape(*shape, 6),
        edges=tuple(grid.ends.values()),
        reasons=reasons,
    )


def _twists(
    built: CornerLinkage, problem: Problem, grid: Grid, target: Target
) -> tuple[Array, Array, Array]:
    """Rack twist as held, travel twist with the rack still, rack twist with the damper held."""
    good = np.flatnonzero(grid.solved.ravel())
    state, at = grid.state.take(good), target.take(good)
    blank = np.full((grid.solved.size, 6), np.nan)
    out = [blank.copy(), blank.copy(), blank.copy()]
    height = built.problem(Hold.WHEEL_HEIGHT)
    by_rack, by_travel = velocities(height, state, at)
    out[0][good], out[1][good] = by_rack.T, by_travel.T
    if built.damper_mm is not None:
        damper_held = velocities(built.problem(Hold.DAMPER_LENGTH), state, at)[0]
        out[2][good] = damper_held.T
        if problem.driven != height.driven:
            out[0] = out[2]
    return out[0], out[1], out[2]
