"""All that is reported of an axle at one pose, by hard point: readings, places, limits, stops."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from linkview.alignment.moved_axle import MovedAxle
from linkview.alignment.other_slopes import OtherSlopes, other_slopes, places_by_point
from linkview.alignment.sensitivity import Sensitivity, sensitivities
from linkview.geometry import Array
from linkview.kinematics.sensitivity import Sizes
from linkview.limits.sensitivity import (
    LimitSlopes,
    StopSlopes,
    limit_slopes,
    stop_slopes,
    travel_stop_slopes,
)
from linkview.model.parts import Axle, Car, Side


@dataclass(frozen=True, eq=False)
class ByPoint:
    """One table of an axle, or of one side moved.

    table: alignment at the pose. others: readings of the axle as a whole. places: (side, point) ->
    where it is in the body at the pose (3,), and its slopes (K, 3). limits: how near each is at the
    pose; stops: where each is met. All by `table.coordinates`.
    """

    table: Sensitivity
    others: tuple[OtherSlopes, ...]
    places: Mapping[tuple[Side, str], tuple[Array, Array]]
    limits: tuple[LimitSlopes, ...]
    stops: tuple[StopSlopes, ...]


def by_point(
    axle: Axle, car: Car, rack_mm: float, travel_mm: float, sizes: Sizes
) -> tuple[ByPoint, ...]:
    """One, or one of each side moved where the sides differ. Raises LinkageLocked beyond reach."""
    out = []
    for table in sensitivities(axle, car, rack_mm, travel_mm, sizes):
        corner = axle.right if table.side is Side.RIGHT else axle.left
        moved = table.coordinates
        moving = MovedAxle(axle, car, moved, sizes, table.side)
        out.append(
            ByPoint(
                table,
                other_slopes(moving),
                places_by_point(moving, rack_mm, travel_mm),
                limit_slopes(corner, axle, car, (rack_mm, travel_mm), moved, sizes),
                (
                    *stop_slopes(corner, axle, car, travel_mm, moved, sizes),
                    *travel_stop_slopes(corner, axle, car, moved, sizes),
                ),
            )
        )
    return tuple(out)
