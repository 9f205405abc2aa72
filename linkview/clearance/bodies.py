"""Bodies made ready for measuring, once: what the hard-point file calls a body becomes a Solid.

Tube      -> TubeSolid      places on parts and a radius
Wound     -> TubeSolid      the same, each place shared among parts
Revolved  -> RevolvedSolid  convex meridian pieces in its own frame
Box, mesh -> MeshSolid      triangles, two search trees (`meshes.py`)
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np

from linkview.clearance.mesh_files import mesh_of_file
from linkview.clearance.meshes import MeshSolid, mesh_of_box, mesh_of_facets
from linkview.clearance.revolved import Packed, Piece, own_frame, packed, piece_of
from linkview.errors import MeshFault
from linkview.geometry import Array, frozen
from linkview.model.bodies import Anchor, Body, Box, Facets, MeshFile, Revolved, Share, Tube, Wound


@dataclass(frozen=True, eq=False)
class TubeSolid:
    """All points within radius_mm of a line whose places ride on parts, or are shared among them.

    line: see `Wound`; hull: places whose motion bounds the line's. ends: part and place (3,), in
    the car's frame at the reference pose, where it may be joined to others. inside_mm: how far the
    true surface may stand outside. assumed: what the file does not say of it.
    """

    name: str
    part: str
    line: tuple[Share, ...]
    hull: tuple[Share, ...]
    ends: tuple[tuple[str, Array], ...]
    radius_mm: float
    inside_mm: float = 0.0
    assumed: str = ""

    @property
    def parts(self) -> tuple[str, ...]:
        """Every part it belongs to, its own first."""
        return tuple(dict.fromkeys((self.part, *self.carriers)))

    @property
    def carriers(self) -> tuple[str, ...]:
        """The parts whose poses say where it is."""
        return tuple(dict.fromkeys(share.part for share in self.line))

    @property
    def notes(self) -> tuple[str, ...]:
        said = (self.assumed,) if self.assumed else ()
        if not self.inside_mm:
            return said
        return (f"its turns are chords up to {self.inside_mm:.2f} mm off the true wire", *said)


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

    @property
    def notes(self) -> tuple[str, ...]:
        return ()

    @property
    def inside_mm(self) -> float:
        return 0.0


Solid = TubeSolid | RevolvedSolid | MeshSolid


def shares_of(through: Sequence[Anchor]) -> tuple[Share, ...]:
    """Anchors as shares: each place wholly on its own part."""
    at = frozen(np.array([anchor.at for anchor in through], dtype=float))
    riders = [anchor.part for anchor in through]
    return tuple(
        Share(part, at, frozen([float(rider == part) for rider in riders]))
        for part in dict.fromkeys(riders)
    )


def line_of(shares: Sequence[Share], moves: Mapping[str, Array]) -> Array:
    """Where the places stand, (n, k, 3) in the car's frame; part -> moves (n, 4, 4)."""
    out: Array | float = 0.0
    for part in dict.fromkeys(share.part for share in shares):
        # R (w x) + w t: one product for all the shares of a part.
        mine = [share for share in shares if share.part == part]
        at = np.sum([share.weight[:, None] * share.at for share in mine], axis=0)
        weight = np.sum([share.weight for share in mine], axis=0)
        move = moves[part]
        out = out + at @ move[:, :3, :3].swapaxes(1, 2) + weight[:, None] * move[:, None, :3, 3]
    return np.ascontiguousarray(out)


def tube_solid(body: Tube) -> TubeSolid:
    shares = shares_of(body.through)
    ends = tuple((anchor.part, np.asarray(anchor.at)) for anchor in body.through)
    return TubeSolid(body.name, body.part, shares, shares, ends, float(body.radius_mm))


def wound_solid(body: Wound) -> TubeSolid:
    # The wire's own ends: what stands inside the coils is not joined to them.
    at = sum(share.weight[:, None] * share.at for share in body.line)
    ends = tuple((a.part, np.asarray(at)[k]) for a, k in zip(body.ends, (0, -1), strict=True))
    return TubeSolid(
        body.name,
        body.part,
        body.line,
        body.hull,
        ends,
        float(body.radius_mm),
        body.inside_mm,
        body.assumed,
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
    Wound: wound_solid,
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
