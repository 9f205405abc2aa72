"""What is read of every car: the file's own stops, worst margins and tightest pairs, and where."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace

import numpy as np

from linkview.clearance.answers import GapState
from linkview.clearance.compiled import compile_all
from linkview.clearance.distance import pair_gap
from linkview.clearance.gaps import SurveyedPair, survey
from linkview.geometry import Array, Flags, frozen
from linkview.kinematics.sweep import AxleSweep, CornerSweep, grid_of, sweep_axle
from linkview.limits.readings import limits_of
from linkview.limits.report import REACH, Stop
from linkview.model.bodies import Facets
from linkview.model.parts import Axle, Car, Side
from linkview.plates.drawn import far_from_plates
from linkview.tuning.extremes import (
    NOTHING,
    Bare,
    Extreme,
    Kind,
    Plan,
    margins,
    place_of,
    read,
    stops_of,
    stops_told,
)
from linkview.tuning.gap_meter import inside_limits
from linkview.tuning.in_roll import in_roll
from linkview.tuning.own_plates import plate_bodies, solids_for
from linkview.tuning.slot_ends import READINGS, slot_ends
from linkview.tuning.spread import Key

RACKS, TRAVELS = 9, 9  # poses that cars are read at, besides those where the file's car is worst
FINE_RACKS, FINE_TRAVELS = 21, 21  # poses among which those are looked for
NEAR_MM = 25.0  # gaps this much over what is wanted, and more, are left out
MOST_PAIRS = 20
BESIDE_MM = 30.0  # poses where the file's car has so much more gap than at its worst are left out


def plan_of(axle: Axle, car: Car) -> Plan:
    """What is read of every car like this one, from its own stops and gaps."""
    compile_all()
    rack, travel = grid_of(axle, rack_count=FINE_RACKS, travel_count=FINE_TRAVELS)
    steering, moving = stops_of(axle, car, rack, travel)
    told = list(stops_told(axle, steering, moving))
    locks = [s.rack_mm for n, _, s in told if s and n.startswith("rack")]
    rack = _with(rack, [*_inward(locks), *_working(axle)])
    ends = [s.travel_mm for n, _, s in told if s and n.startswith("travel")]
    sweep = sweep_axle(axle, rack, _with(travel, _inward(ends)))
    sides = (Side.LEFT,) if axle.symmetric else tuple(Side)
    tight: list[tuple[Side, SurveyedPair, tuple[int, int]]] = []
    bare: list[Bare] = []
    plates: dict[str, str] = {}
    for corner in sweep.corners:
        if corner.corner.side in sides:
            drawn = plate_bodies(axle, corner.corner, axle.plates)
            plates |= {body.name: name for name, some in drawn.items() for body in some}
            near, rest = _tight(_with_plates(corner, drawn), axle, car)
            tight += [(corner.corner.side, pair, least) for pair, least in near]
            bare += rest
    racks, travels = grid_of(axle, rack_count=RACKS, travel_count=TRAVELS)
    worst = [at for _, _, at in tight]
    racks = _with(racks, [*_inward(locks), *_working(axle), *(rack[i] for i, _ in worst)])
    travels = _with(travels, [*_inward(ends), *(sweep.left.travel_mm[j] for _, j in worst)])
    coarse = sweep_axle(axle, racks, travels)
    already = frozenset(s.name for s in moving.already)
    margin_numbers = list(_margin_numbers(coarse, axle, car, sides))
    bare += [n for n in margin_numbers if isinstance(n, Bare)]
    extremes = [*_stop_numbers(axle, told)]
    extremes += [n for n in margin_numbers if isinstance(n, Extreme)]
    beside: dict[Key, Flags] = {}
    for side, pair, _ in tight:
        corner = coarse.corners[list(Side).index(side)]
        found = _gap_number(corner, side, pair, axle, car, plates)
        if found is None:
            bare.append(_bare(side, pair, None, "unknown at a pose that cars are read at"))
        else:
            extremes.append(found[0])
            beside[found[0].key] = found[1]
    extremes += [
        Extreme(Kind.SLOT, end.side, f"{reading} with {end.words}", "deg", 0.0, 0.0, slot=(end, k))
        for end in slot_ends(axle, sides)
        for k, reading in enumerate(READINGS)
    ]
    extremes += [
        Extreme(Kind.ROLL, n.side, n.name, n.unit, 0.0, 0.0, roll=n)
        for n, value in in_roll(axle, car)
        if np.isfinite(value)
    ]
    limits = [x.name for c in axle.corners for x in limits_of(c, axle, car)]
    names = tuple(dict.fromkeys([*limits, REACH, NOTHING]))
    used = _used(coarse, axle)
    plan = Plan(axle, car, racks, travels, used, tuple(extremes), {}, beside, names,
                plates, tuple(bare), already)  # fmt: skip
    return replace(plan, values=read(axle, plan))


def _with(grid: Array, more: Sequence[float]) -> Array:
    """The grid with more places, those that differ by nothing put together."""
    return frozen(np.unique(np.round(np.concatenate([grid, np.array(more, dtype=float)]), 4)))


def _inward(places: Sequence[float]) -> list[float]:
    """Just inside each stop, so that the pose there is one that is allowed."""
    return [float(np.sign(x) * (np.floor(abs(x) * 100.0) / 100.0 - 0.01)) for x in places if x]


def _working(axle: Axle) -> list[float]:
    rack = axle.left.rack
    return [] if rack is None else [-rack.working_mm, rack.working_mm]


def _used(sweep: AxleSweep, axle: Axle) -> Flags:
    """(S, T): within the working rack."""
    rack, shape = axle.left.rack, sweep.left.solved.shape
    if rack is None:
        return np.ones(shape, dtype=bool)
    inside = np.abs(sweep.left.rack_mm) <= rack.working_mm + 1e-6
    return np.broadcast_to(inside[:, None], shape)


def _with_plates(corner: CornerSweep, drawn: Mapping[str, tuple[Facets, ...]]) -> CornerSweep:
    plates = [body for some in drawn.values() for body in some]
    whole = replace(corner.corner, bodies=(*corner.corner.bodies, *plates))
    return replace(corner, corner=whole)


def _tight(
    corner: CornerSweep, axle: Axle, car: Car
) -> tuple[list[tuple[SurveyedPair, tuple[int, int]]], list[Bare]]:
    """Pairs that come near inside the limits, the nearest first, with their worst pose; and those
    without a band."""
    inside, side = inside_limits(corner, axle, car), corner.corner.side
    far = far_from_plates(corner.corner, corner.poses, axle)
    left_out = {**far, **axle.left_out}
    found = survey(corner.corner, corner.poses, wanted=axle.wanted_gaps, left_out=left_out)
    near: list[tuple[float, SurveyedPair, tuple[int, int]]] = []
    bare: list[Bare] = []
    for pair in found.pairs:
        if not inside.any() or (pair.state[inside] == GapState.UNKNOWN).any():
            bare.append(_bare(side, pair, None, "unknown at a pose inside the limits"))
            continue
        gap = np.where(inside, np.nan_to_num(pair.gap_mm, nan=0.0), np.inf)
        i, j = (int(k) for k in np.unravel_index(np.argmin(gap), gap.shape))
        over = float(gap[i, j]) - (pair.wanted_mm or 0.0)
        if over < NEAR_MM:
            near.append((over, pair, (i, j)))
        else:
            why = f"{NEAR_MM:g} mm and more over what is wanted: not followed"
            bare.append(_bare(side, pair, float(gap[i, j]), why))
    near.sort(key=lambda item: item[0])
    words = f"not among the {MOST_PAIRS} tightest pairs"
    bare += [_bare(side, p, over + (p.wanted_mm or 0.0), words) for over, p, _ in near[MOST_PAIRS:]]
    return [(pair, at) for _, pair, at in near[:MOST_PAIRS]], bare


def _bare(side: Side, pair: SurveyedPair, value: float | None, why: str) -> Bare:
    return Bare(Kind.GAP, side, _spoken(pair.pair), "mm", value, why)


def _spoken(pair: tuple[str, str]) -> str:
    return " to ".join(name.replace("_", " ") for name in pair)


def _stop_numbers(axle: Axle, told: Sequence[tuple[str, str, Stop | None]]) -> Iterator[Extreme]:
    left = next((s for n, _, s in told if n == "rack at left lock"), None)
    to_left = -1.0 if left is not None and left.rack_mm < 0.0 else 1.0
    for name, unit, stop in told:
        at = place_of(name, stop, axle, to_left)
        where = (0.0, at) if name.startswith("travel") else (at, 0.0)
        yield Extreme(Kind.STOP, None, name, unit, *where, stop=stop)


def _margin_numbers(
    sweep: AxleSweep, axle: Axle, car: Car, sides: Sequence[Side]
) -> Iterator[Extreme | Bare]:
    used = _used(sweep, axle)
    for corner in sweep.corners:
        side = corner.corner.side
        for name, (unit, margin) in margins(corner, axle, car).items() if side in sides else ():
            here = np.where(used, margin, np.inf)
            if np.isfinite(here[used]).all():
                i, j = np.unravel_index(np.argmin(here), here.shape)
                at = float(sweep.left.rack_mm[i]), float(sweep.left.travel_mm[j])
                yield Extreme(Kind.MARGIN, side, name, unit, *at)
            else:
                why = "the file's car does not reach every pose of its working rack and travel"
                yield Bare(Kind.MARGIN, side, name, unit, None, why)


def _gap_number(
    corner: CornerSweep,
    side: Side,
    pair: SurveyedPair,
    axle: Axle,
    car: Car,
    plates: Mapping[str, str],
) -> tuple[Extreme, Flags] | None:
    """The least gap of a pair on the poses that cars are read at, and those poses."""
    inside = inside_limits(corner, axle, car)
    mine = {plates[name] for name in pair.pair if name in plates}
    solids = solids_for(axle, corner.corner, {*pair.pair}, mine)
    poses = {part: move[inside] for part, move in corner.poses.items()}
    found = pair_gap(solids[pair.pair[0]], solids[pair.pair[1]], poses)
    if not found.state.size or (found.state == GapState.UNKNOWN).any():
        return None
    gap = np.full(inside.shape, np.inf)
    gap[inside] = np.nan_to_num(found.gap_mm, nan=0.0)
    i, j = np.unravel_index(np.argmin(gap), gap.shape)
    name, at = _spoken(pair.pair), (float(corner.rack_mm[i]), float(corner.travel_mm[j]))
    number = Extreme(Kind.GAP, side, name, "mm", *at, pair=pair.pair, wanted_mm=pair.wanted_mm)
    return number, gap <= gap[i, j] + BESIDE_MM
