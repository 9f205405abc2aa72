"""One corner at a rack and travel with something held, as it answers to inputs and hard points.

Travel is that of the wheel centre with the rack centred. Unless the wheel's height is held, the
damper keeps the length it has there while the rack moves, so the height answers to the rack, and to
the hard points twice over: the length is theirs too. With D(rack, height, p) that length, D at the
pose less D with the rack centred is nought, which gives the height's slopes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from linkview.geometry import Array, length
from linkview.kinematics.factored import Factored, factored, factored_damper_held
from linkview.kinematics.sensitivity import (
    Coordinate,
    H,
    Inputs,
    Perturbed,
    Sizes,
    along_inputs,
    perturbed,
    perturbed_with,
    unmoved,
)
from linkview.model.parts import Corner, Hold


@dataclass(frozen=True, eq=False)
class HeldPose:
    """at: where the corner stands; centred: at the same travel with the rack centred."""

    at: Factored
    centred: Factored
    hold: Hold

    def perturbed(
        self, coordinates: Sequence[Coordinate], sizes: Sizes, *, weights: Sequence[float] = ()
    ) -> Perturbed:
        """The pose with its derivatives by each coordinate (K of them), as held.

        weights: as `perturbed` takes them.
        """
        here = perturbed(self.at, coordinates, sizes, weights=weights)
        if not self.hold.keeps_damper:
            return here
        if self.at is not self.centred:
            before = perturbed(self.centred, coordinates, sizes, weights=weights)
            longer = (_damper_mm(here) - _damper_mm(before)).imag / H
            by_held = -longer / self._damper_by_inputs(self.at)[1]
            inputs = Inputs(np.zeros(len(coordinates)), by_held)
            here = perturbed_with(self.at, coordinates, sizes, inputs, weights=weights)
        return replace(here, rack_twist=here.screw_twist)

    def along_inputs(self) -> Perturbed:
        """The pose with its derivatives by the rack, then by the travel (K = 2), as held."""
        if not self.hold.keeps_damper:
            return along_inputs(self.at)
        by_rack, by_height = self._damper_by_inputs(self.at)
        by_travel = self._damper_by_inputs(self.centred)[1]
        held = np.array([-by_rack, by_travel]) / by_height
        return unmoved(self.at, Inputs(np.array([1.0, 0.0]), held))

    def damper_slopes(self, coordinates: Sequence[Coordinate], sizes: Sizes) -> Array:
        """What each coordinate does to the damper's length with the rack centred, (K,)."""
        return _damper_mm(perturbed(self.centred, coordinates, sizes)).imag / H

    def _damper_by_inputs(self, at: Factored) -> Array:
        return _damper_mm(along_inputs(at)).imag / H


def _damper_mm(posed: Perturbed) -> Array:
    lower, upper = posed.corner.layout.damper or ("", "")
    return length(posed.point(upper) - posed.point(lower))


def held_at(corner: Corner, rack_mm: float, travel_mm: float, hold: Hold) -> HeldPose:
    """Raises LinkageLocked where the pose is beyond reach, CannotAssemble without a damper."""
    if not hold.keeps_damper:
        here = factored(corner, rack_mm, travel_mm)
        return HeldPose(here, here, hold)
    centred = factored(corner, 0.0, travel_mm)
    at = factored_damper_held(corner, rack_mm, travel_mm) if rack_mm else centred
    return HeldPose(at, centred, hold)
