"""Plates that are bolted on: steering arm, caliper adapter, wheel spacer."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from linkview.geometry import Array, apply, apply_direction, dot, frozen, length, unit
from linkview.model.layouts import KNUCKLE, WHEEL
from linkview.model.platebase import CutPlate
from linkview.model.platekinds import CaliperAdapter, SteeringArm, WheelSpacer
from linkview.plates.desk import Desk, in_plate, stand
from linkview.plates.outline import Contour, circle, hull
from linkview.plates.plate import Hole, Pin, Plate
from linkview.units import to_rad

ON_FACE_MM = 0.5  # what a machined face and a tape leave between bolts said to lie on one plane
AS_WRITTEN = (
    "its bolts stand where the file writes them: where a knuckle is made new, write them anew"
)


def steering_arm(desk: Desk, spec: CutPlate) -> Plate:
    """The arm: origin at the bolts' middle, mid-thickness; y toward the tie rod's ball."""
    assert isinstance(spec, SteeringArm)
    z = unit(apply_direction(desk.carried, spec.face_normal))
    bolts = apply(desk.carried, spec.bolts)
    middle = _on_one_face(desk, "bolts", bolts, z)
    joint = desk.point("joint", spec.joint)
    high = float(dot(joint - middle, z))
    if abs(high - spec.ball_height) > ON_FACE_MM:
        raise desk.refuse(
            "joint",
            repr(spec.joint),
            f"its centre stands {high:.1f} mm over the face, not ball_height = "
            f"{spec.ball_height:g}: too far off the plate's plane",
            f"correct ball_height, the bolts or the point; {high:.1f} would fit",
        )
    y = desk.square_to("joint", joint - middle - high * z, z)
    placement = stand(middle + spec.thickness / 2.0 * z, z, y)
    bolt_holes = _holes(placement, bolts, spec.bolt_hole, "bolt to the knuckle")
    spot = frozen(in_plate(placement, joint)[:2])
    holes = [Hole(spot, spec.hole, spec.hole_use), *bolt_holes]
    return desk.drawn(
        spec,
        outline=_band(holes, spec.edge_margin),
        stands=[placement],
        pins=[Pin(spec.joint, frozen(joint), frozen(z), spot)],
        holes=holes,
        part=KNUCKLE,
        notes=(AS_WRITTEN, "a steering part: its failure loses the steering; have it reviewed"),
    )


def ball_height_mm(desk: Desk, spec: SteeringArm) -> float:
    """How high the ball's centre truly stands over the arm's face, whatever the file says."""
    z = unit(apply_direction(desk.carried, spec.face_normal))
    middle = _on_one_face(desk, "bolts", apply(desk.carried, spec.bolts), z)
    return float(dot(desk.point("joint", spec.joint) - middle, z))


def caliper_adapter(desk: Desk, spec: CutPlate) -> Plate:
    """The adapter: origin at the knuckle bolts' middle, y toward the caliper's bolts."""
    assert isinstance(spec, CaliperAdapter)
    z = unit(apply_direction(desk.carried, spec.face_normal))
    lugs = apply(desk.carried, spec.knuckle_bolts)
    others = apply(desk.carried, spec.caliper_bolts)
    middle = _on_one_face(desk, "knuckle_bolts", lugs, z)
    other = _on_one_face(desk, "caliper_bolts", others, z)
    apart = float(dot(other - middle, z))
    if abs(apart) > ON_FACE_MM:
        raise desk.refuse(
            "caliper_bolts",
            [list(p) for p in spec.caliper_bolts],
            f"they lie {apart:+.1f} mm off the knuckle bolts' plane",
            "write both on the adapter's face toward the knuckle",
        )
    way = other - middle
    along = way if length(way - dot(way, z) * z) > 1.0 else lugs[1] - lugs[0]
    placement = stand(
        middle + spec.thickness / 2.0 * z, z, desk.square_to("caliper_bolts", along, z)
    )
    holes = _holes(placement, lugs, spec.knuckle_hole, "bolt to the knuckle")
    holes += _holes(placement, others, spec.caliper_hole, spec.caliper_use)
    places = (*lugs, *others)
    pins = [
        Pin(f"{hole.use} {i}", frozen(place), frozen(z), hole.centre)
        for i, (hole, place) in enumerate(zip(holes, places, strict=True), start=1)
    ]
    return desk.drawn(
        spec,
        outline=_band(holes, spec.edge_margin),
        stands=[placement],
        pins=pins,
        holes=holes,
        part=KNUCKLE,
        notes=(AS_WRITTEN,),
    )


def wheel_spacer(desk: Desk, spec: CutPlate) -> Plate:
    """The ring between hub and rim: origin on the spin axis, z outboard, y up."""
    assert isinstance(spec, WheelSpacer)
    out = desk.spin_axis
    centre = desk.point("wheel_centre", "wheel_centre")
    middle = centre + (desk.rim_offset_mm - spec.thickness / 2.0) * out
    up = desk.square_to("wheel_centre", [0.0, 0.0, 1.0], out)
    zero = Hole(frozen([0.0, 0.0]), spec.bore, "centre bore", bolted=False)
    rings = (
        (spec.hub_count, spec.hub_circle, spec.hub_hole, "hub bolt", 0.0),
        (spec.wheel_count, spec.wheel_circle, spec.wheel_hole, "wheel stud", spec.turn),
    )
    holes = [zero]
    for count, across, wide, use, turn in rings:
        angles = to_rad(90.0 + turn + 360.0 / count * np.arange(count))
        spots = across / 2.0 * np.column_stack([np.cos(angles), np.sin(angles)])
        holes += [Hole(frozen(spot), wide, use) for spot in spots]
    return desk.drawn(
        spec,
        outline=circle([0.0, 0.0], spec.outside / 2.0),
        stands=[stand(middle, out, up)],
        pins=[Pin("wheel_centre", frozen(centre), frozen(out), frozen([0.0, 0.0]))],
        holes=holes,
        part=WHEEL,
        notes=(
            f"takes {spec.thickness:g} mm: set spacer under the rim so that track and gaps follow",
            "check thread engagement, stud length and centring; turn or mill the faces parallel",
        ),
    )


def _on_one_face(desk: Desk, key: str, spots: Array, z: Array) -> Array:
    """The middle (3,) of places that all lie on one plane square to z."""
    middle = spots.mean(axis=0)
    off = dot(spots - middle, z)
    worst = int(np.argmax(np.abs(off)))
    if abs(off[worst]) > ON_FACE_MM:
        raise desk.refuse(
            key,
            spots[worst].round(2).tolist(),
            f"it lies {abs(off[worst]):.2f} mm off the plane of the others, more than {ON_FACE_MM}",
            "correct the places or face_normal",
        )
    return np.asarray(middle)


def _holes(placement: Array, places: Array, wide: float, use: str) -> list[Hole]:
    return [Hole(frozen(in_plate(placement, place)[:2]), wide, use) for place in places]


def _band(holes: Sequence[Hole], margin: float) -> Contour:
    return hull([h.centre for h in holes], [h.diameter_mm / 2.0 + margin for h in holes])
