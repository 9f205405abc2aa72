"""Answers told: what each aim reads before and after, solved again by sweeps, and what it costs."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from linkview.alignment.axle import align
from linkview.errors import LinkviewError
from linkview.geometry import Array
from linkview.kinematics.sweep import sweep_axle
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

    how: how a gap is known, in words; '' for what is read at its pose.
    """

    aimed: Aimed
    before: float
    after: float
    met: bool
    how: str = ""


@dataclass(frozen=True, eq=False)
class Answer:
    """One way to reach the aims. moves: point -> (3,) mm on the file's side. sizes: links and arm
    legs that come out another length -> mm. costs: reading at ride height -> before, after.
    """

    moves: Mapping[str, Array]
    outcomes: tuple[Outcome, ...]
    sizes: Mapping[str, float]
    costs: Mapping[str, tuple[float, float]]

    @property
    def missed(self) -> int:
        """How many aims, pose by pose, are not met."""
        return sum(not o.met for o in self.outcomes)

    @property
    def moved_mm(self) -> float:
        """All moves added up."""
        return float(sum(np.linalg.norm(v) for v in self.moves.values()))


def _value(axle: Axle, car: Car, name: str, rack_mm: float, travel_mm: float) -> float:
    """A reading by a sweep, the wheel's height held as the slopes hold it; NaN out of reach."""
    sweep = sweep_axle(axle, np.array([rack_mm]), np.array([travel_mm]))
    if not all(corner.solved.all() for corner in sweep.corners):
        return float("nan")
    read = align(sweep, car)
    values = getattr(read, name, None)
    return float((getattr(read.left, name) if values is None else values)[0, 0])


def read(
    axle: Axle,
    car: Car,
    aimed: Sequence[Aimed],
    moves: Mapping[str, Array],
    meter: GapMeter | None,
) -> list[Judged]:
    """Every aim with the points moved. Raises LinkviewError where it cannot be put together."""
    held = _wheel_height(moved(axle, moves))
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
            out.append(Judged(room_mm(axle, one.slot, moves), ""))
        else:
            assert isinstance(one, ReadingAimed)
            value = _value(held, car, one.reading, one.rack_mm, one.travel_mm)
            if one.aim.change:
                value -= _value(held, car, one.reading, 0.0, 0.0)
            out.append(Judged(value, ""))
    return out


def _wheel_height(axle: Axle) -> Axle:
    """Held as the slopes hold it."""
    return replace(axle, hold=Hold.WHEEL_HEIGHT)


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
        costs = {
            name: tuple(_value(_wheel_height(a), car, name, 0.0, 0.0) for a in (axle, there))
            for name in COSTS
        }
    except LinkviewError:
        return None
    outcomes = tuple(
        Outcome(one, old.value, new.value, one.met(new.value), new.how)
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
    )
