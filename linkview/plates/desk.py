"""What every drawing function works from: the left side's hard points, and how to refuse."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from linkview.errors import PlateRefused, near_miss
from linkview.geometry import Array, apply, dot, frozen, inverse, length, rigid, unit
from linkview.model.layouts import BODY, Layout
from linkview.model.platebase import CutPlate
from linkview.plates.outline import Contour
from linkview.plates.plate import CrossMark, CurvedSlot, Hole, Load, Opening, Pin, Plate, Slot

_CROSS_ARM_MM = 3.0
SQUARE_DEG = 0.5  # over a 60 mm foot the gap under the weld stays within 0.5 mm


@dataclass(frozen=True, eq=False)
class Desk:
    """The plate's name, the corner's layout and its hard points, as on the left side.

    spin_axis (3,) unit, outboard; rim_offset_mm: ET, mounting face outboard of the wheel centre.
    carried (4, 4): how the knuckle has moved since the plate's own coordinates were written.
    """

    name: str
    layout: Layout
    points: Mapping[str, Array]
    spin_axis: Array
    rim_offset_mm: float
    carried: Array

    def refuse(self, key: str, value: object, what: str, fix: str) -> PlateRefused:
        """The error to raise: it names the plate, the key, its value and the fix."""
        return PlateRefused(f"plates.{self.name}: {key} = {value}: {what}; {fix}")

    def body_point(self, key: str, name: str) -> Array:
        """A hard point that the car's body carries."""
        point = self.point(key, name)
        if name not in self.layout.fixed:
            raise self.refuse(
                key,
                repr(name),
                "this hard point moves, the plate is fixed to the body",
                f"name one of {', '.join(n for n in self.layout.fixed if n in self.points)}",
            )
        return point

    def point(self, key: str, name: str) -> Array:
        """Any hard point."""
        if name not in self.points:
            raise self.refuse(key, repr(name), "no such hard point", near_miss(name, self.points))
        return self.points[name]

    def place(self, key: str, told: str | Sequence[float]) -> Array:
        """A hard point by name, or a place as written, (3,) mm."""
        return self.point(key, told) if isinstance(told, str) else frozen(told)

    def square_to(self, key: str, told: ArrayLike, normal: Array) -> Array:
        """A direction (3,) unit laid into the plane square to `normal`."""
        laid = np.asarray(told, dtype=float) - dot(told, normal) * normal
        if length(laid) < 0.5 * length(told):
            raise self.refuse(
                key,
                np.asarray(told).tolist(),
                "it runs more than 60 deg out of the plate's plane",
                "give a direction that lies in the plate, or nearly so",
            )
        return unit(laid)

    def drawn(
        self,
        spec: CutPlate,
        *,
        outline: Contour,
        stands: Sequence[Array],
        pins: Sequence[Pin],
        holes: Sequence[Hole] = (),
        slots: Sequence[Slot | CurvedSlot | Opening] = (),
        part: str = BODY,
        notes: Sequence[str] = (),
        welded: bool = False,
        name: str = "",
        quantity_times: int = 1,
    ) -> Plate:
        """The plate with what every kind takes from its description; crosses at its holes."""
        return Plate(
            name=name or self.name,
            kind=getattr(spec, "kind", ""),
            outline=outline,
            holes=tuple(holes),
            slots=tuple(slots),
            texts=(),
            crosses=tuple(
                centre_cross(hole.centre[0], hole.centre[1], hole.diameter_mm, spec.edge_margin)
                for hole in holes
            ),
            thickness_mm=spec.thickness,
            material=spec.material,
            quantity=spec.quantity * quantity_times,
            mirrored=spec.mirrored * quantity_times,
            placement=stands[0],
            also_at=tuple(stands[1:]),
            part=part,
            pins=tuple(pins),
            notes=tuple(notes),
            welded=welded,
            revision=spec.revision,
            load=load_on(spec, stands, holes),
            place_from=self.datums(spec),
        )

    def datums(self, spec: CutPlate) -> dict[str, Array]:
        """The three places to tape from that the description names, by what to call them."""
        return {
            p if isinstance(p, str) else "[{:g}, {:g}, {:g}]".format(*p): self.place(
                "place_from", p
            )
            for p in spec.place_from
        }


def load_on(spec: CutPlate, stands: Sequence[Array], holes: Sequence[Hole]) -> Load | None:
    """The description's force, turned into the plate and shared between equal plates."""
    if spec.load is None or not holes:
        return None
    force = stands[0][:3, :3].T @ np.asarray(spec.load.force, dtype=float)
    return Load(
        along_n=frozen(force[:2]),
        out_of_plane_n=float(force[2]),
        shared_by=len(stands),
        bolt_mm=spec.load.bolt_diameter,
        bolt_grade=spec.load.bolt_grade,
        weld_throat_mm=spec.load.weld_throat,
        weld_length_mm=spec.load.weld_length,
    )


def stand(origin: Array, normal: Array, upward: Array) -> Array:
    """The placement (4, 4) with its origin, its normal and its y given; both unit and square."""
    return frozen(rigid(np.column_stack([np.cross(upward, normal), upward, normal]), origin))


def in_plate(placement: Array, place: Array) -> Array:
    """A place in the car seen from the plate: x, y in it, z over its mid-plane, (3,) mm."""
    return apply(inverse(placement), place)


def centre_cross(x: float, y: float, wide_mm: float, margin_mm: float) -> CrossMark:
    """A cross whose arms end on the metal beside a hole, so that its middle can be found again."""
    return CrossMark(frozen([x, y]), wide_mm + 2.0 * min(_CROSS_ARM_MM, margin_mm / 2.0))
