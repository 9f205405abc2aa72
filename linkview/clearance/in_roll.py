"""Gaps of a solid axle over both its wheels' travels: what both wheels together never show.

One wheel up and the other down brings a tyre nearer to the body than any height of both. Every
mixture of COUNT travels a wheel inside the limits is measured; the bounds between poses are of
both wheels together, so here nothing is certain between them, and it is said.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from linkview.clearance.distance import Poses
from linkview.clearance.gaps import GapSurvey, SurveyedPair
from linkview.geometry import Array, frozen
from linkview.limits.roll import roll_grid
from linkview.model.parts import Axle, Car, Side

COUNT = 21


@dataclass(frozen=True, eq=False)
class RolledGaps:
    """travel_mm (n,): of either wheel; of the n x n mixtures `inside` lie inside the limits.

    found: by side, gaps and states (n, n), the left wheel's travel first.
    """

    travel_mm: Array
    inside: int
    found: Mapping[Side, GapSurvey]

    def worst(self, count: int) -> list[tuple[Side, SurveyedPair]]:
        """The pairs to look at first, over both sides."""
        both = [(side, pair) for side, one in self.found.items() for pair in one.pairs]
        return sorted(both, key=lambda item: item[1].badness)[:count]


def gaps_in_roll(axle: Axle, car: Car, measured: Callable[[Side, Poses], GapSurvey]) -> RolledGaps:
    """measured: a side's pairs at poses, part -> (n, n, 4, 4), NaN beyond reach or limits."""
    grid = roll_grid(axle, car, COUNT)
    beyond = np.nan_to_num(grid.left, nan=0.0) < 0.0
    inside = grid.solved & ~beyond
    found = {}
    for one in grid.poses.corners:
        poses = {
            part: np.where(inside[:, None, None], move, np.nan).reshape(COUNT, COUNT, 4, 4)
            for part, move in one.poses.items()
        }
        found[one.corner.side] = measured(one.corner.side, poses)
    travel_mm = frozen(grid.poses.right_travel_mm[:COUNT])
    return RolledGaps(travel_mm, int(inside.sum()), found)
