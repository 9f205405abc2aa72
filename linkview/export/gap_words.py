"""Gaps in words: how small, where, how sure, what opens them and which stops would keep them."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from linkview.clearance.advice import Opening
from linkview.clearance.certified import Certainty, Certified
from linkview.clearance.distance import GapState
from linkview.clearance.gaps import LeastGap, SurveyedPair
from linkview.clearance.in_roll import RolledGaps
from linkview.model.parts import Side
from linkview.model.wording import spoken
from linkview.study import AxleStudy

NO_GAP = (
    "No gap was measured: no two bodies of the file move against each other. A gap that was not "
    "measured is unknown, never clear."
)


def range_words(study: AxleStudy) -> Iterator[str]:
    """Where gaps of this axle are not known."""
    sampled = sampled_sides(study)
    if sampled:
        whose = f"{sampled[0].value} side " if len(sampled) < _measured(study) else ""
        yield f"{whose}at the grid's poses only: between them a gap of this layout can be smaller"
    if study.axle.left.layout.level:
        apart = "in roll they are unknown" if study.rolled is None else "in roll: see below"
        yield f"with both wheels up and down together; {apart}"


def sampled_sides(study: AxleStudy) -> list[Side]:
    """Sides whose gaps were not certified between the poses."""
    found = {side: g.pairs for side, g in study.gaps.items() if g.pairs}
    return [s for s, pairs in found.items() if not any(pair.certain for pair in pairs)]


def _measured(study: AxleStudy) -> int:
    return sum(bool(found.pairs) for found in study.gaps.values())


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
    many = pair.poses_touching if not pair.constant else 1
    return f"{who}: {_least_words(pair.least, wanted, where, many)}"


def _least_words(least: LeastGap, wanted: str, where: str, touching: int) -> str:
    if least.state is not GapState.CONTACT and least.gap_mm > 0.0:
        return f"{least.gap_mm:.1f} mm{wanted} {where}"
    deep = f" by {-least.gap_mm:.1f} mm or more" if np.isfinite(least.gap_mm) else ""
    many = f", and at {touching} poses in all" if touching > 1 else ""
    return f"CONTACT{deep}{wanted}, worst {where}{many}"


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
    return f"{who}: {_least_words(least, wanted, where, pair.poses_touching)}"


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
