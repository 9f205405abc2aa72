"""One pose, exactly: where every part stands, what is read there, what stops the way to it."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import numpy as np

from linkview.alignment.axle import AxleAlignment, align_without_locks
from linkview.alignment.posed import contact, has_damper, steering_axis
from linkview.alignment.quantities import QUANTITIES, Of, Quantity
from linkview.export.actors import Actor
from linkview.export.shown import SHOWN
from linkview.geometry import Array, Flags
from linkview.kinematics.axle import travels_of
from linkview.kinematics.sweep import AxleSweep, CornerSweep, sweep_corner
from linkview.limits.limit import Limit, Stops
from linkview.limits.readings import LimitReading, limits_of
from linkview.model.parts import Axle, Car, Corner, Side
from linkview.model.reference import wheel_angles_deg
from linkview.model.wording import spoken

Json = dict[str, Any]
STATIONS = 9  # poses looked at along a way; two rounds find a limit to 1/64 of it
CURVE_POSES = 31


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
    rack = np.array(sorted({i.rack_mm for i in inputs}))
    heave = sorted({(i.travel_mm, i.roll_deg) for i in inputs})
    travel = np.array([h for h, _ in heave])
    left, right = travels_of(axle, travel, np.array([r for _, r in heave]))
    sides = ((axle.left, left), (axle.right, right))
    return AxleSweep(axle, *(sweep_corner(c, rack, t, axle.hold) for c, t in sides))


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


# --- for the page --------------------------------------------------------------------------------


def moment_json(moment: Moment, actors: Sequence[Actor], asked: Inputs) -> Json:
    """Where everything stands at a pose: what is drawn. mm."""
    by_side = {c.corner.side: c for c in moment.sweep.corners}
    return {
        "rack": moment.inputs.rack_mm,
        "travel": moment.inputs.travel_mm,
        "roll": moment.inputs.roll_deg,
        "asked": [asked.rack_mm, asked.travel_mm, asked.roll_deg],
        "stopped": moment.stopped,
        "places": places_json(actors, by_side),
        "points": {side.value: _points_json(c) for side, c in by_side.items()},
        "lines": {side.value: _lines_json(c) for side, c in by_side.items()},
    }


def readings_json(axle: Axle, car: Car, inputs: Inputs) -> Json:
    """What is read at a pose: alignment in the order of SHOWN_QUANTITIES, and every limit."""
    sweep = swept_at(axle, [inputs])
    alignment = align_without_locks(sweep, car)
    return {
        "at": [inputs.rack_mm, inputs.travel_mm, inputs.roll_deg],
        "readings": [[_plain(v) for v in values_of(alignment, q)] for q in SHOWN_QUANTITIES],
        "limits": [_limit_json(r) for r in limits_at(sweep, car) if np.isfinite(r.margin).any()],
    }


def places_json(actors: Sequence[Actor], by_side: Mapping[Side, CornerSweep]) -> Json:
    """Actor name -> eight numbers: shift mm, quaternion x y z w, stretch."""
    out = {}
    for actor in actors:
        if actor.still:
            continue
        at = actor.places(by_side[actor.side].poses)
        eight = np.concatenate([at.shift.ravel(), at.turn.ravel(), at.stretch.ravel()])
        if np.isfinite(eight).all():
            out[actor.name] = [round(float(v), 7) for v in eight]
    return out


SHOWN_QUANTITIES: tuple[Quantity, ...] = tuple(
    q for name in SHOWN for q in QUANTITIES if q.name == name
)


def values_of(alignment: AxleAlignment, q: Quantity) -> list[Array]:
    """(S, T) for the left and right wheel, or one for the axle."""
    owners = alignment.corners if q.of is Of.CORNER else (alignment,)
    return [np.asarray(getattr(owner, q.name), dtype=float) for owner in owners]


def _plain(value: Array) -> float | None:
    v = float(value.ravel()[0])
    return round(v, 6) if np.isfinite(v) else None


def _points_json(corner: CornerSweep) -> Json:
    return {name: _three(corner.point(name)) for name in corner.corner.points}


def _three(at: Array) -> list[float] | None:
    flat = np.asarray(at).ravel()[:3]
    return [round(float(v), 4) for v in flat] if np.isfinite(flat).all() else None


def _lines_json(corner: CornerSweep) -> Json:
    """The contact centre, and the steering axis as two points, where there is one."""
    out: Json = {"contact": _three(contact(corner))}
    layout = corner.corner.layout
    if corner.corner.rack is not None and (layout.steering_axis or has_damper(corner.corner)):
        axis = steering_axis(corner)
        out["steeringAxis"] = [_three(axis.point), _three(axis.direction)]
    return out


def _limit_json(r: LimitReading) -> Json:
    return {
        "side": r.side.value,
        "name": r.name,
        "point": spoken(r.point),
        "unit": r.unit,
        "allowed": round(r.allowed, 3),
        "value": _plain(r.value),
        "margin": _plain(r.margin),
        "share": _plain(r.normalised),
        "stops": r.stops is not Stops.NOTHING,
    }


@lru_cache(maxsize=16)
def curves_json(axle: Axle, car: Car, inputs: Inputs) -> Json:
    """Every read-out along the rack and along travel, through the present pose."""
    out: Json = {}
    travel = axle.left.travel
    ways = {"travel": np.linspace(travel.droop_mm, travel.bump_mm, CURVE_POSES)}
    if axle.left.rack is not None:
        stop = axle.left.rack.stop_mm
        ways["rack"] = np.linspace(-stop, stop, CURVE_POSES)
    for way, at in ways.items():
        stations = [
            replace(inputs, travel_mm=float(v)) if way == "travel" else replace(inputs, rack_mm=v)
            for v in at.tolist()
        ]
        found = align_without_locks(swept_at(axle, stations), car)
        lines = [
            [[_rounded(v) for v in side.ravel()] for side in values_of(found, q)]
            for q in SHOWN_QUANTITIES
        ]
        out[way] = {"at": [round(float(v), 4) for v in at], "values": lines}
    return out


def _rounded(v: float) -> float | None:
    return round(float(v), 5) if np.isfinite(v) else None


def skeleton_of(corner: Corner) -> list[list[str]]:
    """Which hard points a thin line joins: rods, arms, struts, shafts, and the knuckle."""
    layout = corner.layout
    pairs = [[a, b] for _, a, b in layout.ends() if a in corner.points and b in corner.points]
    hub = [p for p in layout.on_knuckle if p in corner.points]
    return pairs + [["wheel_centre", p] for p in hub]


def axle_json(axle: Axle, own: Corner) -> Json:
    """What the page must know of an axle before it moves."""
    corner = axle.left
    wheel = own.wheel
    camber, toe_in = wheel_angles_deg(own.side, wheel.spin_axis)
    return {
        "name": axle.name,
        "title": corner.layout.title,
        "steered": corner.rack is not None,
        "level": corner.layout.level,
        "held": axle.hold.words,
        "side": own.side.value,
        "symmetric": axle.symmetric,
        "rack": 0.0 if corner.rack is None else corner.rack.stop_mm,
        "working": 0.0 if corner.rack is None else corner.rack.working_mm,
        "travel": [corner.travel.droop_mm, corner.travel.bump_mm],
        "points": {
            n: {"at": _three(at), "on": spoken(own.layout.owner(n))} for n, at in own.points.items()
        },
        "lengths": [
            [spoken(name), spoken(a), spoken(b), round(own.distance_mm(a, b), 3)]
            for name, a, b in own.layout.ends()
            if a in own.points and b in own.points
        ],
        "skeleton": skeleton_of(own),
        "wheel": {
            "outer_radius": round(float(wheel.tyre.outer_radius_mm), 3),
            "half_width": round(float(wheel.tyre.half_width_mm), 3),
            "offset": round(float(wheel.rim.offset_mm), 3),
            "spacer": round(float(wheel.rim.spacer_mm), 3),
            "camber": round(camber, 4),
            "toe_in": round(toe_in, 4),
        },
    }


def quantities_json() -> list[Json]:
    return [
        {
            "name": q.name,
            "label": q.label,
            "unit": q.unit,
            "decimals": q.decimals,
            "meaning": q.meaning,
            "formula": q.formula,
        }
        for q in SHOWN_QUANTITIES
    ]
