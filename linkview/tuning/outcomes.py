"""Answers told: what each aim reads before and after, solved again by sweeps, and what it costs."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache

import numpy as np

from linkview.alignment.axle import AxleAlignment, align_without_locks
from linkview.errors import LinkviewError
from linkview.geometry import Array
from linkview.kinematics.sweep import sweep_axle
from linkview.model.adjusters import SlotAdjuster
from linkview.model.aims import AimTable
from linkview.model.parts import Axle, Car, Hold
from linkview.tuning.aimed import Aimed, GapAimed, Judged, ReadingAimed, SlotAimed
from linkview.tuning.gap_meter import GapMeter
from linkview.tuning.problem import moved
from linkview.tuning.slots import room_mm

SAME_MM = 0.05  # answers nearer than this are one
COSTS = ("caster_deg", "steering_axis_inclination_deg", "trail_mm", "scrub_radius_mm",
         "bump_steer_deg_per_mm", "camber_gain_deg_per_mm", "steer_rate_deg_per_mm",
         "motion_ratio", "wheel_rate_n_per_mm", "roll_centre_height_mm")  # fmt: skip


@dataclass(frozen=True, eq=False)
class Outcome:
    """What an aim reads before and after, from sweeps. met: within its `within`; a limit kept.

    how: how a gap is known, in words; '' for what is read at its pose. worst: where it was least.
    """

    aimed: Aimed
    before: float
    after: float
    met: bool
    how: str = ""
    worst: tuple[float, float] | None = None


@dataclass(frozen=True, eq=False)
class Answer:
    """One way to reach the aims. moves: point -> (3,) mm on the file's side. sizes: links and arm
    legs that come out another length -> mm. costs: reading at ride height -> before, after.
    broken: what the file asks for besides the aims and this answer does not keep, in words.
    """

    moves: Mapping[str, Array]
    outcomes: tuple[Outcome, ...]
    sizes: Mapping[str, float]
    costs: Mapping[str, tuple[float, float]]
    broken: tuple[str, ...] = ()

    @property
    def missed(self) -> int:
        """How many aims, pose by pose, are not met."""
        return sum(not o.met for o in self.outcomes)

    @property
    def off(self) -> tuple[float, int]:
        """How far off: squares of misses, in `within`, 0 where all aims are met; what is broken."""
        misses = [o.aimed.miss(o.after) for o in self.outcomes if not o.met]
        return float(sum(m * m for m in misses)), len(self.broken)

    @property
    def moved_mm(self) -> float:
        """All moves added up."""
        return float(sum(np.linalg.norm(v) for v in self.moves.values()))


Aligned = Callable[[float, float], AxleAlignment | None]


def _aligned(axle: Axle, car: Car) -> Aligned:
    """Readings by sweeps of one pose, the wheel's height held as the slopes hold it; None where it
    is out of reach. Every pose is swept once.
    """
    held = replace(axle, hold=Hold.WHEEL_HEIGHT)

    @cache
    def at(rack_mm: float, travel_mm: float) -> AxleAlignment | None:
        sweep = sweep_axle(held, np.array([rack_mm]), np.array([travel_mm]))
        if not all(corner.solved.all() for corner in sweep.corners):
            return None
        return align_without_locks(sweep, car)

    return at


def _value(found: AxleAlignment | None, name: str) -> float:
    if found is None:
        return float("nan")
    values = getattr(found, name, None)
    return float((getattr(found.left, name) if values is None else values)[0, 0])


def read(
    axle: Axle,
    car: Car,
    aimed: Sequence[Aimed],
    moves: Mapping[str, Array],
    meter: GapMeter | None,
) -> list[Judged]:
    """Every aim with the points moved. Raises LinkviewError where it cannot be put together."""
    at = _aligned(moved(axle, moves), car)
    gaps = [one for one in aimed if isinstance(one, GapAimed)]
    judged = {}
    if gaps:
        assert meter is not None
        judged = meter.judged(moves, {one.pair: one.aim.at_least or 0.0 for one in gaps})
    out = []
    for one in aimed:
        if isinstance(one, GapAimed):
            out.append(judged[one.pair])
        elif isinstance(one, SlotAimed):
            out.append(Judged(room_mm(axle, one.slot, moves)))
        else:
            assert isinstance(one, ReadingAimed)
            value = _value(at(one.rack_mm, one.travel_mm), one.reading)
            if one.aim.change:
                value -= _value(at(0.0, 0.0), one.reading)
            out.append(Judged(value))
    return out


def told(
    axle: Axle,
    car: Car,
    aimed: Sequence[Aimed],
    moves: Mapping[str, Array],
    before: Sequence[Judged],
    meter: GapMeter | None,
) -> Answer | None:
    """The answer with these moves; None where the linkage cannot be put together."""
    there = moved(axle, moves)
    try:
        after = read(axle, car, aimed, moves, meter)
        ride = [_aligned(a, car)(0.0, 0.0) for a in (axle, there)]
        broken = tuple(_broken(axle, moves, [one.aim for one in aimed], meter))
    except LinkviewError:
        return None
    costs = {name: tuple(_value(found, name) for found in ride) for name in COSTS}
    outcomes = tuple(
        Outcome(one, old.value, new.value, one.met(new.value), new.how, new.worst)
        for one, old, new in zip(aimed, before, after, strict=True)
    )
    layout = axle.left.layout
    pairs = {name.replace("_", " "): (rod.inner, rod.outer) for name, rod in layout.rods.items()}
    for name, arm in layout.arms.items():
        for pivot in arm.pivots:
            pairs[f"{name} ({pivot})".replace("_", " ")] = (pivot, arm.ball)
    sizes = {
        name: there.left.distance_mm(*pair) - axle.left.distance_mm(*pair)
        for name, pair in pairs.items()
    }
    return Answer(
        moves,
        outcomes,
        {n: v for n, v in sizes.items() if abs(v) > SAME_MM},
        {n: (v[0], v[1]) for n, v in costs.items() if np.isfinite(v).all()},
        broken,
    )


def _broken(
    axle: Axle, moves: Mapping[str, Array], aims: Sequence[AimTable], meter: GapMeter | None
) -> Iterator[str]:
    """Slots that the moves leave and gaps wanted in the file that they leave short, in words; what
    is aimed at is told as an aim.
    """
    slots = {aim.slot for aim in aims}
    for name, adjuster in axle.adjusters.items():
        if (
            isinstance(adjuster, SlotAdjuster)
            and name not in slots
            and {*adjuster.points} & {*moves}
        ):
            room = room_mm(axle, name, moves)
            if room < 0.0:
                yield f"leaves slot {name} by {-room:.1f} mm".replace("_", " ")
    if meter is None:
        return
    aimed = {frozenset(aim.between): aim.at_least for aim in aims if aim.between is not None}
    wanted = {
        w.pair: w.at_least_mm
        for w in axle.wanted_gaps
        if w.at_least_mm > (aimed.get(w.pair) or 0.0) or w.pair not in aimed
    }
    earlier = meter.seen({}, wanted)
    for pair, found in meter.seen(moves, wanted).items():
        told = f"gap {' to '.join(sorted(pair))}".replace("_", " ")
        if found is None:
            yield f"{told} is not measured here: a plate"
        elif not found.least_mm >= wanted[pair]:
            then = earlier[pair]
            assert then is not None
            least = " -> ".join(
                f"{v:.1f}" if np.isfinite(v) else "unknown" for v in (then.least_mm, found.least_mm)
            )
            yield f"{told}: {least} mm, {wanted[pair]:g} mm wanted (sampled)"
