"""How much of a slot a moved point leaves: slot travel as an aim.

A slot is an adjuster of that kind, or those of a plate, which stand where the plate is drawn now.
A point may be held by several slots that cross (a top mount that goes across and along): they share
its move, adjusters with adjusters and plates with plates, as both may tell of the same metal. What
no slot can give is off its ways, and counts against the room.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from linkview.errors import PlateRefused
from linkview.geometry import Array, frozen, mirrored, unit
from linkview.kinematics.sensitivity import Coordinate
from linkview.model.adjusters import SlotAdjuster
from linkview.model.parts import Axle, Side
from linkview.model.platebase import CutPlate
from linkview.plates.brackets import blank_plates

OFF_WAY_MM = 0.1  # moves are rounded to this along the axes, so a slanted way is left by as much


@dataclass(frozen=True, eq=False)
class HoldingSlot:
    """points slide along way (3,) unit, on the file's side, from low_mm to high_mm of where they
    are now. in_plate: whether it is a plate's, not an adjuster.
    """

    points: tuple[str, ...]
    way: Array
    low_mm: float
    high_mm: float
    in_plate: bool


@lru_cache(maxsize=8)
def slots_of(axle: Axle) -> Mapping[str, HoldingSlot]:
    """Every slot by its adjuster's name, or else its plate's. A plate that cannot be drawn has
    none. Kept for the last axles asked for.
    """
    out: dict[str, HoldingSlot] = {}
    for name, a in axle.adjusters.items():
        if isinstance(a, SlotAdjuster):
            out[name] = HoldingSlot(a.points, frozen(unit(np.array(a.way))), *a.range, False)
    flip = axle.given_side is not Side.LEFT  # plates are drawn for the left
    for name, spec in axle.plates.items():
        assert isinstance(spec, CutPlate)
        try:
            drawn = blank_plates(name, spec, axle.left) if name not in out else ()
        except PlateRefused:
            continue
        for adjusts in (p.adjusts for p in drawn if p.adjusts is not None):
            way, each = mirrored(adjusts.way) if flip else adjusts.way, adjusts.each_way_mm
            out.setdefault(name, HoldingSlot((adjusts.point,), frozen(way), -each, each, True))
    return out


def room_mm(axle: Axle, slot: str, moves: Mapping[str, Array]) -> float:
    """Least room, mm, to the slot's nearer end over its points, negative beyond it.

    moves: point -> (3,) mm on the file's side. Where a point leaves the ways of its slots by more
    than OFF_WAY_MM, less the distance that it is off, where that is worse.
    """
    return _room(axle, slot, moves)[0]


def room_slope(
    axle: Axle, slot: str, moves: Mapping[str, Array], box: Sequence[Coordinate]
) -> Array:
    """d(room)/d(coordinate) (K,)."""
    _, point, by = _room(axle, slot, moves)
    return np.array([by[c.axis] if c.point == point else 0.0 for c in box])


def _room(axle: Axle, slot: str, moves: Mapping[str, Array]) -> tuple[float, str, Array]:
    """Room, the point that has it, and how it answers to that point's move (3,)."""
    this = slots_of(axle)[slot]
    found: list[tuple[float, str, Array]] = []
    for point in this.points:
        names, ways = _ways(axle, point, this)
        move = np.asarray(moves.get(point, np.zeros(3)), dtype=float)
        shares = np.linalg.pinv(ways)
        mine = shares[names.index(slot)]
        along, off = float(mine @ move), move - ways @ (shares @ move)
        found += [(along - this.low_mm, point, mine), (this.high_mm - along, point, -mine)]
        size = float(np.linalg.norm(off))
        if size > OFF_WAY_MM:
            found.append((-size, point, -off / size))
    return min(found, key=lambda one: one[0])


def _ways(axle: Axle, point: str, this: HoldingSlot) -> tuple[list[str], Array]:
    """The slots of one sort that hold a point, and their ways as columns (3, m)."""
    holding = {
        name: s
        for name, s in slots_of(axle).items()
        if point in s.points and s.in_plate == this.in_plate
    }
    return list(holding), np.stack([s.way for s in holding.values()], axis=1)
