"""Which millimetre matters: every reading's slope by every hard-point coordinate, at one pose."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from linkview.alignment import steering, travel, wheel
from linkview.alignment.assumed import Assumed, assumed_for
from linkview.alignment.axle import ackermann
from linkview.alignment.corner import GAUGE_STEER_DEG, steered_by
from linkview.alignment.on_road import in_the_body
from linkview.alignment.posed import contact, has_damper, steering_axis
from linkview.alignment.quantities import QUANTITIES, Of, Quantity
from linkview.alignment.readings import (
    contact_centre_rate,
    contact_point_rate,
    read_corner,
    ride_from,
    straight_enough,
)
from linkview.errors import UnknownName, near_miss
from linkview.geometry import Array, frozen
from linkview.kinematics.axle import roll_twist
from linkview.kinematics.factored import factored, factored_on_axle
from linkview.kinematics.sensitivity import (
    Coordinate,
    H,
    Perturbed,
    Sizes,
    coordinates_of,
    perturbed,
    shares,
)
from linkview.kinematics.sweep import sweep_corner
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


@dataclass(frozen=True, eq=False)
class Sensitivity:
    """Slopes of readings at one pose, wheel heights kept.

    side: whose points are moved; None where the axle is symmetric and both sides move alike.
    coordinates (K). values, slopes: (side read or None for the axle, quantity name) -> the reading
    (or its parts), and its slopes by the coordinates, (K,) or (K, parts), in its unit per mm.
    """

    axle: Axle
    rack_mm: float
    travel_mm: float
    sizes: Sizes
    side: Side | None
    coordinates: tuple[Coordinate, ...]
    values: Mapping[tuple[Side | None, str], Array]
    slopes: Mapping[tuple[Side | None, str], Array]

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

    sizes: whether parts follow their points (measured elsewhere) or keep their size (a bracket
    moved). Gauge caster is there where the wheel can be steered 20 deg each way at that travel.
    Raises LinkageLocked where the pose is beyond reach.
    """
    assumed = assumed_for(axle, car)
    if axle.symmetric:
        return (_table(axle, car, assumed, (rack_mm, travel_mm), sizes, None),)
    return tuple(_table(axle, car, assumed, (rack_mm, travel_mm), sizes, side) for side in Side)


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


def _table(
    axle: Axle,
    car: Car,
    assumed: Assumed,
    at: tuple[float, float],
    sizes: Sizes,
    moved: Side | None,
) -> Sensitivity:
    first = axle.right if moved is Side.RIGHT else axle.left
    coordinates = coordinates_of(first, sizes)
    both, rides = [], []
    for corner in axle.corners:
        both.append(_perturbed(corner, at, coordinates, moved, sizes))
        rides.append(
            both[-1]
            if at == (0.0, 0.0)
            else _perturbed(corner, (0.0, 0.0), coordinates, moved, sizes)
        )
    readings: dict[tuple[Side | None, str], Array] = {}
    for corner, here, ride in zip(axle.corners, both, rides, strict=True):
        side = corner.side
        if side is (moved or Side.LEFT):
            read = _corner_readings(here, ride, assumed)
            readings.update({(side, name): v for name, v in read.items()})
            if corner.rack is not None:
                gauge = _gauge_caster(corner, at[1], coordinates, moved, sizes)
                if gauge is not None:
                    readings[side, "gauge_caster_deg"] = gauge
    read = _axle_readings(both, rides, car.wheelbase_mm)
    if axle.left.layout.level:
        read |= _beam_roll_centre(axle, at[1], coordinates, moved, sizes)
    readings.update({(None, name): v for name, v in read.items()})
    return Sensitivity(
        axle,
        *at,
        sizes,
        moved,
        coordinates,
        {key: frozen(v[0].real) for key, v in readings.items()},
        {key: frozen(v.imag / H) for key, v in readings.items()},
    )


def _perturbed(
    corner: Corner,
    at: tuple[float, float],
    coordinates: Sequence[Coordinate],
    moved: Side | None,
    sizes: Sizes,
) -> Perturbed:
    own, weights = shares(corner, coordinates, moved)
    return perturbed(factored(corner, *at), own, sizes, weights=weights)


def _gauge_caster(
    corner: Corner,
    travel_mm: float,
    coordinates: Sequence[Coordinate],
    moved: Side | None,
    sizes: Sizes,
) -> Array | None:
    """Gauge caster (K,), wheel height kept; None where the wheel cannot be steered that far.

    The racks at which the wheel is steered 20 deg move too: camber there goes on by what the rack
    must make good, d(camber) - d(camber)/d(steer) d(steer).
    """
    assert corner.rack is not None
    stop, side = corner.rack.stop_mm, corner.side.outboard
    rack = np.linspace(-stop, stop, GAUGE_COLUMNS)
    steered = in_the_body(sweep_corner(corner, rack, np.array([travel_mm]), Hold.WHEEL_HEIGHT))
    cambers = []
    for steer_deg in (GAUGE_STEER_DEG, -GAUGE_STEER_DEG):
        _, found, _ = steered_by(steered, steer_deg)
        if not found.size:
            return None
        at = float(found[0]), travel_mm
        here = _perturbed(corner, at, coordinates, moved, sizes)
        n, turn = here.spin_axis, here.rack_twist[:, 3:].real
        steer = wheel.steer_rad(n)
        by_rack = wheel.camber_rate(n.real, turn, side) / wheel.steer_rate(n.real, turn)
        cambers.append(to_deg(wheel.camber_rad(n, side) - 1j * by_rack * steer.imag))
    return side * steering.gauge_caster_deg(cambers[0], cambers[1])


def _axle_readings(
    both: Sequence[Perturbed], rides: Sequence[Perturbed], wheelbase_mm: float
) -> dict[str, Array]:
    left, right = both
    ground = contact(left), contact(right)
    wander = [contact_centre_rate(c, c.travel_twist)[..., 1] for c in both]
    out = {
        "track_mm": ground[0][..., 1] - ground[1][..., 1],
        "track_change_mm_per_mm": wander[0] - wander[1],
    }
    if left.corner.layout.level:
        return out
    rates = [contact_point_rate(c, c.travel_twist) for c in both]
    y, height = travel.roll_centre(ground[0], rates[0], ground[1], rates[1])
    if all(straight_enough(c).all() for c in both):
        out |= {"roll_centre_y_mm": y, "roll_centre_height_mm": height}
    corner = left.corner
    drawn = corner.layout.steering_axis is not None or has_damper(corner)
    if corner.rack is not None and drawn:
        axes = [steering_axis(c) for c in rides]
        feet = [contact(c)[..., 2] for c in rides]
        apart = steering.foot_distance_mm(axes[0], axes[1], feet[0], feet[1])
        found = ackermann(left.spin_axis, right.spin_axis, apart / wheelbase_mm)
        named = zip(ACKERMANN, found, strict=True)
        out |= {name: values for name, values in named if np.isfinite(values).all()}
    return out


def _beam_roll_centre(
    axle: Axle,
    travel_mm: float,
    coordinates: Sequence[Coordinate],
    moved: Side | None,
    sizes: Sizes,
) -> dict[str, Array]:
    """A beam axle's, where it stands still in roll, both wheels at this travel."""
    here = []
    for at in factored_on_axle(axle, 0.0, np.full(2, travel_mm)):
        own, weights = shares(at.built.corner, coordinates, moved)
        here.append(perturbed(at, own, sizes, weights=weights))
    y, z = travel.front_view_centre(here[0].wheel_centre, roll_twist(here[0]))
    ground = 0.5 * (contact(here[0]) + contact(here[1]))[..., 2]
    return {"roll_centre_y_mm": y, "roll_centre_height_mm": z - ground}


def quantity(name: str) -> Quantity:
    """The words of a reading."""
    return next(q for q in QUANTITIES if q.name == name)


def of_axle(name: str) -> bool:
    """Whether a reading is the axle's, not one corner's."""
    return quantity(name).of is Of.AXLE
