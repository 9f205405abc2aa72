"""Plates that stand on a flat: the drop bracket of two sides and a bridge, the droop-strap tab."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from linkview.geometry import Array, angle_between, dot, frozen, unit
from linkview.model.platebase import CutPlate
from linkview.model.platekinds import DroopStrapTab, DropBracket
from linkview.plates.corners import dog_boned, filleted, tab_opening, with_tab
from linkview.plates.desk import SQUARE_DEG, Desk, stand
from linkview.plates.ears import eye_with_foot
from linkview.plates.outline import polygon
from linkview.plates.plate import Hole, Opening, Pin, Plate
from linkview.units import to_deg

TAB_ROOTS = (1, 4, 5, 8)  # where two tabs of four corners each meet foot edge 0


def drop_bracket(desk: Desk, spec: CutPlate) -> tuple[Plate, ...]:
    """The side, standing twice along the bolt, and the bridge flat on the car; tabs in slots.

    Both plates' y runs from the joint to the flat, or along the bolt on the bridge.
    """
    assert isinstance(spec, DropBracket)
    joint = desk.body_point("joint", spec.joint)
    z, up, height = _seat(desk, spec, joint)
    half, t = spec.foot_width / 2.0, spec.thickness
    foot = height - t
    eye = spec.hole / 2.0 + spec.edge_margin
    if foot < eye:
        raise desk.refuse(
            "joint",
            repr(spec.joint),
            f"it lies {height:.1f} mm from the flat; eye and bridge need {eye + t:.1f} mm",
            "move the joint away from the flat, or use less edge_margin",
        )
    if half < eye or 4.0 * spec.tab_width > spec.foot_width:
        raise desk.refuse(
            "foot_width",
            f"{spec.foot_width:g}",
            f"the eye is {2.0 * eye:.1f} mm wide, two tabs need {4.0 * spec.tab_width:.1f} mm",
            f"use {max(2.0 * eye, 4.0 * spec.tab_width):.1f} or more, or narrower tabs",
        )
    outline = eye_with_foot(eye, half, foot)
    for quarter in (0.75, 0.25):  # the later tab first: it renumbers only what lies after it
        outline = with_tab(
            outline,
            0,
            middle_mm=quarter * spec.foot_width,
            width_mm=spec.tab_width,
            depth_mm=t,
        )
    if spec.relief:
        outline = dog_boned(outline, TAB_ROOTS, spec.relief)
    apart = (spec.inner_gap + t) / 2.0
    side = desk.drawn(
        spec,
        outline=outline,
        stands=[stand(joint + k * apart * z, z, up) for k in (1.0, -1.0)],
        pins=[Pin(spec.joint, frozen(joint), frozen(z), frozen([0.0, 0.0]))],
        holes=[Hole(frozen([0.0, 0.0]), spec.hole, spec.hole_use)],
        welded=True,
        name=f"{desk.name}_side",
        quantity_times=2,
    )
    return side, _bridge(desk, spec, joint, z, up, height, apart)


def _bridge(
    desk: Desk, spec: DropBracket, joint: Array, z: Array, up: Array, height: float, apart: float
) -> Plate:
    half = spec.foot_width / 2.0 + spec.bridge_margin
    reach = apart + spec.thickness / 2.0 + spec.bridge_margin
    outline = polygon([[-half, -reach], [half, -reach], [half, reach], [-half, reach]])
    spots = [(x, y) for y in (-apart, apart) for x in (-0.25, 0.25)]
    slots = [
        Opening(
            tab_opening(
                [x * spec.foot_width, y],
                [1.0, 0.0],
                length_mm=spec.tab_width + 2.0 * spec.tab_play,
                width_mm=spec.thickness + 2.0 * spec.tab_play,
                relief_mm=spec.relief,
            ),
            frozen([x * spec.foot_width, y]),
            spec.thickness + 2.0 * spec.tab_play,
            "tab slot",
        )
        for x, y in spots
    ]
    plate = desk.drawn(
        without_load(spec),
        outline=filleted(outline, dict.fromkeys(range(4), spec.bridge_margin)),
        stands=[stand(joint + (height - spec.thickness / 2.0) * up, up, z)],
        pins=[Pin(spec.joint, frozen(joint), frozen(up), frozen([0.0, 0.0]))],
        slots=slots,
        welded=False,
        name=f"{desk.name}_bridge",
        notes=("lies on the flat; the sides' tabs place it, see the side's placing sheet",),
    )
    return replace(plate, crosses=())


def without_load(spec: DropBracket) -> DropBracket:
    """The same description without its force, which presses on the sides alone."""
    return spec.model_copy(update={"load": None, "mark": ""})


def droop_strap_tab(desk: Desk, spec: CutPlate) -> Plate:
    """The tab: hole at the strap's bolt, a straight foot on the flat."""
    assert isinstance(spec, DroopStrapTab)
    at = desk.place("at", spec.at)
    z, up, height = _seat(desk, spec, at)
    eye = spec.hole / 2.0 + spec.edge_margin
    if height < eye or spec.foot_width < 2.0 * eye:
        raise desk.refuse(
            "foot_width" if height >= eye else "at",
            f"{spec.foot_width:g}" if height >= eye else list(at),
            f"the eye is {2.0 * eye:.1f} mm wide and needs {eye:.1f} mm of the {height:.1f} mm "
            "between bolt and flat",
            "use a wider foot, a bolt further off the flat, or less edge_margin",
        )
    named = spec.at if isinstance(spec.at, str) else "strap bolt"
    return desk.drawn(
        spec,
        outline=eye_with_foot(eye, spec.foot_width / 2.0, height),
        stands=[stand(at, z, up)],
        pins=[Pin(named, frozen(at), frozen(z), frozen([0.0, 0.0]))],
        holes=[Hole(frozen([0.0, 0.0]), spec.hole, spec.hole_use)],
        welded=True,
    )


def _seat(desk: Desk, spec: DropBracket | DroopStrapTab, at: Array) -> tuple[Array, Array, float]:
    """The bolt's direction, the way to the flat, and how far it is there."""
    z, normal = unit(spec.bolt_axis), unit(spec.flat_normal)
    off = abs(90.0 - float(to_deg(angle_between(z, normal))))
    if off > SQUARE_DEG:
        raise desk.refuse(
            "bolt_axis",
            list(spec.bolt_axis),
            f"it runs {off:.2f} deg out of the flat's plane, so the foot would gape",
            "set the bolt along the flat, or correct flat_normal",
        )
    up = unit(-(normal - dot(normal, z) * z))
    height = float(dot(at - np.asarray(spec.flat_point), normal))
    if height <= 0.0:
        raise desk.refuse(
            "flat_normal",
            list(spec.flat_normal),
            f"the bolt lies {-height:.1f} mm behind the flat",
            "turn the normal round, so that it looks toward the bolt",
        )
    return z, up, height
