"""The report's gaps: every pair, what is certain of it, its error band, and those left out."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from linkview.clearance.certified import Certainty
from linkview.clearance.distance import GapState
from linkview.clearance.gaps import SurveyedPair
from linkview.clearance.in_roll import RolledGaps
from linkview.export.blocks import Block, Bullets, Column, Para, Row, Table, Tone
from linkview.export.gap_words import (
    NO_GAP,
    certain_words,
    opened_by_words,
    range_words,
    stops_words,
)
from linkview.export.left_out import left_out_by_reason
from linkview.model.parts import Side
from linkview.model.wording import spoken
from linkview.study import AxleStudy

SMALL_GAP_MM = 10.0
ROLLED_ROWS = 12
APART_MM = 50.0  # pairs certain to keep more, with nothing wanted, are listed in one paragraph


def gap_blocks(axle: AxleStudy) -> Iterator[Block]:
    rows, apart = [], []
    for side, pair in axle.worst_pairs(100_000):
        row = _gap_row(axle, side, pair)
        if row.tone is Tone.PLAIN and pair.wanted_mm is None and _stays_apart(pair):
            who = row.cells[1] if axle.axle.symmetric else f"{side.value} {row.cells[1]}"
            apart.append(f"{who} {np.floor(_bound_mm(pair)):.0f}")
        else:
            rows.append(row)
    columns = (
        Column("side", 1.3), Column("between", 5.6), Column("least gap", 2, True),
        Column("wanted", 1.5, True),
        Column("at rack / travel" if _steered(axle) else "at travel", 2.8, True),
        Column("how sure, and error band", 7.4),
    )  # fmt: skip
    for line in range_words(axle):
        yield Para(f"Gaps are measured {line}.", Tone.DOUBT)
    if not rows and not apart:
        yield Para(NO_GAP, Tone.DOUBT)
        yield from _left_out(axle)
        return
    mirror = " Left side; the right is its mirror." if axle.axle.symmetric else ""
    yield Table(
        columns,
        tuple(rows),
        f"mm.{mirror} least gap: at the grid's poses, those beyond a limit among them. how sure: "
        "what holds between the poses too, inside the limits; else at how many poses it was "
        f"measured, which proves nothing between them. {_banded(axle)} A gap under "
        f"{SMALL_GAP_MM:g} mm from tape measurements means: measure it on the car.",
        dense=True,
    )
    if apart:
        yield Para(
            f"Pairs with no wanted gap that are certain to keep more than {APART_MM:g} mm inside "
            f"the limits, with the mm that they are certain to keep: {', '.join(apart)}. Their "
            "poses and error bands stand in gaps.csv.",
            Tone.NOTE,
        )
    yield from _mending(axle)
    if axle.rolled is not None:
        yield from _rolled(axle.rolled)
    yield from _left_out(axle)


def _rolled(rolled: RolledGaps) -> Iterator[Block]:
    columns = (
        Column("side", 1.3), Column("in roll, between", 5.6), Column("least gap", 2, True),
        Column("wanted", 1.5, True), Column("travel left / right", 3.2, True),
    )  # fmt: skip
    rows = []
    for side, pair in rolled.worst(ROLLED_ROWS):
        least, wanted = pair.least, pair.wanted_mm
        touch = least.state is GapState.CONTACT or least.gap_mm <= 0.0
        known = least.steer is not None and least.travel is not None
        gap = "CONTACT" if touch else f"{least.gap_mm:.1f}" if known else "UNKNOWN"
        bad = touch or not known or pair.margin_mm < 0.0
        rows.append(
            Row(
                (
                    side.value,
                    f"{spoken(pair.pair[0])} to {spoken(pair.pair[1])}",
                    gap,
                    "" if wanted is None else f"{wanted:g}",
                    " / ".join(f"{rolled.travel_mm[k]:+.1f}" for k in (least.steer, least.travel))
                    if known
                    else "",
                ),
                Tone.BAD if bad else Tone.PLAIN,
            )
        )
    yield Table(
        columns,
        tuple(rows),
        f"mm. The wheels at different heights, at {rolled.inside} mixtures of both travels inside "
        "the limits; between them a gap can be smaller. The worst pairs; all stand in the axle's "
        "gaps_in_roll.csv.",
        dense=True,
    )


def _banded(axle: AxleStudy) -> str:
    pairs = ((side, pair) for side, one in axle.gaps.items() for pair in one.pairs)
    if any(one_sigma_mm(axle, *found) is not None for found in pairs):
        return (
            "error band: two sigma from the measuring error of the points alone, of the least gap "
            "seen inside the limits."
        )
    return "No error band: none was worked out, or the file gives no one_sigma of its points."


def _steered(axle: AxleStudy) -> bool:
    return axle.axle.left.rack is not None


def _mending(axle: AxleStudy) -> Iterator[Block]:
    """What would keep every wanted gap, and what opens those that fall short the fastest."""
    lines = list(stops_words(axle))
    for side, pair in axle.worst_pairs(100_000):
        advice = axle.advice.get(side)
        found = advice.pairs.get(pair.pair) if advice is not None else None
        if found is not None and found.short and found.opens:
            a, b = (spoken(n) for n in pair.pair)
            lines.append(f"{a} to {b}: {opened_by_words(found.opens[0])}")
    if lines:
        yield Para("What would mend gaps that fall short:")
        yield Bullets(tuple(lines))


def _stays_apart(pair: SurveyedPair) -> bool:
    """Whether it is certain, between the poses too, that no one need look at this pair."""
    return _bound_mm(pair) > APART_MM


def _bound_mm(pair: SurveyedPair) -> float:
    """What the pair is certain to keep; NaN where nothing is certain."""
    if pair.constant:
        return pair.least.gap_mm
    if pair.certain is None or pair.certain.verdict is not Certainty.CLEAR:
        return float("nan")
    return pair.certain.lower_mm if pair.certain.strip == 0.0 else float("nan")


def _left_out(axle: AxleStudy) -> Iterator[Block]:
    lines = left_out_by_reason(axle)
    if lines:
        yield Para("Pairs left out, with the reason:", Tone.NOTE)
        yield Bullets(lines, Tone.NOTE)


def _gap_row(axle: AxleStudy, side: Side, pair: SurveyedPair) -> Row:
    least, sweep = pair.least, axle.sweep.left
    unknown = least.state is GapState.UNKNOWN or least.steer is None or least.travel is None
    touching = not unknown and (least.state is GapState.CONTACT or least.gap_mm <= 0.0)
    at = ""
    if least.steer is not None and least.travel is not None:
        rack = f"{sweep.rack_mm[least.steer]:+.1f} / " if _steered(axle) else ""
        at = f"{rack}{sweep.travel_mm[least.travel]:+.1f}"
    gap = "UNKNOWN" if unknown else "CONTACT" if touching else f"{least.gap_mm:.1f}"
    wanted = "" if pair.wanted_mm is None else f"{pair.wanted_mm:g}"
    short = touching or (not unknown and pair.margin_mm < 0.0)
    tone = Tone.DOUBT if unknown else Tone.BAD if short else Tone.PLAIN
    a, b = (spoken(n) for n in pair.pair)
    return Row(
        (side.value, f"{a} to {b}", gap, wanted, "every pose" if pair.constant else at,
         how_sure(axle, side, pair)),
        tone,
    )  # fmt: skip


def one_sigma_mm(axle: AxleStudy, side: Side, pair: SurveyedPair) -> float | None:
    """The doubt in a gap from the doubt in the points alone; None where it was not worked out, or
    where the file says of no point that moves it how well it was measured."""
    advice = axle.advice.get(side)
    found = advice.pairs.get(pair.pair) if advice is not None else None
    known = found is not None and np.isfinite(found.one_sigma_mm) and found.one_sigma_mm > 0.0
    return found.one_sigma_mm if found is not None and known else None


def how_sure(axle: AxleStudy, side: Side, pair: SurveyedPair) -> str:
    """What is known of a pair between the poses too, inside the limits, and what is not."""
    if pair.constant:
        return "the two never move against each other"
    if pair.certain is not None:
        sigma = one_sigma_mm(axle, side, pair)
        band = "" if sigma is None else f"; error band ± {2 * sigma:.1f} mm there"
        return f"inside the limits {certain_words(axle, pair.certain, '')}{band}"
    words = f"{pair.poses_measured} poses"
    if pair.poses_unknown:
        words += f", {pair.poses_unknown} unknown"
    return f"{words}, not between"
