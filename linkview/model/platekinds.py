"""Plate kinds beside the weld-on ear and the top-mount base: what the builder writes for each."""

from __future__ import annotations

import math
from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from linkview.model.platebase import (
    Count,
    CutPlate,
    Direction,
    NotNegative,
    Number,
    Place,
    Positive,
)

Angle = Annotated[Number, Field(ge=-360.0, le=360.0)]
PlaceOrPoint = str | Place


class TopMountSlider(CutPlate):
    """The bearing's carrier that slides on the top-mount base: a bore and four bolt holes.

    Give the same top, lower, slot_direction, slots_across and slots_along as the base has.
    """

    kind: Literal["top_mount_slider"]
    top: str = Field(description="hard point of the top mount, on the bore's axis")
    lower: str = Field(description="another hard point on the strut's axis, below")
    bore: Positive = Field(description="seat of the bearing, mm")
    bolt_hole: Positive = Field(description="hole diameter for the bolts through the slots, mm")
    slots_across: Positive = Field(description="between bolts, square to the slots, mm")
    slots_along: Positive = Field(description="between bolts, along the slots, mm")
    slot_direction: Direction = Field(default=(0.0, 1.0, 0.0), description="as the base has it")
    above: Number = Field(
        default=0.0, ge=-200.0, le=200.0, description="mid-plane over `top`, along the strut, mm"
    )


class DropBracket(CutPlate):
    """Two sides hang from a bridge on a flat and carry a bolt; tabs fix the sides in the bridge.

    Counts: `quantity` brackets make twice as many sides and as many bridges.
    """

    kind: Literal["drop_bracket"]
    joint: str = Field(description="hard point on the bolt's axis, on the body")
    bolt_axis: Direction = Field(description="direction of the bolt, along the flat")
    hole: Positive = Field(description="hole diameter as drawn, mm")
    hole_use: str = Field(default="pivot bolt", description="what the hole is for")
    inner_gap: Positive = Field(description="between the sides: ball width and spacers, mm")
    flat_point: Place = Field(description="any place on the flat it is welded to, mm")
    flat_normal: Direction = Field(description="the way the flat looks, toward the joint")
    foot_width: Positive = Field(description="width of a side at the bridge, mm")
    bridge_margin: Positive = Field(description="bridge beyond the sides, all round, mm")
    tab_width: Positive = Field(description="each of a side's two tabs, mm")
    tab_play: NotNegative = Field(default=0.2, description="slot over tab, each way, mm")
    relief: NotNegative = Field(default=1.0, description="dog-bone radius in the slots, mm")


class Gusset(CutPlate):
    """Fills the corner between a round tube and a flat, square to the tube; may hold a joint.

    Its foot runs along the flat, an arc of it on the tube, the rest is a free edge.
    """

    kind: Literal["gusset"]
    tube_diameter: Positive = Field(description="outside diameter, mm")
    tube_from: Place = Field(description="one end of the tube's centre line, mm")
    tube_to: Place = Field(description="the other end, mm")
    stand_at: PlaceOrPoint = Field(description="hard point or place whose plane it stands in")
    flat_point: Place = Field(description="any place on the flat, mm")
    flat_normal: Direction = Field(description="the way the flat looks, toward the tube")
    toward: Direction = Field(description="the side of the tube on which it stands")
    leg: Positive = Field(description="from below the tube's centre along the flat, mm")
    end_height: Positive = Field(description="height of its far end, mm")
    tube_angle: Annotated[Number, Field(gt=-80.0, le=90.0)] = Field(
        description="how far up the tube it reaches: 0 level with the centre, 90 its top"
    )
    snip: Positive = Field(description="corner left open under the tube, for the weld, mm")
    fillet: NotNegative = Field(default=0.0, description="radius at the far top corner, mm")
    joint: str | None = Field(default=None, description="hard point held by a hole in it")
    hole: Positive | None = Field(default=None, description="diameter of that hole, mm")
    hole_use: str = Field(default="pick-up bolt", description="what the hole is for")

    @model_validator(mode="after")
    def _hole_with_joint(self) -> Self:
        if (self.joint is None) != (self.hole is None):
            raise ValueError("joint and hole go together: give both or neither")
        return self


class SteeringArm(CutPlate):
    """A plate bolted to a machined face of the knuckle, with the tie rod's hole at its end."""

    kind: Literal["steering_arm"]
    joint: str = Field(description="hard point of the tie rod's ball, on the knuckle")
    hole: Positive = Field(description="hole for the ball's bolt, mm")
    hole_use: str = Field(default="tie rod bolt", description="what the hole is for")
    face_normal: Direction = Field(description="the way the knuckle's face looks; the bolt's axis")
    bolts: tuple[Place, ...] = Field(min_length=2, max_length=12, description="on the face, mm")
    bolt_hole: Positive = Field(description="hole diameter for them, mm")
    ball_height: Number = Field(
        ge=-200.0, le=200.0, description="ball centre over the face, along face_normal, mm"
    )


class CaliperAdapter(CutPlate):
    """Bolts to the knuckle's caliper lugs and carries another caliper's lugs."""

    kind: Literal["caliper_adapter"]
    face_normal: Direction = Field(description="the way the lugs' face looks; the bolts' axis")
    knuckle_bolts: tuple[Place, ...] = Field(min_length=2, max_length=6, description="on it, mm")
    knuckle_hole: Positive = Field(description="diameter, mm")
    caliper_bolts: tuple[Place, ...] = Field(min_length=2, max_length=6, description="mm")
    caliper_hole: Positive = Field(description="diameter, mm; the tapping size where tapped")
    caliper_use: str = Field(default="caliper bolt", description="what those holes are for")


class WheelSpacer(CutPlate):
    """A ring on the hub with two bolt circles; its thickness is the rim's spacer."""

    kind: Literal["wheel_spacer"]
    outside: Positive = Field(description="outside diameter, mm")
    bore: Positive = Field(description="centre bore, mm")
    hub_count: Annotated[Count, Field(ge=3, le=8)] = Field(description="bolts of the hub")
    hub_circle: Positive = Field(description="their circle's diameter, mm")
    hub_hole: Positive = Field(description="their hole diameter, mm")
    wheel_count: Annotated[Count, Field(ge=3, le=8)] = Field(description="studs of the wheel")
    wheel_circle: Positive = Field(description="their circle's diameter, mm")
    wheel_hole: Positive = Field(description="their hole diameter, mm")
    turn: Angle = Field(default=36.0, description="first stud from the first bolt, degrees")


class DroopStrapTab(CutPlate):
    """A tab on a flat for one end of a droop strap."""

    kind: Literal["droop_strap_tab"]
    at: PlaceOrPoint = Field(description="middle of the strap's bolt: hard point or place, mm")
    bolt_axis: Direction = Field(description="direction of that bolt, along the flat")
    hole: Positive = Field(description="hole diameter, mm")
    hole_use: str = Field(default="strap bolt", description="what the hole is for")
    flat_point: Place = Field(description="any place on the flat it is welded to, mm")
    flat_normal: Direction = Field(description="the way the flat looks, toward the strap's bolt")
    foot_width: Positive = Field(description="width at the flat, mm")

    @model_validator(mode="after")
    def _numbers(self) -> Self:
        if isinstance(self.at, tuple) and not all(math.isfinite(v) for v in self.at):
            raise ValueError("a place is three numbers")
        return self
