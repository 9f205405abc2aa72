"""The words of a picture: car, variant, pose, readings of both wheels, and the caution."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from linkview.alignment.wheel import camber_rad, steer_rad, toe_in_rad
from linkview.export.overlay import Caption, Gauge, Reading, signed
from linkview.geometry import apply_direction
from linkview.model.layouts import KNUCKLE
from linkview.model.parts import Axle, Hold, Side
from linkview.scene.stage import AxlePose
from linkview.units import to_deg

CAUTION = "Rigid parts, computed: no contact found is not safe. Check on the car."
DRAWN_PLAINLY = "Knuckle, joints, spokes and rack housing are drawn plainly, for orientation."


@dataclass(frozen=True)
class Titles:
    """car: its name. state: which variant is shown, in words. ghost: which is the pale one."""

    car: str
    state: str
    ghost: str = ""


def caption_of(axle: Axle, pose: AxlePose, titles: Titles, notes: Iterable[str] = ()) -> Caption:
    """Car, variant, pose, what is held, readings of both wheels, and the caution."""
    state = f"{axle.name} axle - {titles.state}"
    subtitle = f"{state}; pale: {titles.ghost}" if titles.ghost else state
    held = axle.hold.words if axle.left.rack is not None else DRAWN_PLAINLY
    if axle.left.rack is not None and axle.hold is Hold.TYRES_ON_GROUND:
        held += "; drawn and read in the body"
    return Caption(
        titles.car,
        subtitle,
        pose_words(axle, pose),
        (held, *notes, CAUTION),
        _gauges(axle, pose),
        _readings(axle, pose),
    )


def pose_words(axle: Axle, pose: AxlePose) -> str:
    """'turned left, 20 mm bump' and the like."""
    steer = float(np.mean([_stance(axle, pose, side)[0] for side in Side]))
    travel = [pose.travel_mm[side] for side in (Side.LEFT, Side.RIGHT)]
    turned = (
        "straight ahead" if abs(steer) < 0.3 else "turned left" if steer > 0 else "turned right"
    )
    if abs(travel[0] - travel[1]) > 0.05:
        height = (
            "left wheel up, right down" if travel[0] > travel[1] else "left wheel down, right up"
        )
    elif abs(travel[0]) < 0.05:
        height = "ride height"
    else:
        height = f"{abs(travel[0]):.0f} mm {'bump' if travel[0] > 0 else 'droop'}"
    return f"{turned}, {height}" if axle.left.rack is not None else height


def _stance(axle: Axle, pose: AxlePose, side: Side) -> tuple[float, float, float]:
    """Steer, camber and toe-in of one wheel, degrees."""
    corner = axle.left if side is Side.LEFT else axle.right
    spin = apply_direction(pose.corners[side][KNUCKLE], corner.wheel.spin_axis)
    angles = (
        steer_rad(spin), camber_rad(spin, side.outboard), toe_in_rad(spin, side.outboard)
    )  # fmt: skip
    steer, camber, toe = (float(to_deg(a)) for a in angles)
    return steer, camber, toe


def _readings(axle: Axle, pose: AxlePose) -> tuple[Reading, ...]:
    out = []
    for side in (Side.LEFT, Side.RIGHT):
        steer, camber, toe = _stance(axle, pose, side)
        mark = side.value[0].upper()
        if axle.left.rack is not None:
            out.append(Reading(f"steer {mark}", f"{signed(steer, 1)}°"))
        else:
            out.append(Reading(f"toe-in {mark}", f"{signed(toe, 2)}°"))
        out.append(Reading(f"camber {mark}", f"{signed(camber, 2)}°"))
    return tuple(out)


def _gauges(axle: Axle, pose: AxlePose) -> tuple[Gauge, ...]:
    travel = axle.left.travel
    left, right = pose.travel_mm[Side.LEFT], pose.travel_mm[Side.RIGHT]
    if axle.left.rack is None:
        return tuple(
            Gauge(f"travel {mark}", value, travel.droop_mm, travel.bump_mm)
            for mark, value in (("L", left), ("R", right))
        )
    stop = axle.left.rack.stop_mm
    return (
        Gauge("rack", pose.rack_mm, -stop, stop),
        Gauge("travel", left, travel.droop_mm, travel.bump_mm),
    )
