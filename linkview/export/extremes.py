"""Bands on first stops, limits and least gaps: for the screen, and as CSV."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np

from linkview.export.tables import write_table
from linkview.model.parts import Side
from linkview.tuning.bands import TWO_SIDED, Band
from linkview.tuning.extreme_bands import Extremes
from linkview.tuning.extremes import Extreme, Kind

DECIMALS = 1
FINER = {(Kind.SLOT, "deg"): 2, (Kind.ROLL, "deg"): 3, (Kind.ROLL, "deg/deg"): 4}
TOP = 2
ABOUT = (
    "Stops, limits and gaps: each car built anew from its own points and swept by itself, steering "
    "as the file holds it. Margins within the working rack and the whole travel. Gaps at the poses "
    "that the file's car reaches inside its limits, the least of them: what is certain between the "
    "poses stands in gaps.csv. Under 0: touching, by how deep. Plates are drawn anew for each car. "
    "Slots: as drawn for the file's points, tie rod and all other parts kept, at ride height. In "
    "roll: at ride height, to the first limit or to the end of a wheel's travel; camber to the "
    "road stays as the gauge reads it."
)


def extreme_lines(found: Extremes) -> Iterator[str]:
    """For the screen."""
    yield f"{found.axle.name.upper()} AXLE, stops, limits and gaps: {found.count} cars built"
    told = [band for band in found.bands if not band.nothing]
    shared = found.axle.left.layout.shared
    wide = max((len(_label(band.number)) for band in told), default=0)
    head = f"{'value':>8}{'from':>8}{'to':>8}{'+-linear':>10}  {'':<11}"
    yield f"  {'':<{wide}}{head}measure better"
    for band in told:
        label = f"{_label(band.number):<{wide}}"
        yield f"  {label}{_figures(band)}  {verdict(band):<11}{_better(band, shared)}".rstrip()
        words = often_words(found, band.number)
        if words:
            yield f"      {words}"
    for x in found.bare:
        if x.value is None:
            yield f"  {'' if x.side is None else x.side.value} {x.name}: no band, {x.why}"
    far = sum(x.value is not None for x in found.bare)
    if far:
        yield f"  {far} wider gaps have no band: trust_stops_and_gaps.csv says which, and why"
    lost = max((b.missing for b in found.bands), default=0.0)
    if lost:
        yield (
            f"  Up to {100.0 * lost:.1f} % of the cars do not reach a pose, or cannot be built. "
            "They are not in its band."
        )


def often_words(found: Extremes, number: Extreme) -> str:
    """'touches in 37 % of the cars, under 5 mm in 68 %'; '' where there is nothing to say."""
    often = found.often[number]
    if number.kind is Kind.STOP:
        told = [f"{_spoken(name)} {_percent(share)}" for name, share in often.items()]
        return f"stopped by: {', '.join(told)}" if len(told) > 1 else ""
    told = [f"{words} in {_percent(share)}" for words, share in often.items()]
    return f"{', '.join(told)} of the cars" if told else ""


def _percent(share: float) -> str:
    if 0.0 < share < 0.01 or 0.99 < share < 1.0:
        return "under 1 %" if share < 0.5 else "over 99 %"
    return "all" if share == 1.0 else f"{100.0 * share:.0f} %"


def _label(e: Extreme) -> str:
    side = "" if e.side is None else f"{e.side.value} "
    over = " margin" if e.kind is Kind.MARGIN else ""
    return f"{side}{e.name}{over}, {e.unit}"


def _figures(band: Band[Extreme]) -> str:
    places = FINER.get((band.number.kind, band.number.unit), DECIMALS)
    cells = [f"{v + 0.0:+.{places}f}" for v in (band.value, band.low, band.high)]
    half = TWO_SIDED * band.linear
    straight = "unknown" if np.isnan(half) else f"{half:.{places}f}"
    return "".join(f"{cell:>8}" for cell in cells) + f"{straight:>10}"


def verdict(band: Band[Extreme]) -> str:
    """'' where the linear band may be used."""
    return "" if band.near_linear else "not linear"


def _better(band: Band[Extreme], shared: Sequence[str]) -> str:
    ranked = sorted(band.shares.items(), key=lambda item: -item[1])[:TOP]
    # Else all of them are on the number's own.
    sides = band.number.side is None or band.number.kind is Kind.ROLL

    def who(side: Side, point: str) -> str:
        return f"{side.value} {_spoken(point)}" if sides and point not in shared else _spoken(point)

    return ", ".join(
        f"{who(*at)} ({100.0 * share:.0f} %)" for at, share in ranked if share >= 0.005
    )


def _spoken(name: str) -> str:
    return name.replace("_", " ")


def write_extremes(path: Path, found: Sequence[Extremes]) -> None:
    """Every stop's, limit's and gap's two bands, and how often it is met, as CSV."""
    header = ["axle", "side", "what", "of", "unit", "worst at rack (mm)", "worst at travel (mm)"]
    header += ["value", "mean of cars", "2.5 % of cars under", "97.5 % of cars under"]
    header += ["sigma of cars", "sigma linear", "near linear", "cars without it (%)", "how often"]
    header += ["strongest point", "its share of variance (%)"]

    def rows() -> Iterator[Sequence[object]]:
        for x in found:
            for b in x.bands:
                e = b.number
                row: list[object] = [x.axle.name, "axle" if e.side is None else e.side.value]
                row += [e.kind.value, e.name, e.unit, round(e.rack_mm, 3), round(e.travel_mm, 3)]
                row += [f"{v:.6g}" for v in (b.value, b.mean, b.low, b.high, b.drawn)]
                row.append(float(f"{b.linear:.6g}"))
                word = "points do not matter" if b.nothing else "yes" if b.near_linear else "no"
                row += [word, round(100.0 * b.missing, 2)]
                row.append("; ".join(f"{k}: {100 * v:.1f} %" for k, v in x.often[e].items()))
                yield [*row, *_strongest(b, x.axle.left.layout.shared)]
            for bare in x.bare:
                who = "axle" if bare.side is None else bare.side.value
                value = None if bare.value is None else f"{bare.value:.6g}"
                yield [x.axle.name, who, bare.kind.value, bare.name, bare.unit, None, None, value,
                       *[None] * 5, "no band", None, bare.why, None, None]  # fmt: skip

    write_table(path, header, rows())


def _strongest(band: Band[Extreme], shared: Sequence[str]) -> tuple[str | None, float | None]:
    if not band.shares:
        return None, None
    (side, point), share = max(band.shares.items(), key=lambda item: item[1])
    return point if point in shared else f"{side.value} {point}", round(100.0 * share, 1)
