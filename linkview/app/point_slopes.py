"""Which 1 mm matters, for a whole car: readings, stops and what steering does to its loads."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from linkview.alignment.jacking_slopes import JackingSlopes, Moving, jacking_slopes
from linkview.alignment.sensitivity import Sensitivity
from linkview.errors import LinkviewError, NoRest
from linkview.export.sensitivity import load_lines, table_lines, write_sensitivity
from linkview.kinematics.sensitivity import Sizes
from linkview.limits.by_point import ByPoint, by_point
from linkview.model.parts import Car

IN_ROLL = "no slope: a solid axle in roll (its own table); compare two variants for that"
STEEP = "For small changes: the slope at this pose, not a promise at 10 mm."


@dataclass(frozen=True, eq=False)
class PointSlopes:
    """tables: of each axle, and of each side where it is not alike.

    loads: (axle that steers, slopes). silent: why there are none of them, in words.
    """

    tables: tuple[ByPoint, ...]
    loads: tuple[tuple[str, JackingSlopes], ...]
    silent: tuple[str, ...]

    @property
    def lines(self) -> list[str]:
        """For the screen, with what the slopes are good for."""
        out: list[str] = []
        for one in self.tables:
            out += table_lines(one)
            mine = (one.table.axle.name, one.table.side)
            for steered, slopes in self.loads:
                if (slopes.moving.axle, slopes.moving.side) == mine:
                    out += load_lines(slopes, steered)
        beams = [t.table.axle for t in self.tables if t.table.axle.left.layout.level]
        in_roll = [f"  {IN_ROLL}"] if beams else []
        return [*out, *in_roll, *self.silent, "", STEEP]

    def write(self, path: Path) -> None:
        """Every slope as CSV."""
        write_sensitivity(path, self.tables, self.loads)


def point_slopes(car: Car, rack_mm: float, travel_mm: float, sizes: Sizes) -> PointSlopes:
    """All slopes at one pose; an axle that does not steer stays at rack 0."""
    tables: list[ByPoint] = []
    for axle in car.axles.values():
        rack = rack_mm if axle.left.rack is not None else 0.0
        tables += by_point(axle, car, rack, travel_mm, sizes)
    loads, silent = _loads(car, rack_mm, [one.table for one in tables])
    return PointSlopes(tuple(tables), tuple(loads), tuple(silent))


def _loads(
    car: Car, rack_mm: float, tables: Sequence[Sensitivity]
) -> tuple[list[tuple[str, JackingSlopes]], list[str]]:
    """What steering does to the car on its springs, by the coordinates of each table; or why not.

    At the rack asked for; where that is straight ahead, at the working rack to the car's left.
    """
    out: list[tuple[str, JackingSlopes]] = []
    silent: list[str] = []
    for name, axle in car.axles.items():
        if axle.left.rack is None:
            continue
        rack = rack_mm or axle.left.rack.working_mm
        try:
            for t in tables:
                moving = Moving(t.axle.name, t.side, t.coordinates, t.sizes)
                out.append((name, jacking_slopes(car, name, rack, moving)))
        except NoRest as fault:
            return out, [*silent, f"steering jacking: not found, {fault.why}"]
        except LinkviewError as fault:
            silent.append(f"steering jacking has no slope: {fault}")
    return out, silent
