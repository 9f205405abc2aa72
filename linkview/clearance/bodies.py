"""Bodies made ready for measuring, once: what the hard-point file calls a body becomes a Solid.

Tube      -> TubeSolid      anchors and a radius
Revolved  -> RevolvedSolid  convex meridian pieces in its own frame
Box, mesh -> MeshSolid      triangles, two search trees (`meshes.py`)
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np

from linkview.clearance.meshes import MeshSolid, mesh_of_box, mesh_of_facets, mesh_of_file
from linkview.clearance.revolved import Packed, Piece, own_frame, packed, piece_of
from linkview.errors import MeshFault
from linkview.geometry import Array, frozen
from linkview.model.parts import Body, Box, Facets, MeshFile, Revolved, Tube


@dataclass(frozen=True, eq=False)
class TubeSolid:
    """All points within radius_mm of the line through points (k, 3), each on its own part.

    points in the car's frame at the reference pose; riders: the part of each point.
    """

    name: str
    part: str
    riders: tuple[str, ...]
    points: Array
    radius_mm: float

    @property
    def parts(self) -> tuple[str, ...]:
        """Every part it belongs to, its own first."""
        return tuple(dict.fromkeys((self.part, *self.riders)))

    @property
    def carriers(self) -> tuple[str, ...]:
        """The parts whose poses say where it is."""
        return tuple(dict.fromkeys(self.riders))


@dataclass(frozen=True, eq=False)
class RevolvedSolid:
    """home (4, 4): own frame (x along the axis) to the car's frame at the reference pose."""

    name: str
    part: str
    home: Array
    pieces: tuple[Piece, ...]

    @cached_property
    def packed(self) -> Packed:
        """The pieces as the kernels take them."""
        return packed(self.pieces)

    @property
    def parts(self) -> tuple[str, ...]:
        return (self.part,)

    @property
    def carriers(self) -> tuple[str, ...]:
        return (self.part,)


Solid = TubeSolid | RevolvedSolid | MeshSolid


def tube_solid(body: Tube) -> TubeSolid:
    return TubeSolid(
        body.name,
        body.part,
        tuple(anchor.part for anchor in body.through),
        frozen(np.array([anchor.at for anchor in body.through], dtype=float)),
        float(body.radius_mm),
    )


def revolved_solid(body: Revolved) -> RevolvedSolid:
    return RevolvedSolid(
        body.name,
        body.part,
        own_frame(np.asarray(body.centre, dtype=float), np.asarray(body.axis, dtype=float)),
        tuple(piece_of(profile) for profile in body.profiles),
    )


_MADE_BY: Mapping[type, Callable[[Any], Solid]] = {
    Tube: tube_solid,
    Revolved: revolved_solid,
    Box: mesh_of_box,
    MeshFile: mesh_of_file,
    Facets: mesh_of_facets,
}


def placed(body: Body) -> Solid:
    """The body ready for measuring, at the reference pose. MeshFault for an unusable mesh."""
    return _MADE_BY[type(body)](body)


def solids_of(bodies: Iterable[Body]) -> dict[str, Solid]:
    """Every body by name. One MeshFault lists all unusable meshes, a line each."""
    solids: dict[str, Solid] = {}
    faults: list[str] = []
    for body in bodies:
        try:
            solids[body.name] = placed(body)
        except MeshFault as fault:
            faults.append(str(fault))
    if faults:
        raise MeshFault("\n".join(faults))
    return solids
