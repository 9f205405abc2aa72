"""What else is reported of an axle, by hard point: ratio, steering axes, trail reversed, places."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from linkview.alignment import steering, wheel
from linkview.alignment.axle import pivot_distance_mm
from linkview.alignment.column import steering_wheel
from linkview.alignment.locks import lock_summaries
from linkview.alignment.moved_axle import MovedAxle
from linkview.alignment.posed import contact, steering_axis, trail_and_scrub_mm
from linkview.geometry import Array, frozen, magnitude
from linkview.kinematics.sensitivity import H
from linkview.model.parts import Side
from linkview.units import to_deg

TURNS = (
    "no hard point moves it: the rack's stop, its millimetres per turn and the column's joints do"
)
NO_TURNS = "the file gives no rack.mm_per_turn"
REVERSES = "rack at which trail changes sign"


@dataclass(frozen=True, eq=False)
class OtherSlopes:
    """A reading of a whole axle, or one wheel's (side).

    slopes (K,): of the value, in `unit` per mm of each coordinate; None with the reason in `why`
    where it has none.
    """

    label: str
    unit: str
    decimals: int
    side: Side | None
    value: float
    slopes: Array | None
    why: str = ""


def other_slopes(moving: MovedAxle) -> tuple[OtherSlopes, ...]:
    """Of an axle that steers, straight ahead and at both locks; nothing of another."""
    if moving.axle.left.rack is None:
        return ()
    return (*_wheel_and_ratio(moving), *_axes_apart(moving))


def places_by_point(
    moving: MovedAxle, rack_mm: float, travel_mm: float
) -> Mapping[tuple[Side, str], tuple[Array, Array]]:
    """Where each hard point is in the body at a pose, (3,), with its slopes (K, 3), mm per mm."""
    out = {}
    for here in moving.in_body(rack_mm, travel_mm):
        corner = here.corner
        if corner.side is Side.RIGHT and moving.moved is None:
            continue  # the left side's mirror
        for name in corner.points:
            at = np.broadcast_to(here.point(name), (len(moving.coordinates), 3))
            out[corner.side, name] = frozen(at[0].real), frozen(at.imag / H)
    return out


def _wheel_and_ratio(moving: MovedAxle) -> Iterator[OtherSlopes]:
    rack = moving.axle.left.rack
    assert rack is not None
    if rack.mm_per_turn is None:
        yield OtherSlopes("turns lock to lock", "", 2, None, np.nan, None, NO_TURNS)
        return
    ends = steering_wheel(rack, [0.0])
    yield OtherSlopes("turns lock to lock", "", 2, None, ends.turns_lock_to_lock, None, TURNS)
    per_mm = 360.0 / rack.mm_per_turn / float(ends.pinion_per_wheel[0])
    rates = [
        magnitude(to_deg(wheel.steer_rate(p.posed.spin_axis, p.posed.rack_twist[..., 3:])))
        for p in moving.both(0.0, 0.0)
    ]
    ratio = 2.0 * per_mm / (rates[0] + rates[1])
    yield _told("steering ratio straight ahead", "to 1", 1, None, ratio)


def _axes_apart(moving: MovedAxle) -> Iterator[OtherSlopes]:
    apart = pivot_distance_mm(moving.axle)
    label = "distance between the steering axes at the ground"
    if apart is None:
        why = "no steering axis can be found"
        yield OtherSlopes(label, "mm", 1, None, np.nan, None, why)
        return
    axes = [steering_axis(p) for p in moving.ride]
    feet = [contact(p)[..., 2] for p in moving.ride]
    found = steering.foot_distance_mm(axes[0], axes[1], feet[0], feet[1])
    yield _told(label, "mm", 1, None, found)
    locks = lock_summaries(moving.axle, moving.car, apart / moving.car.wheelbase_mm)
    for one in (w for lock in locks for w in (lock.leading, lock.other)):
        mine = moving.moved is None or moving.moved is one.side
        if mine and one.trail_reverses_at_rack_mm is not None:
            yield _reversal(moving, one.side, one.trail_reverses_at_rack_mm)


def _reversal(moving: MovedAxle, side: Side, rack_mm: float) -> OtherSlopes:
    """There the trail is nought, so d(rack)/dp = -(trail by p) / (trail by rack)."""
    which = side is Side.RIGHT
    by_points = trail_and_scrub_mm(moving.both(rack_mm, 0.0)[which].posed)[0].imag / H
    along = trail_and_scrub_mm(moving.along_rack(rack_mm, 0.0)[which])[0].imag[0] / H
    return OtherSlopes(REVERSES, "mm", 1, side, rack_mm, frozen(-by_points / along))


def _told(label: str, unit: str, decimals: int, side: Side | None, value: Array) -> OtherSlopes:
    return OtherSlopes(label, unit, decimals, side, float(value[0].real), frozen(value.imag / H))
