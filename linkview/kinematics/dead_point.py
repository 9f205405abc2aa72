"""The edge of reach to rounding, and how it answers to hard points.

At a dead point the pose x and the input r that meets it solve the rows and, besides, make the
slopes of a set of rows singular: f(x, r) = 0 and s(x, r) = 0, s the least singular value. That set
is the solved rows themselves at a fold, or those with the driven row swapped where the tie rod
goes over centre (`Problem.watched`). With u and v the singular vectors, ds = u' dJ v, so Newton on
both together needs only how the rows' rates along the one twist v change, and the slopes of (x, r)
by hard point come from the same matrix: the implicit function theorem, where the pose's alone would
be infinite.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from linkview.geometry import Array, Index
from linkview.kinematics.closure import State
from linkview.kinematics.corner import DAMPER, CornerLinkage
from linkview.kinematics.factored import Factored, factored
from linkview.kinematics.march import Edge
from linkview.kinematics.nearby import Nearby
from linkview.kinematics.reach import Block, blocks_at
from linkview.kinematics.sensitivity import (
    Coordinate,
    H,
    Inputs,
    JointRows,
    Sizes,
    driven_by_points,
    moved_points,
    stepped,
)
from linkview.kinematics.solve import SCALE_MM, Problem, Target, trace
from linkview.kinematics.sweep import CornerSweep
from linkview.model.parts import Corner, Hold

Along = tuple[float, float]  # how the rack and the held value go with the input
ALONG_RACK: Along = (1.0, 0.0)
ALONG_TRAVEL: Along = (0.0, 1.0)
MOST_STEPS = 12
CLOSE_ENOUGH = 1e-9  # of Newton's next step, mm or rad; it squares
LONGEST_STEP = 5.0
SAME_MM = 1e-6
NEAR_MM = 0.01  # the dead point that a sweep has found is no further off than this


@dataclass(frozen=True, eq=False)
class DeadPoint:
    """One corner where it goes no further.

    met_mm: the input along which it was met, rack or travel; held: with what held, at which travel.
    block: what gives out. The rest is
    what the slopes are made of: the pose, the singular vectors (u, v) of the slopes of `rows`, and
    the slopes of solved rows and singular value by pose and input, (6P+1, 6P+1).
    """

    corner: Corner
    met_mm: float
    held: tuple[Hold, float]
    block: Block
    at: Factored
    singular: tuple[Array, Array]
    rows: Index
    matrix: Array

    def slopes(self, coordinates: Sequence[Coordinate], sizes: Sizes) -> Array:
        """d(the input met) by each coordinate, (K,), mm per mm."""
        points = moved_points(self.corner, coordinates, ())
        kept = points if sizes is Sizes.FOLLOW else self.corner
        many = len(coordinates)
        joints = JointRows.of(self.at, kept, self.at.joints(points, kept), Inputs.still(many))
        base = self.at.state.take(np.zeros(many, dtype=np.intp))
        u, v = self.singular
        twist = np.repeat(v[:, None], many, axis=1)
        found = joints.motion(base, twist, np.zeros_like(twist), 0.0)
        value = found.value[self.at.used].imag
        hold, travel_mm = self.held
        if hold.keeps_damper:
            # The length to keep is the points' too: that with the rack centred at the travel.
            centred = factored(self.corner, 0.0, travel_mm)
            value[-1] -= driven_by_points(centred, coordinates, sizes, DAMPER).imag
        right = np.vstack([value, u @ found.rate[self.rows].imag])
        return np.asarray(-np.linalg.solve(self.matrix, right)[-1] / H)


def dead_point_on_rack(sweep: CornerSweep, edge: Edge) -> DeadPoint | None:
    """The dead point that ends a row of a sweep, as that holds; None where none is found within
    NEAR_MM.
    """
    j = int(np.argmin(np.abs(sweep.travel_mm - edge.travel_mm)))
    inside = sweep.solved[:, j] & (np.sign(sweep.rack_mm) * np.sign(edge.rack_mm) >= 0.0)
    i = np.flatnonzero(inside)[np.argmax(np.abs(sweep.rack_mm[inside]))]
    held = sweep.hold, float(sweep.travel_mm[j])
    return _nearest(Nearby(sweep), (int(i), j), edge.rack_mm, ALONG_RACK, held)


def dead_point_on_travel(
    sweep: CornerSweep, beside: tuple[int, int], travel_mm: float
) -> DeadPoint | None:
    """The dead point at about this travel, rack still, met from a grid pose [i, j]; or None."""
    held = Hold.WHEEL_HEIGHT, 0.0
    return _nearest(Nearby(sweep), beside, travel_mm, ALONG_TRAVEL, held)


def _nearest(
    near: Nearby, beside: tuple[int, int], to_mm: float, along: Along, held: tuple[Hold, float]
) -> DeadPoint | None:
    """Of the dead points of the solved rows and of each watched swap, the nearest to an input."""
    problem = near.built.problem(held[0])
    find = near.start if held[0].keeps_damper else near.by_height
    state, start = find(np.array([beside[0]]), np.array([beside[1]]))
    way = to_mm - _input(start, along)
    stop = trace(problem, state, start, _moved(start, along, way))
    at = start.between(_moved(start, along, way), stop.reached)
    found = [
        one
        for row in (problem.driven, *problem.watched)
        if (one := _settled(near.built, problem, row, stop.state, at, along, held)) is not None
        and abs(one.met_mm - to_mm) < NEAR_MM
    ]
    nearest = min((abs(one.met_mm - to_mm) for one in found), default=0.0)
    # Where the parts reach no further, swapped sets can be singular too: the fold itself is told.
    return next((x for x in found if abs(x.met_mm - to_mm) < nearest + SAME_MM), None)


def _moved(at: Target, along: Along, way_mm: float) -> Target:
    return Target(at.slide_mm + along[0] * way_mm, at.held_mm + along[1] * way_mm)


def _input(at: Target, along: Along) -> float:
    return float(along[0] * at.slide_mm[0] + along[1] * at.held_mm[0])


def _settled(
    built: CornerLinkage,
    problem: Problem,
    row: int,
    state: State,
    at: Target,
    along: Along,
    held: tuple[Hold, float],
) -> DeadPoint | None:
    """Newton's onto the dead point with this row driven; None where it does not settle."""
    rows = problem.swapped(row)
    for _ in range(MOST_STEPS):
        here = Factored(built, problem.used, state, float(at.slide_mm[0]), np.empty((0, 0)))
        found = problem.rows(state, at)
        least, u, v = _weakest(found.slope[rows, :, 0])
        matrix = _extended(here, rows, (u, v), along)
        step = -np.linalg.solve(matrix, np.append(found.value[problem.used, 0], least))
        if not np.isfinite(step).all() or np.abs(step).max() > LONGEST_STEP:
            return None
        if np.abs(step).max() < CLOSE_ENOUGH:
            alone = replace(problem, driven=row, used=rows, watched=())
            block = blocks_at(alone, state, at)[0]
            met = _input(at, along)
            return DeadPoint(built.corner, met, held, block, here, (u, v), rows, matrix)
        state, at = state.stepped(step[:-1, None]), _moved(at, along, float(step[-1]))
    return None


def _weakest(slope: Array) -> tuple[float, Array, Array]:
    """The least singular value (k, k), turns counted as mm at SCALE_MM, with its two vectors."""
    scale = np.tile(np.repeat([1.0, 1.0 / SCALE_MM], 3), slope.shape[1] // 6)
    left, sigma, right = np.linalg.svd(slope * scale)
    return float(sigma[-1]), left[:, -1], right[-1] * scale


def _extended(at: Factored, rows: Index, singular: tuple[Array, Array], along: Along) -> Array:
    """The slopes of the solved rows and of the singular value by pose and input, (6P+1, 6P+1)."""
    u, v = singular
    many = len(v) + 1
    last, corner = np.eye(many)[-1], at.built.corner
    inputs = Inputs(along[0] * last, along[1] * last)
    joints = JointRows.of(at, corner, at.joints(corner, corner), inputs)
    moved = stepped(at.state.take(np.zeros(many, dtype=np.intp)), np.eye(len(v), many))
    twist = np.repeat(v[:, None], many, axis=1)
    found = joints.motion(moved, twist, np.zeros_like(twist), 0.0)
    value = found.value[at.used].imag / H
    value[-1] -= inputs.by_held
    return np.vstack([value, u @ found.rate[rows].imag / H])
