"""What limits a corner, and how far inside each limit every pose stands."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

from linkview.alignment.assumed import assumed_for
from linkview.alignment.posed import (
    Travelling,
    at_ride_height,
    damper_length_mm,
    has_damper,
    ride_moment_arm_mm,
    spring_length_mm,
    toggle_deg,
)
from linkview.geometry import Array, apply, cross, dot, frozen, length, magnitude, unit
from linkview.kinematics.cell_motion import Motion
from linkview.kinematics.nearby import Posed
from linkview.kinematics.sweep import AxleSweep, CornerSweep
from linkview.limits.joint_angles import swing_rad
from linkview.limits.joints import clocked_rod_limits, joint_limits
from linkview.limits.limit import Limit, Stops, spoken
from linkview.limits.report import REACH
from linkview.model.layout import KNUCKLE, RACK
from linkview.model.parts import Axle, Car, Corner, Hose, Side
from linkview.units import to_deg


@dataclass(frozen=True, eq=False)
class LimitReading:
    """One limit over a sweep, (S, T) each; NaN where the pose was not reached.

    margin: in `unit`, positive inside. normalised: margin / the limit's own full range, 0 at the
    limit. For the edge of reach value and margin are the rack travel left, NaN along rows and ways
    in which the grid does not meet the edge.
    """

    side: Side
    name: str
    point: str
    unit: str
    allowed: float
    stops: Stops
    value: Array
    margin: Array
    normalised: Array


def readings(sweep: AxleSweep, car: Car) -> tuple[LimitReading, ...]:
    """Every limit of both corners, left first.

    car: for a spring whose length at ride height must come from the corner's load.
    """
    out = []
    for corner in sweep.corners:
        for limit in limits_of(corner.corner, sweep.axle, car):
            value = limit.measure(corner)
            margin = limit.margin(value)
            out.append(
                LimitReading(
                    limit.side,
                    limit.name,
                    limit.point,
                    limit.unit,
                    limit.allowed,
                    limit.stops,
                    frozen(value),
                    frozen(margin),
                    frozen(margin / limit.full),
                )
            )
        if corner.edges:
            out.append(_reach(corner))
    return tuple(out)


def limits_of(corner: Corner, axle: Axle, car: Car) -> tuple[Limit, ...]:
    """Every limit the file gives for a corner, the edge of reach apart."""
    return (
        *joint_limits(corner),
        *clocked_rod_limits(corner),
        *_toggle(corner, axle),
        *_damper(corner),
        *_spring(corner, axle, car),
        *_rack(corner),
        *_driveshaft(corner),
        *_hoses(corner),
    )


# --- the rest -----------------------------------------------------------------------------------


def _toggle(corner: Corner, axle: Axle) -> Iterator[Limit]:
    layout = corner.layout
    drawn = layout.steering_axis is not None or has_damper(corner)
    if corner.rack is None or layout.tie_rod is None or not drawn:
        return
    arm, least = ride_moment_arm_mm(corner), axle.min_toggle_deg or 0.0
    outer = layout.rods[layout.tie_rod].outer
    name = f"{spoken(layout.tie_rod)} toggle angle"
    yield Limit(
        corner.side,
        name,
        outer,
        "deg",
        least,
        True,
        90.0 - least,
        lambda p: toggle_deg(p, arm),
        drift=_toggle_drift(corner) if layout.steering_axis is not None else None,
    )


def _toggle_drift(corner: Corner) -> Callable[[Motion], Array]:
    """How far the toggle angle can change in a cell where the steering axis is drawn.

    It is an angle between two directions after both are projected along the axis. Seen from the
    axis (which turns by its own swing) each turns by no more than its swing and the axis'. For the
    arm that is the sight from the lower joint. Projected, a direction at angle t from the axis
    shows a turn d as at most asin(sin d / sin t) (a cap of radius d seen from the pole), or as
    anything where t <= d.
    """
    layout = corner.layout
    lower, upper = layout.steering_axis or ("", "")
    rod = layout.rods[layout.tie_rod or ""]

    def drift(cell: Motion) -> Array:
        axis = cell.swing_of(lower, upper)
        along = unit(cell.point(upper).now[:, 0] - cell.point(lower).now[:, 0])
        total = np.zeros(len(axis))
        for start, end in ((lower, rod.outer), (rod.outer, rod.inner)):
            way = cell.point(end).now[:, 0] - cell.point(start).now[:, 0]
            turn = np.minimum(axis + cell.swing_of(start, end), np.pi / 2.0)
            off = np.arctan2(length(cross(along, way)), np.abs(dot(along, way)))
            known = off > turn
            share = np.sin(turn) / np.where(known, np.sin(off), 1.0)
            total += np.where(known, np.arcsin(np.minimum(share, 1.0)), np.inf)
        return to_deg(total)

    return drift


def _damper(corner: Corner) -> Iterator[Limit]:
    damper = corner.damper
    if damper is None or not has_damper(corner):
        return
    assert corner.layout.damper is not None
    stroke = damper.max_length_mm - damper.min_length_mm
    point = corner.layout.damper[0]
    for name, allowed, at_least in (
        ("damper fully closed", damper.min_length_mm, True),
        ("damper fully open", damper.max_length_mm, False),
    ):
        yield Limit(
            corner.side,
            name,
            point,
            "mm",
            allowed,
            at_least,
            stroke,
            damper_length_mm,
            Stops.TRAVEL,
            _length_drift(*corner.layout.damper),
        )


def _spring(corner: Corner, axle: Axle, car: Car) -> Iterator[Limit]:
    if corner.damper is None or corner.damper.spring is None or not has_damper(corner):
        return
    spring, sprung_kg = corner.damper.spring, assumed_for(axle, car).sprung_kg

    def against(ride: Travelling) -> Callable[[Posed], Array]:
        at_ride = spring_length_mm(ride, spring, sprung_kg)
        shift = (at_ride - damper_length_mm(ride)).ravel()
        return lambda posed: damper_length_mm(posed) + shift

    full = spring.free_length_mm - spring.solid_length_mm
    assert corner.layout.damper is not None
    point, drift = corner.layout.damper[0], _length_drift(*corner.layout.damper)
    now = against(at_ride_height(corner))
    for name, allowed, at_least, stops in (
        ("spring coil bound", spring.solid_length_mm, True, Stops.TRAVEL),
        ("spring loose", spring.free_length_mm, False, Stops.NOTHING),
    ):
        yield Limit(
            corner.side,
            name,
            point,
            "mm",
            allowed,
            at_least,
            full,
            now,
            stops,
            drift,
            against=against,
        )


def _length_drift(start: str, end: str) -> Callable[[Motion], Array]:
    return lambda cell: cell.apart(start, end)


def _rack(corner: Corner) -> Iterator[Limit]:
    rack, layout = corner.rack, corner.layout
    if rack is None or not layout.steers:
        return
    start = corner.points.get(layout.steered or "", np.zeros(3))

    def way(posed: Posed) -> Array:
        if layout.steered is not None:
            gone = posed.point(layout.steered) - start
        else:
            gone = posed.pose(RACK)[..., :3, 3]
        return magnitude(dot(gone, unit(rack.axis)))

    name = "steering box stop" if layout.steered else "rack stop"
    stop = rack.stop_mm
    yield Limit(
        corner.side,
        name,
        "",
        "mm",
        stop,
        False,
        stop,
        way,
        drift=lambda cell: cell.inputs.half_rack_mm,
        differentiable=False,
    )


def _hoses(corner: Corner) -> Iterator[Limit]:
    for hose in corner.hoses:
        yield Limit(
            corner.side,
            f"{spoken(hose.name)} taut",
            "",
            "mm",
            hose.free_length_mm,
            False,
            hose.free_length_mm,
            _hose_length(hose),
        )


def _hose_length(hose: Hose) -> Callable[[Posed], Array]:
    a, b = hose.ends
    return lambda posed: length(apply(posed.pose(b.part), b.at) - apply(posed.pose(a.part), a.at))


def _driveshaft(corner: Corner) -> Iterator[Limit]:
    shaft = corner.driveshaft
    if shaft is None or not {"cv_inner", "cv_outer"} <= set(corner.points):
        return

    def span(posed: Posed) -> Array:
        return np.asarray(posed.point("cv_outer") - posed.point("cv_inner"))

    def against(ride: Travelling) -> Callable[[Posed], Array]:
        given = shaft.nominal_length_mm
        nominal = length(span(ride)).ravel() if given is None else np.array([given])
        return lambda posed: length(span(posed)) - nominal

    side, each, inner, outer = (
        corner.side,
        shaft.plunge_each_way_mm,
        shaft.max_inner_deg,
        shaft.max_outer_deg,
    )
    yield Limit(
        side,
        "inner CV angle",
        "cv_inner",
        "deg",
        inner,
        False,
        inner,
        lambda posed: to_deg(swing_rad(span(posed), shaft.inner_axis)),
        drift=lambda cell: to_deg(cell.swing_of("cv_inner", "cv_outer")),
    )
    yield Limit(
        side,
        "outer CV angle",
        "cv_outer",
        "deg",
        outer,
        False,
        outer,
        lambda posed: to_deg(swing_rad(span(posed), posed.spin_axis)),
        drift=lambda cell: to_deg(cell.swing_of("cv_inner", "cv_outer") + cell.turn_of(KNUCKLE)),
    )
    drift = _length_drift("cv_inner", "cv_outer")
    plunge = against(at_ride_height(corner))
    for name, allowed, at_least in (
        ("driveshaft pulled apart", each, False),
        ("driveshaft pushed in", -each, True),
    ):
        yield Limit(
            side,
            name,
            "cv_inner",
            "mm",
            allowed,
            at_least,
            each,
            plunge,
            drift=drift,
            against=against,
        )


def _reach(sweep: CornerSweep) -> LimitReading:
    """Rack travel left before each row's edge, on the side of the rack the pose is on."""
    left = np.full(sweep.solved.shape, np.nan)
    for edge in sweep.edges:
        j = int(np.argmin(np.abs(sweep.travel_mm - edge.travel_mm)))
        ahead = np.sign(sweep.rack_mm) == np.sign(edge.rack_mm)
        left[ahead, j] = np.abs(edge.rack_mm) - np.abs(sweep.rack_mm[ahead])
    left = np.where(sweep.solved, left, np.nan)
    rack = sweep.corner.rack
    full = rack.stop_mm if rack else 1.0
    return LimitReading(
        sweep.corner.side,
        REACH,
        "",
        "mm",
        0.0,
        Stops.MOTION,
        frozen(left),
        frozen(left),
        frozen(left / full),
    )
