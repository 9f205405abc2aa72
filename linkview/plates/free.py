"""The free plate: drawn feature by feature, as its description lists them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from linkview.geometry import Array, frozen, length, unit
from linkview.model.platebase import CutPlate
from linkview.model.platelist import FreePlate, HoleTable, SlotTable, TabTable
from linkview.plates.bends import Bend, outside_leg_mm
from linkview.plates.corners import dog_boned, filleted, tab_opening, with_round_notch, with_tab
from linkview.plates.desk import Desk, in_plate, stand
from linkview.plates.outline import Contour, hull, polygon
from linkview.plates.plate import Adjusts, CurvedSlot, Hole, Opening, Pin, Plate, Slot
from linkview.units import to_rad

OFF_PLANE_MM = 1.0


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
    holes = [_hole(desk, hole, placement) for hole in spec.holes]
    pins = [
        Pin(told.joint, frozen(desk.point("joint", told.joint)), frozen(z), hole.centre)
        for told, hole in zip(spec.holes, holes, strict=True)
        if told.joint is not None
    ]
    slots: list[Slot | CurvedSlot | Opening] = [_slot(desk, told) for told in spec.slots]
    slots += [
        CurvedSlot(frozen(c.centre), c.radius, c.from_angle, c.to_angle, c.width, c.use, c.bolted)
        for c in spec.curved_slots
    ]
    slots += _tab_slots(spec)
    plate = desk.drawn(
        spec,
        outline=_outline(spec, holes),
        stands=[placement],
        pins=pins,
        holes=holes,
        slots=slots,
        part=spec.part,
        welded=spec.welded,
    )
    bends = tuple(
        Bend(frozen(b.start), frozen(b.end), b.angle, b.radius, b.k_factor) for b in spec.bends
    )
    notes = [note for bend in bends for note in _bend_notes(desk, plate, bend)]
    return replace(plate, bends=bends, notes=tuple(notes), adjusts=_adjusts(desk, spec, placement))


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


def _hole(desk: Desk, told: HoleTable, placement: Array) -> Hole:
    if told.joint is None:
        assert told.at is not None
        return Hole(frozen(told.at), told.diameter, told.use)
    x, y, over = in_plate(placement, desk.point("joint", told.joint))
    if abs(over - told.off_plane) > OFF_PLANE_MM:
        raise desk.refuse(
            "holes.joint",
            repr(told.joint),
            f"it stands {over:.1f} mm over the plate's plane, not off_plane = {told.off_plane:g}",
            "move the plate's origin, turn its normal, or write the distance in off_plane",
        )
    return Hole(frozen([x, y]), told.diameter, told.use)


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


def _adjusts(desk: Desk, spec: FreePlate, placement: Array) -> Adjusts | None:
    for slot in spec.slots:
        if slot.adjusts is not None:
            desk.point("slots.adjusts", slot.adjusts)
            along = np.subtract(slot.end, slot.start)
            way = placement[:3, :2] @ unit(along)
            return Adjusts(slot.adjusts, frozen(way), float(length(along)) / 2.0)
    return None


def _bend_notes(desk: Desk, plate: Plate, bend: Bend) -> tuple[str, ...]:
    """What the bend takes up, and what the two legs measure when it is made."""
    t = plate.thickness_mm
    along = bend.end - bend.start
    if length(along) < 1e-6:
        raise desk.refuse(
            "bends.to", list(bend.end), "the bend line has no length", "give its ends"
        )
    side = np.array([-along[1], along[0]]) / length(along)
    away = (plate.outline.points - bend.start) @ side
    reach = float(away.max()), float(-away.min())
    need = bend.allowance_mm(t) / 2.0 + t
    if min(reach) < need:
        raise desk.refuse(
            "bends",
            f"[{bend.start[0]:g}, {bend.start[1]:g}] to [{bend.end[0]:g}, {bend.end[1]:g}]",
            f"the leg beside it is {min(reach):.1f} mm in the flat; the bend alone takes "
            f"{need:.1f} mm of it",
            "move the bend line into the plate, or bend a longer leg",
        )
    legs = ", ".join(f"{outside_leg_mm(r, bend, t):.1f}" for r in reach)
    return (
        f"{bend.words}, k = {bend.k:g}: takes up {bend.allowance_mm(t):.2f} mm of the flat; legs "
        f"then measure {legs} mm over the outside corner. Drawn, placed and gap-checked flat.",
    )
