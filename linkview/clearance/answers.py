"""What is said about one pair of bodies: a gap, contact, or that it is not known.

MEASURED   the gap; negative: the depth of an overlap that is shallow enough to be known
CONTACT    they touch or overlap; the number, where there is one, says "at least this deep"
UNKNOWN    not measured (no such pose, or the bodies cannot be told apart): NaN, never clear
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from linkview.clearance.meshes import MeshSolid
from linkview.clearance.winding import wrapped
from linkview.geometry import Array, length

_HALF_WRAPPED, _FULLY_WRAPPED = 0.5, 0.9  # share of the view that a surface takes up


class GapState(IntEnum):
    """What is known about one gap at one pose."""

    MEASURED = 0
    CONTACT = 1
    UNKNOWN = 2


@dataclass(frozen=True, eq=False)
class PairGap:
    """One pair over n poses: gap_mm (n,), state (n,) of GapState, on_a and on_b (n, 3) mm.

    constant: the two never move against each other, so one pose was measured for all.
    """

    gap_mm: Array
    state: NDArray[np.int8]
    on_a: Array
    on_b: Array
    constant: bool = False
    notes: tuple[str, ...] = ()

    def swapped(self) -> PairGap:
        return PairGap(self.gap_mm, self.state, self.on_b, self.on_a, self.constant, self.notes)


def states(contact: NDArray[np.bool_]) -> NDArray[np.int8]:
    return np.where(contact, GapState.CONTACT, GapState.MEASURED).astype(np.int8)


def toward(start: Array, end: Array, by_mm: Array | float) -> Array:
    """Points moved from start (n, 3) toward end by by_mm; where the two are one, unmoved."""
    way = end - start
    size = length(way)[:, None]
    step = np.asarray(by_mm, dtype=float).reshape(-1, 1) * way / np.where(size > 0, size, 1.0)
    return np.asarray(start + step)


def with_contact(answer: PairGap, swallowed: NDArray[np.bool_]) -> PairGap:
    """Swallowed means overlap by the surfaces' distance at least, whatever was measured."""
    if not swallowed.any():
        return answer
    return PairGap(
        np.where(swallowed, -np.abs(answer.gap_mm), answer.gap_mm),
        np.where(swallowed, GapState.CONTACT, answer.state).astype(np.int8),
        answer.on_a,
        answer.on_b,
        answer.constant,
        answer.notes,
    )


def unless_wrapped(answer: PairGap, mesh: MeshSolid, points: Array, clear_mm: Array) -> PairGap:
    """Contact where the mesh wraps a point of the other body, (n, 3) in the mesh's reference frame.

    clear_mm: how far the mesh's surface is known to be from the point. An open mesh cannot
    say inside for certain: nearly all around is contact, more than half around is unknown.
    """
    asked = answer.state == GapState.MEASURED
    reach = clear_mm[asked] if mesh.closed else np.zeros(int(asked.sum()))
    share = np.zeros(len(points))
    share[asked] = wrapped(points[asked], reach, mesh.triangles)
    if mesh.closed:
        return with_contact(answer, share > _HALF_WRAPPED)
    answer = with_contact(answer, share > _FULLY_WRAPPED)
    doubtful = (share > _HALF_WRAPPED) & asked & (answer.gap_mm > 0)
    if not doubtful.any():
        return answer
    return PairGap(
        np.where(doubtful, np.nan, answer.gap_mm),
        np.where(doubtful, GapState.UNKNOWN, answer.state).astype(np.int8),
        np.where(doubtful[:, None], np.nan, answer.on_a),
        np.where(doubtful[:, None], np.nan, answer.on_b),
        answer.constant,
        (*answer.notes, f"{mesh.name}: open surface more than half around the other body"),
    )
