"""Where one side's points stand at ride height, and what the file places from there.

A `Reference` starts as the file gives it and moves on when a variant re-assembles the corner;
bodies and joint axes that the file places by coordinates are carried along with their part.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from linkview.geometry import Array, apply, frozen, mirrored, mirrored_move, unit
from linkview.model.free_layout import layout_of
from linkview.model.keys import PointOrPosition
from linkview.model.layout import BODY, OTHER_WHEEL_CENTRE, WHEEL_CENTRE, Layout
from linkview.model.parts import Side
from linkview.model.schema import AxleTable
from linkview.units import to_deg, to_rad


@dataclass(frozen=True, eq=False)
class Reference:
    """One side at ride height, rack centred.

    points: name -> (3,) mm, `wheel_centre` among them. spin_axis (3,) unit, to the car's left.
    carried: body name, 'joint POINT' or 'housing POINT' -> (4, 4) move since its coordinates were
    written. A ball stud and its housing were made to be straight at ride height then. loaded_mm: a
    wheel's loaded radius where the file gives none and the wheel was kept from an earlier state.
    """

    points: Mapping[str, Array]
    spin_axis: Array
    carried: Mapping[str, Array] = field(default_factory=dict)
    loaded_mm: float | None = None

    def mirrored(self, layout: Layout) -> Reference:
        """The other side of a symmetric axle; the spin axis still points to the car's left.

        Points that belong to the whole axle stay where they are.
        """
        return Reference(
            {n: p if n in layout.shared else frozen(mirrored(p)) for n, p in self.points.items()},
            frozen(-mirrored(self.spin_axis)),
            {name: mirrored_move(m) for name, m in self.carried.items()},
            self.loaded_mm,
        )


def spin_axis(side: Side, camber_deg: float, toe_in_deg: float) -> Array:
    """The wheel's axis (3,), pointing to the car's left, from what a level and a toe gauge read.

    camber: lean square to the wheel's own heading, + top outboard. toe_in: + front of the wheel
    toward the car.
    """
    steer = -side.outboard * to_rad(toe_in_deg)
    lean = to_rad(camber_deg)
    return frozen(
        [
            -np.sin(steer) * np.cos(lean),
            np.cos(steer) * np.cos(lean),
            -side.outboard * np.sin(lean),
        ]
    )


def wheel_angles_deg(side: Side, axis: Array) -> tuple[float, float]:
    """Camber and toe-in, degrees, of a spin axis: the inverse of `spin_axis`."""
    camber = -side.outboard * np.arcsin(axis[2])
    toe_in = -side.outboard * np.arctan2(-axis[0], axis[1])
    return float(to_deg(camber)), float(to_deg(toe_in))


def given_references(table: AxleTable) -> dict[Side, Reference]:
    """The sides that the file itself gives: one, or both where both were measured."""
    if table.points_left or table.points_right:
        sides = {Side.LEFT: table.points_left, Side.RIGHT: table.points_right}
        wheels = {Side.LEFT: table.wheel_left, Side.RIGHT: table.wheel_right}
    else:
        sides, wheels = {Side(table.side): table.points}, {}
    out = {}
    for side, points in sides.items():
        wheel = wheels.get(side) or table.wheel
        centre = np.asarray(wheel.centre)
        if wheel is table.wheel and side is not Side(table.side):
            centre = mirrored(centre)
        places = {name: frozen(p) for name, p in points.items()}
        places[WHEEL_CENTRE] = frozen(centre)
        if layout_of(table).level:
            places[OTHER_WHEEL_CENTRE] = frozen(mirrored(centre))
        out[side] = Reference(places, spin_axis(side, wheel.camber, wheel.toe_in))
    return out


def housing_of(point: str) -> str:
    """Under which name a ball stud's housing stands in `Reference.carried`."""
    return f"housing {point}"


def rides_on(table: AxleTable, body: str) -> str:
    """The part that carries a body placed by coordinates, or a joint's axis ('joint POINT')."""
    layout = layout_of(table)
    if body.startswith("joint "):
        return layout.owner(body.removeprefix("joint "))
    if body.startswith("hose "):
        return table.hoses[body.removeprefix("hose ")].on
    on = getattr(table.bodies[body], "on", None)
    return on if on is not None else BODY


@dataclass(frozen=True, eq=False)
class Placing:
    """The file's coordinates on one side; `flip` where the file describes the other one."""

    reference: Reference
    flip: bool

    def carried(self, what: str) -> Array:
        """Its move (4, 4) since the coordinates of a body, or of 'joint POINT', were written."""
        return self.reference.carried.get(what, np.eye(4))

    def place(self, body: str, where: PointOrPosition) -> Array:
        """A hard point, or coordinates given for a body, (3,) mm in the car's frame."""
        if isinstance(where, str):
            return self.reference.points[where]
        here = mirrored(where) if self.flip else np.asarray(where, dtype=float)
        return frozen(apply(self.carried(body), here))

    def direction(self, along: tuple[float, float, float]) -> Array:
        """A direction of the file as a unit vector (3,); not carried along."""
        return frozen(unit(mirrored(along) if self.flip else along))
