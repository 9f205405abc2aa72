"""Every hard point of a car under one name, both sides: 'front.left.tie_rod_inner'."""

from __future__ import annotations

from collections.abc import Mapping

from linkview.geometry import Array, frozen, mirrored
from linkview.model.parts import Side
from linkview.model.reference import Reference


def points_by_name(references: Mapping[str, Mapping[Side, Reference]]) -> dict[str, Array]:
    """'AXLE.SIDE.POINT' -> (3,) mm; a side that is not given is the other one's mirror."""
    out = {}
    for axle, sides in references.items():
        for side in Side:
            given = sides.get(side)
            points = given.points if given else next(iter(sides.values())).points
            for name, at in points.items():
                out[f"{axle}.{side.value}.{name}"] = at if given else frozen(mirrored(at))
    return out
