"""The plates of a hard-point file, `[axle.front.plates.NAME]`: what the builder writes.

Lengths are mm and angles degrees; directions and tube ends are three numbers in the car's frame
(x forward, y left, z up), of the left side: the right side's plate is the mirror. A plate names
hard points instead of repeating their coordinates, so that moving a point redraws the plate.
`plates/brackets.py` draws each kind. To add a kind: a model here, its name in `PlateSpec`, and a
drawing function in the table there.
"""

from __future__ import annotations

import math
from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from linkview.model.hardware import ROD_ENDS
from linkview.model.platebase import (
    CutPlate,
    Direction,
    NotNegative,
    Number,
    Place,
    Positive,
)
from linkview.model.platekinds import (
    CaliperAdapter,
    DroopStrapTab,
    DropBracket,
    Gusset,
    SteeringArm,
    TopMountSlider,
    WheelSpacer,
)
from linkview.model.platelist import FreePlate

__all__ = ["CutPlate", "PlateSpec", "TopMountBase", "WeldOnEar"]


class WeldOnEar(CutPlate):
    """A flat ear with one pivot hole at a hard point, notched to sit on a round tube.

    It stands square to the bolt; its foot looks at the tube and takes the tube in a round notch.

            ____        ____     foot: `foot_width` over both horns, the horns reaching
           |    \\__tube_/    |   `foot_past` beyond the bottom of the notch
            \\               /
             \\    (hole)   /     eye: hole / 2 + edge_margin
              \\___________/
    """

    kind: Literal["weld_on_ear"]
    joint: str = Field(description="hard point on the bolt's axis")
    bolt_axis: Direction = Field(description="direction of the pivot bolt")
    offsets: tuple[Number, ...] = Field(
        default=(0.0,),
        min_length=1,
        description="where ears stand along the bolt, mm from the joint to each ear's mid-plane, "
        "+ along bolt_axis; a pair either side of a rod end is [13.5, -13.5]",
    )
    hole: Positive = Field(description="pivot hole diameter as drawn, mm")
    hole_use: str = Field(default="pivot bolt", description="what the hole is for, e.g. 'M14 bolt'")
    ball_width: Positive | None = Field(
        default=None, description="instead of offsets, for a pair: width of the rod end's ball, mm"
    )
    rod_end: Literal[10, 12, 14, 16, 20] | None = Field(
        default=None, description="instead of ball_width: bore of a series K rod end, mm"
    )
    spacer: NotNegative = Field(
        default=0.0, description="with ball_width or rod_end: spacer each side, mm"
    )
    socket: NotNegative = Field(
        default=0.0, description="outside of the socket or nut that has to turn on the bolt, mm"
    )
    weld_leg: NotNegative = Field(default=0.0, description="leg of the fillet weld at the foot, mm")
    tube_shape: Literal["round", "square"] = Field(default="round", description="of the tube")
    tube_face: Direction | None = Field(
        default=None, description="square tube: the way the face under the ear looks"
    )
    tube_diameter: Positive = Field(description="outside diameter, or width over flats, mm")
    tube_from: Place = Field(description="one end of the tube's centre line, mm")
    tube_to: Place = Field(description="the other end of the tube's centre line, mm")
    foot_width: Positive = Field(description="width over the two horns, mm")
    foot_past: Positive = Field(
        description="how far the horns reach past the bottom of the notch, mm; "
        "at most half the tube's diameter"
    )

    @model_validator(mode="after")
    def _pair_is_told_once(self) -> Self:
        told = [self.ball_width is not None, self.rod_end is not None, self.offsets != (0.0,)]
        if sum(told) > 1:
            raise ValueError(
                "offsets, ball_width and rod_end all say where the pair stands; keep one of them"
            )
        if self.spacer and not (told[0] or told[1]):
            raise ValueError("spacer counts only with ball_width or rod_end; give one of them too")
        if (self.tube_shape == "square") != (self.tube_face is not None):
            raise ValueError("tube_face goes with tube_shape = 'square', and is needed there")
        return self

    @property
    def stands_at(self) -> tuple[float, ...]:
        """Mid-planes along the bolt, mm: as given, or either side of ball and spacers."""
        ball = ROD_ENDS[self.rod_end].ball_width_mm if self.rod_end else self.ball_width
        if ball is None:
            return self.offsets
        half = ball / 2.0 + self.spacer + self.thickness / 2.0
        return half, -half

    @model_validator(mode="after")
    def _tube_is_a_line(self) -> Self:
        if math.dist(self.tube_from, self.tube_to) < 1e-6:
            raise ValueError("tube_from and tube_to are the same place; give the tube's two ends")
        if self.foot_past > self.tube_diameter / 2.0:
            raise ValueError(
                f"foot_past = {self.foot_past:g} is more than half of tube_diameter = "
                f"{self.tube_diameter:g}: the horns would close round the tube; "
                f"use {self.tube_diameter / 2.0:g} or less"
            )
        return self


class TopMountBase(CutPlate):
    """A plate square to the strut through the top mount, with room to slide the bearing.

    Three stud holes hold it to the body; the bearing's carrier is bolted through four slots and
    slides along them, the bearing in a long centre opening. Directions in the plate: x is square
    to the slots, y along them, seen from the end of the strut that `top` names.
    """

    kind: Literal["top_mount_base"]
    top: str = Field(description="hard point of the top mount; the plate's plane runs through it")
    lower: str = Field(description="another hard point on the strut's axis, below")
    opening: Positive = Field(description="width of the centre opening, mm; the bearing's bore")
    slot_width: Positive = Field(description="width of the four slots, mm")
    slot_each_way: Positive = Field(description="adjustment to either side of the middle, mm")
    slot_direction: Direction = Field(
        default=(0.0, 1.0, 0.0), description="direction of adjustment, laid into the plate's plane"
    )
    slots_across: Positive = Field(description="between slot middles, square to the slots, mm")
    slots_along: Positive = Field(description="between slot middles, along the slots, mm")
    stud_circle: Positive = Field(description="diameter of the circle of the three studs, mm")
    stud_hole: Positive = Field(description="stud hole diameter, mm")
    stud_use: str = Field(default="stud to the body", description="what the stud holes are for")
    first_stud_angle: Number = Field(
        default=0.0, ge=-360.0, le=360.0, description="of the first stud from x towards y, degrees"
    )
    stud_centre: Place | None = Field(
        default=None,
        description="middle of the stud circle, mm in the car, where the body keeps its studs "
        "though the top mount moves; left out: the top mount itself",
    )


PlateSpec = Annotated[
    WeldOnEar
    | TopMountBase
    | TopMountSlider
    | DropBracket
    | Gusset
    | SteeringArm
    | CaliperAdapter
    | WheelSpacer
    | DroopStrapTab
    | FreePlate,
    Field(discriminator="kind"),
]
