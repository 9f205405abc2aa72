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

import numpy as np

from linkview.alignment.on_ground import other_contact_line, road_under
from linkview.alignment.posed import contact, has_damper
from linkview.alignment.readings import Readable
from linkview.errors import LinkviewError
from linkview.geometry import Array, Index, Z, apply, apply_direction, dot, smallest_turn
from linkview.kinematics.axle import corner_poses
from linkview.kinematics.nearby import Nearby, PoseList
from linkview.kinematics.sensitivity import H
from linkview.kinematics.standing import Standing
from linkview.kinematics.sweep import AxleSweep, CornerSweep
from linkview.model.layout import BODY
from linkview.model.parts import Car, Corner, Hold

At = Callable[[Index, Index, Array], Readable]


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
        return {part: _turned(self.posed.body, bend) for part, bend in bends.items()}


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
    road = _Road.of(sweep, car)
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


@dataclass(frozen=True, eq=False)
class _Road:
    """The road at T travels, of which each side may have its own: a body that leans.

    centre_up (T, 3): its normal in the body with the rack centred, height_mm (T,) of the road
    there, along that normal. other (T, 3): the middle of the other axle's contact line; middle
    (3,) of this one's.
    """

    radii: tuple[float, float]
    centre_up: Array
    height_mm: Array
    other: Array
    middle: Array

    @classmethod
    def of(cls, sweep: AxleSweep, car: Car) -> _Road:
        axle = sweep.axle
        asked = [np.append(side.travel_mm, 0.0) for side in sweep.corners]
        centred = [
            corner_poses(c, np.zeros(len(t)), t) for c, t in zip(axle.corners, asked, strict=True)
        ]
        mean = np.mean([contact(c) for c in centred], axis=0)
        other = other_contact_line(car, axle) + (mean[:, 2:] - mean[-1, 2]) * Z
        radii = axle.left.wheel.loaded_radius_mm, axle.right.wheel.loaded_radius_mm
        up, at = road_under([(c.wheel_centre, c.spin_axis) for c in centred], radii, other)
        return cls(radii, up[:-1], dot(up, at[0])[:-1], other[:-1], mean[-1])

    def under(self, sides: Sequence[CornerSweep | PoseList], row: Index) -> tuple[OnRoad, OnRoad]:
        """Both corners at poses (...) on the road; row (...): which travel each belongs to."""
        with_rates = []
        for side in sides:
            shift, turn = side.rack_twist[..., :3], side.rack_twist[..., 3:]
            spin = np.cross(turn, side.spin_axis)
            with_rates.append((side.wheel_centre + 1j * H * shift, side.spin_axis + 1j * H * spin))
        rows = row.ravel()
        flat = [(centre.reshape(-1, 3), n.reshape(-1, 3)) for centre, n in with_rates]
        up, at = road_under(flat, self.radii, self.other[rows])
        move = _levelled(up, self.centre_up[rows], self.middle)
        level = self.centre_up[rows]
        sunk = self.height_mm[rows] - dot(level, apply(move, at[0]))
        move[:, :3, 3] += sunk[:, None] * level
        move = move.reshape(*row.shape, 4, 4)
        left, right = (_moved(side, move) for side in sides)
        return left, right


def _levelled(up: Array, level: Array, middle: Array) -> Array:
    """The body's smallest turns (n, 4, 4), about a point, that take the road from up to level."""
    turn = smallest_turn(up, level)
    out = np.zeros((len(up), 4, 4), dtype=complex)
    out[:, :3, :3], out[:, 3, 3] = turn, 1.0
    out[:, :3, 3] = middle - np.einsum("nij,j->ni", turn, middle)
    return out


def _moved(side: CornerSweep | PoseList, move: Array) -> OnRoad:
    """One corner's poses and twists with the body moved; move: complex, with its slope by rack."""
    body, speed = move.real, move.imag / H
    shift, turn = side.rack_twist[..., :3], side.rack_twist[..., 3:]
    # The body's own turn per mm of rack, read from its move's slope.
    spun = speed[..., :3, :3] @ np.swapaxes(body[..., :3, :3], -1, -2)
    own = np.stack([spun[..., 2, 1], spun[..., 0, 2], spun[..., 1, 0]], axis=-1)
    carried = np.einsum("...ij,...j->...i", speed[..., :3, :3], side.wheel_centre)
    by_rack = np.concatenate(
        [
            carried + speed[..., :3, 3] + apply_direction(body, shift),
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
