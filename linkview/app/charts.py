"""Curves and limit maps of a study, as pictures and tables."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

from linkview.alignment.axle import AxleAlignment
from linkview.app.folder import Written
from linkview.export.curves import Against, State, curves_of, draw_curves, write_curves
from linkview.export.limit_map import draw_limit_map
from linkview.export.roll import write_roll
from linkview.export.roll_curves import draw_roll
from linkview.limits.roll import roll_grid, roll_line, roll_stops
from linkview.model.parts import Axle, Car
from linkview.model.wording import spoken
from linkview.study import CarStudy, along_rack, along_travel, limit_regions

ROLL_COUNT = 61
LINES = {Against.TRAVEL: along_travel, Against.RACK: along_rack}


def draw_charts(study: CarStudy, found: Car, folder: Path) -> list[Written]:
    """Curves of every axle, over those of the car as found, and the limit map of steered ones."""
    cars = [found, study.car] if study.car.variant != found.variant else [study.car]
    out = []
    for name, axle in study.axles.items():
        out += draw_axle_curves(name, cars, folder)
        if axle.axle.left.layout.level:
            out += _draw_roll(axle.axle, study.car, folder)
        if axle.axle.left.rack is not None:
            regions = limit_regions(axle.axle, study.car, axle.gaps)
            draw_limit_map(folder / f"{name}_limit_map", regions, axle.stops)
            out.append(
                Written(f"{name}_limit_map.png", "what stops it first, rack by travel; .svg")
            )
    return out


def _draw_roll(axle: Axle, car: Car, folder: Path) -> list[Written]:
    """A solid axle in heave and roll: every mixture as CSV, pure roll as curves."""
    name = f"{axle.name}_in_roll"
    write_roll(folder / f"{name}.csv", roll_grid(axle, car))
    draw_roll(folder / name, roll_line(axle, car, ROLL_COUNT), roll_stops(axle, car))
    return [
        Written(f"{name}.csv", "the axle at every mixture of both wheels' travels"),
        Written(f"{name}.png", "the axle against roll at ride height; also .svg"),
    ]


def draw_axle_curves(name: str, cars: Sequence[Car], folder: Path) -> list[Written]:
    """Both sets of curves of one axle, all states over each other."""
    out = []
    for against, line in LINES.items():
        states = [State(_label(car), _read(car.axles, name, car, line)) for car in cars]
        if not curves_of(states, against):
            continue
        place = f"{name}_against_{against.value}"
        draw_curves(folder / place, states, against)
        write_curves(folder / f"{place}.csv", states, against)
        out.append(Written(f"{place}.png", f"curves against {against.value}; also .svg and .csv"))
    return out


def _read(axles: Mapping[str, Axle], name: str, car: Car, line: object) -> AxleAlignment:
    assert callable(line)
    found = line(axles[name], car)
    assert isinstance(found, AxleAlignment)
    return found


def _label(car: Car) -> str:
    return spoken(car.variant)
