"""The short plain summary: what a builder reads first, on screen and in summary.txt."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from linkview.alignment.axle import AxleAlignment
from linkview.alignment.column import steering_wheel
from linkview.alignment.jacking import steering_jacking
from linkview.alignment.quantities import QUANTITIES, Of, Quantity
from linkview.errors import LinkviewError, NoRest
from linkview.export.gap_words import (
    NO_GAP,
    advice_words,
    gap_words,
    range_words,
    rolled_words,
    sampled_sides,
    stops_words,
)
from linkview.export.roll import roll_lines
from linkview.limits.roll import roll_line, roll_stops
from linkview.model.parts import Car, Side
from linkview.model.wording import spoken
from linkview.plates.drawn import DrawnPlate
from linkview.plates.verdicts import Level, told_together
from linkview.study import AxleStudy, CarStudy

SMALLEST_GAPS = 5
AT_RIDE_HEIGHT = (
    "camber_deg",
    "toe_in_deg",
    "caster_deg",
    "gauge_caster_deg",
    "steering_axis_inclination_deg",
    "trail_mm",
    "scrub_radius_mm",
    "toggle_deg",
    "bump_steer_deg_per_mm",
    "motion_ratio",
    "wheel_rate_n_per_mm",
    "ride_frequency_hz",
    "roll_centre_height_mm",
    "track_mm",
)


def summary_lines(study: CarStudy) -> list[str]:
    """The whole summary, a line each, without the list of files."""
    car = study.car
    out = [f"{car.name} - {spoken(car.variant)}: {car.variant_title}"]
    out += [f"  {note}" for note in car.notes]
    for name, axle in study.axles.items():
        out += ["", f"{name.upper()} AXLE ({axle.axle.left.layout.title}; {_held(axle)})"]
        out += [f"  {line}" for line in _axle_lines(axle, study.car)]
    jacking = list(jacking_lines(study.car))
    out += ["", *jacking] if jacking else []
    short = study.shortfalls
    among = study.judged
    out += ["", f"FALLS SHORT, of {among}" if short else f"Of {among}, nothing falls short."]
    out += [f"  {line}" for line in short]
    return out


def _held(axle: AxleStudy) -> str:
    return axle.axle.hold.words if axle.axle.left.rack else "not steered"


def _axle_lines(study: AxleStudy, car: Car) -> Iterator[str]:
    sweep = study.sweep.left
    poses = sweep.solved.size
    reached = min(int(c.solved.sum()) for c in study.sweep.corners)
    yield (
        f"{poses} poses: rack {sweep.rack_mm.min():+.0f} to {sweep.rack_mm.max():+.0f} mm, travel "
        f"{sweep.travel_mm.min():+.0f} to {sweep.travel_mm.max():+.0f} mm; {reached} reached"
    )
    for edge in sweep.edges[:1]:
        yield f"beyond reach on {len(sweep.edges)} rows, first: {edge.words}"
    sides = "both sides" if study.axle.symmetric else "left / right"
    yield f"At ride height, {sides}:"
    yield from (f"  {line}" for line in _ride_height(study.alignment, study.axle.symmetric))
    for lock in study.alignment.locks:
        yield lock.words
    yield from _column_lines(study.alignment)
    yield "What stops it first:"
    yield from (f"  {line}" for line in study.stops.words)
    if study.axle.left.layout.level:
        line = roll_line(study.axle, car, 3)
        yield from roll_lines(line, roll_stops(study.axle, car))
    if study.gaps:
        yield from _gap_lines(study)
    for plate in study.plates:
        yield plate_words(plate)


def _column_lines(alignment: AxleAlignment) -> Iterator[str]:
    """Turns and ratio of the steering wheel, where the file gives the rack's mm per turn."""
    rack = alignment.axle.left.rack
    if rack is None or rack.mm_per_turn is None:
        return
    ends = steering_wheel(rack, [-rack.stop_mm, 0.0, rack.stop_mm])
    per_mm = 360.0 / rack.mm_per_turn / ends.pinion_per_wheel[1]
    i = int(np.argmin(np.abs(alignment.rack_mm)))
    j = int(np.argmin(np.abs(alignment.travel_mm)))
    steer = np.mean([abs(c.steer_rate_deg_per_mm[i, j]) for c in alignment.corners])
    line = (
        f"steering wheel: {ends.turns_lock_to_lock:.2f} turns between the rack's stops, ratio "
        f"{per_mm / steer:.1f} to 1 straight ahead"
    )
    if rack.column:
        swing = steering_wheel(rack, np.linspace(-rack.stop_mm, rack.stop_mm, 361))
        low, high = swing.pinion_per_wheel.min(), swing.pinion_per_wheel.max()
        line += f"; the column's joints swing it by {low:.3f} to {high:.3f}"
    yield line


def jacking_lines(car: Car) -> Iterator[str]:
    """What steering to the working rack does to ride height and loads, where springs are given."""
    for name, axle in car.axles.items():
        rack = axle.left.rack
        if rack is None:
            continue
        try:
            jacking = steering_jacking(car, name, [-rack.working_mm, rack.working_mm])
        except NoRest as fault:
            yield f"steering jacking: not found, {fault.why}"
            continue
        except LinkviewError:
            continue  # only one axle, or no springs: there is nothing to say of loads
        for k, at in enumerate(jacking.rack_mm):
            if jacking.reasons[k]:
                yield f"steering jacking at rack {at:+.0f} mm: not found, {jacking.reasons[k]}"
                continue
            rise = [jacking.of(jacking.rise_mm, name, side)[k] for side in Side]
            gain = [jacking.of(jacking.load_n, name, side)[k] for side in Side]
            yield (
                f"steering jacking at rack {at:+.0f} mm: the body rises {rise[0]:+.1f} mm over the "
                f"left wheel, {rise[1]:+.1f} over the right; load {gain[0]:+.0f} N on the {name} "
                f"left wheel, {gain[1]:+.0f} on the right (rigid-body statics on the springs)"
            )


def _ride_height(alignment: AxleAlignment, symmetric: bool) -> Iterator[str]:
    at = (
        int(np.argmin(np.abs(alignment.rack_mm))),
        int(np.argmin(np.abs(alignment.travel_mm))),
    )
    known = {q.name: q for q in QUANTITIES}
    cells = []
    for name in AT_RIDE_HEIGHT:
        q = known[name]
        if q.of is Of.AXLE:
            values = [getattr(alignment, name)]
        else:
            values = [getattr(c, name) for c in alignment.corners]
        if any(v is None for v in values):
            continue
        # gauge caster has a value per travel only, everything else per rack and travel
        here = [float(v[at] if v.ndim == 2 else v[at[1]]) for v in values]
        if not np.isfinite(here).any():
            continue
        cells.append(f"{q.label} {_figures(q, here[:1] if symmetric else here)}")
    width = max((len(c) for c in cells), default=0) + 3
    per_line = max(1, 100 // width)
    for first in range(0, len(cells), per_line):
        yield "".join(c.ljust(width) for c in cells[first : first + per_line]).rstrip()


def _figures(q: Quantity, values: list[float]) -> str:
    shown = [f"{v:+.{q.decimals}f}" if np.isfinite(v) else "none" for v in values]
    return f"{' / '.join(shown)} {q.unit}"


def _gap_lines(study: AxleStudy) -> Iterator[str]:
    worst = study.worst_pairs(SMALLEST_GAPS)
    count = sum(len(g.pairs) for g in study.gaps.values())
    left_out = sum(len(g.left_out) for g in study.gaps.values())
    if not count:
        yield f"{NO_GAP} ({left_out} left out, see gaps.csv)"
        return
    sampled = sampled_sides(study)
    between = "" if sampled else ", between the poses too and inside the limits"
    which = "left side; the right is its mirror" if study.axle.symmetric else "both sides"
    yield (
        f"Smallest gaps, of {count} pairs, {left_out} left out{between} ({which}; see gaps.csv):"
    )
    yield from (f"  {line}" for line in range_words(study))
    for side, pair in worst:
        yield f"  {gap_words(study, side, pair)}"
        yield from (f"    {line}" for line in advice_words(study, side, pair))
    yield from stops_words(study)
    yield from rolled_words(study, SMALLEST_GAPS)


def plate_words(drawn: DrawnPlate) -> str:
    """One plate in a line: size, quantity and how the shop's rules came out."""
    if drawn.refused is not None:
        return f"plate {drawn.name}: REFUSED\n    " + drawn.refused.replace("\n", "\n    ")
    plate = drawn.sides[Side.LEFT]
    width, height = plate.size_mm
    warned = told_together(drawn.verdicts, Level.WARNING)
    judged = f"{len(warned)} warning{'s' if len(warned) > 1 else ''}" if warned else "passes"
    line = (
        f"plate {spoken(drawn.name)}: {width:.1f} x {height:.1f} mm, {plate.thickness_mm:g} mm "
        f"{plate.material}, {plate.quantity} off ({plate.mirrored} mirrored), {judged}"
    )
    line += "".join(f"\n    warning: {v}" for v in warned)
    line += f"\n    {drawn.miss_words}" if drawn.miss_words else ""
    if drawn.slots is not None:
        line += f"\n    {drawn.slots.words}"
    return line
