"""What a shop's caster gauge would read on many cars: each is steered 20 degrees to either side.

Every car needs a rack position of its own for that; it is found by Newton on the rack, from where
the nominal car has it, with each car's exact slopes.
"""

from __future__ import annotations

import numpy as np

from linkview.alignment import steering, wheel
from linkview.alignment.corner import GAUGE_STEER_DEG, steered_by
from linkview.alignment.on_road import in_the_body
from linkview.geometry import Array
from linkview.kinematics.cars import Cars, grips
from linkview.kinematics.sweep import sweep_corner
from linkview.model.parts import Corner, Hold
from linkview.units import to_deg, to_rad

COLUMNS = 21  # racks from stop to stop between which the nominal car's is looked for
ROUNDS = 8
STEERED_RAD = 1e-10


def gauge_caster_deg(corner: Corner, cars: Cars) -> Array | None:
    """(n,) deg at ride height, wheel-centre height held; NaN for a car that cannot be steered that
    far before its rack stop. None where the nominal car, the corner, cannot.
    """
    assert corner.rack is not None
    stop, outboard = corner.rack.stop_mm, corner.side.outboard
    rack = np.linspace(-stop, stop, COLUMNS)
    swept = in_the_body(sweep_corner(corner, rack, np.zeros(1), Hold.WHEEL_HEIGHT))
    cambers = []
    for steer_deg in (GAUGE_STEER_DEG, -GAUGE_STEER_DEG):
        _, found, _ = steered_by(swept, steer_deg)
        if not found.size:
            return None
        cambers.append(_camber_deg(corner, cars, float(found[0]), float(to_rad(steer_deg))))
    return np.asarray(outboard * steering.gauge_caster_deg(*cambers))


def _camber_deg(corner: Corner, cars: Cars, near_mm: float, steer_rad: float) -> Array:
    """Camber (n,) of every car steered so; near_mm: the rack at which the nominal car is."""
    assert corner.rack is not None
    nominal, problem, racks = cars.nominal, cars.height, np.full(cars.count, near_mm)
    at = sweep_corner(corner, np.array([near_mm]), np.zeros(1), Hold.WHEEL_HEIGHT)
    base = nominal.state_of({p: at.poses[p][0, 0][None] for p in nominal.parts})
    slope = nominal.linkage.rows(base, np.array([near_mm])).slope[..., 0]
    inverse = np.asarray(np.linalg.inv(slope[problem.used]), dtype=float)
    signs, state = grips(nominal, problem, slope), cars.start(base)
    for _ in range(ROUNDS):
        state, closed = cars.brought(problem, state, inverse, racks, np.zeros(cars.count))
        posed = cars.read(state, closed, racks, signs)
        off = wheel.steer_rad(posed.spin_axis) - steer_rad
        known = np.isfinite(off)
        if not np.any(np.abs(off[known]) > STEERED_RAD):
            break
        step = off / wheel.steer_rate(posed.spin_axis, posed.rack_twist[:, 3:])
        racks = racks - np.where(known, np.clip(step, -corner.rack.stop_mm, corner.rack.stop_mm), 0)
    steered = known & (np.abs(np.where(known, off, 1.0)) <= STEERED_RAD)
    reached = steered & (np.abs(racks) <= corner.rack.stop_mm)
    camber = to_deg(wheel.camber_rad(posed.spin_axis, corner.side.outboard))
    return np.where(reached, camber, np.nan)
