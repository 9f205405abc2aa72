"""An axle whose hard points move: any pose of it, as the axle holds it, with slopes by point."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from linkview.alignment.on_road import Seen, in_the_body, seen, seen_by_points, turned_on_road
from linkview.alignment.readings import Readable
from linkview.geometry import Array
from linkview.kinematics.factored import factored, factored_on_axle
from linkview.kinematics.held import held_at
from linkview.kinematics.sensitivity import (
    Coordinate,
    Inputs,
    Perturbed,
    Sizes,
    perturbed,
    shares,
    unmoved,
)
from linkview.kinematics.sweep import sweep_axle, sweep_corner
from linkview.model.parts import Axle, Car, Corner, Hold, Side


@dataclass(frozen=True, eq=False)
class MovedPose:
    """One corner's pose, K times over, complex; bends: second derivatives of its parts' twists."""

    posed: Readable
    bends: Mapping[str, Array]


@dataclass(frozen=True, eq=False)
class MovedAxle:
    """coordinates (K): of one side (`moved`), or of both alike as mirror images (None)."""

    axle: Axle
    car: Car
    coordinates: Sequence[Coordinate]
    sizes: Sizes
    moved: Side | None

    @property
    def hold(self) -> Hold:
        """What is held while steering; without steering there is nothing to hold."""
        return self.axle.hold if self.axle.left.rack is not None else Hold.WHEEL_HEIGHT

    @property
    def on_road(self) -> bool:
        return self.hold is Hold.TYRES_ON_GROUND

    @cached_property
    def ride(self) -> tuple[Perturbed, Perturbed]:
        """Both sides at ride height, rack centred, in the body."""
        return self.in_body(0.0, 0.0)

    def both(self, rack_mm: float, travel_mm: float) -> tuple[MovedPose, MovedPose]:
        """Both sides at a pose. Raises LinkageLocked beyond reach."""
        at_ride = not rack_mm and not travel_mm
        here = self.ride if at_ride else self.in_body(rack_mm, travel_mm)
        if not self.on_road:
            left, right = (MovedPose(p, p.bends) for p in here)
            return left, right
        centred = here if not rack_mm else self.in_body(0.0, travel_mm)
        road = seen_by_points(self.axle, self.car, here, centred, self.ride)
        left, right = (
            MovedPose(r, turned_on_road(r, p.bends)) for r, p in zip(road, here, strict=True)
        )
        return left, right

    def side(self, corner: Corner, rack_mm: float, travel_mm: float) -> MovedPose:
        """One side alone, where the other has no say in it."""
        if self.on_road:
            return self.both(rack_mm, travel_mm)[corner is self.axle.right]
        here = self._one(corner, rack_mm, travel_mm)
        return MovedPose(here, here.bends)

    def swept(self, corner: Corner, rack_mm: Array, travel_mm: float) -> Seen:
        """One side unmoved, over racks at one travel, seen as it is held."""
        travel = np.array([travel_mm])
        if self.on_road:
            both = seen(sweep_axle(self.axle, rack_mm, travel), self.car)
            return both[corner is self.axle.right]
        return in_the_body(sweep_corner(corner, rack_mm, travel, self.hold))

    def beam(self, travel_mm: float) -> tuple[Perturbed, Perturbed]:
        """A beam axle with both wheels at this travel; rack_twist is by the other wheel's."""
        out = []
        for at in factored_on_axle(self.axle, 0.0, np.full(2, travel_mm)):
            own, weights = shares(at.built.corner, self.coordinates, self.moved)
            out.append(perturbed(at, own, self.sizes, weights=weights))
        return out[0], out[1]

    def along_rack(self, rack_mm: float, travel_mm: float) -> tuple[Readable, Readable]:
        """Both sides unmoved, with the derivatives by the rack in their first row."""
        axle = self.axle
        held = [held_at(c, rack_mm, travel_mm, self.hold) for c in axle.corners]
        here = [at.along_inputs() for at in held]
        if self.on_road:
            ride = [unmoved(factored(c, 0.0, 0.0), Inputs.still(2)) for c in axle.corners]
            centred = [unmoved(at.centred, Inputs.still(2)) for at in held]
            return seen_by_points(axle, self.car, here, centred, ride)
        return here[0], here[1]

    def in_body(self, rack_mm: float, travel_mm: float) -> tuple[Perturbed, Perturbed]:
        """Both sides at a pose, in the body."""
        left, right = (self._one(c, rack_mm, travel_mm) for c in self.axle.corners)
        return left, right

    def _one(self, corner: Corner, rack_mm: float, travel_mm: float) -> Perturbed:
        own, weights = shares(corner, self.coordinates, self.moved)
        at = held_at(corner, rack_mm, travel_mm, self.hold)
        return at.perturbed(own, self.sizes, weights=weights)
