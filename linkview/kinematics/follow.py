"""Poses asked for by rack and travel, and found again after hard points shift a little."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from linkview.geometry import Array, Flags
from linkview.kinematics.closure import State
from linkview.kinematics.corner import linkage_of
from linkview.kinematics.nearby import Nearby, PoseList, listed
from linkview.kinematics.solve import Target, newton, trace
from linkview.kinematics.sweep import CornerSweep
from linkview.model.parts import Corner, Hold


@dataclass(frozen=True, eq=False)
class Followed:
    """n poses of one corner: rack_mm, travel_mm (n,), travel as in `sweep_corner`.

    state: the knuckle there; middle: at the same travel with the rack centred. arrived (n,).
    """

    hold: Hold
    rack_mm: Array
    travel_mm: Array
    state: State
    middle: State
    arrived: Flags

    @classmethod
    def of(cls, sweep: CornerSweep, rack_mm: Array, travel_mm: Array) -> Followed:
        """Traced from the sweep's poses with the rack centred, so on its assembly."""
        near, zero = Nearby(sweep), np.zeros(len(rack_mm))
        i = int(np.argmin(np.abs(sweep.rack_mm)))
        known = np.flatnonzero(sweep.solved[i])
        j = known[np.argmin(np.abs(sweep.travel_mm[known] - travel_mm[:, None]), axis=1)]
        height = near.built.problem(Hold.WHEEL_HEIGHT)
        from_, start = near.by_height(np.full(len(j), i), j)
        first = trace(height, from_, start, Target(zero, travel_mm))
        problem = near.as_held
        held = near.linkage.rows(first.state, zero).value[problem.driven]
        then = trace(problem, first.state, Target(zero, held), Target(rack_mm, held))
        arrived = first.arrived & then.arrived
        return cls(sweep.hold, rack_mm, travel_mm, then.state, first.state, arrived)

    def poses(self, corner: Corner) -> PoseList:
        """The corner's own poses."""
        return listed(linkage_of(corner), self.hold, self.state, self.rack_mm, self.arrived)

    def again(self, corner: Corner) -> PoseList:
        """The same poses of a corner whose points stand a little elsewhere."""
        built, zero = linkage_of(corner), np.zeros(len(self.rack_mm))
        good, held = self.arrived, self.travel_mm
        if self.hold.keeps_damper:
            height = built.problem(Hold.WHEEL_HEIGHT)
            middle = newton(height, self.middle, Target(zero, self.travel_mm))
            problem = built.problem(self.hold)
            held = built.linkage.rows(middle.state, zero).value[problem.driven]
            good = good & middle.solved
        target = Target(self.rack_mm, held)
        found = newton(built.problem(self.hold), self.state, target)
        return listed(built, self.hold, found.state, self.rack_mm, good & found.solved)
