"""What a plate's slots adjust: camber, caster and toe at their ends, by putting the corner together
again with the point moved and every part kept, wheel-centre height held, rack centred.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from linkview.alignment.posed import at_ride_height, steering_axis
from linkview.alignment.steering import caster_rad
from linkview.errors import CannotAssemble
from linkview.kinematics.kept import corner_with
from linkview.model.parts import Corner
from linkview.model.reference import wheel_angles_deg
from linkview.plates.plate import Adjusts, Plate
from linkview.units import to_deg

STEP_MM = 0.5  # either side of the middle for the change per millimetre


@dataclass(frozen=True)
class SlotReading:
    """One place of the point in the slot. at_mm: along `way`, 0 the middle; NaN: not reachable."""

    at_mm: float
    camber_deg: float
    caster_deg: float
    toe_in_deg: float


@dataclass(frozen=True, eq=False)
class SlotEffect:
    """Readings at one end, the middle and the other end, and per millimetre at the middle."""

    adjusts: Adjusts
    readings: tuple[SlotReading, SlotReading, SlotReading]
    camber_deg_per_mm: float
    caster_deg_per_mm: float
    toe_in_deg_per_mm: float

    @property
    def words(self) -> str:
        """'slots move strut_top +-12 mm: camber -3.2 to -1.9 deg (0.055 per mm), ...'."""
        low, _, high = self.readings
        x, y, z = self.adjusts.way
        return (
            f"slots move {self.adjusts.point} {self.adjusts.each_way_mm:g} mm each way along "
            f"[{x:.3f}, {y:.3f}, {z:.3f}]: camber {low.camber_deg:+.2f} to {high.camber_deg:+.2f} "
            f"deg ({self.camber_deg_per_mm:+.4f} per mm), caster {low.caster_deg:+.2f} to "
            f"{high.caster_deg:+.2f} deg ({self.caster_deg_per_mm:+.4f} per mm), toe-in of the "
            f"wheel {low.toe_in_deg:+.2f} to {high.toe_in_deg:+.2f} deg with the tie rod kept "
            f"({self.toe_in_deg_per_mm:+.4f} per mm); wheel-centre height held"
        )


def slot_effect(plate: Plate, corner: Corner) -> SlotEffect | None:
    """What the slots of this plate, drawn for this corner, do to its wheel; None without slots."""
    adjusts = plate.adjusts
    if adjusts is None:
        return None
    each = adjusts.each_way_mm
    low, middle, high = (_reading(corner, adjusts, at) for at in (-each, 0.0, each))
    less, more = (_reading(corner, adjusts, at) for at in (-STEP_MM, STEP_MM))
    per = 1.0 / (2.0 * STEP_MM)
    return SlotEffect(
        adjusts,
        (low, middle, high),
        (more.camber_deg - less.camber_deg) * per,
        (more.caster_deg - less.caster_deg) * per,
        (more.toe_in_deg - less.toe_in_deg) * per,
    )


def _reading(corner: Corner, adjusts: Adjusts, at_mm: float) -> SlotReading:
    try:
        place = corner.points[adjusts.point] + at_mm * adjusts.way
        moved = corner_with(corner, {adjusts.point: place})
        camber, toe_in = wheel_angles_deg(corner.side, moved.wheel.spin_axis)
    except CannotAssemble:
        return SlotReading(at_mm, np.nan, np.nan, np.nan)
    caster = np.nan
    if corner.layout.steering_axis is not None:
        axis = steering_axis(at_ride_height(moved))
        caster = float(to_deg(caster_rad(axis))[0, 0])
    return SlotReading(at_mm, camber, caster, toe_in)
