"""What the load readings of an axle take for granted, carried beside their numbers."""

from __future__ import annotations

from dataclasses import dataclass

from linkview.alignment.travel import sprung_kg
from linkview.model.parts import Axle, Car

FRONT = "front"


@dataclass(frozen=True)
class Assumed:
    """brake_share, drive_share: of the whole car's force, both wheels of this axle, 0 to 1.

    sprung_kg: of one corner. front: whether this is the front axle.
    """

    front: bool
    wheelbase_mm: float
    cg_height_mm: float
    brake_share: float
    drive_share: float
    sprung_kg: float

    @property
    def words(self) -> tuple[str, ...]:
        """For outputs, one line each."""
        drive = (
            f"halfshaft drive, {self.drive_share:.0%} of the drive on this axle"
            if self.drive_share > 0.0
            else "no drive on this axle"
        )
        return (
            f"outboard brakes, {self.brake_share:.0%} of the braking on this axle",
            drive,
            f"centre of gravity {self.cg_height_mm:.0f} mm over the ground, "
            f"wheelbase {self.wheelbase_mm:.0f} mm",
            f"sprung mass of one corner {self.sprung_kg:.0f} kg, tyre spring not included",
        )


def assumed_for(axle: Axle, car: Car) -> Assumed:
    """From the car's file. Several driven axles are taken to share the drive equally."""
    front = axle.name == FRONT
    driven = sum(other.driven for other in car.axles.values())
    share = car.front_weight_fraction if front else 1.0 - car.front_weight_fraction
    brakes = car.front_brake_fraction if front else 1.0 - car.front_brake_fraction
    return Assumed(
        front=front,
        wheelbase_mm=car.wheelbase_mm,
        cg_height_mm=car.cg_height_mm,
        brake_share=brakes,
        drive_share=1.0 / max(driven, 1) if axle.driven else 0.0,
        sprung_kg=sprung_kg(car.mass_kg, share, axle.unsprung_kg),
    )
