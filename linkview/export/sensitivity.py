"""Which millimetre matters: slopes by hard point as a ranked list and as CSV."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from linkview.alignment.jacking_slopes import JackingSlopes
from linkview.alignment.quantities import BY_NAME
from linkview.alignment.sensitivity import RANKED, Sensitivity
from linkview.export.tables import write_table
from linkview.geometry import Array
from linkview.kinematics.sensitivity import Coordinate
from linkview.limits.by_point import ByPoint
from linkview.limits.sensitivity import StopSlopes
from linkview.model.parts import Side
from linkview.model.wording import spoken

SHOWN = 4
LEAST_SHARE = 0.02  # of the strongest; weaker coordinates are not worth a line
DIGITS = {"N": (1, 2), "mm": (1, 3), "deg": (2, 4)}  # of a value, of its slopes
NEAREST = 2  # limits with least left that the screen names
HEADER = (
    "axle",
    "rack (mm)",
    "travel (mm)",
    "held while steering",
    "moved",
    "sizes of parts",
    "of",
    "reading",
    "unit",
    "value",
    "rank",
    "point",
    "coordinate",
    "change per mm",
    "why there is none",
)


def table_lines(one: ByPoint) -> Iterator[str]:
    """For the screen: an axle's readings, limits and stops, and what has no slope, with why."""
    table = one.table
    whose = "both sides moved alike" if table.side is None else f"{table.side.value} side moved"
    held = f"{table.hold.words}; " if table.axle.left.rack is not None else ""
    yield (
        f"{table.axle.name.upper()} AXLE, rack {table.rack_mm:+.1f} mm, travel "
        f"{table.travel_mm:+.1f} mm ({held}{whose}; {table.sizes.value})"
    )
    yield from _ranked_lines(table)
    named = table.coordinates
    for other in one.others:
        if other.slopes is not None:
            who = "" if other.side is None else f"{other.side.value}: "
            value = f"{other.value:+.{other.decimals}f} {other.unit}"
            yield f"  {who}{other.label} {value}; 1 mm of: {_told(named, other.slopes, 2)}"
    known = [x for x in one.limits if x.slopes is not None and np.abs(x.slopes).any()]
    for limit in sorted(known, key=lambda x: x.share_left)[:NEAREST]:
        if limit.slopes is not None:
            yield (
                f"  {limit.side.value}: {limit.name}, now {limit.value:.1f} {limit.unit}, limit "
                f"{limit.allowed:g}; 1 mm of: {_told(named, limit.slopes, 2)}"
            )
    for s in one.stops:
        at = s.rack_mm if s.met_along == "rack" else s.travel_mm
        told = s.why if s.slopes is None else f"1 mm of: {_told(named, s.slopes, 2)}"
        yield f"  {s.side.value}: {s.words} at {s.met_along} {at:+.1f} mm; {told}"
    yield from _silent_lines(one)


def _ranked_lines(table: Sensitivity) -> Iterator[str]:
    """For each reading the coordinates of which 1 mm does most."""
    for name in RANKED:
        side = _reader(table, name)
        if (side, name) not in table.slopes or not np.isfinite(table.slopes[side, name]).all():
            continue
        q = BY_NAME[name]
        slopes = table.slopes[side, name]
        if np.abs(slopes).max() < 10.0 ** -(q.decimals + 3):
            continue
        value = float(table.values[side, name])
        cells = _told(table.coordinates, slopes, q.decimals + 1)
        yield f"  {q.label} {value:+.{q.decimals}f} {q.unit}; 1 mm of: {cells}"


def _silent_lines(one: ByPoint) -> Iterator[str]:
    """What has no slope, by the reason."""
    by_reason: dict[str, list[str]] = {}
    for (_, name), why in one.table.absent.items():
        by_reason.setdefault(why, []).append(BY_NAME[name].label)
    for x in one.others:
        if x.slopes is None:
            by_reason.setdefault(x.why, []).append(x.label)
    for limit in one.limits:
        if limit.slopes is None:
            by_reason.setdefault(limit.why, []).append(limit.name)
    told = [f"{', '.join(dict.fromkeys(labels))} ({why})" for why, labels in by_reason.items()]
    if told:
        yield f"  no slope: {'; '.join(told)}"


def load_lines(slopes: JackingSlopes, steered: str) -> Iterator[str]:
    """For the screen: of which coordinates 1 mm does most to what steering does to the car."""
    for label, unit, value, by in _jacked(slopes, steered):
        digits, places = DIGITS[unit]
        if np.abs(by).max() < 10.0**-places:
            continue
        cells, at = _told(slopes.moving.coordinates, by, places), f"rack {slopes.rack_mm:+.1f} mm"
        yield f"  {label} {value:+.{digits}f} {unit} at {at}; 1 mm of: {cells}"


def _told(coordinates: Sequence[Coordinate], slopes: Array, places: int) -> str:
    """The strongest few: 'strut top x +0.020, lower ball joint x -0.014'."""
    order = np.argsort(-np.abs(slopes), kind="stable")[:SHOWN]
    least = LEAST_SHARE * np.abs(slopes[order[0]])
    return ", ".join(
        f"{coordinates[k].words} {slopes[k]:+.{places}f}" for k in order if abs(slopes[k]) >= least
    )


def _jacked(slopes: JackingSlopes, steered: str) -> Iterator[tuple[str, str, float, Array]]:
    """Label, unit, value and slopes (K,) for both wheels of the steered axle, and the lean."""
    for side in Side:
        k = slopes.wheels.index((steered, side))
        who = f"{steered} {side.value} wheel"
        gained = float(slopes.load_n[k]), slopes.load_slopes[:, k]
        yield f"load that steering adds to the {who}", "N", *gained
        risen = float(slopes.rise_mm[k]), slopes.rise_slopes[:, k]
        yield f"rise of the body by steering, over the {who}", "mm", *risen
        pushed = float(slopes.pushed_mm[k]), slopes.pushed_slopes[:, k]
        yield f"push of the {who}'s contact centre down, dampers kept", "mm", *pushed
    for k, lean in enumerate(("roll to the right", "pitch, nose down")):
        by = slopes.lean_slopes[:, k]
        yield f"{lean}, of the body by steering", "deg", float(slopes.lean_deg[k]), by


@dataclass(frozen=True, eq=False)
class _Row:
    """One reading of the CSV, with one line for each coordinate, the strongest first."""

    of: str
    reading: str
    unit: str
    value: float
    slopes: Array | None
    why: str = ""

    def lines(
        self, start: Sequence[object], coordinates: Sequence[Coordinate]
    ) -> Iterator[Sequence[object]]:
        about = [*start, self.of, self.reading, self.unit, self.value]
        if self.slopes is None:
            yield [*about, None, None, None, None, self.why]
            return
        order = np.argsort(-np.abs(self.slopes), kind="stable")
        for rank, k in enumerate(order.tolist(), start=1):
            c = coordinates[k]
            yield [*about, rank, c.point, "xyz"[c.axis], f"{self.slopes[k]:.9g}", ""]


def write_sensitivity(
    path: Path, tables: Sequence[ByPoint], loads: Sequence[tuple[str, JackingSlopes]]
) -> None:
    """Every slope, as CSV: one row per reading and coordinate, ranked within the reading; one with
    the reason where a reading has none.

    loads: the axle steered, and what that does to the car on its springs.
    """

    def rows() -> Iterator[Sequence[object]]:
        for one in tables:
            t = one.table
            moved = "both sides" if t.side is None else t.side.value
            held = t.hold.value if t.axle.left.rack is not None else ""
            rest = [held, moved, t.sizes.name.lower()]
            start = [t.axle.name, t.rack_mm, t.travel_mm, *rest]
            for row in (*_readings(t), *_others(one), *_limits(one), *_places(one)):
                yield from row.lines(start, t.coordinates)
            for s in one.stops:
                at = round(s.rack_mm, 4), round(s.travel_mm, 4)
                yield from _stop(s).lines([t.axle.name, *at, *rest], t.coordinates)
        for steered, j in loads:
            moved = "both sides" if j.moving.side is None else j.moving.side.value
            start = [j.moving.axle, j.rack_mm, 0.0, "springs", moved, j.moving.sizes.name.lower()]
            for label, unit, value, by in _jacked(j, steered):
                row = _Row("car", label, unit, round(value, 4), by)
                yield from row.lines(start, j.moving.coordinates)

    write_table(path, HEADER, rows())


def _readings(t: Sensitivity) -> Iterator[_Row]:
    for (side, name), slopes in t.slopes.items():
        q, of = BY_NAME[name], "axle" if side is None else side.value
        if (side, name) in t.absent:
            continue
        value = np.round(t.values[side, name], q.decimals + 3)
        if not q.parts:
            yield _Row(of, q.label, q.unit, float(value), slopes)
        for k, part in enumerate(q.parts):
            yield _Row(of, f"{q.label} {part}", q.unit, float(value[k]), slopes[:, k])
    for (side, name), why in t.absent.items():
        q, of = BY_NAME[name], "axle" if side is None else side.value
        yield _Row(of, q.label, q.unit, np.nan, None, why)


def _others(one: ByPoint) -> Iterator[_Row]:
    for x in one.others:
        of = "axle" if x.side is None else x.side.value
        yield _Row(of, x.label, x.unit, round(x.value, x.decimals + 3), x.slopes, x.why)


def _limits(one: ByPoint) -> Iterator[_Row]:
    for x in one.limits:
        label = f"{x.name} (limit {x.allowed:g})"
        yield _Row(x.side.value, label, x.unit, round(x.value, 4), x.slopes, x.why)


def _places(one: ByPoint) -> Iterator[_Row]:
    for (side, point), (at, slopes) in one.places.items():
        for k, axis in enumerate("xyz"):
            label = f"place of {spoken(point)}, {axis}"
            yield _Row(side.value, label, "mm", round(float(at[k]), 4), slopes[:, k])


def _stop(s: StopSlopes) -> _Row:
    at = s.rack_mm if s.met_along == "rack" else s.travel_mm
    return _Row(s.side.value, f"{s.met_along}: {s.words}", "mm", round(at, 4), s.slopes, s.why)


def _reader(table: Sensitivity, name: str) -> Side | None:
    """Whose reading it is: the axle's, or that of the side moved (left where both are)."""
    return None if (None, name) in table.slopes else table.side or Side.LEFT
