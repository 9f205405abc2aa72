"""The weld-on ear: one pivot hole at a hard point, a foot notched for a round tube."""

from __future__ import annotations

import math

import numpy as np

from linkview.geometry import Array, angle_between, dot, frozen, length, rigid, unit
from linkview.model.layouts import BODY
from linkview.model.platespec import CutPlate, WeldOnEar
from linkview.plates.desk import Desk, centre_cross
from linkview.plates.edges import gap
from linkview.plates.outline import Contour, contour, edges
from linkview.plates.plate import Hole, Neck, Pin, Plate
from linkview.units import to_deg

# A round notch on a tube that is not quite square to the plate: the greatest gap left to weld.
NOTCH_FIT_MM = 0.3
# Beyond this the figures of a misfit mean nothing: 30 deg.
_FAR_OFF_RAD = math.pi / 6.0


def weld_on_ear(desk: Desk, spec: CutPlate) -> Plate:
    """The ear: hole at the plate's origin, y towards the tube, z along the bolt.

    Raises PlateRefused where the tube is oblique, too near, or not where the ear stands.
    """
    assert isinstance(spec, WeldOnEar)
    joint, z = desk.body_point("joint", spec.joint), unit(spec.bolt_axis)
    to_tube = _to_tube(desk, spec, joint, z)
    away, y = float(length(to_tube)), unit(to_tube)
    rotation = np.column_stack([np.cross(y, z), y, z])
    outline = _ear_outline(desk, spec, away)
    stands = tuple(frozen(rigid(rotation, joint + offset * z)) for offset in spec.offsets)
    flank, notch = edges(outline)[-1], edges(outline)[1]
    return Plate(
        name=desk.name,
        kind=spec.kind,
        outline=outline,
        holes=(Hole(frozen([0.0, 0.0]), spec.hole, spec.hole_use),),
        slots=(),
        texts=(),
        crosses=(centre_cross(0.0, 0.0, spec.hole, spec.edge_margin),),
        thickness_mm=spec.thickness,
        material=spec.material,
        quantity=spec.quantity,
        mirrored=spec.mirrored,
        placement=stands[0],
        also_at=stands[1:],
        part=BODY,
        pins=(Pin(spec.joint, frozen(joint), frozen(z), frozen([0.0, 0.0])),),
        necks=(Neck("horn beside the tube notch", gap(flank, notch)),),
    )


def _to_tube(desk: Desk, spec: WeldOnEar, joint: Array, z: Array) -> Array:
    """From the hole to the tube's centre (3,), in the middle of the ears' plane or planes.

    Cut by the plate, a tube tilted by t shows an ellipse: longer than round by r (1/cos t - 1),
    and it wanders by tan t along the bolt, over half the thickness and between the ears.
    """
    start, end = np.array(spec.tube_from), np.array(spec.tube_to)
    tilt = float(angle_between(end - start, z))
    tilt = min(tilt, math.pi - tilt)
    middle = (min(spec.offsets) + max(spec.offsets)) / 2.0
    spread = max(spec.offsets) - middle + spec.thickness / 2.0
    if tilt > _FAR_OFF_RAD:
        raise desk.refuse(
            "bolt_axis",
            list(spec.bolt_axis),
            f"the tube runs {float(to_deg(tilt)):.1f} deg off the bolt; an ear with a round notch "
            "stands square to both",
            "set the bolt along the tube",
        )
    oval = spec.tube_diameter / 2.0 * (1.0 / math.cos(tilt) - 1.0)
    wander = spread * math.tan(tilt)
    if oval + wander > NOTCH_FIT_MM:
        raise desk.refuse(
            "bolt_axis",
            list(spec.bolt_axis),
            f"the tube runs {float(to_deg(tilt)):.2f} deg off the bolt, so a round notch would "
            f"miss it by {oval + wander:.2f} mm ({oval:.2f} mm oval, {wander:.2f} mm over the "
            f"ears), more than {NOTCH_FIT_MM} mm",
            "set the bolt along the tube, or describe each ear of a pair on its own",
        )
    for offset in (middle, *spec.offsets):
        share = float(dot(joint + offset * z - start, z) / dot(end - start, z))
        beyond = max(-share, share - 1.0) * float(length(end - start))
        if beyond > 1e-6:
            raise desk.refuse(
                "tube_to" if share > 1.0 else "tube_from",
                list(spec.tube_to if share > 1.0 else spec.tube_from),
                f"the ear at offset {offset:g} stands {beyond:.1f} mm beyond this end of the tube",
                "give the tube's full length, or move the joint or the offset",
            )
    share = float(dot(joint + middle * z - start, z) / dot(end - start, z))
    return np.asarray(start + share * (end - start) - (joint + middle * z))


def _ear_outline(desk: Desk, spec: WeldOnEar, away: float) -> Contour:
    """Horn, notch, horn, flank, eye, flank: hole at the origin, the tube's centre at (0, away)."""
    tube, eye = spec.tube_diameter / 2.0, spec.hole / 2.0 + spec.edge_margin
    bottom = away - tube
    metal = bottom - spec.hole / 2.0
    if metal < spec.edge_margin:
        raise desk.refuse(
            "edge_margin",
            f"{spec.edge_margin:g}",
            f"only {metal:.1f} mm of metal would be left between the hole and the tube notch "
            f"('{spec.joint}' lies {away:.1f} mm from the tube's centre line)",
            "move the joint away from the tube, or ask for less margin",
        )
    half, top = spec.foot_width / 2.0, bottom + spec.foot_past
    mouth = math.sqrt(tube**2 - (tube - spec.foot_past) ** 2)
    if half <= mouth:
        raise desk.refuse(
            "foot_width",
            f"{spec.foot_width:g}",
            f"the tube notch is {2.0 * mouth:.1f} mm wide at the horns' tips",
            f"use more than {2.0 * mouth:.1f} mm, or a smaller foot_past",
        )
    lean = math.atan2(top, half) - math.acos(eye / math.hypot(half, top))
    x, y = eye * math.cos(lean), eye * math.sin(lean)
    notch = -math.tan(math.asin(min(mouth / tube, 1.0)) / 2.0)
    return contour(
        [[half, top], [mouth, top], [-mouth, top], [-half, top], [-x, y], [x, y]],
        [0.0, notch, 0.0, 0.0, math.tan((math.pi + 2.0 * lean) / 4.0), 0.0],
    )
