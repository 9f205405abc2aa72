"""How much of a slot a moved point leaves: slot travel as an aim.

A point may be held by several slots that cross (a top mount that goes across and along): they share
its move. What no slot can give is off its ways, and counts against the room.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from linkview.geometry import Array, unit
from linkview.kinematics.sensitivity import Coordinate
from linkview.model.adjusters import SlotAdjuster
from linkview.model.parts import Axle

OFF_WAY_MM = 0.1  # moves are rounded to this along the axes, so a slanted way is left by as much


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
    this = axle.adjusters[slot]
    assert isinstance(this, SlotAdjuster)
    low, high = this.range
    found: list[tuple[float, str, Array]] = []
    for point in this.points:
        names, ways = _ways(axle, point)
        move = np.asarray(moves.get(point, np.zeros(3)), dtype=float)
        shares = np.linalg.pinv(ways)
        mine = shares[names.index(slot)]
        along, off = float(mine @ move), move - ways @ (shares @ move)
        found += [(along - low, point, mine), (high - along, point, -mine)]
        size = float(np.linalg.norm(off))
        if size > OFF_WAY_MM:
            found.append((-size, point, -off / size))
    return min(found, key=lambda one: one[0])


def _ways(axle: Axle, point: str) -> tuple[list[str], Array]:
    """The slots that hold a point, and their ways as columns (3, m)."""
    holding = {
        name: a
        for name, a in axle.adjusters.items()
        if isinstance(a, SlotAdjuster) and point in a.points
    }
    return list(holding), np.stack([unit(np.array(a.way)) for a in holding.values()], axis=1)
