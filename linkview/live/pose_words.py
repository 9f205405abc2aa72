"""What a page is told of a pose: where all stands, what is read there, the curves through it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import lru_cache
from math import isfinite
from typing import Any

import numpy as np

from linkview.alignment.axle import AxleAlignment, align_poses
from linkview.alignment.posed import contact, has_damper, steering_axis
from linkview.alignment.quantities import QUANTITIES, Of, Quantity
from linkview.export.actors import Actor, standing
from linkview.export.shown import SHOWN
from linkview.geometry import Array
from linkview.kinematics.sweep import CornerSweep
from linkview.limits.limit import Stops
from linkview.limits.readings import LimitReading
from linkview.live.moving import Inputs, Moment, limits_at, swept_at
from linkview.model.parts import Axle, Car, Side
from linkview.model.wording import spoken

Json = dict[str, Any]
CURVE_POSES = 31


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


@lru_cache(maxsize=8)
def readings_json(axle: Axle, car: Car, inputs: Inputs) -> Json:
    """What is read at a pose: alignment in the order of SHOWN_QUANTITIES, and every limit."""
    sweep = swept_at(axle, [inputs])
    alignment = align_poses(sweep, car)
    return {
        "at": [inputs.rack_mm, inputs.travel_mm, inputs.roll_deg],
        "readings": [[_plain(v) for v in values_of(alignment, q)] for q in SHOWN_QUANTITIES],
        "limits": [_limit_json(r) for r in limits_at(sweep, car) if np.isfinite(r.margin).any()],
    }


def places_json(actors: Sequence[Actor], by_side: Mapping[Side, CornerSweep]) -> Json:
    """Actor name -> eight numbers: shift mm, quaternion x y z w, stretch."""
    out = {}
    for side, corner in by_side.items():
        some = [a for a in actors if a.side is side and not a.still]
        poses = {part: move.reshape(4, 4) for part, move in corner.poses.items()}
        for actor, eight in zip(some, np.round(standing(some, poses), 7).tolist(), strict=True):
            if all(map(isfinite, eight)):
                out[actor.name] = eight
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
    return {name: three(corner.point(name)) for name in corner.corner.points}


def three(at: Array) -> list[float] | None:
    flat = np.asarray(at).ravel()[:3]
    return [round(float(v), 4) for v in flat] if np.isfinite(flat).all() else None


def _lines_json(corner: CornerSweep) -> Json:
    """The contact centre, and the steering axis as two points, where there is one."""
    out: Json = {"contact": three(contact(corner))}
    layout = corner.corner.layout
    if corner.corner.rack is not None and (layout.steering_axis or has_damper(corner.corner)):
        axis = steering_axis(corner)
        out["steeringAxis"] = [three(axis.point), three(axis.direction)]
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
        found = align_poses(swept_at(axle, stations), car)
        lines = [[_rounded(side.ravel()) for side in values_of(found, q)] for q in SHOWN_QUANTITIES]
        out[way] = {"at": [round(float(v), 4) for v in at], "values": lines}
    return out


def _rounded(values: Array) -> list[float | None]:
    return [v if isfinite(v) else None for v in np.round(values, 5).tolist()]
