"""The gusset: in the corner between a round tube and a flat, square to the tube.

  tube        free edge
 ,---.___________________
(     )                  \\    end_height
 `---|                    |
     |____________________|   foot on the flat
   snip      leg
"""

from __future__ import annotations

import math

import numpy as np

from linkview.geometry import Array, angle_between, dot, frozen, unit
from linkview.model.platebase import CutPlate
from linkview.model.platekinds import Gusset
from linkview.plates.corners import filleted
from linkview.plates.desk import Desk, in_plate, stand
from linkview.plates.outline import Contour, contour
from linkview.plates.plate import Hole, Pin, Plate
from linkview.units import to_deg, to_rad

SQUARE_DEG = 0.5
OFF_PLANE_MM = 1.0  # a joint further from the mid-plane than this is not held by this plate


def gusset(desk: Desk, spec: CutPlate) -> Plate:
    """The plate: tube's centre at its origin, y away from the flat, x along it."""
    assert isinstance(spec, Gusset)
    start, end = np.array(spec.tube_from), np.array(spec.tube_to)
    z, normal = unit(end - start), unit(spec.flat_normal)
    off = abs(90.0 - float(to_deg(angle_between(z, normal))))
    if off > SQUARE_DEG:
        raise desk.refuse(
            "flat_normal",
            list(spec.flat_normal),
            f"the tube runs {off:.2f} deg out of the flat's plane",
            "correct the tube's ends or the flat; a gusset square to both needs them level",
        )
    here = desk.place("stand_at", spec.stand_at)
    centre = start + dot(here - start, z) * z
    x = np.cross(normal, z)
    if dot(x, spec.toward) < 0.0:
        z, x = -z, -x
    placement = stand(centre, z, unit(np.cross(z, x)))
    depth = float(dot(centre - np.asarray(spec.flat_point), placement[:3, 1]))
    if depth < spec.tube_diameter / 2.0 - 0.3:
        raise desk.refuse(
            "flat_point",
            list(spec.flat_point),
            f"the flat lies {depth:.1f} mm from the tube's centre, inside the tube",
            "correct the flat or the tube's diameter",
        )
    holes, pins = _pick_up(desk, spec, placement)
    return desk.drawn(
        spec,
        outline=_outline(desk, spec, depth),
        stands=[placement],
        pins=pins,
        holes=holes,
        welded=True,
    )


def _outline(desk: Desk, spec: Gusset, depth: float) -> Contour:
    r, top = spec.tube_diameter / 2.0, float(to_rad(spec.tube_angle))
    if spec.snip >= min(r, spec.leg):
        raise desk.refuse(
            "snip", f"{spec.snip:g}", f"the tube's radius is {r:g} mm", "use a smaller snip"
        )
    low = -math.acos(spec.snip / r)
    reach = [r * math.cos(top), r * math.sin(top)]
    if top <= low or reach[0] >= spec.leg:
        raise desk.refuse(
            "tube_angle",
            f"{spec.tube_angle:g}",
            f"the gusset would leave the tube at ({reach[0]:.1f}, {reach[1]:.1f}), below its snip "
            f"or beyond its leg of {spec.leg:g} mm",
            "use a larger angle, or a longer leg",
        )
    far = -depth + spec.end_height
    points = [[spec.leg, -depth], [spec.leg, far], reach, [spec.snip, r * math.sin(low)]]
    points.append([spec.snip, -depth])
    loop = contour(points, [0.0, 0.0, -math.tan((top - low) / 4.0), 0.0, 0.0])
    if not spec.fillet:
        return loop
    corner = int(np.argmin(np.abs(loop.points - points[1]).sum(axis=1)))
    return filleted(loop, {corner: spec.fillet})


def _pick_up(desk: Desk, spec: Gusset, placement: Array) -> tuple[list[Hole], list[Pin]]:
    if spec.joint is None or spec.hole is None:
        return [], []
    joint = desk.point("joint", spec.joint)
    x, y, over = in_plate(placement, joint)
    if abs(over) > OFF_PLANE_MM:
        raise desk.refuse(
            "joint",
            repr(spec.joint),
            f"it lies {abs(over):.1f} mm off the gusset's plane, more than {OFF_PLANE_MM:g}",
            "set stand_at to this joint, or leave the hole out",
        )
    spot = frozen([x, y])
    pin = Pin(spec.joint, frozen(joint), frozen(placement[:3, 2]), spot)
    return [Hole(spot, spec.hole, spec.hole_use)], [pin]
