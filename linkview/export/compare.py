"""Two states of a car side by side: readings, limits, gaps, moved points, and a ladder between.

Rows for tables and lines for the screen; nothing is drawn here.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from linkview.alignment.axle import AxleAlignment
from linkview.alignment.quantities import QUANTITIES, Of
from linkview.clearance.distance import GapState
from linkview.clearance.gaps import SurveyedPair
from linkview.export.tables import write_table
from linkview.geometry import length
from linkview.limits.report import FirstStops
from linkview.model.parts import Car, Side
from linkview.model.wording import spoken
from linkview.study import AxleStudy, CarStudy

# What a builder asks of a change first, in the order of the lines on screen.
ASKED = (
    "camber_deg",
    "toe_in_deg",
    "caster_deg",
    "trail_mm",
    "scrub_radius_mm",
    "bump_steer_deg_per_mm",
    "camber_gain_deg_per_mm",
    "motion_ratio",
    "wheel_rate_n_per_mm",
    "toggle_deg",
    "track_mm",
    "roll_centre_height_mm",
)
MOVED_MM = 0.005


@dataclass(frozen=True)
class Difference:
    """One reading of both states; NaN where a state has none."""

    axle: str
    side: str
    reading: str
    unit: str
    decimals: int
    before: float
    after: float

    @property
    def change(self) -> float:
        return self.after - self.before


@dataclass(frozen=True, eq=False)
class Rung:
    """One step of the ladder: what was done, and the car's readings after it, by axle."""

    title: str
    alignments: Mapping[str, AxleAlignment]
    stops: Mapping[str, FirstStops]


def differences(before: CarStudy, after: CarStudy) -> list[Difference]:
    """Every reading at ride height, and of both wheels at each lock."""
    out = []
    for name in before.axles:
        a, b = (s.axles[name].alignment for s in (before, after))
        out += [*_ride_height(name, a, b), *_locks(name, a, b)]
    return out


def moved_points(before: Car, after: Car) -> list[tuple[str, Side, str, np.ndarray]]:
    """Axle, side, hard point and its shift (3,) mm, of every point that moved."""
    out = []
    for name, axle in before.axles.items():
        for old, new in zip(axle.corners, after.axles[name].corners, strict=True):
            for point, at in new.points.items():
                if point in old.points and length(at - old.points[point]) > MOVED_MM:
                    out.append((name, new.side, point, at - old.points[point]))
    return out


def gap_changes(
    before: AxleStudy, after: AxleStudy
) -> list[tuple[Side, tuple[str, str], SurveyedPair | None, SurveyedPair | None]]:
    """Pairs measured in either state, the worst afterwards first."""
    out = []
    for side in Side:
        found = [
            {p.pair: p for p in s.gaps[side].pairs} if side in s.gaps else {}
            for s in (before, after)
        ]
        for pair in dict.fromkeys([*found[1], *found[0]]):
            out.append((side, pair, found[0].get(pair), found[1].get(pair)))
    return sorted(out, key=lambda row: row[3].badness if row[3] else (9.0, 0.0))


def compare_lines(
    before: CarStudy, after: CarStudy, rungs: Sequence[Rung], no_ladder: str
) -> Iterator[str]:
    """The whole comparison for the screen."""
    a, b = (spoken(s.car.variant) for s in (before, after))
    yield f"{after.car.name}: {a} against {b}"
    both = differences(before, after)
    for name in before.axles:
        alike = all(s.axles[name].axle.symmetric for s in (before, after))
        yield ""
        yield f"{name.upper()} AXLE at ride height{', both sides' if alike else ''}"
        yield f"  {'':34} {a[:14]:>14} {b[:14]:>14} {'change':>10}"
        asked = [d for d in both if d.axle == name and _asked(d)]
        if alike:
            yield from (f"  {_line(d, '')}" for d in asked if d.side != "right" or _at_lock(d))
        else:
            yield from (f"  {_line(d, _whose(d))}" for d in asked)
        yield "  what stops it first:"
        for label, study in ((a, before), (b, after)):
            yield from (f"    {label}: {words}" for words in study.axles[name].stops.words)
        yield from _gap_lines(before.axles[name], after.axles[name])
    yield ""
    yield "POINTS MOVED (mm)"
    moved = moved_points(before.car, after.car)
    for axle_name, side, point, by in moved:
        if side is Side.LEFT or not after.car.axles[axle_name].symmetric:
            yield (
                f"  {axle_name} {side.value} {spoken(point):26} x {by[0]:+8.2f}  y {by[1]:+8.2f}  "
                f"z {by[2]:+8.2f}   {float(length(by)):7.2f} in all"
            )
    if not moved:
        yield "  none"
    yield ""
    yield from _ladder_lines(rungs) if rungs else (f"NO LADDER: {no_ladder}",)


def write_differences(path: Path, before: CarStudy, after: CarStudy) -> None:
    """Every reading of both states as CSV."""
    a, b = (s.car.variant for s in (before, after))
    rows = (
        [d.axle, d.side, d.reading, d.unit, *(round(v, d.decimals + 3) for v in values)]
        for d in differences(before, after)
        for values in [(d.before, d.after, d.change)]
    )
    write_table(path, ["axle", "side", "reading", "unit", a, b, "change"], rows)


def write_moved(path: Path, before: CarStudy, after: CarStudy) -> None:
    """Every hard point that moved, as CSV."""
    header = ["axle", "side", "point", "moved x (mm)", "moved y (mm)", "moved z (mm)", "moved (mm)"]
    rows = (
        [axle, side.value, point, *(round(float(v), 4) for v in by), round(float(length(by)), 4)]
        for axle, side, point, by in moved_points(before.car, after.car)
    )
    write_table(path, header, rows)


def write_gap_changes(path: Path, before: CarStudy, after: CarStudy) -> None:
    """The least gap of every pair in both states, as CSV; no gap is given as a state in words."""
    a, b = (s.car.variant for s in (before, after))
    header = ["axle", "side", "body a", "body b", f"{a} (mm)", f"{a} state"]
    header += [f"{b} (mm)", f"{b} state", "wanted (mm)"]

    def rows() -> Iterator[Sequence[object]]:
        for name in before.axles:
            for side, pair, old, new in gap_changes(before.axles[name], after.axles[name]):
                wanted = next((p.wanted_mm for p in (new, old) if p is not None), None)
                yield [name, side.value, *pair, *_gap_cells(old), *_gap_cells(new), wanted]

    write_table(path, header, rows())


def write_ladder(path: Path, rungs: Sequence[Rung]) -> None:
    """Readings at ride height after each change, as CSV."""
    header = ["step", "change", "axle", "reading", "unit", "value", "since the step before"]

    def rows() -> Iterator[Sequence[object]]:
        for k, rung in enumerate(rungs):
            for name, alignment in rung.alignments.items():
                before = rungs[max(k - 1, 0)].alignments[name]
                for d in _ride_height(name, before, alignment):
                    if d.side != "right":
                        value, change = (round(v, d.decimals + 3) for v in (d.after, d.change))
                        yield [k, rung.title, name, d.reading, d.unit, value, change]

    write_table(path, header, rows())


# --- readings ---------------------------------------------------------------------------------


def _ride_height(name: str, a: AxleAlignment, b: AxleAlignment) -> Iterator[Difference]:
    for q in QUANTITIES:
        if q.parts:
            continue
        if q.of is Of.AXLE:
            values = [_here(x, getattr(x, q.name)) for x in (a, b)]
            if np.isfinite(values).any():
                yield Difference(name, "axle", q.name, q.unit, q.decimals, *values)
            continue
        for k, side in enumerate(Side):
            values = [_here(x, getattr(x.corners[k], q.name)) for x in (a, b)]
            if np.isfinite(values).any():
                yield Difference(name, side.value, q.name, q.unit, q.decimals, *values)


def _here(alignment: AxleAlignment, values: object) -> float:
    if values is None:
        return float("nan")
    array = np.asarray(values)
    if array.ndim == 0:
        return float(array)
    i = int(np.argmin(np.abs(alignment.rack_mm)))
    j = int(np.argmin(np.abs(alignment.travel_mm)))
    return float(array[i, j] if array.ndim == 2 else array[j])


def _locks(name: str, a: AxleAlignment, b: AxleAlignment) -> Iterator[Difference]:
    for old, new in zip(a.locks, b.locks, strict=False):
        lock = f"{new.toward.value} lock"
        for who in ("leading", "other"):
            pair = getattr(old, who), getattr(new, who)
            for field, unit, decimals in (
                ("steer_deg", "deg", 2),
                ("camber_deg", "deg", 2),
                ("trail_mm", "mm", 1),
                ("toggle_deg", "deg", 1),
            ):
                values = [float(getattr(w, field)) for w in pair]
                reading = f"{lock}, {who} wheel, {field}"
                yield Difference(name, pair[1].side.value, reading, unit, decimals, *values)


def _asked(d: Difference) -> bool:
    return d.reading in ASKED or ("leading" in d.reading and "toggle" not in d.reading)


def _at_lock(d: Difference) -> bool:
    return "lock" in d.reading


def _whose(d: Difference) -> str:
    """'left ' before a reading of one wheel; a lock's reading and the axle's say it themselves."""
    return "" if d.side == "axle" or _at_lock(d) else f"{d.side} "


def _line(d: Difference, whose: str) -> str:
    label = whose + _line_name(d)
    for field, word in (("steer_deg", "steer"), ("camber_deg", "camber"), ("trail_mm", "trail")):
        label = label.replace(field, word)
    cells = (f"{v:+.{d.decimals}f}" if np.isfinite(v) else "none" for v in (d.before, d.after))
    change = f"{d.change:+.{d.decimals}f}" if np.isfinite(d.change) else ""
    old, new = cells
    return f"{label:34} {old:>14} {new:>14} {change:>10} {d.unit}"


# --- gaps and ladder ----------------------------------------------------------------------------


def _gap_cells(pair: SurveyedPair | None) -> tuple[object, object]:
    if pair is None:
        return None, "not measured in this state"
    gap = pair.least.gap_mm
    state = GapState(pair.least.state).name.lower()
    return (round(float(gap), 4) if np.isfinite(gap) else None), state


def least_gap_words(pair: SurveyedPair | None) -> str:
    gap, state = _gap_cells(pair)
    return f"{gap:.1f} mm" if isinstance(gap, float) else str(state)


def _gap_lines(before: AxleStudy, after: AxleStudy) -> Iterator[str]:
    rows = gap_changes(before, after)
    if not rows:
        yield "  gaps were not measured"
        return
    yield "  least gaps, worst first (all in compare_gaps.csv):"
    for side, pair, old, new in rows[:6]:
        who = f"{spoken(pair[0])} to {spoken(pair[1])}"
        who = who if after.axle.symmetric else f"{side.value} {who}"
        yield f"    {who:44} {least_gap_words(old):>16} -> {least_gap_words(new)}"


def _ladder_lines(rungs: Sequence[Rung]) -> Iterator[str]:
    yield "LADDER, one change after the other; what each did at ride height"
    for k, rung in enumerate(rungs):
        yield f"  {k}. {rung.title}"
        if not k:
            continue
        for name, alignment in rung.alignments.items():
            found = _ride_height(name, rungs[k - 1].alignments[name], alignment)
            did = list(_did([d for d in found if d.reading in ASKED]))
            safe = [r.stops[name].safe_rack_mm for r in (rungs[k - 1], rung)]
            if safe[0] != safe[1]:
                shown = ("none" if s is None else f"{s:.1f} mm" for s in safe)
                did.append("rack inside every limit " + " -> ".join(shown))
            if did:
                yield f"       {name}: {', '.join(did)}"


def _did(found: Sequence[Difference]) -> Iterator[str]:
    """Each reading's change, once where both sides change alike, else each side's own."""
    told = {(d.reading, d.side): f"{d.change:+.{d.decimals}f} {d.unit}" for d in found}
    for d in found:
        here = told[d.reading, d.side]
        alike = told.get((d.reading, "left")) == told.get((d.reading, "right"))
        if abs(d.change) >= 0.5 * 10.0**-d.decimals and not (alike and d.side == "right"):
            yield f"{'' if alike else _whose(d)}{_line_name(d)} {here}"


def _line_name(d: Difference) -> str:
    return next((q.label for q in QUANTITIES if q.name == d.reading), d.reading)
