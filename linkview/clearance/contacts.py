"""Where on the grid bodies touch, in words: what the limit map shows beside the limits."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from linkview.clearance.distance import GapState
from linkview.clearance.gaps import GapSurvey
from linkview.geometry import Flags
from linkview.model.parts import Axle, Side
from linkview.model.wording import spoken


def touching_poses(axle: Axle, gaps: Mapping[Side, GapSurvey]) -> dict[str, Flags]:
    """What touches, in words -> (S, T) poses of the usual grid, of all pairs measured.

    Pairs that never move against each other are left out: they stop nothing.
    """
    touching: dict[str, Flags] = {}
    for side, found in gaps.items():
        for pair in found.pairs:
            if pair.constant or not pair.poses_touching:
                continue
            with np.errstate(invalid="ignore"):
                touch = (pair.state == GapState.CONTACT) | (pair.gap_mm <= 0.0)
            if axle.symmetric:  # the other side meets the same at the opposite rack
                touch = touch | touch[::-1]
            words = f"{spoken(pair.pair[0])} touches {spoken(pair.pair[1])}"
            key = words if axle.symmetric else f"{words}, {side.value}"
            touching[key] = touching.get(key, False) | touch
    return touching
