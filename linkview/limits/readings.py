"""What limits a corner, and how far inside each limit every pose stands."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from linkview.geometry import Array, frozen
from linkview.kinematics.sweep import AxleSweep, CornerSweep
from linkview.limits.joints import clocked_rod_limits, joint_limits
from linkview.limits.lengths import (
    damper_limits,
    driveshaft_limits,
    hose_limits,
    spring_limits,
)
from linkview.limits.limit import Limit, Stops
from linkview.limits.report import REACH
from linkview.limits.steering import rack_limits, toggle_limits
from linkview.model.parts import Axle, Car, Corner, Side


@dataclass(frozen=True, eq=False)
class LimitReading:
    """One limit over a sweep, (S, T) each; NaN where the pose was not reached.

    margin: in `unit`, positive inside. normalised: margin / the limit's own full range, 0 at the
    limit. For the edge of reach value and margin are the rack travel left, NaN along rows and ways
    in which the grid does not meet the edge.
    """

    side: Side
    name: str
    point: str
    unit: str
    allowed: float
    stops: Stops
    value: Array
    margin: Array
    normalised: Array


def readings(sweep: AxleSweep, car: Car) -> tuple[LimitReading, ...]:
    """Every limit of both corners, left first.

    car: for a spring whose length at ride height must come from the corner's load.
    """
    out = []
    for corner in sweep.corners:
        for limit in limits_of(corner.corner, sweep.axle, car):
            value = limit.measure(corner)
            margin = limit.margin(value)
            out.append(
                LimitReading(
                    limit.side,
                    limit.name,
                    limit.point,
                    limit.unit,
                    limit.allowed,
                    limit.stops,
                    frozen(value),
                    frozen(margin),
                    frozen(margin / limit.full),
                )
            )
        if corner.edges:
            out.append(_reach(corner))
    return tuple(out)


def limits_of(corner: Corner, axle: Axle, car: Car) -> tuple[Limit, ...]:
    """Every limit the file gives for a corner, the edge of reach apart."""
    return (
        *joint_limits(corner),
        *clocked_rod_limits(corner),
        *toggle_limits(corner, axle),
        *damper_limits(corner),
        *spring_limits(corner, axle, car),
        *rack_limits(corner),
        *driveshaft_limits(corner),
        *hose_limits(corner),
    )


def _reach(sweep: CornerSweep) -> LimitReading:
    """Rack travel left before each row's edge, on the side of the rack the pose is on."""
    left = np.full(sweep.solved.shape, np.nan)
    for edge in sweep.edges:
        j = int(np.argmin(np.abs(sweep.travel_mm - edge.travel_mm)))
        ahead = np.sign(sweep.rack_mm) == np.sign(edge.rack_mm)
        left[ahead, j] = np.abs(edge.rack_mm) - np.abs(sweep.rack_mm[ahead])
    left = np.where(sweep.solved, left, np.nan)
    rack = sweep.corner.rack
    full = rack.stop_mm if rack else 1.0
    return LimitReading(
        sweep.corner.side,
        REACH,
        "",
        "mm",
        0.0,
        Stops.MOTION,
        frozen(left),
        frozen(left),
        frozen(left / full),
    )
