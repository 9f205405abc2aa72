"""Tyres on the ground while steering: how the body rises, leans and pitches, damper lengths held.

With both dampers kept as long as they are, steering moves the contact centres in the body. The
road is then the plane through both of them and through the other axle's contact line at its
middle: heave and roll come from this axle, pitch is about the other axle's contact line.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from linkview.alignment import wheel
from linkview.alignment.assumed import FRONT
from linkview.alignment.posed import has_damper
from linkview.errors import LinkviewError
from linkview.geometry import Array, Z, dot, turn_between, unit, unit_rate
from linkview.kinematics.axle import corner_poses_damper_held
from linkview.kinematics.nearby import PoseList
from linkview.kinematics.sensitivity import H
from linkview.model.layout import WHEEL_CENTRE
from linkview.model.parts import Axle, Car, Corner, Side
from linkview.units import to_deg

CLOSE_ENOUGH = 1e-13  # of a unit normal: 1e-10 mm at a metre
STILL_RATE = 1e-16  # of its slope per mm of rack, which is near 1e-5 at most
MOST_STEPS = 60


@dataclass(frozen=True, eq=False)
class OnGround:
    """n poses of an axle with its tyres on the road and its dampers' lengths kept.

    rack_mm (n,). left, right: poses in the body. road_up (n, 3): the road's normal in the body.
    rise_mm: of the body over the middle of the axle, + up. roll_deg: + body leans to its right.
    pitch_deg: + nose down (ISO 8855, about y to the left). All three since straight ahead.
    contact_mm: side -> (n, 3) in the body.
    camber_deg, steer_deg: side -> (n,), against the road as it lay straight ahead, taken as level.
    """

    axle: Axle
    rack_mm: Array
    left: PoseList
    right: PoseList
    road_up: Array
    rise_mm: Array
    roll_deg: Array
    pitch_deg: Array
    contact_mm: dict[Side, Array]
    camber_deg: dict[Side, Array]
    steer_deg: dict[Side, Array]

    @property
    def held(self) -> str:
        """In words, for outputs."""
        return "tyres on the ground, damper lengths held while steering"


def steer_on_ground(car: Car, axle: Axle, rack_mm: ArrayLike) -> OnGround:
    """Steers an axle from ride height with its tyres on the ground. rack_mm (n,).

    Raises LinkviewError where a damper's points are missing. NaN beyond reach.
    """
    if not all(has_damper(c) for c in axle.corners):
        raise LinkviewError(
            f"{axle.name} axle: tyres on the ground need the damper's points; add them to the file"
        )
    rack = np.atleast_1d(np.asarray(rack_mm, dtype=float))
    none = np.zeros(len(rack))
    left, right = (corner_poses_damper_held(c, rack, none) for c in axle.corners)
    other = other_contact_line(car, axle)
    radii = [c.wheel.loaded_radius_mm for c in axle.corners]
    up, at = road_under([(p.wheel_centre, p.spin_axis) for p in (left, right)], radii, other)
    measured = [(c.points[WHEEL_CENTRE][None], c.wheel.spin_axis[None]) for c in axle.corners]
    flat, start = road_under(measured, radii, other)
    middle = np.mean([c.points[WHEEL_CENTRE] for c in axle.corners], axis=0)
    over, before = dot(up, middle - at[0]), dot(flat, middle - start[0])
    level = turn_between(up, np.broadcast_to(flat, up.shape))
    axes = {p.corner.side: np.einsum("nij,nj->ni", level, p.spin_axis) for p in (left, right)}
    return OnGround(
        axle=axle,
        rack_mm=rack,
        left=left,
        right=right,
        road_up=up,
        rise_mm=over - before,
        # A road that falls to the body's left is a body that leans to its right.
        roll_deg=_lean_deg(up, 1) - _lean_deg(flat, 1),
        pitch_deg=_lean_deg(flat, 0) - _lean_deg(up, 0),
        contact_mm={Side.LEFT: at[0], Side.RIGHT: at[1]},
        camber_deg={s: to_deg(wheel.camber_rad(n, s.outboard)) for s, n in axes.items()},
        steer_deg={s: to_deg(wheel.steer_rad(n)) for s, n in axes.items()},
    )


def _lean_deg(up: Array, axis: int) -> Array:
    return to_deg(np.arctan2(up[:, axis], up[:, 2]))


def road_under(
    wheels: Sequence[tuple[Array, Array]], radii: Sequence[Array | float], other: Array
) -> tuple[Array, list[Array]]:
    """The road's normal (n, 3) in the body and both contact centres (n, 3) on it.

    wheels: centre and spin axis (n, 3) of each, complex where a derivative is wanted. other: the
    middle of the other axle's contact line, (3,) or (n, 3). A contact centre lies down the wheel
    plane's steepest line, so it depends on the road's normal: found by repetition.
    """
    up = np.broadcast_to(Z, wheels[0][0].shape)
    at: list[Array] = []
    for _ in range(MOST_STEPS):
        at = [
            centre - radius * unit(up - dot(up, n)[:, None] * n)
            for (centre, n), radius in zip(wheels, radii, strict=True)
        ]
        new = _plane_up(at[0], at[1], other)
        moved, up = new - up, new
        # NaN beyond reach compares false.
        if not np.any((np.abs(moved.real) > CLOSE_ENOUGH) | (np.abs(moved.imag) > H * STILL_RATE)):
            break
    return up, at


def road_rate(
    wheels: Sequence[tuple[Array, Array]],
    rates: Sequence[tuple[Array, Array]],
    radii: Sequence[Array | float],
    up: Array,
    other: Array,
) -> tuple[Array, list[Array]]:
    """How fast the road's normal (n, 3) and both contact centres (n, 3) change, by repetition.

    rates: of each wheel's centre and spin axis (n, 3); up: as `road_under` has it for the wheels.
    """
    along = [up - dot(up, n)[:, None] * n for _, n in wheels]
    at = [c - r * unit(q) for (c, _), r, q in zip(wheels, radii, along, strict=True)]
    across, back = at[0] - at[1], other - at[1]
    normal = np.cross(across, back)
    sense = np.where(normal[..., 2:].real < 0.0, -1.0, 1.0)
    up_rate = np.zeros_like(up)
    at_rate: list[Array] = []
    for _ in range(MOST_STEPS):
        at_rate = []
        for (_, n), (dc, dn), r, q in zip(wheels, rates, radii, along, strict=True):
            lean = (dot(up_rate, n) + dot(up, dn))[:, None]
            dq = up_rate - lean * n - dot(up, n)[:, None] * dn
            at_rate.append(dc - r * unit_rate(q, dq))
        turned = np.cross(at_rate[0] - at_rate[1], back) - np.cross(across, at_rate[1])
        new = sense * unit_rate(normal, turned)
        moved, up_rate = new - up_rate, new
        # NaN beyond reach compares false.
        off = (np.abs(moved.real) > STILL_RATE) | (np.abs(moved.imag) > H * STILL_RATE)
        if not np.any(off):
            break
    return up_rate, at_rate


def _contact_as_measured(corner: Corner) -> Array:
    w = corner.wheel
    return wheel.contact_centre(corner.points[WHEEL_CENTRE], w.spin_axis, w.loaded_radius_mm)


def other_contact_line(car: Car, axle: Axle, here: Array | None = None) -> Array:
    """The middle of the other axle's contact line (3,); a wheelbase away where it is not given.

    here: the middle of this axle's, (3,) or (n, 3) where its points move; None: as measured.
    """
    others = [a for a in car.axles.values() if a.name != axle.name]
    if others:
        return np.asarray(np.mean([_contact_as_measured(c) for c in others[0].corners], axis=0))
    if here is None:
        here = np.mean([_contact_as_measured(c) for c in axle.corners], axis=0)
    way = -1.0 if axle.name == FRONT else 1.0
    return np.asarray(here + np.array([way * car.wheelbase_mm, 0.0, 0.0]))


def _plane_up(left: Array, right: Array, other: Array) -> Array:
    """The upward normal (n, 3) of the plane through three points."""
    up = unit(np.cross(left - right, other - right))
    return np.asarray(np.where(up[..., 2:].real < 0.0, -up, up))
