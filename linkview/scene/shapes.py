"""What a corner looks like: its bodies, joints and wheel as pieces, built once at the reference.

Bodies are drawn as they are measured. What the file gives no shape for (knuckle, joints, rack
housing, a bar without a body) is drawn plainly for orientation and is not `measured`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from itertools import pairwise

import numpy as np
import pyvista as pv

from linkview.clearance.mesh_files import mesh_of_file
from linkview.geometry import Array, apply
from linkview.model.bodies import Body, Box, Facets, MeshFile, Revolved, Tube, Wound
from linkview.model.layouts import BODY, KNUCKLE, RACK, WHEEL
from linkview.model.parts import Axle, Corner, Side
from linkview.plates import solid
from linkview.plates.plate import Plate
from linkview.scene import wheel_shapes
from linkview.scene.colours import Paint
from linkview.scene.joint_shapes import (
    damper_pieces,
    driveshaft_pieces,
    is_spring,
    joint_pieces,
    on_damper_line,
    rack_pieces,
    spring_coil,
    wound_mesh,
)
from linkview.scene.pieces import Piece
from linkview.scene.primitives import (
    bent_tube,
    block,
    built_of,
    capsule,
    rounded_section,
    shaded,
    turned,
)
from linkview.scene.riding import Ride, move_between

DRAWN_CHORD_MM = 0.2  # a plate's arcs are drawn by chords this close to them
BAR_MM = 10.0  # radius of a bar that the file gives no body for


def axle_pieces(
    axle: Axle, plates: Mapping[Side, Sequence[Plate]] | None = None
) -> Mapping[Side, tuple[Piece, ...]]:
    """Everything to draw of an axle, by the corner whose poses move it."""
    plates = plates or {}
    left, right = (
        [*corner_pieces(corner), *plate_pieces(plates.get(corner.side, ()))]
        for corner in axle.corners
    )
    return {Side.LEFT: (*left, *rack_pieces(axle)), Side.RIGHT: tuple(right)}


def corner_pieces(corner: Corner) -> Iterator[Piece]:
    """One corner: wheel, hub carrier, bodies, bars without a body, damper, shaft, joints."""
    outboard = corner.side.outboard * corner.wheel.spin_axis
    yield Piece("tyre", wheel_shapes.tyre(corner.wheel, outboard), Paint.TYRE, Ride(WHEEL), True)
    yield Piece("rim", wheel_shapes.rim(corner.wheel, outboard), Paint.RIM, Ride(WHEEL), True)
    layout = corner.layout
    held = [p for p in layout.on_knuckle if p in corner.points and p != "cv_outer"]
    hub = wheel_shapes.knuckle(
        corner.points["wheel_centre"], outboard, np.array([corner.points[p] for p in held])
    )
    yield Piece("knuckle", hub, Paint.KNUCKLE, Ride(KNUCKLE))
    for body in corner.bodies:
        if not (isinstance(body, Revolved) and wheel_shapes.stands_for_wheel(body, corner.wheel)):
            yield from _body_pieces(corner, body)
    yield from _bare_bars(corner)
    yield from damper_pieces(corner)
    yield from driveshaft_pieces(corner)
    yield from joint_pieces(corner)


def _body_pieces(corner: Corner, body: Body) -> Iterator[Piece]:
    paint = paint_of(corner, body)
    if isinstance(body, Wound):
        start, end = body.ends
        mesh = wound_mesh(body)
        yield Piece(body.name, mesh, paint, move_between(start, end), True)
        return
    if not isinstance(body, Tube):
        mesh = _DRAWN_BY[type(body)](body)
        yield Piece(body.name, mesh, paint, Ride(body.part), True)
        return
    first, last = body.through[0], body.through[-1]
    if paint is Paint.SPRING:
        mesh, move = spring_coil(first, last, body.radius_mm), move_between(first, last)
        yield Piece(body.name, mesh, paint, move, True)
    elif len({anchor.part for anchor in body.through}) == 1:
        mesh = bent_tube(np.array([anchor.at for anchor in body.through]), body.radius_mm)
        yield Piece(body.name, mesh, paint, Ride(first.part), True)
    else:
        for a, b in pairwise(body.through):
            mesh = capsule(np.asarray(a.at), np.asarray(b.at), body.radius_mm)
            yield Piece(body.name, mesh, paint, move_between(a, b), True)


def paint_of(corner: Corner, body: Body) -> Paint:
    """By the part that carries it; a tube along the damper whose ends ride apart is a spring."""
    if isinstance(body, Wound):
        return Paint.SPRING if on_damper_line(corner, body) else Paint.TYRE
    if isinstance(body, Tube) and on_damper_line(corner, body):
        return Paint.SPRING if is_spring(corner, body) else Paint.DAMPER
    return part_paint(corner, body.part)


def part_paint(corner: Corner, part: str) -> Paint:
    """The colour of a part: what steers, carries from below, from above, drives, stands still."""
    layout = corner.layout
    if part in layout.arms:
        return Paint.ARM
    if part == layout.tie_rod or part == RACK:
        return Paint.STEERING
    if part in layout.rods:
        rod = layout.rods[part]
        height = 0.5 * (corner.points[rod.inner][2] + corner.points[rod.outer][2])
        return Paint.ARM if height < corner.points["wheel_centre"][2] else Paint.UPPER_LINK
    if part in layout.struts or part.startswith("damper"):
        return Paint.DAMPER
    by_name = {BODY: Paint.SHELL, WHEEL: Paint.RIM, "driveshaft": Paint.DRIVESHAFT}
    return by_name.get(part, Paint.KNUCKLE)


def _bare_bars(corner: Corner) -> Iterator[Piece]:
    """Rods and arms with no body of their own, as slim bars between their joints."""
    covered = {body.part for body in corner.bodies}
    layout, points = corner.layout, corner.points
    lines = {name: [(rod.inner, rod.outer)] for name, rod in layout.rods.items()}
    lines |= {name: [(p, arm.ball) for p in arm.pivots] for name, arm in layout.arms.items()}
    for name, ends in lines.items():
        if name not in covered:
            mesh = built_of([capsule(points[a], points[b], BAR_MM) for a, b in ends])
            yield Piece(name, mesh, part_paint(corner, name), Ride(name))


def _revolved_mesh(body: Revolved) -> pv.PolyData:
    return built_of(
        [
            turned(rounded_section(p.corners, p.rounding_mm), body.centre, body.axis)
            for p in body.profiles
        ]
    )


def _box_mesh(body: Box) -> pv.PolyData:
    return block(body.lo, body.hi)


def _facets_mesh(body: Facets) -> pv.PolyData:
    return shaded(np.asarray(body.vertices), np.asarray(body.triangles))


def _file_mesh(body: MeshFile) -> pv.PolyData:
    """The very triangles that gaps are measured to. MeshFault for an unusable file."""
    triangles: Array = mesh_of_file(body).triangles
    corners, faces = np.unique(triangles.reshape(-1, 3), axis=0, return_inverse=True)
    return shaded(corners, faces.reshape(-1, 3))


_DRAWN_BY: Mapping[type, Callable[..., pv.PolyData]] = {
    Revolved: _revolved_mesh,
    Box: _box_mesh,
    MeshFile: _file_mesh,
    Facets: _facets_mesh,
}


def plate_pieces(plates: Sequence[Plate]) -> Iterator[Piece]:
    """Each plate wherever it stands, on the part that carries it."""
    for plate in plates:
        yield Piece(plate.name, plate_mesh(plate), Paint.PLATE, Ride(plate.part))


def plate_mesh(plate: Plate) -> pv.PolyData:
    """The cut sheet, its holes and slots, at all its standing places, in the car's frame."""
    vertices, triangles = solid.plate_mesh(plate, chord_mm=DRAWN_CHORD_MM)
    return built_of([shaded(apply(stand, vertices), triangles) for stand in plate.stands])
