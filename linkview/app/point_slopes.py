"""Which 1 mm matters, for a whole car: readings, stops and what steering does to its loads."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from linkview.alignment.jacking_slopes import JackingSlopes, Moving, jacking_slopes
from linkview.alignment.sensitivity import Sensitivity, sensitivities
from linkview.errors import LinkviewError, NoRest
from linkview.export.sensitivity import load_lines, ranked_lines, stop_lines, write_sensitivity
from linkview.kinematics.sensitivity import Sizes
from linkview.limits.sensitivity import StopSlopes, stop_slopes, travel_stop_slopes
from linkview.model.parts import Car, Side

STEEP = "For small changes: the slope at this pose, not a promise at 10 mm."


@dataclass(frozen=True, eq=False)
class PointSlopes:
    """stops: a table of each axle, and of each side where it is not alike, with the stops it meets.

    loads: (axle that steers, slopes). silent: why there are none of them, in words.
    """

    stops: tuple[tuple[Sensitivity, tuple[StopSlopes, ...]], ...]
    loads: tuple[tuple[str, JackingSlopes], ...]
    silent: tuple[str, ...]

    @property
    def lines(self) -> list[str]:
        """For the screen, with what the slopes are good for."""
        out = []
        for table, found in self.stops:
            out += [*ranked_lines(table), *stop_lines(found, table.coordinates)]
            mine = (table.axle.name, table.side)
            for steered, slopes in self.loads:
                if (slopes.moving.axle, slopes.moving.side) == mine:
                    out += load_lines(slopes, steered)
        return [*out, *self.silent, "", STEEP]

    def write(self, path: Path) -> None:
        """Every slope as CSV."""
        write_sensitivity(path, [table for table, _ in self.stops], self.stops, self.loads)


def point_slopes(car: Car, rack_mm: float, travel_mm: float, sizes: Sizes) -> PointSlopes:
    """All slopes at one pose; an axle that does not steer stays at rack 0."""
    stops = []
    for axle in car.axles.values():
        rack = rack_mm if axle.left.rack is not None else 0.0
        for table in sensitivities(axle, car, rack, travel_mm, sizes):
            corner = axle.right if table.side is Side.RIGHT else axle.left
            moved = table.coordinates
            met = stop_slopes(corner, axle, car, travel_mm, moved, sizes)
            along = travel_stop_slopes(corner, axle, car, moved, sizes)
            stops.append((table, (*met, *along)))
    loads, silent = _loads(car, rack_mm, [table for table, _ in stops])
    return PointSlopes(tuple(stops), tuple(loads), tuple(silent))


def _loads(
    car: Car, rack_mm: float, tables: Sequence[Sensitivity]
) -> tuple[list[tuple[str, JackingSlopes]], list[str]]:
    """What steering does to the car on its springs, by the coordinates of each table; or why not.

    At the rack asked for; where that is straight ahead, at the working rack to the car's left.
    """
    out: list[tuple[str, JackingSlopes]] = []
    for name, axle in car.axles.items():
        if axle.left.rack is None:
            continue
        rack = rack_mm or axle.left.rack.working_mm
        try:
            for t in tables:
                moving = Moving(t.axle.name, t.side, t.coordinates, t.sizes)
                out.append((name, jacking_slopes(car, name, rack, moving)))
        except NoRest as fault:
            return out, [f"steering jacking: not found, {fault.why}"]
        except LinkviewError:
            continue  # only one axle, or no springs: there is nothing to say of loads
    return out, []
