"""What limits a corner by a length: damper, spring, driveshaft (and its angles), hoses."""

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
    spring_length_mm,
)
from linkview.geometry import Array, apply, length
from linkview.kinematics.cell_motion import Motion
from linkview.kinematics.nearby import Posed
from linkview.limits.joint_angles import swing_rad
from linkview.limits.limit import Limit, Stops, spoken
from linkview.model.layout import KNUCKLE
from linkview.model.parts import Axle, Car, Corner, Driveshaft, Hose
from linkview.units import to_deg


@dataclass(frozen=True)
class _End:
    """One end of what a length may be."""

    name: str
    mm: float
    stops: Stops


class _Least(_End):
    """The shortest it may be."""


class _Most(_End):
    """The longest it may be."""


@dataclass(frozen=True, eq=False)
class _Length:
    """A length that limits are set to; see `Limit` for what is not said here.

    between: the two hard points it follows, the first of them where its limits sit.
    """

    between: tuple[str, str]
    full_mm: float
    measure: Callable[[Posed], Array]
    against: Callable[[Travelling], Callable[[Posed], Array]] | None = None

    def limits(self, corner: Corner, *ends: _End) -> Iterator[Limit]:
        def drift(cell: Motion) -> Array:
            return cell.apart(*self.between)

        for end in ends:
            yield Limit(
                corner.side,
                end.name,
                self.between[0],
                "mm",
                end.mm,
                isinstance(end, _Least),
                self.full_mm,
                self.measure,
                end.stops,
                drift,
                against=self.against,
            )


def damper_limits(corner: Corner) -> Iterator[Limit]:
    """Its stroke, at both ends."""
    damper = corner.damper
    if damper is None or not has_damper(corner):
        return
    assert corner.layout.damper is not None
    stroke = damper.max_length_mm - damper.min_length_mm
    yield from _Length(corner.layout.damper, stroke, damper_length_mm).limits(
        corner,
        _Least("damper fully closed", damper.min_length_mm, Stops.TRAVEL),
        _Most("damper fully open", damper.max_length_mm, Stops.TRAVEL),
    )


def spring_limits(corner: Corner, axle: Axle, car: Car) -> Iterator[Limit]:
    """Coil bind, and where it comes loose on its seats."""
    if corner.damper is None or corner.damper.spring is None or not has_damper(corner):
        return
    spring, sprung_kg = corner.damper.spring, assumed_for(axle, car).sprung_kg

    def against(ride: Travelling) -> Callable[[Posed], Array]:
        at_ride = spring_length_mm(ride, spring, sprung_kg)
        shift = (at_ride - damper_length_mm(ride)).ravel()
        return lambda posed: damper_length_mm(posed) + shift

    assert corner.layout.damper is not None
    full = spring.free_length_mm - spring.solid_length_mm
    now = against(at_ride_height(corner))
    yield from _Length(corner.layout.damper, full, now, against).limits(
        corner,
        _Least("spring coil bound", spring.solid_length_mm, Stops.TRAVEL),
        _Most("spring loose", spring.free_length_mm, Stops.NOTHING),
    )


def driveshaft_limits(corner: Corner) -> Iterator[Limit]:
    """The angle of each CV joint, and the plunge both ways."""
    shaft = corner.driveshaft
    if shaft is None or not {"cv_inner", "cv_outer"} <= set(corner.points):
        return

    def against(ride: Travelling) -> Callable[[Posed], Array]:
        given = shaft.nominal_length_mm
        nominal = length(_span(ride)).ravel() if given is None else np.array([given])
        return lambda posed: length(_span(posed)) - nominal

    yield from _cv_angles(corner, shaft)
    each, now = shaft.plunge_each_way_mm, against(at_ride_height(corner))
    yield from _Length(("cv_inner", "cv_outer"), each, now, against).limits(
        corner,
        _Most("driveshaft pulled apart", each, Stops.MOTION),
        _Least("driveshaft pushed in", -each, Stops.MOTION),
    )


def _cv_angles(corner: Corner, shaft: Driveshaft) -> Iterator[Limit]:
    def inner(posed: Posed) -> Array:
        return to_deg(swing_rad(_span(posed), shaft.inner_axis))

    def outer(posed: Posed) -> Array:
        return to_deg(swing_rad(_span(posed), posed.spin_axis))

    def inner_drift(cell: Motion) -> Array:
        return to_deg(cell.swing_of("cv_inner", "cv_outer"))

    def outer_drift(cell: Motion) -> Array:
        return to_deg(cell.swing_of("cv_inner", "cv_outer") + cell.turn_of(KNUCKLE))

    for name, point, most, measure, drift in (
        ("inner CV angle", "cv_inner", shaft.max_inner_deg, inner, inner_drift),
        ("outer CV angle", "cv_outer", shaft.max_outer_deg, outer, outer_drift),
    ):
        yield Limit(corner.side, name, point, "deg", most, False, most, measure, drift=drift)


def _span(posed: Posed) -> Array:
    return np.asarray(posed.point("cv_outer") - posed.point("cv_inner"))


def hose_limits(corner: Corner) -> Iterator[Limit]:
    """Hoses, cables and straps: no longer than they are."""
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
