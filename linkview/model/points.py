"""Every hard point of a car under one name, both sides: 'front.left.tie_rod_inner'."""

from __future__ import annotations

from collections.abc import Mapping

from linkview.geometry import Array, frozen, length, mirrored
from linkview.model.parts import Axle, Side
from linkview.model.reference import Reference

SAME_MM = 0.05  # a state whose points lie this near to another's is not drawn as its ghost


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


def differs(axle: Axle, other: Axle) -> bool:
    """Whether any hard point stands elsewhere."""
    return any(
        bool(length(point - b.points[name]) > SAME_MM)
        for a, b in zip(axle.corners, other.corners, strict=True)
        for name, point in a.points.items()
        if name in b.points
    )
