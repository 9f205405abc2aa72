"""One pose, exactly: where every part stands, and what stops the way to it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from linkview.errors import LinkageLocked
from linkview.geometry import Array, Flags
from linkview.kinematics.axle import travels_of
from linkview.kinematics.sweep import AxleSweep, sweep_corner
from linkview.limits.limit import Limit, Stops
from linkview.limits.readings import LimitReading, limits_of
from linkview.model.parts import Axle, Car, Side

STATIONS = 9  # poses looked at along a way; two rounds find a limit to 1/64 of it


@dataclass(frozen=True)
class Inputs:
    """What moves an axle: rack mm (+ left), travel mm (+ bump) of both wheels, roll deg."""

    rack_mm: float = 0.0
    travel_mm: float = 0.0
    roll_deg: float = 0.0

    def towards(self, other: Inputs, share: float) -> Inputs:
        return Inputs(
            self.rack_mm + share * (other.rack_mm - self.rack_mm),
            self.travel_mm + share * (other.travel_mm - self.travel_mm),
            self.roll_deg + share * (other.roll_deg - self.roll_deg),
        )


@dataclass(frozen=True, eq=False)
class Moment:
    """An axle at the inputs reached on the way to those asked for. stopped: by what, or ''."""

    inputs: Inputs
    sweep: AxleSweep
    limits: tuple[LimitReading, ...]
    stopped: str


def clamped(axle: Axle, asked: Inputs) -> Inputs:
    """Inputs within the rack's stops and the travel; nothing that is not a number."""
    stop = axle.left.rack.stop_mm if axle.left.rack is not None else 0.0
    travel = axle.left.travel
    return Inputs(
        float(np.clip(asked.rack_mm, -stop, stop)),
        float(np.clip(asked.travel_mm, travel.droop_mm, travel.bump_mm)),
        0.0 if axle.left.layout.level else float(np.clip(asked.roll_deg, -8.0, 8.0)),
    )


def swept_at(axle: Axle, inputs: Sequence[Inputs]) -> AxleSweep:
    """Both corners at inputs that differ in one thing only, as a sweep of (n, 1) or (1, n)."""
    return _kept(axle, inputs[0]) if len(inputs) == 1 else _swept(axle, inputs)


@lru_cache(maxsize=16)
def _kept(axle: Axle, inputs: Inputs) -> AxleSweep:
    """One pose, kept: it is drawn, then read, and that of a car compared with seldom changes."""
    return _swept(axle, (inputs,))


def _swept(axle: Axle, inputs: Sequence[Inputs]) -> AxleSweep:
    rack = np.array(sorted({i.rack_mm for i in inputs}))
    heave = sorted({(i.travel_mm, i.roll_deg) for i in inputs})
    travel = np.array([h for h, _ in heave])
    left, right = travels_of(axle, travel, np.array([r for _, r in heave]))
    sides = ((axle.left, left), (axle.right, right))
    return AxleSweep(axle, *(sweep_corner(c, rack, t, axle.hold) for c, t in sides))


def require_together(axle: Axle) -> None:
    """Raises LinkageLocked, naming the joint, unless both corners stand at ride height."""
    for corner in swept_at(axle, [Inputs()]).corners:
        if not corner.solved.all():
            raise LinkageLocked(f"{axle.name} {corner.corner.side.value}: {corner.reasons[0, 0]}")


def moment_at(axle: Axle, car: Car, start: Inputs, asked: Inputs) -> Moment:
    """The pose asked for, exact; at the edge of reach the last one on the way from `start`."""
    return _moment(axle, car, start, asked, lambda: ())


def moment_stopped(axle: Axle, car: Car, start: Inputs, asked: Inputs) -> Moment:
    """The same, but no further than the first limit on the way that stops the motion.

    Limits that are exceeded already where the way begins stop nothing.
    """
    return _moment(axle, car, start, asked, lambda: stopping_limits(axle, car))


def _moment(
    axle: Axle,
    car: Car,
    start: Inputs,
    asked: Inputs,
    stopping: Callable[[], Sequence[tuple[Side, Limit]]],
) -> Moment:
    goal = clamped(axle, asked)
    there = swept_at(axle, [goal])
    known = limits_at(there, car)
    limits = stopping()
    if _reached(there) and not (limits and _beyond(known)):
        return Moment(goal, there, known, "")
    turned = replace(start, rack_mm=goal.rack_mm)
    at, words = start, ""
    for leg_end in (turned, goal):
        if at == leg_end:
            continue
        at, words = _walked(axle, limits, at, leg_end)
        if words:
            break
    here = swept_at(axle, [at])
    if not words and not _reached(here):  # the way's own start is out of reach after a change
        at, words = Inputs(), "brought back to ride height: the pose is out of reach now"
        here = swept_at(axle, [at])
    return Moment(at, here, limits_at(here, car), words)


def _reached(sweep: AxleSweep) -> bool:
    return bool(sweep.left.solved.all() and sweep.right.solved.all())


def _beyond(known: Sequence[LimitReading]) -> bool:
    return any(r.stops is not Stops.NOTHING and bool((r.margin < 0.0).any()) for r in known)


@lru_cache(maxsize=8)
def every_limit(axle: Axle, car: Car) -> tuple[Limit, ...]:
    """Every limit of both sides; kept, since a pose is asked for far more often than a car."""
    return tuple(limit for corner in axle.corners for limit in limits_of(corner, axle, car))


def stopping_limits(axle: Axle, car: Car) -> list[tuple[Side, Limit]]:
    """Every limit that stops steering or travel, with its side."""
    every = every_limit(axle, car)
    return [(limit.side, limit) for limit in every if limit.stops is not Stops.NOTHING]


def limits_at(sweep: AxleSweep, car: Car) -> tuple[LimitReading, ...]:
    """Every limit at the poses of a sweep; the edge of reach is not among them."""
    by_side = {c.corner.side: c for c in sweep.corners}
    out = []
    for limit in every_limit(sweep.axle, car):
        value = limit.measure(by_side[limit.side])
        margin = limit.margin(value)
        place = limit.side, limit.name, limit.point, limit.unit, limit.allowed, limit.stops
        out.append(LimitReading(*place, value, margin, margin / limit.full))
    return tuple(out)


def _walked(
    axle: Axle, limits: Sequence[tuple[Side, Limit]], start: Inputs, end: Inputs
) -> tuple[Inputs, str]:
    """As far along a straight way as nothing stops, and what does."""
    low, high, words = 0.0, 1.0, ""
    ignored: frozenset[int] | None = None
    for _ in range(2):
        shares = np.linspace(low, high, STATIONS)
        stations = [start.towards(end, float(s)) for s in shares]
        ok, margins = _judged(axle, limits, stations)
        if ignored is None:
            ignored = frozenset(np.flatnonzero(margins[:, 0] < 0.0).tolist())
        held = [k for k in range(len(limits)) if k not in ignored]
        under = margins[held] < 0.0
        stop = ~ok | under.any(axis=0)
        if not stop[1:].any():
            return end, words
        first = 1 + int(np.argmax(stop[1:]))
        low, high = float(shares[first - 1]), float(shares[first])
        if not ok[first]:
            words = _edge_words(axle, stations[first])
            continue
        before, after = margins[held, first - 1], margins[held, first]
        with np.errstate(invalid="ignore", divide="ignore"):
            share = np.where(after < 0.0, before / (before - after), np.inf)
        which = int(np.nanargmin(share))
        side, limit = limits[held[which]]
        unit = limit.unit
        words = f"{side.value} {limit.name}, its limit of {limit.allowed:g} {unit}"
        exact = low + float(np.clip(share[which], 0.0, 1.0)) * (high - low)
    if "its limit of" in words:
        return start.towards(end, exact), words
    return start.towards(end, low), words


def _judged(
    axle: Axle, limits: Sequence[tuple[Side, Limit]], stations: Sequence[Inputs]
) -> tuple[Flags, Array]:
    """Whether each station is reached (n,), and every limit's margin there (L, n), in order."""
    sweep = swept_at(axle, stations)
    along_rack = len(sweep.left.rack_mm) > 1
    values = [s.rack_mm if along_rack else s.travel_mm for s in stations]
    if not along_rack and len({s.travel_mm for s in stations}) == 1:
        values = [s.roll_deg for s in stations]
    back = np.argsort(np.argsort(values))
    ok = (sweep.left.solved & sweep.right.solved).ravel()[back]
    by_side = {Side.LEFT: sweep.left, Side.RIGHT: sweep.right}
    rows = [limit.margin(limit.measure(by_side[side])).ravel()[back] for side, limit in limits]
    return ok, np.array(rows).reshape(len(limits), len(stations))


def _edge_words(axle: Axle, at: Inputs) -> str:
    there = swept_at(axle, [at])
    for corner in there.corners:
        for words in corner.reasons.values():
            return f"edge of reach, {corner.corner.side.value}: {words}"
    return "edge of reach"
