"""Which millimetre matters: slopes by hard point as a ranked list and as CSV."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np

from linkview.alignment.jacking_slopes import JackingSlopes
from linkview.alignment.quantities import QUANTITIES
from linkview.alignment.sensitivity import RANKED, Sensitivity
from linkview.export.tables import write_table
from linkview.geometry import Array
from linkview.kinematics.sensitivity import Coordinate
from linkview.limits.sensitivity import StopSlopes
from linkview.model.parts import Side

SHOWN = 4
LEAST_SHARE = 0.02  # of the strongest; weaker coordinates are not worth a line


def ranked_lines(table: Sensitivity) -> Iterator[str]:
    """For the screen: for each reading the coordinates of which 1 mm does most."""
    whose = "both sides moved alike" if table.side is None else f"{table.side.value} side moved"
    yield (
        f"{table.axle.name.upper()} AXLE, rack {table.rack_mm:+.1f} mm, travel "
        f"{table.travel_mm:+.1f} mm ({whose}; {table.sizes.value})"
    )
    for name in RANKED:
        side = _reader(table, name)
        if (side, name) not in table.slopes or not np.isfinite(table.slopes[side, name]).all():
            continue
        q = next(q for q in QUANTITIES if q.name == name)
        ranked = table.ranked(name, side)
        most = abs(ranked[0][1])
        if most < 10.0 ** -(q.decimals + 3):
            continue
        told = [r for r in ranked[:SHOWN] if abs(r[1]) >= LEAST_SHARE * most]
        value = float(table.values[side, name])
        places = q.decimals + 1
        cells = ", ".join(f"{c.words} {slope:+.{places}f}" for c, slope in told)
        yield f"  {q.label} {value:+.{q.decimals}f} {q.unit}; 1 mm of: {cells}"


def stop_lines(stops: Sequence[StopSlopes], coordinates: Sequence[Coordinate]) -> Iterator[str]:
    """For the screen: for each limit the coordinates of which 1 mm moves it most."""
    for s in stops:
        order = np.argsort(-np.abs(s.slopes), kind="stable")[:SHOWN]
        most = np.abs(s.slopes[order[0]])
        told = [k for k in order if abs(s.slopes[k]) >= LEAST_SHARE * most]
        cells = ", ".join(f"{coordinates[k].words} {s.slopes[k]:+.2f}" for k in told)
        at = s.rack_mm if s.met_along == "rack" else s.travel_mm
        yield f"  {s.side.value}: {s.words} at {s.met_along} {at:+.1f} mm; 1 mm of: {cells}"


def load_lines(slopes: JackingSlopes, steered: str) -> Iterator[str]:
    """For the screen: of which coordinates 1 mm does most to what steering does to the car."""
    for label, unit, value, by in _jacked(slopes, steered):
        order = np.argsort(-np.abs(by), kind="stable")[:SHOWN]
        told = [k for k in order if abs(by[k]) >= LEAST_SHARE * abs(by[order[0]])]
        named = slopes.moving.coordinates
        places = 3 if unit == "mm" else 2
        cells = ", ".join(f"{named[k].words} {by[k]:+.{places}f}" for k in told)
        yield f"  {label} {value:+.1f} {unit} at rack {slopes.rack_mm:+.1f} mm; 1 mm of: {cells}"


def _jacked(slopes: JackingSlopes, steered: str) -> Iterator[tuple[str, str, float, Array]]:
    """Label, unit, value and slopes (K,) for both wheels of the steered axle."""
    for side in Side:
        k = slopes.wheels.index((steered, side))
        who = f"{steered} {side.value} wheel"
        gained = float(slopes.load_n[k]), slopes.load_slopes[:, k]
        yield f"load that steering adds to the {who}", "N", *gained
        risen = float(slopes.rise_mm[k]), slopes.rise_slopes[:, k]
        yield f"rise of the body by steering, over the {who}", "mm", *risen


def write_sensitivity(
    path: Path,
    tables: Sequence[Sensitivity],
    stops: Sequence[tuple[Sensitivity, Sequence[StopSlopes]]],
    loads: Sequence[tuple[str, JackingSlopes]] = (),
) -> None:
    """Every slope, as CSV: one row per reading and coordinate, ranked within the reading.

    stops: the limits met along rack and travel, with the table whose coordinates they go by.
    loads: the axle steered, and what that does to the car on its springs.
    """
    header = ["axle", "rack (mm)", "travel (mm)", "moved", "sizes of parts", "of", "reading"]
    header += ["unit", "value", "rank", "point", "coordinate", "change per mm"]

    def rows() -> Iterator[Sequence[object]]:
        for t in tables:
            moved = "both sides" if t.side is None else t.side.value
            for (side, name), slopes in t.slopes.items():
                if slopes.ndim != 1 or not np.isfinite(slopes).all():
                    continue
                q = next(q for q in QUANTITIES if q.name == name)
                start = [t.axle.name, t.rack_mm, t.travel_mm, moved, t.sizes.name.lower()]
                start += ["axle" if side is None else side.value, q.label, q.unit]
                value = round(float(t.values[side, name]), q.decimals + 3)
                for rank, (c, slope) in enumerate(t.ranked(name, side), start=1):
                    yield [*start, value, rank, c.point, "xyz"[c.axis], f"{slope:.9g}"]

        for t, found in stops:
            for s in found:
                at = round(s.rack_mm, 4), round(s.travel_mm, 4)
                start = [t.axle.name, *at, s.side.value, t.sizes.name.lower(), s.side.value]
                start += [f"{s.met_along}: {s.words}", "mm", at[s.met_along == "travel"]]
                order = np.argsort(-np.abs(s.slopes), kind="stable")
                for rank, k in enumerate(order.tolist(), start=1):
                    c = t.coordinates[k]
                    yield [*start, rank, c.point, "xyz"[c.axis], f"{s.slopes[k]:.9g}"]

        for steered, j in loads:
            moved = "both sides" if j.moving.side is None else j.moving.side.value
            for label, unit, value, by in _jacked(j, steered):
                start = [j.moving.axle, j.rack_mm, 0.0, moved, j.moving.sizes.name.lower(), "car"]
                start += [label, unit, round(value, 4)]
                order = np.argsort(-np.abs(by), kind="stable")
                for rank, k in enumerate(order.tolist(), start=1):
                    c = j.moving.coordinates[k]
                    yield [*start, rank, c.point, "xyz"[c.axis], f"{by[k]:.9g}"]

    write_table(path, header, rows())


def _reader(table: Sensitivity, name: str) -> Side | None:
    """Whose reading it is: the axle's, or that of the side moved (left where both are)."""
    return None if (None, name) in table.slopes else table.side or Side.LEFT
