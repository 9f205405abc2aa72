"""Top mounts: the base with studs and slots, and the bearing's carrier that slides on it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from linkview.geometry import Array, angle_between, dot, frozen, length, rigid, unit
from linkview.model.platebase import CutPlate
from linkview.model.platekinds import TopMountSlider
from linkview.model.platespec import TopMountBase
from linkview.plates.desk import Desk, centre_cross, stand
from linkview.plates.outline import hull
from linkview.plates.plate import Adjusts, Hole, Pin, Plate, Slot
from linkview.units import to_deg, to_rad


def top_mount_base(desk: Desk, spec: CutPlate) -> Plate:
    """The plate: strut axis through its origin, y along the slots, z up the strut.

    Its outline is the tightest band round all holes and slots, each with its margin.
    """
    assert isinstance(spec, TopMountBase)
    top, lower = desk.body_point("top", spec.top), desk.point("lower", spec.lower)
    z = _strut_axis(desk, spec, top, lower)
    y = _along_slots(desk, spec, z)
    rotation = np.column_stack([np.cross(y, z), y, z])
    holes, slots = _studs(spec, rotation, top), _slots(spec)
    circles = [(h.centre, h.diameter_mm / 2.0 + spec.edge_margin) for h in holes]
    circles += [(e, s.width_mm / 2.0 + spec.edge_margin) for s in slots for e in (s.start, s.end)]
    marked = [(h.centre, h.diameter_mm) for h in holes]
    marked += [((s.start + s.end) / 2.0, s.width_mm) for s in slots if s.bolted]
    plate = desk.drawn(
        spec,
        outline=hull([c for c, _ in circles], [r for _, r in circles]),
        stands=(frozen(rigid(rotation, top)),),
        pins=(Pin(spec.top, frozen(top), frozen(z), frozen([0.0, 0.0])),),
        holes=holes,
        slots=slots,
        notes=_seat_notes(spec, top, z),
    )
    return replace(
        plate,
        crosses=tuple(centre_cross(c[0], c[1], wide, spec.edge_margin) for c, wide in marked),
        adjusts=Adjusts(spec.top, frozen(y), spec.slot_each_way),
    )


def top_mount_slider(desk: Desk, spec: CutPlate) -> Plate:
    """The bearing's carrier: bore at the plate's origin, y along the slots, z up the strut."""
    assert isinstance(spec, TopMountSlider)
    top, lower = desk.body_point("top", spec.top), desk.point("lower", spec.lower)
    z = _strut_axis(desk, spec, top, lower)
    y = _along_slots(desk, spec, z)
    away = np.array([spec.slots_across, spec.slots_along]) / 2.0
    spots = [away * way for way in ([1, 1], [-1, 1], [-1, -1], [1, -1])]
    bolts = tuple(Hole(frozen(spot), spec.bolt_hole, "bolt in the base's slot") for spot in spots)
    bore = Hole(frozen([0.0, 0.0]), spec.bore, "bearing seat", bolted=False)
    holes = (bore, *bolts)
    margins = [h.diameter_mm / 2.0 + spec.edge_margin for h in holes]
    return desk.drawn(
        spec,
        outline=hull([h.centre for h in holes], margins),
        stands=(stand(top + spec.above * z, z, y),),
        pins=(Pin(spec.top, frozen(top), frozen(z), frozen([0.0, 0.0])),),
        holes=holes,
        notes=("bore the bearing's seat after cutting; fit by the bearing maker's table",),
    )


def _strut_axis(desk: Desk, spec: TopMountBase | TopMountSlider, top: Array, lower: Array) -> Array:
    if length(top - lower) < 1.0:
        raise desk.refuse(
            "lower",
            repr(spec.lower),
            f"it lies {float(length(top - lower)):.3f} mm from '{spec.top}', too near for an axis",
            "name a hard point further down the strut",
        )
    return unit(top - lower)


def _along_slots(desk: Desk, spec: TopMountBase | TopMountSlider, z: Array) -> Array:
    wanted = unit(spec.slot_direction)
    laid = wanted - dot(wanted, z) * z
    if length(laid) < 0.5:
        tilt = float(to_deg(angle_between(wanted, z)))
        raise desk.refuse(
            "slot_direction",
            list(spec.slot_direction),
            f"it runs {min(tilt, 180.0 - tilt):.0f} deg off the strut, less than 30",
            "give a direction across the strut, e.g. [0, 1, 0] for camber",
        )
    return unit(laid)


def _studs(spec: TopMountBase, rotation: Array, top: Array) -> tuple[Hole, ...]:
    shift = np.zeros(2)
    if spec.stud_centre is not None:
        shift = (rotation.T @ (np.array(spec.stud_centre) - top))[:2]
    angles = to_rad(spec.first_stud_angle + np.array([0.0, 120.0, 240.0]))
    spots = shift + spec.stud_circle / 2.0 * np.column_stack([np.cos(angles), np.sin(angles)])
    return tuple(Hole(frozen(spot), spec.stud_hole, spec.stud_use) for spot in spots)


def _seat_notes(spec: TopMountBase, top: Array, z: Array) -> tuple[str, ...]:
    """Where the plate's plane leaves the body's studs, once the two have parted."""
    if spec.stud_centre is None:
        return ()
    above = float(dot(np.array(spec.stud_centre) - top, z))
    return (
        f"the middle of the body's studs lies {abs(above):.1f} mm "
        f"{'above' if above >= 0.0 else 'below'} the plate's mid-plane, along the strut; the stud "
        "circle is drawn round in the plate: check its seat and the studs' lean on the car",
    )


def _slots(spec: TopMountBase) -> tuple[Slot, ...]:
    """Four adjustment slots, then the centre opening."""
    each = np.array([0.0, spec.slot_each_way])
    middles = np.array([[1, 1], [-1, 1], [-1, -1], [1, -1]]) / 2.0
    spots = middles * np.array([spec.slots_across, spec.slots_along])
    adjust = (
        Slot(frozen(s - each), frozen(s + each), spec.slot_width, "adjustment", True) for s in spots
    )
    opening = Slot(frozen(-each), frozen(each), spec.opening, "bearing opening", False)
    return (*adjust, opening)
