"""Bands on every number and what to measure better: for the screen, and as CSV."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

import numpy as np

from linkview.alignment.quantities import BY_NAME
from linkview.export.tables import write_table
from linkview.geometry import Array
from linkview.model.parts import Axle, Side
from linkview.tuning.bands import TWO_SIDED, Band
from linkview.tuning.spread import Key, Spread
from linkview.tuning.trust import Number, Trust

# What decides on metal and comes first on the screen: name, stations.
SHOWN = (
    ("steer_deg", ("left lock", "right lock")),
    ("toggle_deg", ("left lock", "right lock")),
    ("camber_deg", ("left lock", "right lock", "full bump")),
    ("caster_deg", ("ride height",)),
    ("gauge_caster_deg", ("ride height",)),
    ("trail_mm", ("ride height", "left lock", "right lock")),
    ("scrub_radius_mm", ("ride height",)),
    ("toe_in_deg", ("full bump", "full droop")),
    ("motion_ratio", ("ride height",)),
    ("wheel_rate_n_per_mm", ("ride height",)),
    ("roll_centre_height_mm", ("ride height",)),
    ("percent_ackermann", ("left lock",)),
)
TOP = 2
ABOUT = (
    "95 % of cars measured or made with this doubt lie in the band. Normal errors, each point and "
    "side by itself, wheel-centre height held. Camber and toe at ride height are read by a gauge: "
    "its error stands beside these. not linear: the two ways differ by more than 5 %, or cars are "
    "lost: take the drawn band."
)


def trust_lines(found: Trust) -> Iterator[str]:
    """For the screen: the left side's and the axle's chief numbers."""
    yield f"{found.axle.name.upper()} AXLE, {found.count} cars drawn (left side and axle shown)"
    head = f"{'value':>10}{'from':>10}{'to':>10}{'+-linear':>10}  {'':<11}"
    yield f"  {'':<38}{head}measure better"
    if found.axle.left.layout.level:
        yield "  A solid axle, both wheels up and down together; of roll: on cars built anew."
    for band in _shown(found):
        q = BY_NAME[band.number.key[1]]
        places = q.decimals
        label = f"{q.label}{' change' if band.number.change else ''}, {band.number.station.name}"
        figures = [f"{v:+.{places}f}" for v in (band.value, band.low, band.high)]
        straight = TWO_SIDED * band.linear
        figures.append("unknown" if np.isnan(straight) else f"{straight:.{places}f}")
        cells = "".join(f"{c:>10}" for c in figures)
        yield f"  {label + ', ' + q.unit:<38}{cells}  {_verdict(band):<11}{_better(band)}"
    lost = max((b.missing for b in found.bands), default=0.0)
    if lost:
        yield (
            f"  Up to {100.0 * lost:.1f} % of the cars do not reach a pose at all: over centre or "
            "beyond reach. They are not in its band."
        )


def _shown(found: Trust) -> Iterator[Band[Number]]:
    for name, stations in SHOWN:
        for band in found.bands:
            side, reading = band.number.key
            if reading != name or side is Side.RIGHT or band.number.station.name not in stations:
                continue
            if (name == "toe_in_deg") == band.number.change and not band.nothing:
                yield band


def _verdict(band: Band[Number]) -> str:
    if band.nothing:
        return "gauge"
    return "" if band.near_linear else "not linear"


def _better(band: Band[Number]) -> str:
    """'tie rod outer (54 %), ...': shares of the linear variance, both sides apart."""
    ranked = sorted(band.shares.items(), key=lambda item: -item[1])
    merged: dict[str, float] = {}
    for (_, point), share in ranked:
        merged[point] = merged.get(point, 0.0) + share
    told = sorted(merged.items(), key=lambda item: -item[1])[:TOP]
    return ", ".join(f"{p.replace('_', ' ')} ({100.0 * s:.0f} %)" for p, s in told)


def write_trust(path: Path, found: Sequence[Trust]) -> None:
    """Every number's two bands and whether they agree, as CSV."""
    header = ["axle", "of", "reading", "unit", "at", "rack (mm)", "travel (mm)", "kind", "value"]
    header += ["mean of cars", "2.5 % of cars under", "97.5 % of cars under", "sigma of cars"]
    header += ["sigma linear", "near linear", "cars that do not reach it (%)"]

    def rows() -> Iterator[Sequence[object]]:
        for t in found:
            for b in t.bands:
                side, name = b.number.key
                q, at = BY_NAME[name], b.number.station
                row: list[object] = [t.axle.name, "axle" if side is None else side.value, q.label]
                row += [q.unit, at.name, at.rack_mm, at.travel_mm]
                row += ["change from ride height" if b.number.change else "reading"]
                row += [
                    float(f"{v:.6g}") for v in (b.value, b.mean, b.low, b.high, b.drawn, b.linear)
                ]
                word = "points do not matter" if b.nothing else "yes" if b.near_linear else "no"
                yield [*row, word, round(100.0 * b.missing, 2)]

    write_table(path, header, rows())


def write_better(path: Path, found: Sequence[Trust]) -> None:
    """Which point to measure better: each number's variance by point, strongest first, as CSV."""
    header = ["axle", "of", "reading", "at", "kind", "rank", "point", "side"]
    header += ["share of variance (%)", "sigma now", "sigma with this point exact", "unit"]

    def rows() -> Iterator[Sequence[object]]:
        for t in found:
            for b in t.bands:
                if b.nothing:
                    continue
                q, side = BY_NAME[b.number.key[1]], b.number.key[0]
                start = [t.axle.name, "axle" if side is None else side.value, q.label]
                start += [b.number.station.name, "change" if b.number.change else "reading"]
                ranked = sorted(b.shares.items(), key=lambda item: -item[1])
                for rank, ((where, point), share) in enumerate(ranked, start=1):
                    if share < 1e-4:
                        break
                    left = b.linear * float(np.sqrt(max(1.0 - share, 0.0)))
                    whose = "axle" if point in t.axle.left.layout.shared else where.value
                    yield [*start, rank, point, whose, round(100.0 * share, 2),
                           f"{b.linear:.6g}", f"{left:.6g}", q.unit]  # fmt: skip

    write_table(path, header, rows())


def write_every_pose(path: Path, found: Mapping[str, tuple[Axle, Array, Array, Spread]]) -> None:
    """Mean and sigma of every reading at every pose, as CSV; one row per pose and side."""
    keys: list[Key] = []
    for _, _, _, spread in found.values():
        keys += [k for k in spread.nominal if k not in keys]
    names = list(dict.fromkeys(name for _, name in keys))
    header = ["axle", "of", "held", "rack (mm)", "travel (mm)", "cars"]
    for name in names:
        q = BY_NAME[name]
        header += [f"{q.label} ({q.unit})", f"{q.label} mean", f"{q.label} sigma"]

    def rows() -> Iterator[Sequence[object]]:
        for axle, rack, travel, spread in found.values():
            for side in (*Side, None):
                for i, r in enumerate(rack):
                    for j, t in enumerate(travel):
                        cells, count = _cells(spread, side, names, (i, j))
                        who = "axle" if side is None else side.value
                        yield [axle.name, who, axle.hold.value, round(float(r), 4),
                               round(float(t), 4), count, *cells]  # fmt: skip

    write_table(path, header, rows())


def _cells(
    spread: Spread, side: Side | None, names: Sequence[str], at: tuple[int, int]
) -> tuple[list[object], int]:
    out: list[object] = []
    most = 0
    for name in names:
        key = side, name
        if key not in spread.nominal:
            out += [None] * 3
            continue
        n = float(spread.reached[key][at])
        most = max(most, int(n))
        mean = float(spread.total[key][at]) / n if n else np.nan
        square = float(spread.squares[key][at]) / n - mean**2 if n else np.nan
        nominal = float(spread.nominal[key][at])
        sigma = float(np.sqrt(max(square, 0.0))) if n > 1 else np.nan
        out += [float(f"{v:.6g}") for v in (nominal, nominal + mean, sigma)]
    return out, most
