"""The weld-on ear: one pivot hole at a hard point, a foot notched for a round tube."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from linkview.geometry import Array, angle_between, dot, frozen, length, rigid, unit
from linkview.model.platebase import CutPlate
from linkview.model.platespec import WeldOnEar
from linkview.plates.corners import dog_boned, with_tab
from linkview.plates.desk import Desk
from linkview.plates.edges import gap
from linkview.plates.outline import Contour, contour, edges
from linkview.plates.plate import Hole, Neck, Pin, Plate
from linkview.units import to_deg

# A round notch on a tube that is not quite square to the plate: the greatest gap left to weld.
NOTCH_FIT_MM = 0.3
# Beyond this the figures of a misfit mean nothing: 30 deg.
_FAR_OFF_RAD = math.pi / 6.0
SQUARE_DEG = 1.0  # a foot this far off a square tube's face still closes under the weld
SOCKET_ROOM_MM = 1.0  # to turn a socket without scraping (common practice)
RELIEF_MM = 1.5  # dog-bone in a square notch: more than the corner radius a jet leaves


def weld_on_ear(desk: Desk, spec: CutPlate) -> Plate:
    """The ear: hole at the plate's origin, y towards the tube, z along the bolt.

    Raises PlateRefused where the tube is oblique, too near, or not where the ear stands.
    """
    assert isinstance(spec, WeldOnEar)
    joint, z = desk.body_point("joint", spec.joint), unit(spec.bolt_axis)
    to_tube = _to_tube(desk, spec, joint, z)
    away, y = float(length(to_tube)), unit(to_tube)
    if spec.tube_face is not None:
        _face_looks_at_joint(desk, spec, y)
    rotation = np.column_stack([np.cross(y, z), y, z])
    outline = _ear_outline(desk, spec, away)
    stands = tuple(frozen(rigid(rotation, joint + offset * z)) for offset in spec.stands_at)
    plate = desk.drawn(
        spec,
        outline=outline,
        stands=stands,
        pins=(Pin(spec.joint, frozen(joint), frozen(z), frozen([0.0, 0.0])),),
        holes=(Hole(frozen([0.0, 0.0]), spec.hole, spec.hole_use),),
        welded=True,
    )
    if spec.tube_shape == "square":
        return plate
    flank, notch = edges(outline)[-1], edges(outline)[1]
    return replace(plate, necks=(Neck("horn beside the tube notch", gap(flank, notch)),))


def _to_tube(desk: Desk, spec: WeldOnEar, joint: Array, z: Array) -> Array:
    """From the hole to the tube's centre (3,), in the middle of the ears' plane or planes.

    Cut by the plate, a tube tilted by t shows an ellipse: longer than round by r (1/cos t - 1),
    and it wanders by tan t along the bolt, over half the thickness and between the ears.
    """
    start, end = np.array(spec.tube_from), np.array(spec.tube_to)
    tilt = float(angle_between(end - start, z))
    tilt = min(tilt, math.pi - tilt)
    middle = (min(spec.stands_at) + max(spec.stands_at)) / 2.0
    spread = max(spec.stands_at) - middle + spec.thickness / 2.0
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
    for offset in (middle, *spec.stands_at):
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
    _room_round_the_bolt(desk, spec, bottom)
    half, top = spec.foot_width / 2.0, bottom + spec.foot_past
    if spec.tube_shape == "square":
        return _square_foot(desk, spec, bottom, eye)
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


def _square_foot(desk: Desk, spec: WeldOnEar, bottom: float, eye: float) -> Contour:
    """Foot on a square tube's face: flat where it is narrower, else a notch with reliefs."""
    half, flats = spec.foot_width / 2.0, spec.tube_diameter
    if spec.foot_width <= flats:
        return eye_with_foot(eye, half, bottom)
    if half - flats / 2.0 < spec.thickness:
        raise desk.refuse(
            "foot_width",
            f"{spec.foot_width:g}",
            f"the horns beside the {flats:g} mm square tube would be {half - flats / 2.0:.1f} mm "
            f"wide, less than the sheet's {spec.thickness:g}",
            f"use {flats + 2.0 * spec.thickness:g} or more, or {flats:g} or less for a flat foot",
        )
    foot = eye_with_foot(eye, half, bottom + spec.foot_past)
    notched = with_tab(foot, 0, middle_mm=half, width_mm=flats, depth_mm=-spec.foot_past)
    return dog_boned(notched, (2, 3), min(RELIEF_MM, spec.foot_past / 3.0))


def eye_with_foot(eye: float, half: float, foot: float) -> Contour:
    """An eye of radius `eye` at the origin, tangent flanks, a straight foot at y = foot.

    Edge 0 is the foot, from (half, foot) to (-half, foot).
    """
    reach = math.hypot(half, foot)
    if eye >= reach or foot <= 0.0:
        return Contour(frozen([[half, foot], [-half, foot]]), frozen([0.0, 0.0]))
    lean = math.atan2(foot, half) - math.acos(eye / reach)
    x, y = eye * math.cos(lean), eye * math.sin(lean)
    return contour(
        [[half, foot], [-half, foot], [-x, y], [x, y]],
        [0.0, 0.0, math.tan((math.pi + 2.0 * lean) / 4.0), 0.0],
    )


def _face_looks_at_joint(desk: Desk, spec: WeldOnEar, y: Array) -> None:
    assert spec.tube_face is not None
    off = float(to_deg(angle_between(spec.tube_face, -y)))
    if off > SQUARE_DEG:
        raise desk.refuse(
            "tube_face",
            list(spec.tube_face),
            f"the joint lies {off:.1f} deg off the middle of this face, so the foot would not sit "
            "flat",
            "move the joint over the middle of the face, or turn the tube",
        )


def _room_round_the_bolt(desk: Desk, spec: WeldOnEar, bottom: float) -> None:
    """A socket has to turn clear of the tube, and the hole to stay out of the weld's toe."""
    if spec.socket and bottom - spec.socket / 2.0 < SOCKET_ROOM_MM:
        raise desk.refuse(
            "socket",
            f"{spec.socket:g}",
            f"the tube lies {bottom:.1f} mm from the bolt, so a socket of {spec.socket / 2.0:g} mm "
            f"radius has {bottom - spec.socket / 2.0:.1f} mm, less than {SOCKET_ROOM_MM:g}",
            "move the joint away from the tube, or use a thinner socket",
        )
    toe = bottom - spec.weld_leg - spec.hole / 2.0
    if spec.weld_leg and toe < spec.thickness:
        raise desk.refuse(
            "weld_leg",
            f"{spec.weld_leg:g}",
            f"the hole's edge would be {toe:.1f} mm from the toe of the weld, less than the "
            f"sheet's {spec.thickness:g} mm",
            "move the joint away from the tube, or use a smaller weld or hole",
        )
