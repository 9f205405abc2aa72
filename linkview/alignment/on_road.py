"""An axle's poses as they stand on the road, with the tyres on the ground while steering.

In the body the corners move as with the damper's length held. The body itself then rises, leans and
pitches until both contact centres lie in the road plane; it pitches about the other axle's contact
line. Travel is a level heave of the whole car (or, where the two sides differ in it, heave and
lean), and what counts is how the body has moved since straight ahead at those travels: so with the
rack centred the three holds agree, also where the floor on which the car was measured is not quite
square to the file's z.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Protocol

import numpy as np

from linkview.alignment.on_ground import other_contact_line, road_rate, road_under
from linkview.alignment.posed import contact, has_damper
from linkview.alignment.readings import Readable
from linkview.errors import LinkviewError
from linkview.geometry import (
    Array,
    Index,
    Z,
    apply,
    apply_direction,
    dot,
    smallest_turn,
    smallest_turn_rate,
)
from linkview.kinematics.axle import corner_poses
from linkview.kinematics.nearby import Nearby, PoseList
from linkview.kinematics.standing import Standing
from linkview.kinematics.sweep import AxleSweep, CornerSweep
from linkview.model.layout import BODY
from linkview.model.parts import Axle, Car, Corner, Hold

At = Callable[[Index, Index, Array], Readable]


class Turning(Readable, Protocol):
    """Poses of which every part's own is at hand."""

    @property
    def poses(self) -> Mapping[str, Array]: ...


Pair = Sequence[Turning]


@dataclass(frozen=True, eq=False)
class OnRoad(Standing):
    """One corner's poses (...) moved with the body over the road; reads like a `CornerSweep`.

    body (..., 4, 4): the body's own move. rack_twist: of the knuckle against the road, so with the
    body's own turn; the other twists are against the body, in the road's directions.
    """

    corner: Corner
    body: Array
    poses: Mapping[str, Array] = field(repr=False)
    travel_twist: Array
    rack_twist: Array
    screw_twist: Array
    travel_twists: Mapping[str, Array]

    def pose(self, part: str) -> Array:
        """A part's moves (..., 4, 4), the body's too."""
        return self.body if part == BODY else self.poses[part]


@dataclass(frozen=True, eq=False)
class Seen:
    """A corner's sweep as its readings see it.

    posed: its poses (S, T), in the body or on the road. at_rack: grid poses [i, j] (n,) taken to
    other racks (n,), seen the same way.
    """

    sweep: CornerSweep
    posed: Readable
    at_rack: At

    def turned(self, bends: Mapping[str, Array]) -> Mapping[str, Array]:
        """Second derivatives of the parts' twists, (S, T, 6) in the body, as seen."""
        if not isinstance(self.posed, OnRoad):
            return bends
        return turned_on_road(self.posed, bends)


def turned_on_road(road: OnRoad, bends: Mapping[str, Array]) -> Mapping[str, Array]:
    """Second derivatives of the parts' twists (..., 6) in the directions of the moved body."""
    return {part: _turned(road.body, bend) for part, bend in bends.items()}


def seen(sweep: AxleSweep, car: Car) -> tuple[Seen, Seen]:
    """Both corners of a sweep as the axle's `hold` has them read."""
    if sweep.axle.hold is not Hold.TYRES_ON_GROUND or sweep.axle.left.rack is None:
        left, right = (in_the_body(corner) for corner in sweep.corners)
        return left, right
    if not all(has_damper(c) for c in sweep.axle.corners):
        raise LinkviewError(
            f"{sweep.axle.name} axle: tyres on the ground need the damper's points; add them to "
            "the file, or set hold to 'wheel_height'"
        )
    corners = list(zip(sweep.axle.corners, sweep.corners, strict=True))
    centred = [corner_poses(c, np.zeros(len(s.travel_mm)), s.travel_mm) for c, s in corners]
    ride = [corner_poses(c, np.zeros(1), np.zeros(1)) for c, _ in corners]
    road = _Road.of(sweep.axle, car, centred, ride)
    every = np.arange(len(sweep.left.travel_mm))
    posed = road.under(sweep.corners, np.broadcast_to(every, sweep.left.solved.shape))
    near = [Nearby(corner) for corner in sweep.corners]

    def at_rack(which: int, i: Index, j: Index, rack_mm: Array) -> Readable:
        both: list[PoseList] = []
        for side, corner in zip(near, sweep.corners, strict=True):
            # The other side may not reach that grid pose; from the centred rack it is as near.
            centre = np.full(len(i), int(np.argmin(np.abs(corner.rack_mm))))
            from_ = np.where(corner.solved[i, j], i, centre).astype(np.intp)
            both.append(side.at_rack(from_, j, rack_mm))
        return road.under(both, j)[which]

    def one(which: int) -> Seen:
        return Seen(
            sweep.corners[which], posed[which], lambda i, j, rack: at_rack(which, i, j, rack)
        )

    return one(0), one(1)


def in_the_body(sweep: CornerSweep) -> Seen:
    """A corner's sweep read in the body, whose floor is taken as level."""
    return Seen(sweep, sweep, lambda i, j, rack_mm: Nearby(sweep).at_rack(i, j, rack_mm))


def seen_by_points(
    axle: Axle, car: Car, sides: Pair, centred: Pair, ride: Pair
) -> tuple[OnRoad, OnRoad]:
    """Both corners on the road in one pose, n times over, with what their hard points do to it.

    sides: as held, dampers kept; centred: with the rack centred at the same travel; ride: at ride
    height. All complex (see geometry.py), so that slopes by hard point come out.
    """
    return _Road.of(axle, car, centred, ride).under(sides, np.arange(len(sides[0].spin_axis)))


@dataclass(frozen=True, eq=False)
class _Road:
    """The road at T travels, of which each side may have its own: a body that leans.

    centre_up (T, 3): its normal in the body with the rack centred, height_mm (T,) of the road
    there, along that normal. other (T, 3): the middle of the other axle's contact line; middle
    (3,) or (T, 3) of this one's. radii: loaded ones, of each side.
    """

    radii: tuple[Array | float, Array | float]
    centre_up: Array
    height_mm: Array
    other: Array
    middle: Array

    @classmethod
    def of(cls, axle: Axle, car: Car, centred: Pair, ride: Pair) -> _Road:
        """From poses with the rack centred, at the travels and at ride height."""
        here, there = (np.mean([contact(c) for c in pair], axis=0) for pair in (ride, centred))
        other = other_contact_line(car, axle, here) + (there[:, 2:] - here[:, 2:]) * Z
        left, right = (c.corner.wheel.loaded_radius_mm for c in centred)
        wheels = [(c.wheel_centre, c.spin_axis) for c in centred]
        up, at = road_under(wheels, (left, right), other)
        return cls((left, right), up, dot(up, at[0]), other, here)

    def under(self, sides: Sequence[Turning], row: Index) -> tuple[OnRoad, OnRoad]:
        """Both corners at poses (...) on the road; row (...): which travel each belongs to."""
        wheels, rates = [], []
        for side in sides:
            shift, turn = side.rack_twist[..., :3], side.rack_twist[..., 3:]
            wheels.append((side.wheel_centre.reshape(-1, 3), side.spin_axis.reshape(-1, 3)))
            spin = np.cross(turn, side.spin_axis)
            rates.append((shift.reshape(-1, 3), spin.reshape(-1, 3)))
        rows = row.ravel()
        level, other = self.centre_up[rows], self.other[rows]
        up, at = road_under(wheels, self.radii, other)
        up_rate, at_rate = road_rate(wheels, rates, self.radii, up, other)
        turn, turn_rate = smallest_turn(up, level), smallest_turn_rate(up, up_rate, level)
        # About the axle's middle, then up or down until the road is as high as straight ahead.
        from_middle = at[0] - self.middle
        sunk = self.height_mm[rows] - dot(level, self.middle + _times(turn, from_middle))
        sinks = -dot(level, _times(turn_rate, from_middle) + _times(turn, at_rate[0]))
        shift = self.middle - _times(turn, self.middle) + sunk[:, None] * level
        shift_rate = sinks[:, None] * level - _times(turn_rate, self.middle)
        body, speed = (
            _as_move(t, s).reshape(*row.shape, 4, 4)
            for t, s in ((turn, shift), (turn_rate, shift_rate))
        )
        body[..., 3, 3] = 1.0
        left, right = (_moved(side, body, speed) for side in sides)
        return left, right


def _times(turn: Array, v: Array) -> Array:
    """(n, 3, 3) times (n, 3) or (3,)."""
    return np.asarray(np.einsum("nij,nj->ni", turn, np.broadcast_to(v, turn.shape[:2])))


def _as_move(turn: Array, shift: Array) -> Array:
    """(n, 4, 4), its last row nought."""
    out = np.zeros((len(turn), 4, 4), dtype=np.result_type(turn, shift))
    out[:, :3, :3], out[:, :3, 3] = turn, shift
    return out


def _moved(side: Turning, body: Array, speed: Array) -> OnRoad:
    """One corner's poses and twists with the body moved; speed (..., 4, 4): its rate by rack."""
    shift, turn = side.rack_twist[..., :3], side.rack_twist[..., 3:]
    spun = speed[..., :3, :3] @ np.swapaxes(body[..., :3, :3], -1, -2)
    own = np.stack([spun[..., 2, 1], spun[..., 0, 2], spun[..., 1, 0]], axis=-1)
    by_rack = np.concatenate(
        [
            apply(speed, side.wheel_centre) + apply_direction(body, shift),
            own + apply_direction(body, turn),
        ],
        axis=-1,
    )
    return OnRoad(
        corner=side.corner,
        body=body,
        poses={part: body @ pose for part, pose in side.poses.items()},
        travel_twist=_turned(body, side.travel_twist),
        rack_twist=by_rack,
        screw_twist=_turned(body, side.screw_twist),
        travel_twists={p: _turned(body, t) for p, t in side.travel_twists.items()},
    )


def _turned(move: Array, twist: Array) -> Array:
    """Twists (..., 6) in the directions of the moved body."""
    return np.concatenate(
        [apply_direction(move, twist[..., :3]), apply_direction(move, twist[..., 3:])], axis=-1
    )
