"""A solid axle over both its wheels' travels: how it steers, shifts and stops as the body rolls.

The grid is left travel x right travel, each from full droop to full bump: heave and roll in every
mixture. Roll is + where the body leans to its right, so that the left wheel hangs out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from linkview.alignment import travel, wheel
from linkview.alignment.posed import contact, damper_length_mm, has_damper
from linkview.geometry import Array, Flags, frozen
from linkview.kinematics.axle import AxlePoses, axle_poses, roll_twist, travels_of
from linkview.limits.limit import Limit, Stops
from linkview.limits.readings import limits_of
from linkview.limits.report import REACH
from linkview.model.layout import WHEEL_CENTRE
from linkview.model.parts import Axle, Car, Side
from linkview.units import to_deg

COUNT, STEPS = 13, 60  # wheel travels a side; steps on the way to the most roll
CLOSE_ENOUGH_DEG = 1e-5


@dataclass(frozen=True, eq=False)
class RollReadings:
    """A solid axle at n poses, in the body's frame unless it says otherwise.

    heave_mm: mean of both wheels' travels; roll_deg. steer_deg: of the axle since ride height, +
    turned left. sideways_mm: its middle, + to the left, since ride height. camber_deg: side -> (n,)
    to the road, which lies along both wheel centres. damper_mm: side -> (n,), NaN without one.
    nearest: the limit with least left, as a share of its range, '' where none is given; left: that
    share, negative beyond it. Out of reach: NaN.
    """

    poses: AxlePoses
    heave_mm: Array
    roll_deg: Array
    steer_deg: Array
    sideways_mm: Array
    roll_centre_height_mm: Array
    camber_deg: dict[Side, Array]
    damper_mm: dict[Side, Array]
    nearest: tuple[str, ...]
    left: Array

    @property
    def solved(self) -> Flags:
        return self.poses.solved


@dataclass(frozen=True)
class RollStop:
    """The first limit in pure roll one way, to 0.001 deg; name '' where none is met up to there."""

    roll_deg: float
    name: str
    side: Side | None

    @property
    def words(self) -> str:
        """'body leaning right: damper fully closed, right wheel, at roll +4.51 deg'."""
        way = "right" if self.roll_deg > 0.0 else "left"
        if not self.name:
            return f"body leaning {way}: no limit up to roll {self.roll_deg:+.2f} deg"
        whose = f", {self.side.value} wheel" if self.side else ""
        return f"body leaning {way}: {self.name}{whose}, at roll {self.roll_deg:+.2f} deg"


def roll_grid(axle: Axle, car: Car, count: int = COUNT) -> RollReadings:
    """Every mixture of both wheels' travels, (count squared,), the right wheel's the quicker, ride
    height among them."""
    ends = axle.left.travel
    each = np.linspace(ends.droop_mm, ends.bump_mm, count)
    each[np.argmin(np.abs(each))] = 0.0
    left, right = (x.ravel() for x in np.meshgrid(each, each, indexing="ij"))
    return roll_readings(axle, car, left, right)


def roll_line(axle: Axle, car: Car, count: int) -> RollReadings:
    """Pure roll at ride height, both ways, until a wheel is at the end of its travel."""
    most = most_roll_deg(axle)
    return roll_readings(axle, car, *travels_of(axle, 0.0, np.linspace(-most, most, count)))


def roll_readings(axle: Axle, car: Car, left_mm: Array, right_mm: Array) -> RollReadings:
    """A solid axle at n pairs of wheel travels."""
    poses, ride = axle_poses(axle, 0.0, left_mm, right_mm), axle_poses(axle, 0.0, 0.0, 0.0)
    heave, roll = (poses.left_travel_mm + poses.right_travel_mm) / 2.0, roll_of(axle, poses)
    ground = 0.5 * (contact(poses.left) + contact(poses.right))[..., 2]
    centre = travel.front_view_centre(*_middle_twist(poses))[1]
    names, left = _nearest(poses, _every_limit(axle, car))
    across = poses.left.wheel_centre - poses.right.wheel_centre
    line = np.arctan2(-across[:, 2], across[:, 1])
    bodies = [p.left.wheel_centre + p.right.wheel_centre for p in (poses, ride)]
    return RollReadings(
        poses=poses,
        heave_mm=frozen(heave),
        roll_deg=frozen(roll),
        steer_deg=frozen(_steer_deg(poses) - _steer_deg(ride)),
        sideways_mm=frozen(0.5 * (bodies[0] - bodies[1])[:, 1]),
        roll_centre_height_mm=frozen(centre - ground),
        camber_deg={
            p.corner.side: frozen(_road_camber(p.spin_axis, p.corner.side, line))
            for p in poses.corners
        },
        damper_mm={
            p.corner.side: frozen(
                damper_length_mm(p) if has_damper(p.corner) else np.full(len(roll), np.nan)
            )
            for p in poses.corners
        },
        nearest=names,
        left=frozen(left),
    )


def roll_stops(axle: Axle, car: Car) -> tuple[RollStop, RollStop]:
    """The first limit in pure roll at ride height, leaning left and right."""
    every = _every_limit(axle, car)
    left, right = (_first(axle, every, way * most_roll_deg(axle)) for way in (-1.0, 1.0))
    return left, right


def most_roll_deg(axle: Axle) -> float:
    """The roll at ride height at which one wheel comes to the end of its travel."""
    ends, apart = axle.left.travel, _apart(axle)
    least = min(abs(ends.droop_mm), abs(ends.bump_mm))
    return float(to_deg(np.arctan(2.0 * least / apart)))


def roll_of(axle: Axle, poses: AxlePoses) -> Array:
    """Degrees (n,), + leaning to the right, of the body over the line of both wheel centres."""
    return to_deg(np.arctan((poses.right_travel_mm - poses.left_travel_mm) / _apart(axle)))


def _apart(axle: Axle) -> float:
    left, right = (c.points[WHEEL_CENTRE][1] for c in axle.corners)
    return float(left - right)


def _every_limit(axle: Axle, car: Car) -> list[Limit]:
    found = [x for c in axle.corners for x in limits_of(c, axle, car)]
    return [x for x in found if x.stops is not Stops.NOTHING]


def _margins(poses: AxlePoses, limits: Sequence[Limit]) -> Array:
    """(L, n), as shares of each limit's range; minus infinity beyond reach."""
    sides = {p.corner.side: p for p in poses.corners}
    rows = [x.margin(x.measure(sides[x.side])) / x.full for x in limits]
    out = np.reshape(rows, (len(limits), len(poses.rack_mm)))
    return np.where(poses.solved, out, -np.inf)


def _nearest(poses: AxlePoses, limits: Sequence[Limit]) -> tuple[tuple[str, ...], Array]:
    if not limits:
        return ("",) * len(poses.rack_mm), np.full(len(poses.rack_mm), np.nan)
    margins = _margins(poses, limits)
    least = np.argmin(margins, axis=0)
    left = np.where(poses.solved, margins.min(axis=0), np.nan)
    names = [f"{limits[k].name}, {limits[k].side.value}" for k in least]
    return tuple(n if ok else REACH for n, ok in zip(names, poses.solved, strict=True)), left


def _first(axle: Axle, limits: Sequence[Limit], most_deg: float) -> RollStop:
    """Stepped outward, then halved between the last pose inside and the first beyond."""

    def at(roll: Array) -> Array:
        poses = axle_poses(axle, 0.0, *travels_of(axle, 0.0, roll))
        reach = np.where(poses.solved, 1.0, -np.inf)
        return np.concatenate([_margins(poses, limits), reach[None]])

    low, high = 0.0, most_deg
    margins = at(np.linspace(low, high, STEPS + 1))
    over = np.flatnonzero((margins <= 0.0).any(axis=0))
    if not over.size:
        return RollStop(most_deg, "", None)
    low, high = (most_deg * k / STEPS for k in (max(int(over[0]) - 1, 0), int(over[0])))
    beyond = margins[:, over[0]]
    while abs(high - low) > CLOSE_ENOUGH_DEG:
        roll = np.linspace(low, high, 17)
        margins = at(roll)
        out = np.flatnonzero((margins <= 0.0).any(axis=0))
        k = int(out[0])
        beyond = margins[:, k]
        low, high = float(roll[max(k - 1, 0)]), float(roll[k])
    which = int(np.argmin(beyond))
    if which == len(limits):
        return RollStop(high, REACH, None)
    return RollStop(high, limits[which].name, limits[which].side)


def _middle_twist(poses: AxlePoses) -> tuple[Array, Array]:
    """The middle of the axle (n, 3) and its twist in roll there: in the plane square to the car
    through it, a roll centre does not depend on which wheel is asked."""
    at, twist = poses.left.wheel_centre, roll_twist(poses.left)
    middle = 0.5 * (at + poses.right.wheel_centre)
    v, w = twist[:, :3], twist[:, 3:]
    return middle, np.concatenate([wheel.carried_rate(v, w, middle - at), w], axis=1)


def _steer_deg(poses: AxlePoses) -> Array:
    return 0.5 * to_deg(sum(wheel.steer_rad(p.spin_axis) for p in poses.corners))


def _road_camber(n: Array, side: Side, lean: Array) -> Array:
    """Camber to a road that the body, leaning by so much (rad) over it, sees tilted."""
    up = n[:, 1] * np.sin(lean) + n[:, 2] * np.cos(lean)
    return to_deg(-side.outboard * np.arcsin(up))
