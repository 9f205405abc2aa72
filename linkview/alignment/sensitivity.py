"""Which millimetre matters: every reading's slope by every hard-point coordinate, at one pose."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from linkview.alignment import steering, travel, wheel
from linkview.alignment.assumed import Assumed, assumed_for
from linkview.alignment.axle import ackermann
from linkview.alignment.corner import GAUGE_STEER_DEG, steered_by
from linkview.alignment.moved_axle import MovedAxle
from linkview.alignment.posed import contact, has_damper, steering_axis
from linkview.alignment.quantities import QUANTITIES, Of, Quantity
from linkview.alignment.readings import (
    NOT_STEERED,
    Readable,
    contact_centre_rate,
    contact_point_rate,
    read_corner,
    ride_from,
    straight_enough,
)
from linkview.errors import UnknownName, near_miss
from linkview.geometry import Array, frozen
from linkview.kinematics.axle import roll_twist
from linkview.kinematics.factored import factored
from linkview.kinematics.sensitivity import (
    Coordinate,
    H,
    Perturbed,
    Sizes,
    coordinates_of,
    perturbed,
)
from linkview.model.parts import Axle, Car, Corner, Hold, Side
from linkview.units import to_deg

ACKERMANN = ("inner_steer_deg", "outer_steer_deg", "ackermann_inner_deg", "percent_ackermann")
GAUGE_COLUMNS = 21  # racks from stop to stop between which 20 deg of steer is looked for
# The readings whose slopes are told, in this order.
RANKED = (
    "camber_deg",
    "toe_in_deg",
    "caster_deg",
    "gauge_caster_deg",
    "trail_mm",
    "scrub_radius_mm",
    "toggle_deg",
    "steer_jacking_mm_per_mm",
    "bump_steer_deg_per_mm",
    "camber_gain_deg_per_mm",
    "motion_ratio",
    "wheel_rate_n_per_mm",
    "roll_centre_height_mm",
)
NO_GAUGE = "the wheel is not steered 20 deg each way between the rack's stops at this travel"
NEAR_LOCK = "it is not shown beyond 10 deg of steer, where it means nothing"
COIL_BOUND = "the spring is coil bound here"
NONE_HERE = {
    "side_view_swing_arm_mm": f"no turn in side view, or {NEAR_LOCK}",
    "roll_centre_height_mm": "the normals to the contact points' velocities are parallel",
    "roll_centre_y_mm": "the normals to the contact points' velocities are parallel",
    **dict.fromkeys(("anti_dive_percent", "anti_lift_percent", "anti_squat_percent"), NEAR_LOCK),
    **dict.fromkeys(("spring_force_n", "wheel_rate_n_per_mm", "ride_frequency_hz"), COIL_BOUND),
}

Key = tuple[Side | None, str]  # None: the axle's


@dataclass(frozen=True, eq=False)
class Sensitivity:
    """Slopes of readings at one pose.

    hold: what is kept while steering; travel_mm is with the rack centred. side: whose points are
    moved; None where the axle is symmetric and both sides move alike. coordinates (K). values,
    slopes: (side read or None for the axle, quantity name) -> the reading (or its parts), and its
    slopes by the coordinates, (K,) or (K, parts), in its unit per mm. absent: why a reading has no
    slope here, in words; of every reading of `quantities.py` that has none.
    """

    axle: Axle
    rack_mm: float
    travel_mm: float
    hold: Hold
    sizes: Sizes
    side: Side | None
    coordinates: tuple[Coordinate, ...]
    values: Mapping[Key, Array]
    slopes: Mapping[Key, Array]
    absent: Mapping[Key, str]

    def ranked(self, name: str, side: Side | None) -> list[tuple[Coordinate, float]]:
        """Coordinates by how much 1 mm of each changes a reading, the strongest first.

        Raises UnknownName for a reading that has no single slope here.
        """
        key = (side, name)
        if key not in self.slopes or self.slopes[key].ndim != 1:
            known = [n for s, n in self.slopes if s is side]
            raise UnknownName(f"no slope of '{name}' here; {near_miss(name, known)}")
        slopes = self.slopes[key]
        order = np.argsort(-np.abs(slopes), kind="stable")
        return [(self.coordinates[k], float(slopes[k])) for k in order]


def sensitivities(
    axle: Axle, car: Car, rack_mm: float, travel_mm: float, sizes: Sizes
) -> tuple[Sensitivity, ...]:
    """Slopes of every reading of an axle at one pose; one table, or one per side moved.

    As the axle's `hold` says, so that what is read is what a sweep of it reads. sizes: whether
    parts follow their points (measured elsewhere) or keep their size (a bracket moved). Gauge
    caster is there where the wheel can be steered 20 deg each way at that travel. Raises
    LinkageLocked where the pose is beyond reach.
    """
    out = []
    for moved in (None,) if axle.symmetric else tuple(Side):
        first = axle.right if moved is Side.RIGHT else axle.left
        moving = MovedAxle(axle, car, coordinates_of(first, sizes), sizes, moved)
        out.append(_table(moving, (rack_mm, travel_mm)))
    return tuple(out)


def corner_sensitivity(
    corner: Corner,
    assumed: Assumed,
    rack_mm: float,
    travel_mm: float,
    coordinates: Sequence[Coordinate],
    sizes: Sizes,
) -> tuple[dict[str, Array], dict[str, Array]]:
    """One corner's readings and their slopes by each coordinate, in the reading's unit per mm."""
    at = factored(corner, rack_mm, travel_mm)
    here = perturbed(at, coordinates, sizes)
    ride = here
    if rack_mm or travel_mm:
        ride = perturbed(factored(corner, 0.0, 0.0), coordinates, sizes)
    return _split(_corner_readings(here, ride, assumed))


def _corner_readings(here: Perturbed, ride: Perturbed, assumed: Assumed) -> dict[str, Array]:
    return read_corner(here, here.bends, ride_from(ride), assumed)[0]


def _split(readings: Mapping[str, Array]) -> tuple[dict[str, Array], dict[str, Array]]:
    """Values (of the first copy) and slopes."""
    values = {name: frozen(v[0].real) for name, v in readings.items()}
    return values, {name: frozen(v.imag / H) for name, v in readings.items()}


def _table(moving: MovedAxle, at: tuple[float, float]) -> Sensitivity:
    axle, assumed = moving.axle, assumed_for(moving.axle, moving.car)
    both = moving.both(*at)
    readings: dict[Key, Array] = {}
    absent: dict[Key, str] = {}
    own = moving.moved or Side.LEFT
    # One wheel's points move the other's readings where a body or a beam leans with them.
    other_too = moving.moved is not None and (moving.on_road or axle.left.layout.level)
    for corner, here, ride in zip(axle.corners, both, moving.ride, strict=True):
        side = corner.side
        if side is not own and not other_too:
            continue
        read, why = read_corner(here.posed, here.bends, ride_from(ride), assumed)
        readings.update({(side, name): v for name, v in read.items()})
        absent.update({(side, name): words for name, words in why.items()})
        if corner.rack is not None:
            gauge = _gauge_caster(moving, corner, at[1])
            if gauge is None:
                absent[side, "gauge_caster_deg"] = NO_GAUGE
            else:
                readings[side, "gauge_caster_deg"] = gauge
        else:
            absent[side, "gauge_caster_deg"] = NOT_STEERED
    left, right = (one.posed for one in both)
    read, why = _axle_readings((left, right), moving.ride, moving.car.wheelbase_mm)
    if axle.left.layout.level:
        read |= _beam_roll_centre(moving, at[1])
        why = {name: words for name, words in why.items() if name not in read}
    readings.update({(None, name): v for name, v in read.items()})
    absent.update({(None, name): words for name, words in why.items()})
    values = {key: frozen(v[0].real) for key, v in readings.items()}
    for key, value in values.items():
        if not np.isfinite(value).all():
            absent[key] = NONE_HERE.get(key[1], "it means nothing at this pose")
    return Sensitivity(
        axle,
        *at,
        moving.hold,
        moving.sizes,
        moving.moved,
        tuple(moving.coordinates),
        values,
        {key: frozen(v.imag / H) for key, v in readings.items()},
        absent,
    )


def _gauge_caster(moving: MovedAxle, corner: Corner, travel_mm: float) -> Array | None:
    """Gauge caster (K,); None where the wheel cannot be steered that far.

    The racks at which the wheel is steered 20 deg move too: camber there goes on by what the rack
    must make good, d(camber) - d(camber)/d(steer) d(steer).
    """
    assert corner.rack is not None
    stop, side = corner.rack.stop_mm, corner.side.outboard
    steered = moving.swept(corner, np.linspace(-stop, stop, GAUGE_COLUMNS), travel_mm)
    cambers = []
    for steer_deg in (GAUGE_STEER_DEG, -GAUGE_STEER_DEG):
        _, found, _ = steered_by(steered, steer_deg)
        if not found.size:
            return None
        here = moving.side(corner, float(found[0]), travel_mm).posed
        n, turn = here.spin_axis, here.rack_twist[:, 3:].real
        steer = wheel.steer_rad(n)
        by_rack = wheel.camber_rate(n.real, turn, side) / wheel.steer_rate(n.real, turn)
        cambers.append(to_deg(wheel.camber_rad(n, side) - 1j * by_rack * steer.imag))
    return side * steering.gauge_caster_deg(cambers[0], cambers[1])


def _axle_readings(
    both: tuple[Readable, Readable], rides: tuple[Perturbed, Perturbed], wheelbase_mm: float
) -> tuple[dict[str, Array], dict[str, str]]:
    """What both wheels make together, and why others of it are absent."""
    left, right = both
    ground = contact(left), contact(right)
    wander = [contact_centre_rate(c, c.travel_twist)[..., 1] for c in both]
    out = {
        "track_mm": ground[0][..., 1] - ground[1][..., 1],
        "track_change_mm_per_mm": wander[0] - wander[1],
    }
    corner = left.corner
    absent = dict.fromkeys(ACKERMANN, NOT_STEERED)
    if corner.layout.level:
        return out, absent
    rates = [contact_point_rate(c, c.travel_twist) for c in both]
    y, height = travel.roll_centre(ground[0], rates[0], ground[1], rates[1])
    if all(straight_enough(c).all() for c in both):
        out |= {"roll_centre_y_mm": y, "roll_centre_height_mm": height}
    else:
        absent |= dict.fromkeys(("roll_centre_y_mm", "roll_centre_height_mm"), NEAR_LOCK)
    if corner.rack is None:
        return out, absent
    if corner.layout.steering_axis is None and not has_damper(corner):
        return out, absent | dict.fromkeys(ACKERMANN, "no steering axis can be found")
    axes = [steering_axis(c) for c in rides]
    feet = [contact(c)[..., 2] for c in rides]
    apart = steering.foot_distance_mm(axes[0], axes[1], feet[0], feet[1])
    found = ackermann(left.spin_axis, right.spin_axis, apart / wheelbase_mm)
    for name, values in zip(ACKERMANN, found, strict=True):
        if np.isfinite(values).all():
            out[name] = values
            del absent[name]
        else:
            absent[name] = "there is none under 1 deg of steer"
    return out, absent


def _beam_roll_centre(moving: MovedAxle, travel_mm: float) -> dict[str, Array]:
    """A beam axle's, where it stands still in roll, both wheels at this travel."""
    here = moving.beam(travel_mm)
    y, z = travel.front_view_centre(here[0].wheel_centre, roll_twist(here[0]))
    ground = 0.5 * (contact(here[0]) + contact(here[1]))[..., 2]
    return {"roll_centre_y_mm": y, "roll_centre_height_mm": z - ground}


def quantity(name: str) -> Quantity:
    """The words of a reading."""
    return next(q for q in QUANTITIES if q.name == name)


def of_axle(name: str) -> bool:
    """Whether a reading is the axle's, not one corner's."""
    return quantity(name).of is Of.AXLE
