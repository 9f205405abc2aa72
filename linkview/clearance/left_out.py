"""Which pairs of bodies are left out, and why: same part, joined, or as the builder says."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from functools import cache

import numpy as np

from linkview.clearance.answers import GapState
from linkview.clearance.bodies import Solid, TubeSolid, tube_solid
from linkview.clearance.distance import pair_gap
from linkview.model.bodies import Anchor, Tube
from linkview.model.layouts import BODY, KNUCKLE, WHEEL
from linkview.model.parts import Corner

_AT_JOINT_MM = 5.0  # a body this near to a joint's centre is taken to be joined there
_WHEEL_CENTRE = "wheel_centre"

Reaches = Callable[[Solid, tuple[float, ...]], bool]


def reasons_of(
    corner: Corner, wanted: Iterable[frozenset[str]], given: Mapping[frozenset[str], str]
) -> Callable[[Solid, Solid], str | None]:
    """Why a pair of the corner's bodies is left out, or None for one that is measured.

    wanted: pairs with a wanted gap, measured even at a joint. given: pair -> the builder's reason.
    """
    kept = frozenset(wanted)
    reaches = cache(_reaches)  # a joint's own bodies are asked about it in every pair of theirs

    def why(a: Solid, b: Solid) -> str | None:
        pair = frozenset((a.name, b.name))
        if pair in given:
            return given[pair]
        if len({*a.parts, *b.parts}) == 1:
            return f"both on the {_spoken(a.part)}: they never move against each other"
        if pair in kept:
            return None
        return _joint_of(a, b, corner, reaches) or _shared_end(a, b, reaches)

    return why


def _joint_of(a: Solid, b: Solid, corner: Corner, reaches: Reaches) -> str | None:
    """The joint between the two parts that both bodies reach at the reference pose."""
    for part in a.parts:
        joints = dict(corner.layout.joined_at(part))
        if part in (KNUCKLE, WHEEL):
            joints[_WHEEL_CENTRE] = WHEEL if part == KNUCKLE else KNUCKLE
        for point, other in joints.items():
            at = corner.points.get(point)
            if other not in b.parts or at is None:
                continue
            if reaches(a, tuple(at)) and reaches(b, tuple(at)):
                return f"joined at {point}"
    return None


def _shared_end(a: Solid, b: Solid, reaches: Reaches) -> str | None:
    """A tube's end on a part that also carries the other body, where that body sits too."""
    for tube, other in ((a, b), (b, a)):
        if not isinstance(tube, TubeSolid):
            continue
        for part, at in tube.ends:
            if part in other.parts and reaches(other, tuple(at)):
                return f"{tube.name} ends at {other.name} on the {_spoken(part)}"
    return None


def _reaches(solid: Solid, at: tuple[float, ...]) -> bool:
    """Whether a body at the reference pose holds the point (3,), or comes within 5 mm of it."""
    point = tube_solid(Tube("point", BODY, (Anchor(BODY, np.array(at)),), 0.0))
    still = {part: np.eye(4)[None] for part in solid.carriers}
    found = pair_gap(solid, point, still)
    if found.state[0] == GapState.CONTACT:
        return True
    return bool(found.gap_mm[0] <= _AT_JOINT_MM)


def _spoken(part: str) -> str:
    return part.replace("_", " ")
