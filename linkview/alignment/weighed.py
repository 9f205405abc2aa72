"""The whole car on its springs, weighed as it was measured, and what is left over at a guess."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from linkview.alignment.at_rest import (
    AxleOnSprings,
    Carried,
    measured_contacts_mm,
    on_springs,
    side_names,
)
from linkview.errors import NoRest
from linkview.geometry import Array, dot, unit
from linkview.model.parts import Car

SLOPE_MM = 1000.0  # a slope counts as the mm it makes over a metre
SAG_MM = 100.0  # forces count as the mm by which that share of the weight presses springs in


@dataclass(frozen=True, eq=False)
class Weighed:
    """The car as weighed: on its springs, standing as measured.

    weight_n (1,), cg_mm (1, 3) in the body; or complex, one for each of n poses.
    """

    axles: list[AxleOnSprings]
    steered: str
    weight_n: Array
    cg_mm: Array

    def carried(self, rack_mm: Array, travel_mm: Array, up: Array) -> list[Carried]:
        """Each axle's, at racks (n,), all wheels' travels (n, 4) and road normals (n, 3)."""
        return [
            a.carried(
                rack_mm if a.axle.name == self.steered else np.zeros(len(rack_mm)),
                travel_mm[:, 2 * k : 2 * k + 2],
                up,
            )
            for k, a in enumerate(self.axles)
        ]

    def left_over_mm(self, rack_mm: Array, guess: Array) -> Array:
        """(n, 6): contacts' heights against the first one's; force and two moments left over."""
        up = road_up(guess)
        return self.left_over_by(self.carried(rack_mm, guess[:, :4], up), up)

    def left_over_by(self, axles: list[Carried], up: Array) -> Array:
        """The same with what each axle carries at hand."""
        at = np.concatenate([a.contact_mm for a in axles], axis=1)
        load = np.concatenate([a.load_n for a in axles], axis=1)
        push = load[:, :, None] * up[:, None]
        moment = np.cross(at - self.cg_mm[:, None], push).sum(axis=1)
        height = dot(at, up[:, None])
        force = np.column_stack([load.sum(axis=1) - self.weight_n, moment[:, :2] / SLOPE_MM])
        return np.hstack([height[:, 1:] - height[:, :1], force * (SAG_MM / self.weight_n)[:, None]])


def road_up(guess: Array) -> Array:
    """The road's normals (n, 3) in the body from the last two of (n, 6)."""
    return unit(np.column_stack([guess[:, 4:], np.full(len(guess), SLOPE_MM)]))


def road_as_measured(feet: Array) -> Array:
    """The normals (n, 3) of the planes that fit four contact centres (n, 4, 3) best."""
    metres = feet / SLOPE_MM
    flat = np.concatenate([metres[..., :2], np.ones((*feet.shape[:2], 1))], axis=-1)
    turned = np.swapaxes(flat, -1, -2)
    slope = np.linalg.solve(turned @ flat, turned @ metres[..., 2:])[..., 0]
    return unit(np.column_stack([-slope[:, :2], np.ones(len(feet))]))


def weighed_by(
    axles: list[AxleOnSprings], steered: str, stood: list[Carried], up: Array, cg_height_mm: float
) -> Weighed:
    """The car from what it carries as measured, on a road with the normals `up` (n, 3)."""
    at = np.concatenate([a.contact_mm for a in stood], axis=1)
    load = np.concatenate([a.load_n for a in stood], axis=1)
    weight = load.sum(axis=1)
    over = (load[..., None] * at).sum(axis=1) / weight[:, None]
    return Weighed(axles, steered, weight, over + cg_height_mm * up)


def weighed(car: Car, steered: str) -> Weighed:
    """Raises LinkviewError where the file gives no springs; NoRest where one carries no load."""
    axles = on_springs(car)
    up = road_as_measured(np.concatenate([measured_contacts_mm(a.axle) for a in axles])[None])
    still = np.zeros((1, 2))
    stood = [a.carried(still[:, 0], still, up) for a in axles]
    load = np.concatenate([a.load_n[0] for a in stood])
    for (name, side), carries in zip(side_names(axles), load, strict=True):
        if not carries > 0.0:
            raise NoRest(
                car.path,
                f"axle.{name}: the {side.value} spring carries no load as measured; "
                "check the spring's free_length and length_at_ride_height",
            )
    return weighed_by(axles, steered, stood, up, car.cg_height_mm)


def loads_and_heights(axles: list[Carried], feet: Array, up: Array) -> tuple[Array, Array]:
    """Every wheel's load (n, 4), and heights (n, 4) of the body over the wheels as measured.

    feet: contact centres as measured, (4, 3) or (n, 4, 3).
    """
    load = np.concatenate([a.load_n for a in axles], axis=1)
    return load, dot(feet - axles[0].contact_mm[:, :1], up[:, None])
