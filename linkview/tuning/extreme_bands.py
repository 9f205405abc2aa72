"""Bands on first stops, least margins and least gaps: by slopes, by cars built anew, compared.

A stop's place x is where its limit's value v meets what is allowed, so dx/dp = -v_p / v_x. A least
gap or margin answers as the one at its worst pose does (see `clearance/rates.py`). Few cars can be
built, so their spread is held against what the slopes make of the same cars: what is left is
bending, not chance.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import numpy as np

from linkview.clearance.bodies import solids_of
from linkview.clearance.rates import Reader, gap_reader, limit_reader, rates_at
from linkview.geometry import Array
from linkview.kinematics.assemble import Rebuilder
from linkview.kinematics.follow import Followed
from linkview.kinematics.nearby import PoseList
from linkview.kinematics.sweep import CornerSweep, sweep_corner
from linkview.limits.limit import Limit
from linkview.limits.readings import limits_of
from linkview.limits.report import REACH
from linkview.model.layout import OTHER_WHEEL_CENTRE, WHEEL_CENTRE
from linkview.model.parts import Axle, Car, Corner, Side
from linkview.tuning.bands import Band, band_of, refuse_if_sure
from linkview.tuning.draws import drawn_shifts
from linkview.tuning.extreme_plan import plan_of
from linkview.tuning.extremes import Bare, Drawn, Extreme, Kind, Plan
from linkview.tuning.in_roll import slopes_in_roll
from linkview.tuning.own_plates import stepped_gaps
from linkview.tuning.run import run
from linkview.tuning.slot_ends import slopes_at
from linkview.tuning.spread import Spread

BATCH = 25  # cars to a job: what a Ctrl-C can lose is a few seconds' work
ALONG_MM = 0.01  # either side of a stop, for its limit's slope there

Slopes = Mapping[Extreme, Mapping[tuple[Side, str], Array]]


@dataclass(frozen=True, eq=False)
class Extremes:
    """All such bands of one axle. often: by number, what share of the cars stops at which limit, or
    touches, or is under the wanted gap. bare: what is reported without a band.
    """

    axle: Axle
    count: int
    bands: tuple[Band[Extreme], ...]
    often: Mapping[Extreme, Mapping[str, float]]
    bare: tuple[Bare, ...]


def extreme_bands(
    axle: Axle,
    car: Car,
    rebuilder: Rebuilder,
    sigma: Mapping[Side, Mapping[str, Array]],
    *,
    count: int,
    seed: int = 1,
    executor: Executor | None = None,
    folder: Path | None = None,
    heard: Callable[[int, int], None] = lambda done, count: None,
) -> Extremes:
    """What is held while steering is what the file holds. A beam axle is moved with both
    wheels together. Raises LinkviewError where nothing is in doubt."""
    refuse_if_sure(axle, sigma)
    plan = plan_of(axle, car)
    jobs = [
        Drawn(rebuilder, plan, sigma, seed, k, min(BATCH, count - first))
        for k, first in enumerate(range(0, count, BATCH))
    ]
    spread = run(jobs, executor, folder, heard)
    slopes = _slopes(plan, rebuilder)
    drawn = {
        c.side: [drawn_shifts(c, sigma, (seed, job.number), job.count) for job in jobs]
        for c in axle.corners
    }
    shifts = {
        side: {p: np.concatenate([some[p] for some in many]) for p in many[0]}
        for side, many in drawn.items()
    }
    bands, often = [], {}
    for e in plan.extremes:
        each = spread.each[e.key][:, 0, 0]
        by_point = slopes.get(e, {})
        value = plan.values[e.key]
        told = np.full(len(each), value)
        for (side, point), slope in by_point.items():
            told += shifts[side][point] @ slope
        variances = {k: float(((v * sigma[k[0]][k[1]]) ** 2).sum()) for k, v in by_point.items()}
        band = band_of(e, value, each, variances, told if by_point else None)
        if band is not None:
            bands.append(band)
            often[e] = _often(e, each, spread, plan)
    return Extremes(axle, count, tuple(bands), often, plan.bare)


def _often(e: Extreme, each: Array, spread: Spread, plan: Plan) -> dict[str, float]:
    known = each[np.isfinite(each)]
    if e.kind is Kind.STOP:
        which = spread.each[e.by][:, 0, 0]
        which = which[np.isfinite(which)].astype(int)
        share = np.bincount(which, minlength=len(plan.names)) / max(len(which), 1)
        order = np.argsort(-share, kind="stable")
        return {plan.names[k]: float(share[k]) for k in order if share[k] > 0.0}
    out: dict[str, float] = {}
    if e.kind is Kind.GAP:
        out["touches"] = float((known <= 0.0).mean())
        if e.wanted_mm is not None:
            out[f"under {e.wanted_mm:g} mm"] = float((known < e.wanted_mm).mean())
    elif e.kind is Kind.MARGIN:
        out["goes over it"] = float((known < 0.0).mean())
    return {words: share for words, share in out.items() if share > 0.0}


# --- slopes ---------------------------------------------------------------------------------------


def _slopes(plan: Plan, rebuilder: Rebuilder) -> Slopes:
    """Each number's slopes (3,) by point; a number that cannot be followed is not there."""
    out: dict[Extreme, Mapping[tuple[Side, str], Array]] = dict(_of_roll(plan, rebuilder))
    for corner in plan.axle.corners:
        mine = [e for e in plan.extremes if _whose(e) is corner.side and e.roll is None]
        slots = [e for e in mine if e.kind is Kind.SLOT]
        mine = [e for e in mine if e.kind is not Kind.SLOT]
        rebuild = partial(rebuilder.corner, plan.axle.name, corner.side)
        for end in {e.slot[0]: None for e in slots if e.slot}:
            by_point = slopes_at(corner, end, rebuild)
            for e in slots:
                if e.slot is not None and e.slot[0] == end:
                    out[e] = {_known_as(corner.side, p): v[e.slot[1]] for p, v in by_point.items()}
        if mine:
            out |= _of_corner(mine, corner, plan, rebuilder)
    return out


def _of_roll(
    plan: Plan, rebuilder: Rebuilder
) -> Iterator[tuple[Extreme, Mapping[tuple[Side, str], Array]]]:
    """Slopes of a solid axle's numbers in roll."""
    mine = plan.of(Kind.ROLL)
    if not mine:
        return

    def rebuilt(shifts: Mapping[Side, Mapping[str, Array]]) -> Axle:
        left, right = (rebuilder.corner(plan.axle.name, side, shifts[side]) for side in Side)
        return replace(plan.axle, left=left, right=right, symmetric=False)

    found = slopes_in_roll(plan.axle, plan.car, plan.lean_deg, rebuilt)
    for e in mine:
        by_point = found[e.side, e.name]
        if all(np.isfinite(v).all() for v in by_point.values()):
            yield e, by_point


def _whose(e: Extreme) -> Side | None:
    if e.stop is not None:
        return None if e.stop.name == REACH else e.stop.sides[0]
    return e.side


def _of_corner(
    mine: Sequence[Extreme], corner: Corner, plan: Plan, rebuilder: Rebuilder
) -> dict[Extreme, dict[tuple[Side, str], Array]]:
    axle, side = plan.axle, corner.side
    sweep = sweep_corner(corner, plan.rack, plan.travel, axle.hold)
    to_plates = [e for e in mine if plan.plates_of({*(e.pair or ())})]
    gaps = [e for e in mine if e.kind is Kind.GAP and e not in to_plates]
    rest = [e for e in mine if e.kind is not Kind.GAP]
    solids = solids_of(corner.bodies)
    pairs = [e.pair for e in gaps if e.pair is not None]
    limits = partial(_limits, axle=axle, car=plan.car)
    others = limit_reader(limits, [_limit_name(e) for e in rest])

    def begin(home: PoseList) -> Reader:
        near = gap_reader(home, solids, pairs)
        return lambda posed: np.concatenate([near(posed), others(posed)])

    at = [(e.rack_mm, e.travel_mm) for e in (*gaps, *rest)]
    rates = rates_at(sweep, at, partial(rebuilder.corner, axle.name, side), begin)
    scale = np.concatenate([np.ones(len(gaps)), _scales(rest, sweep, limits)])
    found: list[tuple[Extreme, Mapping[str, Array]]] = [
        (e, dict(zip(rates.points, size * rate, strict=True)))
        for e, rate, size in zip((*gaps, *rest), rates.by_point, scale, strict=True)
    ]
    found += _of_plates(to_plates, sweep, plan, rebuilder)
    return {
        e: {_known_as(side, p): v for p, v in by_point.items()}
        for e, by_point in found
        if all(np.isfinite(v).all() for v in by_point.values())
    }


def _of_plates(
    mine: Sequence[Extreme], sweep: CornerSweep, plan: Plan, rebuilder: Rebuilder
) -> list[tuple[Extreme, Mapping[str, Array]]]:
    """Slopes of gaps to plates, by point."""
    if not mine:
        return []
    pairs = [e.pair for e in mine if e.pair is not None]
    rack, travel = (np.array([getattr(e, n) for e in mine]) for n in ("rack_mm", "travel_mm"))
    plates = plan.plates_of({name for pair in pairs for name in pair})
    rebuild = partial(rebuilder.corner, plan.axle.name, sweep.corner.side)
    home = Followed.of(sweep, rack, travel)
    return list(zip(mine, stepped_gaps(plan.axle, home, sweep.corner, rebuild, pairs, plates),
                    strict=True))  # fmt: skip


def _known_as(side: Side, point: str) -> tuple[Side, str]:
    """A beam's other wheel is the other side's."""
    if point != OTHER_WHEEL_CENTRE:
        return side, point
    return (Side.RIGHT if side is Side.LEFT else Side.LEFT), WHEEL_CENTRE


def _limits(corner: Corner, *, axle: Axle, car: Car) -> tuple[Limit, ...]:
    return limits_of(corner, axle, car)


def _limit_name(e: Extreme) -> str:
    return e.stop.name if e.stop is not None else e.name


def _scales(
    rest: Sequence[Extreme], sweep: CornerSweep, limits: Callable[[Corner], Sequence[Limit]]
) -> Array:
    """What a limit's value counts for: its margin's sign, or -1 / (its slope along the way)."""
    by_name = {limit.name: limit for limit in limits(sweep.corner)}
    out = np.full(len(rest), np.nan)
    for k, e in enumerate(rest):
        limit = by_name[_limit_name(e)]
        if e.kind is Kind.MARGIN:
            out[k] = 1.0 if limit.at_least else -1.0
            continue
        step = ALONG_MM * np.array([-1.0, 1.0])
        along = e.name.startswith("travel")
        rack = e.rack_mm + (0.0 if along else step)
        travel = e.travel_mm + (step if along else 0.0)
        both = Followed.of(sweep, *np.broadcast_arrays(rack, travel)).poses(sweep.corner)
        value = limit.measure(both)
        out[k] = -2.0 * ALONG_MM / float(value[1] - value[0])
    return out
