"""The free plate: a plate that lists its own features, in its own x and y.

`origin` is a hard point or place, `normal` the plate's z, `x_direction` its x. Angles run
counter-clockwise from x, seen with the normal pointing at you.
"""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from linkview.model.platebase import (
    Count,
    CutPlate,
    Direction,
    NotNegative,
    Number,
    Place,
    PlateTable,
    Point2,
    Positive,
)

Angle = Annotated[Number, Field(ge=-720.0, le=720.0)]


class CornerTable(PlateTable):
    """One corner of the outline, in counter-clockwise order."""

    at: Point2
    fillet: NotNegative = Field(default=0.0, description="radius, mm")
    dog_bone: NotNegative = Field(default=0.0, description="relief radius in an inner corner, mm")


class TabTable(PlateTable):
    """A tab on, or a notch in, the straight edge that begins at a corner."""

    edge: Annotated[Count, Field(ge=0)] = Field(description="number of its first corner, from 0")
    middle: Positive = Field(description="from that corner, mm")
    width: Positive
    depth: Number = Field(description="+ a tab outward, - a notch, mm")


class NotchTable(PlateTable):
    """A round tube's seat in the straight edge that begins at a corner."""

    edge: Annotated[Count, Field(ge=0)] = Field(description="number of its first corner, from 0")
    middle: Positive = Field(description="from that corner, mm")
    tube_diameter: Positive
    depth: Positive


class HoleTable(PlateTable):
    """A round hole, at a place of the plate or where a hard point meets it."""

    at: Point2 | None = Field(default=None, description="x, y in the plate, mm")
    joint: str | None = Field(default=None, description="instead: hard point on its axis")
    diameter: Positive
    use: str = Field(default="bolt")
    off_plane: Number = Field(
        default=0.0, ge=-500.0, le=500.0, description="how far the joint may stand over the plate"
    )
    bolt_axis: Direction | None = Field(
        default=None, description="of the joint's bolt; the hole has to stand square to it"
    )

    @model_validator(mode="after")
    def _one_place(self) -> Self:
        if (self.at is None) == (self.joint is None):
            raise ValueError("a hole has either `at` or `joint`")
        if self.bolt_axis is not None and self.joint is None:
            raise ValueError("a bolt_axis belongs to a hole with a `joint`")
        return self


class SlotTable(PlateTable):
    """A straight slot."""

    start: Point2 = Field(alias="from")
    end: Point2 = Field(alias="to")
    width: Positive
    use: str = Field(default="slot")
    bolted: bool = Field(default=False, description="a bolt in it carries load")
    adjusts: str | None = Field(default=None, description="hard point that moves along it")


class CurvedSlotTable(PlateTable):
    """A slot along an arc, counter-clockwise."""

    centre: Point2
    radius: Positive
    from_angle: Angle
    to_angle: Angle
    width: Positive
    use: str = Field(default="curved slot")
    bolted: bool = Field(default=False, description="a bolt in it carries load")


class TabSlotTable(PlateTable):
    """A slot that takes another plate's tab."""

    at: Point2
    angle: Angle = Field(default=0.0, description="of its length from x")
    length: Positive
    width: Positive
    relief: NotNegative = Field(default=1.0, description="dog-bone radius, mm")
    use: str = Field(default="tab slot")


class BendTable(PlateTable):
    """A bend line in the flat blank. The leg nearest x = y = 0 stands in the plate's plane."""

    start: Point2 = Field(alias="from")
    end: Point2 = Field(alias="to")
    angle: Annotated[Number, Field(ge=-180.0, le=180.0)] = Field(
        description="turned out of flat, + toward the good face"
    )
    radius: Positive = Field(description="inside, mm")
    k_factor: Annotated[Number, Field(ge=0.0, le=0.5)] = Field(
        description="neutral line's depth over the thickness, from a test bend"
    )


class FreePlate(CutPlate):
    """Corners or a tangent hull round its holes (edge_margin round each), and what is cut in it."""

    kind: Literal["free"]
    origin: str | Place = Field(description="hard point or place of the plate's x = y = 0")
    normal: Direction = Field(description="the plate's z")
    x_direction: Direction = Field(description="the plate's x, laid into its plane")
    part: str = Field(default="body", description="the part that carries it")
    welded: bool = Field(default=False, description="placed by measure: gets a placing sheet")
    corners: tuple[CornerTable, ...] = Field(default=(), description="left out: hull of the holes")
    tabs: tuple[TabTable, ...] = ()
    tube_notches: tuple[NotchTable, ...] = ()
    holes: tuple[HoleTable, ...] = Field(default=(), max_length=2000)
    slots: tuple[SlotTable, ...] = Field(default=(), max_length=2000)
    curved_slots: tuple[CurvedSlotTable, ...] = ()
    tab_slots: tuple[TabSlotTable, ...] = ()
    bends: tuple[BendTable, ...] = Field(default=(), max_length=24)

    @model_validator(mode="after")
    def _outline_told(self) -> Self:
        if not self.corners and len(self.holes) + 2 * len(self.slots) < 2:
            raise ValueError("a hull needs two holes or a slot at least; add them, or give corners")
        if 0 < len(self.corners) < 3:
            raise ValueError(f"{len(self.corners)} corners enclose nothing; give three or more")
        both = [i for i, c in enumerate(self.corners) if c.fillet and c.dog_bone]
        if both:
            raise ValueError(f"corner {both[0]} has a fillet and a dog_bone; keep one")
        if (self.tabs or self.tube_notches) and not self.corners:
            raise ValueError("tabs and notches sit on straight edges: give corners")
        return self
