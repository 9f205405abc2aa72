"""Bodies that follow a length: coil spring, damper, driveshaft with its joints and boots.

In the car's frame at the reference pose, mm. `low` and `top` are the two ends' places, each on the
part that goes along with that end and looks along the line to the other one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from linkview.geometry import (
    Array,
    X,
    Z,
    frozen,
    length,
    mirrored,
    perpendicular,
    turn_between,
    unit,
)
from linkview.model.bodies import Anchor, Profile, Revolved, Share, Tube, Wound
from linkview.model.parts import Side
from linkview.units import to_rad

CHORDS = 24  # to one turn of wire
FOLDS = 7
_AROUND = 12  # corners of the polygon that holds a turn
_LENGTHWISE = 0.87  # of a damper's unit vector: within 30 deg of the car's length
UNSAID = "where its wire begins is assumed; wire_begins in the file states it"
_FLAT_TURNS, _FLAT_RISE = 0.8, 0.035  # a wound spring's end turns lie nearly flat


def coil_spring(
    name: str, ends: tuple[Anchor, Anchor], side: Side, *, outer_mm: float, wire_mm: float,
    turns: float, begins_deg: float | None,
) -> Wound:  # fmt: skip
    """A spring between its seats: outside radius, wire diameter, turns in all (< 0: wound left).

    begins_deg: where the wire's end lies at the lower seat, see `_round_from`; None: it is assumed
    to lie anywhere, and the body says so.

    Place s of the wire goes with the lower seat's part P, and by its share u of the way up as far
    as the upper seat b has gone beyond where P would have carried it: P x + u (Q b - P b). The
    turns keep their radius. The right side's is the mirror of the left's.
    """
    low, top = ends
    coils, wire = abs(turns), wire_mm / 2.0
    turned = np.minimum(np.arange(int(np.ceil(coils * CHORDS)) + 1) / CHORDS, coils)
    share = turned / coils
    flat = min(_FLAT_TURNS / coils, 0.3)
    rise = np.interp(share, [0, flat, 1 - flat, 1], [0, _FLAT_RISE, 1 - _FLAT_RISE, 1])
    grown, inside = _between_chords(outer_mm - wire)
    reach = float(length(np.subtract(top.at, low.at)))
    along = unit(np.subtract(top.at, low.at))

    def shares(angle: Array, radius: float, up: Array) -> tuple[Share, ...]:
        around = _circle(along, side, angle, radius)
        at = low.at + (wire + (reach - 2.0 * wire) * up)[:, None] * along + around
        b = np.broadcast_to(top.at, at.shape)
        return (
            Share(low.part, frozen(at), frozen(np.ones(len(up)))),
            Share(top.part, frozen(b), frozen(up)),
            Share(low.part, frozen(b), frozen(-up)),
        )

    corner, level = _prism()
    begin = 0.0 if begins_deg is None else _round_from(along, side, float(to_rad(begins_deg)))
    line = shares(begin + np.sign(turns) * 2.0 * np.pi * turned, grown, rise)
    hull = shares(corner, grown / np.cos(np.pi / _AROUND), level)
    assumed = UNSAID if begins_deg is None else ""
    return Wound(name, low.part, line, hull, ends, wire, inside, assumed)


def damper(
    name: str, ends: tuple[Anchor, Anchor], *, body_mm: float, long_mm: float, shaft_mm: float
) -> tuple[Tube, Tube]:
    """Body and shaft: radii, and how long the body is. The shaft is as long as shows."""
    low, top = ends
    mouth = frozen(low.at + long_mm * unit(np.subtract(top.at, low.at)))
    body = Tube(name, low.part, (low, Anchor(low.part, mouth)), body_mm)
    shaft = Tube(f"{name}_shaft", top.part, (Anchor(low.part, mouth), top), shaft_mm)
    return body, shaft


@dataclass(frozen=True, eq=False)
class ShaftJoint:
    """One joint's housing and boot. at: its centre, on the part that carries the housing; axis (3,)
    unit along the housing, toward the shaft. boot_mm: from the centre to the boot's small end along
    the shaft, None without a boot.
    """

    name: str
    at: Anchor
    axis: Array
    radius_mm: float
    half_length_mm: float
    boot_mm: float | None


def driveshaft(
    name: str, part: str, joints: tuple[ShaftJoint, ShaftJoint], side: Side, radius_mm: float
) -> tuple[Tube | Revolved | Wound, ...]:
    """The bar, both housings and the boots. The shaft is fixed in the outer joint and slides in
    the inner one; `part` stands at the inner joint's centre and looks at the outer one's.
    """
    inner, outer = joints
    out: list[Tube | Revolved | Wound] = [Tube(name, part, (inner.at, outer.at), radius_mm)]
    for joint, sense in ((inner, 1.0), (outer, -1.0)):
        half, r = joint.half_length_mm, joint.radius_mm
        profile = Profile(frozen([[-half, 0.0], [half, 0.0], [half, r], [-half, r]]))
        place = np.asarray(joint.at.at)
        out.append(
            Revolved(f"{name}_{joint.name}_joint", joint.at.part, place, joint.axis, (profile,))
        )
        if joint.boot_mm is not None:
            way = sense * unit(np.subtract(outer.at.at, inner.at.at))
            out.append(
                _boot(f"{name}_{joint.name}_boot", part, joint, outer.at, way, side, radius_mm)
            )
    return tuple(out)


def _boot(
    name: str, part: str, joint: ShaftJoint, fixed: Anchor, way: Array, side: Side, bar_mm: float
) -> Wound:
    """Folds from the housing's edge to the shaft, as one wire whose turns lie against each other.

    A turn's place is shared, by how far along it is, between the housing's edge and the clamp on
    the shaft: the place where `part` has it, and how far `fixed` has gone beyond that (the plunge).
    way (3,): unit along the shaft, out of the housing.
    """
    assert joint.boot_mm is not None
    mouth = joint.at.at + joint.half_length_mm * joint.axis
    clamp = joint.at.at + joint.boot_mm * way
    wire = 0.6 * float(length(clamp - mouth)) / FOLDS
    wide, grown = joint.radius_mm - wire, _between_chords(1.0)[0]
    narrow = bar_mm + wire
    bend = turn_between(joint.axis, way)

    def shares(angle: Array, scale: float, share: Array) -> tuple[Share, ...]:
        around = scale * _circle(joint.axis, side, angle, 1.0)
        edge, ring = mouth + wide * around, clamp + narrow * around @ bend.T
        b = np.broadcast_to(fixed.at, ring.shape)
        return (
            Share(joint.at.part, frozen(edge), frozen(1.0 - share)),
            Share(part, frozen(ring), frozen(share)),
            Share(fixed.part, frozen(b), frozen(share)),
            Share(part, frozen(b), frozen(-share)),
        )

    turns = np.arange(FOLDS * CHORDS + 1) / CHORDS
    corner, level = _prism()
    line = shares(2.0 * np.pi * turns, grown, turns / FOLDS)
    hull = shares(corner, grown / np.cos(np.pi / _AROUND), level)
    ends = Anchor(joint.at.part, frozen(mouth)), Anchor(part, frozen(clamp))
    return Wound(name, joint.at.part, line, hull, ends, wire, _between_chords(wide)[1])


def _between_chords(radius_mm: float) -> tuple[float, float]:
    """The radius of a polygon's corners that leaves a circle as far out as in, and how far."""
    corner = 2.0 * radius_mm / (1.0 + np.cos(np.pi / CHORDS))
    return float(corner), float(corner - radius_mm)


def _circle(axis: Array, side: Side, angle: Array, radius_mm: float) -> Array:
    """Places (k, 3) round an axis, from its centre; mirrored on the right side."""
    left = axis if side is Side.LEFT else mirrored(axis)
    first = perpendicular(left)
    turn = np.cos(angle)[:, None] * first + np.sin(angle)[:, None] * np.cross(left, first)
    return radius_mm * (turn if side is Side.LEFT else mirrored(turn))


def _round_from(axis: Array, side: Side, angle_rad: float) -> float:
    """The angle of `_circle` at which an angle round a damper lies: 0 ahead, 90 deg outboard.

    Ahead is square to the damper; one that lies nearly lengthwise has 0 above it. 90 deg is the
    side that is further outboard, or, of one that lies crosswise, above.
    """
    left = axis if side is Side.LEFT else mirrored(axis)
    zero = Z if abs(left[0]) > _LENGTHWISE else X
    zero = unit(zero - (zero @ left) * left)
    across = np.cross(left, zero)
    rising = across[1] if abs(across[1]) > abs(across[2]) else across[2]
    first = perpendicular(left)
    from_ = np.arctan2(np.cross(left, first) @ zero, first @ zero)
    return float(from_ + np.sign(rising) * angle_rad)


def _prism() -> tuple[Array, Array]:
    """Angles and shares (2 _AROUND,) of the corners at both ends."""
    corner = 2.0 * np.pi * np.arange(_AROUND) / _AROUND
    return np.tile(corner, 2), np.repeat([0.0, 1.0], _AROUND)
