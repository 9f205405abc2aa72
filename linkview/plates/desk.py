"""What every drawing function works from: the left side's hard points, and how to refuse."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from linkview.errors import PlateRefused, near_miss
from linkview.geometry import Array, frozen
from linkview.model.layouts import Layout
from linkview.plates.plate import CrossMark

_CROSS_ARM_MM = 3.0


@dataclass(frozen=True, eq=False)
class Desk:
    """The plate's name, the corner's layout and its hard points, as on the left side."""

    name: str
    layout: Layout
    points: Mapping[str, Array]

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


def centre_cross(x: float, y: float, wide_mm: float, margin_mm: float) -> CrossMark:
    """A cross whose arms end on the metal beside a hole, so that its middle can be found again."""
    return CrossMark(frozen([x, y]), wide_mm + 2.0 * min(_CROSS_ARM_MM, margin_mm / 2.0))
