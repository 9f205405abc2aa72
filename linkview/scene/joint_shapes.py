"""Joints, damper, rack and driveshaft ends, drawn plainly where the file gives them no shape."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping

import numpy as np
import pyvista as pv

from linkview.geometry import Array, length, unit
from linkview.model.bodies import Anchor, Tube, Wound
from linkview.model.layouts import BODY, RACK
from linkview.model.parts import Axle, Corner, JointKind
from linkview.scene.colours import Paint
from linkview.scene.pieces import Piece
from linkview.scene.primitives import built_of, capsule, coil, cylinder, ring, turned, wire
from linkview.scene.riding import Ride, Span, move_between

BALL_MM = 13.0
ON_LINE_MM = 3.0  # a tube this close to the damper's line belongs to the damper


def joint_pieces(corner: Corner) -> Iterator[Piece]:
    """A ball at every hard point that joins parts, with its stud, bolt or bearing where known."""
    layout, limits = corner.layout, {j.point: j for j in corner.joints}
    for name in layout.points:
        if name not in corner.points or layout.member_at(name) is None:
            continue
        at = corner.points[name]
        ball = capsule(at, at, BALL_MM, count=24)
        yield Piece("", ball, Paint.JOINT, Ride(layout.owner(name)))
        limit = limits.get(name)
        if limit is not None:
            mesh = _FITTINGS[limit.kind](at, unit(limit.axis))
            yield Piece("", mesh, Paint.JOINT, Ride(limit.axis_part))
    for name, arm in layout.arms.items():
        rear, front = (corner.points[p] for p in arm.pivots)
        hinge = unit(front - rear)
        for pivot in (rear, front):
            bush = ring(pivot, hinge, inner=9.0, outer=24.0, half_width=20.0)
            yield Piece("", bush, Paint.KNUCKLE, Ride(name))


def _rod_end(at: Array, axis: Array) -> pv.PolyData:
    return cylinder(at - 30.0 * axis, at + 30.0 * axis, 7.0, count=20)


def _ball_stud(at: Array, axis: Array) -> pv.PolyData:
    up = axis if axis[2] >= 0.0 else -axis
    return cylinder(at, at + 34.0 * up, 10.5, end_radius=8.0, count=20)


def _inner_joint(at: Array, axis: Array) -> pv.PolyData:
    return cylinder(at - 15.0 * axis, at + 15.0 * axis, 17.0, count=28)


def _bearing(at: Array, axis: Array) -> pv.PolyData:
    return ring(at, axis, inner=14.0, outer=44.0, half_width=9.0)


_FITTINGS: Mapping[JointKind, Callable[[Array, Array], pv.PolyData]] = {
    JointKind.ROD_END: _rod_end,
    JointKind.BALL_STUD: _ball_stud,
    JointKind.INNER_JOINT: _inner_joint,
    JointKind.BEARING: _bearing,
}


def on_damper_line(corner: Corner, body: Tube | Wound) -> bool:
    """Whether a tube or a coil lies along the corner's damper."""
    ends = corner.layout.damper
    if ends is None or not all(p in corner.points for p in ends):
        return False
    a, b = (corner.points[p] for p in ends)
    anchors = body.through if isinstance(body, Tube) else body.ends
    off = [length(np.cross(anchor.at - a, unit(b - a))) for anchor in anchors]
    return bool(np.max(off) <= ON_LINE_MM)


def is_spring(corner: Corner, tube: Tube) -> bool:
    """A tube along the damper, short of both its eyes, whose ends ride on different parts."""
    if tube.through[0].part == tube.through[-1].part or not on_damper_line(corner, tube):
        return False
    assert corner.layout.damper is not None
    eyes = [corner.points[p] for p in corner.layout.damper]
    ends = [np.asarray(tube.through[k].at) for k in (0, -1)]
    return min(float(length(end - eye)) for end in ends for eye in eyes) > ON_LINE_MM


def damper_pieces(corner: Corner) -> Iterator[Piece]:
    """Damper tube, shaft, seats and coil where no body of the file stands for them."""
    ends = corner.layout.damper
    if ends is None or not all(p in corner.points for p in ends):
        return
    lower_part, upper_part = damper_parts(corner)
    low, top = (corner.points[p] for p in ends)
    along, reach = unit(top - low), float(length(top - low))
    tubes = [b for b in corner.bodies if isinstance(b, Tube) and on_damper_line(corner, b)]
    springs = [t for t in tubes if is_spring(corner, t)]
    coils = [b for b in corner.bodies if isinstance(b, Wound) and on_damper_line(corner, b)]
    solid = [t for t in tubes if t not in springs]
    closed = corner.damper.min_length_mm if corner.damper else 0.7 * reach
    tube_end = low + min(0.62 * closed, 0.6 * reach) * along
    if not solid:
        mesh = cylinder(low, tube_end, 24.0)
        yield Piece("damper", mesh, Paint.DAMPER, Ride(lower_part))
    shaft = built_of([cylinder(low + 0.36 * (top - low), top, 9.0, count=24)])
    yield Piece("", shaft, Paint.RIM, Ride(upper_part))
    plate = cylinder(top - 26.0 * along, top - 14.0 * along, 30.0, end_radius=22.0)
    yield Piece("", plate, Paint.DAMPER, Ride(upper_part))
    spring = corner.damper.spring if corner.damper else None
    for body in springs:
        yield from _seats(body.through[0], body.through[-1], body.radius_mm)
    for coil_body in coils:
        yield from _seats(*coil_body.ends, _outside_mm(coil_body))
    if spring is not None and not springs and not coils:
        long = spring.ride_length_mm or 0.5 * (spring.free_length_mm + spring.solid_length_mm)
        start, end = (
            Anchor(lower_part, top - (40.0 + long) * along),
            Anchor(upper_part, top - 40.0 * along),
        )
        radius = spring.outer_radius_mm or 46.0
        yield Piece("spring", spring_coil(start, end, radius), Paint.SPRING, Span(start, end))
        yield from _seats(start, end, radius)


def damper_parts(corner: Corner) -> tuple[str, str]:
    """The parts that the damper's lower and upper end move with, each along the damper's line."""
    assert corner.layout.damper is not None
    return corner.layout.ends_ride(*corner.layout.damper)


def spring_coil(start: Anchor, end: Anchor, outer_radius: float) -> pv.PolyData:
    """A coil with the body's outside; wire and number of turns are only a look."""
    wire = min(0.13 * outer_radius, 6.5)
    a, b = np.asarray(start.at), np.asarray(end.at)
    turns = float(np.clip(length(b - a) / 25.0, 3.0, 9.0))
    return coil(a, b, mean_radius=outer_radius - wire, wire_radius=wire, turns=turns)


def wound_mesh(body: Wound) -> pv.PolyData:
    """The wire as it is measured, at the reference pose."""
    start, end = (np.asarray(anchor.at) for anchor in body.ends)
    return wire(_reference_line(body), body.radius_mm, start, end - start)


def _reference_line(body: Wound) -> Array:
    return np.asarray(sum(s.weight[:, None] * s.at for s in body.line))


def _outside_mm(body: Wound) -> float:
    """How far the turns reach from their axis."""
    start, end = (np.asarray(anchor.at) for anchor in body.ends)
    off = length(np.cross(_reference_line(body) - start, unit(end - start)))
    return float(off.max()) + body.radius_mm


def _seats(start: Anchor, end: Anchor, radius: float) -> Iterator[Piece]:
    along = unit(np.asarray(end.at) - np.asarray(start.at))
    low = cylinder(start.at - 9.0 * along, start.at, 0.72 * radius, end_radius=1.02 * radius)
    top = cylinder(end.at, end.at + 8.0 * along, 1.02 * radius, end_radius=0.8 * radius)
    yield Piece("", low, Paint.DAMPER, Ride(start.part))
    yield Piece("", top, Paint.DAMPER, Ride(end.part))


def driveshaft_pieces(corner: Corner) -> Iterator[Piece]:
    """The joints' housings at both ends, and the shaft where no body stands for it."""
    if corner.driveshaft is None:
        return
    inner, outer = corner.points["cv_inner"], corner.points["cv_outer"]
    axis = unit(corner.driveshaft.inner_axis)
    out = axis if float(axis @ (outer - inner)) > 0.0 else -axis
    owner = corner.layout.owner
    cup = built_of([cylinder(inner - 34.0 * out, inner + 26.0 * out, 47.0),
                  cylinder(inner - 62.0 * out, inner - 34.0 * out, 24.0)])  # fmt: skip
    yield Piece("", cup, Paint.KNUCKLE, Ride(owner("cv_inner")))
    spin = corner.side.outboard * corner.wheel.spin_axis
    bell = cylinder(outer - 22.0 * spin, outer + 34.0 * spin, 44.0, end_radius=40.0)
    yield Piece("", bell, Paint.KNUCKLE, Ride(owner("cv_outer")))
    if not any(body.part == "driveshaft" for body in corner.bodies):
        ends = Anchor(owner("cv_inner"), inner), Anchor(owner("cv_outer"), outer)
        shaft = cylinder(inner, outer, 14.0)
        yield Piece("driveshaft", shaft, Paint.DRIVESHAFT, move_between(*ends))


def rack_pieces(axle: Axle) -> Iterator[Piece]:
    """Bar, housing and bellows between the two inner tie-rod joints; moved by the left corner."""
    ends = [_rack_end(corner) for corner in axle.corners]
    if ends[0] is None or ends[1] is None or axle.left.rack is None:
        return
    if not axle.left.layout.on_rack:  # a steering box has no rack to draw
        return
    left, right = ends[0], ends[1]
    across, stop = unit(left - right), axle.left.rack.stop_mm
    yield Piece("", cylinder(right, left, 12.0), Paint.RIM, Ride(RACK))
    short = stop + 22.0
    if float(length(left - right)) <= 2.0 * short + 120.0:
        return
    a, b = right + short * across, left - short * across
    middle = 0.5 * (a + b)
    housing = [
        cylinder(a, b, 25.0),
        *(cylinder(p - 9.0 * across, p + 9.0 * across, 31.0) for p in (a, b)),
        *(cylinder(middle + s * across, middle + (s + 26.0) * across, 33.0) for s in (-98.0, 72.0)),
    ]
    yield Piece("rack", built_of(housing), Paint.DAMPER, Ride(BODY))
    for tip, mouth in ((left, b), (right, a)):
        ends_of = Anchor(BODY, mouth), Anchor(RACK, tip)
        yield Piece("", _bellows(mouth, tip), Paint.KNUCKLE, Span(*ends_of))


def _rack_end(corner: Corner) -> Array | None:
    tie_rod = corner.layout.tie_rod
    return None if tie_rod is None else corner.points[corner.layout.rods[tie_rod].inner]


def _bellows(mouth: Array, tip: Array) -> pv.PolyData:
    reach, folds = float(length(tip - mouth)) - 12.0, 8
    at = np.linspace(0.0, reach, 2 * folds + 1)
    outer = np.linspace(27.0, 19.0, len(at))
    radius = np.where(np.arange(len(at)) % 2 == 1, outer, outer - 5.5)
    section = np.concatenate([[[0.0, 0.0], [reach, 0.0]], np.stack([at, radius], -1)[::-1]])
    return turned(section, mouth, tip - mouth, count=32)
