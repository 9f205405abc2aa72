"""The free plate: drawn feature by feature, as its description lists them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from linkview.errors import PlateRefused
from linkview.geometry import Array, apply, apply_direction, frozen, inverse, length, unit
from linkview.model.platebase import CutPlate
from linkview.model.platelist import FreePlate, HoleTable, SlotTable, TabTable
from linkview.plates.bends import Bend
from linkview.plates.corners import dog_boned, filleted, tab_opening, with_round_notch, with_tab
from linkview.plates.desk import SQUARE_DEG, Desk, in_plate, load_on, stand
from linkview.plates.legs import bend_notes
from linkview.plates.outline import Contour, hull, polygon
from linkview.plates.plate import Adjusts, CurvedSlot, Hole, Opening, Pin, Plate, Slot, pin_misses
from linkview.plates.plate_faults import plate_faults
from linkview.plates.slicing import reach_mm
from linkview.units import to_rad

OFF_PLANE_MM = 1.0
ON_JOINT_MM = 0.01


def free_plate(desk: Desk, spec: CutPlate) -> Plate:
    """The plate: `origin` at its origin, its x and normal as given."""
    assert isinstance(spec, FreePlate)
    z = unit(spec.normal)
    x = desk.square_to("x_direction", spec.x_direction, z)
    placement = stand(desk.place("origin", spec.origin), z, np.cross(z, x))
    if spec.part not in desk.layout.parts:
        raise desk.refuse(
            "part", repr(spec.part), "no such part", f"known: {', '.join(desk.layout.parts)}"
        )
    slots: list[Slot | CurvedSlot | Opening] = [_slot(desk, told) for told in spec.slots]
    slots += [
        CurvedSlot(frozen(c.centre), c.radius, c.from_angle, c.to_angle, c.width, c.use, c.bolted)
        for c in spec.curved_slots
    ]
    slots += _tab_slots(spec)
    bends = tuple(
        Bend(frozen(b.start), frozen(b.end), b.angle, b.radius, b.k_factor) for b in spec.bends
    )

    def drawn(outline: Contour, holes: list[Hole], pins: list[Pin]) -> Plate:
        return desk.drawn(
            spec,
            outline=outline,
            stands=[placement],
            pins=pins,
            holes=holes,
            slots=slots,
            part=spec.part,
            welded=spec.welded,
        )

    blank = None
    if spec.corners and bends:
        blank = drawn(_outline(spec, []), [], [])
        _must_be_whole(blank)
        bends = tuple(bend.trimmed(blank.outline) for bend in bends)
        blank = replace(blank, bends=bends)
    holes = [_hole(desk, hole, placement, blank) for hole in spec.holes]
    plate = drawn(_outline(spec, holes) if blank is None else blank.outline, holes, [])
    if bends:
        _must_be_whole(plate)
        plate = replace(plate, bends=bends)
    plate = replace(plate, pins=_pins(desk, spec, plate))
    return replace(
        plate,
        notes=bend_notes(plate),
        adjusts=_adjusts(desk, spec, plate),
        load=load_on(spec, plate.stands_at(holes[0].centre), holes) if holes else None,
    )


def _must_be_whole(flat: Plate) -> None:
    """Only a blank without faults can be folded."""
    if found := plate_faults(flat):
        raise PlateRefused(f"{found[0]}; move the features apart or make them smaller")


def _pins(desk: Desk, spec: FreePlate, plate: Plate) -> tuple[Pin, ...]:
    """What ties holes to their joints. Refuses one that the folded plate does not put there."""
    pins = []
    for told, hole in zip(spec.holes, plate.holes, strict=True):
        if told.joint is None:
            continue
        axis = apply_direction(plate.stands_at(hole.centre)[0], [0.0, 0.0, 1.0])
        wanted = axis if told.bolt_axis is None else unit(told.bolt_axis)
        pin = Pin(told.joint, frozen(desk.point("joint", told.joint)), frozen(wanted), hole.centre)
        (miss,) = pin_misses(plate, pin)
        if miss.tilt_deg > SQUARE_DEG:
            raise desk.refuse(
                "holes.bolt_axis",
                list(told.bolt_axis or ()),
                f"the hole at '{told.joint}' stands {miss.tilt_deg:.2f} deg off this bolt",
                "turn the plate's normal, or give the bend the angle that brings it square",
            )
        if miss.off_mm > ON_JOINT_MM:
            raise desk.refuse(
                "holes.joint",
                repr(told.joint),
                f"a bend carries this hole {miss.off_mm:.1f} mm off the joint",
                "give the outline as corners, so that the leg that holds the joint is known",
            )
        pins.append(pin)
    return tuple(pins)


def _outline(spec: FreePlate, holes: list[Hole]) -> Contour:
    """Corners, then tabs and notches from the last edge back, then fillets and reliefs."""
    if not spec.corners:
        rounds = [(h.centre, h.diameter_mm / 2.0) for h in holes]
        rounds += [(np.array(p), s.width / 2.0) for s in spec.slots for p in (s.start, s.end)]
        return hull([c for c, _ in rounds], [r + spec.edge_margin for _, r in rounds])
    loop = polygon([c.at for c in spec.corners])
    number = list(range(len(spec.corners)))  # where each written corner has gone
    features = sorted(
        [(t.edge, t.middle, t) for t in spec.tabs]
        + [(n.edge, n.middle, n) for n in spec.tube_notches],
        key=lambda item: (item[0], item[1]),
        reverse=True,
    )
    for edge, middle, told in features:
        before = len(loop.points)
        if isinstance(told, TabTable):
            loop = with_tab(loop, edge, middle_mm=middle, width_mm=told.width, depth_mm=told.depth)
        else:
            radius = told.tube_diameter / 2.0
            loop = with_round_notch(
                loop, edge, middle_mm=middle, radius_mm=radius, depth_mm=told.depth
            )
        grown = len(loop.points) - before
        number = [n + grown if n > edge else n for n in number]
    spots = [loop.points[n] for n in number]
    reliefs = [(i, c.dog_bone) for i, c in enumerate(spec.corners) if c.dog_bone]
    for i, radius in reliefs:
        loop = dog_boned(loop, [_nearest(loop, spots[i])], radius)
    # One call, so that fillets that share an edge share its length.
    rounded = {_nearest(loop, spots[i]): c.fillet for i, c in enumerate(spec.corners) if c.fillet}
    return filleted(loop, rounded) if rounded else loop


def _nearest(loop: Contour, spot: Array) -> int:
    return int(np.argmin(length(loop.points - spot)))


def _hole(desk: Desk, told: HoleTable, placement: Array, blank: Plate | None) -> Hole:
    """blank: the plate without holes; its legs, folded, are where a joint's hole can lie."""
    if told.joint is None:
        assert told.at is not None
        return Hole(frozen(told.at), told.diameter, told.use)
    there = in_plate(placement, desk.point("joint", told.joint))
    moves = blank.fold.moves if blank is not None and blank.bends else [np.eye(4)]
    spots = [apply(inverse(move), there) for move in moves]
    off = np.array([abs(spot[2] - told.off_plane) for spot in spots])
    beside = np.array([_beside_mm(blank, leg, spot) for leg, spot in enumerate(spots)])
    leg = int(np.where(off <= OFF_PLANE_MM, beside, np.inf).argmin())
    if off[leg] > OFF_PLANE_MM:
        leg = int(np.hypot(off, beside).argmin())
        which = "the plate's plane" if len(spots) == 1 else "the plane of the nearest leg"
        raise desk.refuse(
            "holes.joint",
            repr(told.joint),
            f"it stands {spots[leg][2]:.1f} mm over {which}, not off_plane = {told.off_plane:g}",
            "move the plate's origin, turn its normal, move the bend line, or write the distance "
            "in off_plane",
        )
    return Hole(frozen(spots[leg][:2]), told.diameter, told.use)


def _beside_mm(blank: Plate | None, leg: int, spot: Array) -> float:
    """How far a place of the blank lies from the metal of this leg."""
    if blank is None or not blank.bends:
        return 0.0
    away = reach_mm(blank.fold.sheet, spot[:2])
    return float(away[blank.fold.region == leg].min())


def _slot(desk: Desk, told: SlotTable) -> Slot:
    start, end = np.array(told.start), np.array(told.end)
    if length(end - start) < 1e-6:
        raise desk.refuse(
            "slots.to", list(told.end), "the slot has no length", "give a hole, or two places"
        )
    return Slot(frozen(start), frozen(end), told.width, told.use, told.bolted)


def _tab_slots(spec: FreePlate) -> list[Opening]:
    out = []
    for told in spec.tab_slots:
        angle = to_rad(told.angle)
        loop = tab_opening(
            told.at,
            [np.cos(angle), np.sin(angle)],
            length_mm=told.length,
            width_mm=told.width,
            relief_mm=told.relief,
        )
        out.append(Opening(loop, frozen(told.at), min(told.width, told.length), told.use))
    return out


def _adjusts(desk: Desk, spec: FreePlate, plate: Plate) -> Adjusts | None:
    for slot in spec.slots:
        if slot.adjusts is not None:
            desk.point("slots.adjusts", slot.adjusts)
            along = np.subtract(slot.end, slot.start)
            stand = plate.stands_at(np.add(slot.start, slot.end) / 2.0)[0]
            way = stand[:3, :2] @ unit(along)
            return Adjusts(slot.adjusts, frozen(way), float(length(along)) / 2.0)
    return None
