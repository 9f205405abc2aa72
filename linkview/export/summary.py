"""The short plain summary: what a builder reads first, on screen and in summary.txt."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from linkview.alignment.axle import AxleAlignment
from linkview.alignment.column import steering_wheel
from linkview.alignment.jacking import steering_jacking
from linkview.alignment.quantities import QUANTITIES, Of, Quantity
from linkview.clearance.advice import Opening
from linkview.clearance.certified import Certainty, Certified
from linkview.clearance.distance import GapState
from linkview.clearance.gaps import SurveyedPair
from linkview.clearance.in_roll import RolledGaps
from linkview.errors import LinkviewError, NoRest
from linkview.export.cautions import CAUTIONS as CAUTIONS
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

NO_GAP = (
    "No gap was measured: no two bodies of the file move against each other. A gap that was not "
    "measured is unknown, never clear."
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


def range_words(study: AxleStudy) -> Iterator[str]:
    """Where gaps of this axle are not known."""
    measured = any(found.pairs for found in study.gaps.values())
    if measured and not _certain(study):
        yield "at the grid's poses only: between them a gap of this layout can be smaller"
    if study.axle.left.layout.level:
        apart = "in roll they are unknown" if study.rolled is None else "in roll: see below"
        yield f"with both wheels up and down together; {apart}"


def _certain(study: AxleStudy) -> bool:
    """Whether gaps were certified between the poses."""
    return any(pair.certain for found in study.gaps.values() for pair in found.pairs)


def _gap_lines(study: AxleStudy) -> Iterator[str]:
    worst = study.worst_pairs(SMALLEST_GAPS)
    count = sum(len(g.pairs) for g in study.gaps.values())
    left_out = sum(len(g.left_out) for g in study.gaps.values())
    if not count:
        yield f"{NO_GAP} ({left_out} left out, see gaps.csv)"
        return
    sure = _certain(study)
    between = ", between the poses too and inside the limits" if sure else ""
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


def gap_words(study: AxleStudy, side: Side, pair: SurveyedPair) -> str:
    """'tyre to tie rod: 3.2 mm (5 mm wanted) at rack -70.0, travel +12.0 mm'."""
    a, b = (spoken(n) for n in pair.pair)
    wanted = "" if pair.wanted_mm is None else f" ({pair.wanted_mm:g} mm wanted)"
    least = pair.least
    who = f"{a} to {b}" if study.axle.symmetric else f"{side.value} {a} to {b}"
    if pair.certain is not None:
        return f"{who}: {certain_words(study, pair.certain, wanted)}"
    if least.state is GapState.UNKNOWN or least.steer is None or least.travel is None:
        return f"{who}: UNKNOWN{wanted}, not measured at any pose"
    if pair.constant:
        where = "at every pose"
    else:
        sweep = study.sweep.left
        steered = study.axle.left.rack is not None
        rack = f"rack {sweep.rack_mm[least.steer]:+.1f} mm, " if steered else ""
        where = f"at {rack}travel {sweep.travel_mm[least.travel]:+.1f} mm"
    if least.state is GapState.CONTACT or least.gap_mm <= 0.0:
        many = f", and at {pair.poses_touching} poses in all" if pair.poses_touching > 1 else ""
        if pair.constant:
            many = ""
        deep = "" if not np.isfinite(least.gap_mm) else f" by {-least.gap_mm:.1f} mm or more"
        return f"{who}: CONTACT{deep}{wanted}, worst {where}{many}"
    return f"{who}: {least.gap_mm:.1f} mm{wanted} {where}"


def rolled_words(study: AxleStudy, count: int) -> Iterator[str]:
    """The worst gaps of a solid axle with its wheels at different heights."""
    rolled = study.rolled
    if rolled is None or not rolled.worst(1):
        return
    name = study.axle.name
    yield (
        f"In roll, at {rolled.inside} mixtures of both wheels' travels inside the limits (between "
        f"them a gap can be smaller; see {name}_gaps_in_roll.csv):"
    )
    yield from (f"  {rolled_gap_words(rolled, *found)}" for found in rolled.worst(count))


def rolled_gap_words(rolled: RolledGaps, side: Side, pair: SurveyedPair) -> str:
    """'left tyre to rail: 3.2 mm (5 mm wanted) at travel left -80.0, right +70.0 mm'."""
    who = f"{side.value} {spoken(pair.pair[0])} to {spoken(pair.pair[1])}"
    wanted = "" if pair.wanted_mm is None else f" ({pair.wanted_mm:g} mm wanted)"
    least = pair.least
    if least.state is GapState.UNKNOWN or least.steer is None or least.travel is None:
        return f"{who}: UNKNOWN{wanted}, not measured at any pose"
    left, right = rolled.travel_mm[least.steer], rolled.travel_mm[least.travel]
    where = f"at travel left {left:+.1f}, right {right:+.1f} mm"
    if least.state is GapState.CONTACT or least.gap_mm <= 0.0:
        deep = f" by {-least.gap_mm:.1f} mm or more" if np.isfinite(least.gap_mm) else ""
        return f"{who}: CONTACT{deep}{wanted}, worst {where}"
    return f"{who}: {least.gap_mm:.1f} mm{wanted} {where}"


def advice_words(study: AxleStudy, side: Side, pair: SurveyedPair) -> Iterator[str]:
    """How sure a gap is, and for one that falls short what opens it."""
    advice = study.advice.get(side)
    found = advice.pairs.get(pair.pair) if advice is not None else None
    if found is None:
        return
    if np.isfinite(found.one_sigma_mm) and found.one_sigma_mm > 0.0:
        measure = ": measure it on the car" if found.measure_it else ""
        yield f"+-{2.0 * found.one_sigma_mm:.1f} mm (two sigma) from the points' doubt{measure}"
    if found.short and found.opens:
        yield opened_by_words(found.opens[0])


def opened_by_words(best: Opening) -> str:
    """'opened fastest by strut top: 0.8 mm per mm toward (+0.10 -0.99 +0.00)'."""
    x, y, z = best.way
    return (
        f"opened fastest by {spoken(best.point)}: {best.mm_per_mm:.1f} mm per mm toward "
        f"({x:+.2f} {y:+.2f} {z:+.2f})"
    )


def stops_words(study: AxleStudy) -> Iterator[str]:
    """Stops that would keep every wanted gap."""
    for side, advice in study.advice.items():
        who = "" if study.axle.symmetric else f", {side.value}"
        stops = advice.stops
        if not stops.needed:
            together = ", both wheels at one height" if study.axle.left.layout.level else ""
            yield f"Every wanted gap is kept at the stops given{who}{together}."
            continue
        ways = []
        if stops.rack_mm is not None and study.axle.left.rack is not None:
            ways.append(f"a rack stop at {stops.rack_mm:.1f} mm each way")
        if stops.droop_mm is not None:
            ways.append(f"a droop limit at {stops.droop_mm:.1f} mm")
        if stops.together is not None:
            rack, droop = stops.together
            ways.append(f"both at {rack:.1f} mm of rack and {droop:.1f} mm of droop")
        kept = ", or ".join(ways)
        yield (
            f"What would keep every wanted gap{who}: {kept}"
            if kept
            else f"No rack stop or droop limit would keep every wanted gap{who}: too near in bump "
            "or at ride height, "
            + ", ".join(f"{spoken(a)} to {spoken(b)}" for a, b in stops.always)
        )


def certain_words(study: AxleStudy, certain: Certified, wanted: str) -> str:
    """'12.3 to 12.8 mm (10 mm wanted) at rack +42.7, travel -69.9 mm', for the whole domain."""
    rack = f"rack {certain.rack_mm:+.1f}, " if study.axle.left.rack is not None else ""
    where = f"at {rack}travel {certain.travel_mm:+.1f} mm"
    match certain.verdict:
        case Certainty.CONTACT:
            words = f"CONTACT by {-certain.upper_mm:.1f} mm or more{wanted} {where}"
        case Certainty.BRACKETED:
            words = f"{certain.lower_mm:.1f} to {certain.upper_mm:.1f} mm{wanted} {where}"
        case Certainty.CLEAR:
            words = (
                f"nowhere under {certain.lower_mm:.1f} mm{wanted}, "
                f"least seen {certain.upper_mm:.1f} mm {where}"
            )
        case Certainty.UNDECIDED:
            seen = f", least seen {certain.upper_mm:.1f} mm {where}"
            words = f"UNDECIDED{wanted}{seen if np.isfinite(certain.upper_mm) else ''}"
    return f"{words} ({certain.reason})" if certain.reason else words


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
