"""How a pose and its velocities answer to hard points: the implicit function theorem, one pose.

One inversion of the joint rows' slopes J serves all inputs and all coordinates. With the rows
f(x, p) = 0 of pose x and hard points p, J dx = -df/dp; the twist t obeys J t = const, so
J dt = -(dJ) t; the bend (d twist / d travel) obeys J b = -(J' t), once more the same. The
right-hand sides come from the rows' own motion with complex points (see geometry.py): exact.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from enum import Enum
from typing import Any

import numpy as np

from linkview.geometry import (
    Array,
    Flags,
    numbers,
)
from linkview.kinematics.closure import Height, Joint, Linkage, Rod, Square, State
from linkview.kinematics.corner import (
    DAMPER,
    CornerLinkage,
    origin_of,
)
from linkview.kinematics.factored import Factored
from linkview.kinematics.motion import Moving, RowMotion, in_row_order, row_motion
from linkview.kinematics.standing import Standing
from linkview.model.layout import KNUCKLE, OTHER_WHEEL_CENTRE, RACK, WHEEL, WHEEL_CENTRE
from linkview.model.parts import Corner, Side

# The step of the complex numbers: so small that its square is lost beside any length.
H = 1e-30


class Sizes(Enum):
    """What a moved hard point does to the parts joined there."""

    FOLLOW = "a point measured elsewhere: every part is as long as its points say"
    KEPT = "a bracket moved: every part keeps its size, the corner re-assembles"


@dataclass(frozen=True)
class Coordinate:
    """One coordinate of one hard point; axis 0 x, 1 y, 2 z."""

    point: str
    axis: int

    @property
    def words(self) -> str:
        return f"{self.point.replace('_', ' ')} {'xyz'[self.axis]}"


@dataclass(frozen=True, eq=False)
class Perturbed(Standing):
    """One pose, K times over, each with the derivative by one coordinate in its imaginary part.

    It reads like a `PoseList` of K poses. corner: its points (K, 3), complex. bends: part -> second
    derivative of its twist along travel, (K, 6).
    """

    corner: Corner
    rack_mm: Array
    poses: Mapping[str, Array]
    travel_twist: Array
    rack_twist: Array
    screw_twist: Array
    travel_twists: Mapping[str, Array]
    rack_twists: Mapping[str, Array]
    bends: Mapping[str, Array]

    @property
    def solved(self) -> Flags:
        return np.ones(len(self.rack_mm), dtype=bool)


def coordinates_of(corner: Corner, sizes: Sizes) -> tuple[Coordinate, ...]:
    """Every coordinate that may be moved: all points, or with parts kept those on body and rack."""
    owner, solved = corner.layout.owner, corner.layout.solved
    given = [n for n in corner.points if n != OTHER_WHEEL_CENTRE]
    names = [n for n in given if sizes is Sizes.FOLLOW or owner(n) not in solved]
    return tuple(Coordinate(name, axis) for name in names for axis in range(3))


def shares(
    corner: Corner, coordinates: Sequence[Coordinate], moved: Side | None
) -> tuple[list[Coordinate], list[float]]:
    """What of an axle's coordinates moves in one corner: its own, and by how much per unit.

    moved: the side whose points they are; None where both sides' move alike, as mirror images.
    Points that belong to the axle as a whole move on both sides.
    """
    shared = corner.layout.shared
    own, weights = [], []
    for c in coordinates:
        other = moved not in (None, corner.side) and c.point not in shared
        if other and c.point == WHEEL_CENTRE and OTHER_WHEEL_CENTRE in corner.points:
            c, other = Coordinate(OTHER_WHEEL_CENTRE, c.axis), False
        flips = moved is None and corner.side is Side.RIGHT and c.axis == 1
        own.append(c)
        weights.append(0.0 if other else -1.0 if flips and c.point not in shared else 1.0)
    return own, weights


@dataclass(frozen=True, eq=False)
class Inputs:
    """What `many` changes do to the inputs: by_rack, by_held (many,), mm per unit of each."""

    by_rack: Array
    by_held: Array

    @classmethod
    def still(cls, many: int) -> Inputs:
        return cls(np.zeros(many), np.zeros(many))


def perturbed(
    at: Factored, coordinates: Sequence[Coordinate], sizes: Sizes, *, weights: Sequence[float] = ()
) -> Perturbed:
    """The pose with its derivatives by each coordinate (K of them).

    weights: how much each coordinate moves per unit, 1 where left out; -1 for y on the right side
    of a symmetric axle.
    """
    return perturbed_with(at, coordinates, sizes, Inputs.still(len(coordinates)), weights=weights)


def perturbed_with(
    at: Factored,
    coordinates: Sequence[Coordinate],
    sizes: Sizes,
    inputs: Inputs,
    *,
    weights: Sequence[float] = (),
) -> Perturbed:
    """The same, each coordinate's change going together with one of the inputs."""
    corner = moved_points(at.built.corner, coordinates, weights)
    kept = corner if sizes is Sizes.FOLLOW else at.built.corner
    return carried_along(at, corner, kept, at.joints(corner, kept), inputs)


def along_inputs(at: Factored) -> Perturbed:
    """The pose with its derivatives by the rack, then by the held value (K = 2)."""
    return unmoved(at, Inputs(np.array([1.0, 0.0]), np.array([0.0, 1.0])))


def unmoved(at: Factored, inputs: Inputs) -> Perturbed:
    """The pose with the derivatives of `many` changes of the inputs alone."""
    many = len(inputs.by_rack)
    none = (Coordinate(WHEEL_CENTRE, 0),) * many
    return perturbed_with(at, none, Sizes.KEPT, inputs, weights=(0.0,) * many)


def carried_along(
    at: Factored, corner: Corner, kept: Corner, held: Sequence[Joint], inputs: Inputs
) -> Perturbed:
    """The pose with the derivatives of `many` changes, each a row of what is complex.

    corner: points (many, 3). kept: where the solved parts have their points. held: the joints in
    the corner's own order, as `held_joints` gives them.
    """
    built, many = at.built, len(inputs.by_rack)
    rows = JointRows.of(at, kept, held, inputs)
    still = np.zeros((built.linkage.unknown_count, many))

    def carried(value: Array) -> Array:
        """J^-1 of the imaginary parts of the solved rows, with the sign of the theorem."""
        return -at.along(value[at.used].imag / H)

    base = at.state.take(np.zeros(many, dtype=np.intp))
    state = rows.followed(at, inputs)
    driven = np.zeros((len(at.used), 2))
    driven[-1, 0] = 1.0
    driven[:, 1] = -built.linkage.rows(at.state, np.array([at.slide_mm])).by_slide[at.used, 0]
    plain = at.along(driven)
    travel, rack = (np.repeat(plain[:, k : k + 1], many, axis=1) for k in range(2))
    twist = _with(travel, carried(rows.motion(state, travel, still, 0.0).rate))
    by_rack = _with(rack, carried(rows.motion(state, rack, still, 1.0).rate))
    curve = rows.motion(base, travel, still, 0.0).second.real
    bend = np.repeat(-at.along(curve[at.used, :1]), many, axis=1)
    bend = _with(bend, carried(rows.motion(state, twist, bend, 0.0).second))
    screw = np.full_like(by_rack, np.nan)
    if built.damper_mm is not None:
        row = rows.named(DAMPER)
        rates = [
            row.motion(state, t, still, speed).rate[0]
            for t, speed in ((by_rack, 1.0), (twist, 0.0))
        ]
        screw = by_rack - rates[0] / rates[1] * twist
    return _read(corner, kept, built, state, rows.slide_mm, (twist, by_rack, screw, bend))


def driven_by_points(
    at: Factored, coordinates: Sequence[Coordinate], sizes: Sizes, row: str
) -> Array:
    """The value (K,), complex, of a row that can be driven, in the pose that the points give."""
    points = moved_points(at.built.corner, coordinates, ())
    kept = points if sizes is Sizes.FOLLOW else at.built.corner
    inputs = Inputs.still(len(coordinates))
    rows = JointRows.of(at, kept, at.joints(points, kept), inputs)
    still = np.zeros((at.built.linkage.unknown_count, len(coordinates)))
    state = rows.followed(at, inputs)
    return np.asarray(rows.named(row).motion(state, still, still, 0.0).value[0])


@dataclass(frozen=True, eq=False)
class JointRows:
    """The rows of a linkage whose joints, points and rack change, `many` ways at once."""

    linkage: Linkage
    joints: tuple[Rod | Height | Square, ...]
    origins: tuple[Array, ...]
    slide_mm: Array

    @classmethod
    def of(cls, at: Factored, kept: Corner, held: Sequence[Joint], inputs: Inputs) -> JointRows:
        """held, kept: as `carried_along` has them."""
        linkage = at.built.linkage
        locks = [j for j in linkage.joints if isinstance(j, Square)]
        joints = in_row_order((*held, *locks))
        assert [j.name for j in joints] == linkage.row_names
        origins = tuple(origin_of(kept, part) for part in at.built.parts)
        return cls(linkage, joints, origins, numbers(at.slide_mm + 1j * H * inputs.by_rack))

    def named(self, name: str) -> JointRows:
        """Only the rows of one joint."""
        return replace(self, joints=tuple(j for j in self.joints if j.name == name))

    def followed(self, at: Factored, inputs: Inputs) -> State:
        """Where the parts go with the changes, with the derivative in the imaginary part."""
        many = len(inputs.by_rack)
        base = at.state.take(np.zeros(many, dtype=np.intp))
        still = np.zeros((self.linkage.unknown_count, many))
        value = self.motion(base, still, still, 0.0).value
        value[at.used[-1]] -= 1j * H * inputs.by_held
        return stepped(base, -at.along(value[at.used].imag / H))

    def motion(self, state: State, twist: Array, bend: Array, slide_rate: float) -> RowMotion:
        """Every row's value, rate and second rate, (m, many) each."""
        axis = self.linkage.slide_axis
        moving = Moving(self.origins, state, twist, bend, self.slide_mm, slide_rate, axis)
        return row_motion(self.joints, moving)


def move_of(turn: Array, pivot: Array, to: Array) -> Array:
    """The rigid move (K, 4, 4) with this turn that takes pivot to `to`, complex."""
    out = np.zeros((len(turn), 4, 4), dtype=complex)
    out[:, :3, :3], out[:, 3, 3] = turn, 1.0
    out[:, :3, 3] = to - np.einsum("nij,nj->ni", turn, pivot)
    return out


def moved_points(
    corner: Corner, coordinates: Sequence[Coordinate], weights: Sequence[float]
) -> Corner:
    """The corner with points (K, 3): each coordinate with an imaginary step in its own row."""
    many = len(coordinates)
    points: dict[str, Any] = {
        name: np.repeat(p[None], many, axis=0) + 0j for name, p in corner.points.items()
    }
    for k, c in enumerate(coordinates):
        points[c.point][k, c.axis] += 1j * H * (weights[k] if weights else 1.0)
    return corner.measured_at(points)


def stepped(state: State, shift: Array) -> State:
    """The state with the derivative of its parts' poses, (6P, K), in its imaginary part."""
    vw = shift.reshape(len(state.origin), 6, shift.shape[-1])
    turn, w = state.turn, vw[:, 3:]
    spun = np.stack([_spin(w[k], turn[k]) for k in range(len(turn))])
    return State(turn + 1j * H * spun, state.origin + 1j * H * vw[:, :3])


def _spin(w: Array, turn: Array) -> Array:
    """w x each column of the rotations: (3, K), (3, 3, K) -> (3, 3, K)."""
    x, y, z = w
    return np.stack(
        [y * turn[2] - z * turn[1], z * turn[0] - x * turn[2], x * turn[1] - y * turn[0]]
    )


def _with(value: Array, derivative: Array) -> Array:
    return np.asarray(value + 1j * H * derivative)


def _read(
    corner: Corner,
    kept: Corner,
    built: CornerLinkage,
    state: State,
    slide: Array,
    motion: tuple[Array, Array, Array, Array],
) -> Perturbed:
    """Poses by part and twists by part, poses first."""
    poses: dict[str, Array] = {}
    many = len(slide)
    for k, part in enumerate(built.parts):
        turn = np.moveaxis(state.turn[k], -1, 0)
        about = np.broadcast_to(numbers(origin_of(kept, part)), (many, 3))
        poses[part] = move_of(turn, about, state.origin[k].T)
    poses[WHEEL] = poses[KNUCKLE]
    if corner.rack is not None and corner.layout.on_rack:
        rack = np.repeat(np.eye(4)[None], many, axis=0).astype(slide.dtype)
        rack[:, :3, 3] = slide[:, None] * corner.rack.axis
        poses[RACK] = rack
    # Points that ride on solved parts stay where the parts have them when the parts are kept.
    fixed = {n: p for n, p in kept.points.items() if corner.layout.owner(n) in built.parts}
    points = {**corner.points, **fixed}
    by_part = [{p: m[6 * k : 6 * k + 6].T for k, p in enumerate(built.parts)} for m in motion]
    return Perturbed(
        corner=replace(corner, points=points, wheel=kept.wheel),
        rack_mm=slide,
        poses=poses,
        travel_twist=by_part[0][KNUCKLE],
        rack_twist=by_part[1][KNUCKLE],
        screw_twist=by_part[2][KNUCKLE],
        travel_twists=by_part[0],
        rack_twists=by_part[1],
        bends=by_part[3],
    )
