"""From the steering wheel to the rack: turns, ratio and what the column's joints add.

Universal joint: tan(out) = cos(angle) tan(in), both from where the driving fork's pin lies in the
plane of the two shafts. Source: the textbook equation of the single joint; at 30 deg the ratio
swings from 1.1547 to 0.8660.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from linkview.geometry import Array, frozen
from linkview.model.parts import ColumnJoint, Rack
from linkview.units import to_rad

FULL_TURN_DEG = 360.0


@dataclass(frozen=True, eq=False)
class SteeringWheel:
    """n places of the rack. rack_mm (n,), pinion_deg, wheel_deg (n,): + turned left where the rack
    then goes left; wheel_deg is the steering wheel's, 0 with the rack centred.

    pinion_per_wheel (n,): d(pinion)/d(steering wheel), 1 without column joints. turns_lock_to_lock:
    of the steering wheel between the rack's stops.
    """

    rack_mm: Array
    pinion_deg: Array
    wheel_deg: Array
    pinion_per_wheel: Array
    turns_lock_to_lock: float


def steering_wheel(rack: Rack, rack_mm: ArrayLike) -> SteeringWheel:
    """Raises ValueError where the file gives no mm_per_turn."""
    if rack.mm_per_turn is None:
        raise ValueError("the file gives no rack.mm_per_turn")
    at = np.atleast_1d(np.asarray(rack_mm, dtype=float))
    pinion = FULL_TURN_DEG * at / rack.mm_per_turn
    ends = FULL_TURN_DEG * np.array([-rack.stop_mm, rack.stop_mm]) / rack.mm_per_turn
    wheel, ratio = _back_through(rack.column, pinion)
    stops, _ = _back_through(rack.column, ends)
    turns = float(np.ptp(stops)) / FULL_TURN_DEG
    return SteeringWheel(frozen(at), frozen(pinion), frozen(wheel), frozen(ratio), turns)


def through_joint(joint: ColumnJoint, in_deg: ArrayLike) -> Array:
    """The driven shaft's turn for a turn of the driving one, degrees, both 0 straight ahead.

    Whole turns are kept: the two never part by a quarter turn.
    """
    phase = float(to_rad(joint.phase_deg))
    turn = to_rad(in_deg) + phase
    return np.asarray(np.rad2deg(_lagged(turn, joint) - _lagged(np.asarray(phase), joint)))


def _lagged(turn: Array, joint: ColumnJoint) -> Array:
    """atan(cos(angle) tan(turn)), continuous."""
    cos = np.cos(to_rad(joint.angle_deg))
    s, c = np.sin(turn), np.cos(turn)
    # The difference to the turn itself is under a quarter turn, so it carries no whole ones.
    return np.asarray(turn + np.arctan2((cos - 1.0) * s * c, c * c + cos * s * s))


def _back_through(column: tuple[ColumnJoint, ...], pinion_deg: Array) -> tuple[Array, Array]:
    """The steering wheel's turn, and d(pinion)/d(steering wheel), at the pinion's turn."""
    turn, ratio = pinion_deg, np.ones_like(pinion_deg)
    for joint in reversed(column):
        cos, phase = np.cos(to_rad(joint.angle_deg)), to_rad(joint.phase_deg)
        out = to_rad(turn) + _lagged(np.asarray(phase), joint)
        s, c = np.sin(out), np.cos(out)
        # Backward the joint is the same with 1 / cos.
        into = out + np.arctan2((1.0 / cos - 1.0) * s * c, c * c + s * s / cos)
        turn = np.rad2deg(into - phase)
        ratio = ratio * cos / (np.cos(into) ** 2 + (cos * np.sin(into)) ** 2)
    return np.asarray(turn), np.asarray(ratio)
