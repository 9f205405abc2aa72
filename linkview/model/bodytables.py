"""Tables of the bodies: [axle.NAME.bodies.NAME], told apart by `kind`."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from linkview.model.keys import (
    Coordinate,
    Direction,
    Length,
    Name,
    NotNegative,
    Number,
    PointOrPosition,
    Position,
    Round,
    Table,
)


class TubeTable(Table):
    """Straight tube or bar with rounded ends, between two points."""

    kind: Literal["tube"]
    from_: PointOrPosition = Field(alias="from", description="hard point or position")
    to: PointOrPosition
    radius: Length
    start: NotNegative = Field(default=0.0, description="begins this far from `from`")
    end_before: NotNegative = Field(default=0.0, description="ends this far before `to`")
    length: Length | None = Field(default=None, description="instead of end_before")
    on: Name | None = Field(default=None, description="part it is fixed to")


class BentTubeTable(Table):
    """Bent tube through points."""

    kind: Literal["bent_tube"]
    through: Annotated[tuple[PointOrPosition, ...], Field(min_length=2, max_length=200)]
    radius: Length
    on: Name


class CylinderTable(Table):
    """Flat-ended cylinder along an axis, centred on a point."""

    kind: Literal["cylinder"]
    at: PointOrPosition
    axis: Direction
    half_length: Length
    radius: Length
    on: Name


class TaperedTubeTable(Table):
    """Straight tube between two points whose radius changes evenly; flat ends."""

    kind: Literal["tapered_tube"]
    from_: PointOrPosition = Field(alias="from", description="hard point or position")
    to: PointOrPosition
    radius_from: Length
    radius_to: Length
    on: Name


class RodEndTable(Table):
    """A rod end's eye as its outside: sizes by its bore, DIN ISO 12240-4 series K."""

    kind: Literal["rod_end"]
    at: PointOrPosition = Field(description="centre of its ball")
    bolt_axis: Direction = Field(description="direction of the bolt, at ride height")
    bore: Literal[10, 12, 14, 16, 20] = Field(description="of the ball, mm")
    on: Name


class CoilSpringTable(Table):
    """Coil spring along the damper, as a wire whose turns follow its length."""

    kind: Literal["coil_spring"]
    from_: Name = Field(alias="from", description="end of the damper its first seat goes with")
    to: Name = Field(description="the damper's other end")
    start: NotNegative = Field(default=0.0, description="first seat, this far from `from`")
    end_before: NotNegative = Field(default=0.0, description="other seat, this far before `to`")
    radius: Length = Field(description="outside of the coils")
    wire: Length = Field(description="diameter of the wire")
    coils: Annotated[Number, Field(ge=1.0, le=40.0)] = Field(description="turns, the ends' too")
    wire_begins: Round | None = Field(
        default=None,
        description="where the wire's end lies at the first seat: degrees round the damper, 0 "
        "ahead, 90 outboard (damper lying lengthwise: 0 above; crosswise: 90 above)",
    )
    wound: Literal["right", "left"] = Field(
        default="right",
        description="the left one: right as an ordinary screw's thread; the right one mirrors it",
    )


class DamperBodyTable(Table):
    """Damper: body and shaft, which slides out of it. The shaft is the body NAME_shaft."""

    kind: Literal["damper"]
    from_: Name = Field(alias="from", description="end of the damper that its body goes with")
    to: Name = Field(description="the other end, which its shaft goes with")
    radius: Length = Field(description="of the body")
    body_length: Length = Field(description="from `from` to where the shaft comes out")
    shaft_radius: Length


class ShaftJointTable(Table):
    """inner_joint, outer_joint of a driveshaft: the housing, and the boot."""

    radius: Length = Field(description="of the housing")
    half_length: Length = Field(description="either way from the joint's centre")
    boot_length: Length | None = Field(
        default=None, description="joint's centre to the boot's clamp on the shaft; none: no boot"
    )


class DriveshaftBodyTable(Table):
    """Driveshaft from cv_inner to cv_outer with its joints and boots: the bodies NAME,
    NAME_inner_joint, NAME_inner_boot, NAME_outer_joint and NAME_outer_boot."""

    kind: Literal["driveshaft"]
    radius: Length = Field(description="of the shaft")
    inner_joint: ShaftJointTable
    outer_joint: ShaftJointTable


class BrakeDiscTable(Table):
    """Brake disc round the spin axis, on the wheel."""

    kind: Literal["brake_disc"]
    radius: Length
    thickness: Length
    offset: Coordinate = Field(description="its middle outboard of the wheel centre; - is inboard")


class CaliperTable(Table):
    """Brake caliper as the part of a ring that holds it, on the knuckle."""

    kind: Literal["brake_caliper"]
    inner_radius: Length = Field(description="from the spin axis")
    outer_radius: Length
    outboard_from: Coordinate = Field(description="of the wheel centre; - is inboard")
    outboard_to: Coordinate
    angle_from: Annotated[Number, Field(ge=-360.0, le=360.0)] = Field(
        description="degrees round the spin axis: 0 ahead of it, 90 above, 180 behind"
    )
    angle_to: Annotated[Number, Field(ge=-360.0, le=360.0)]


class MatchTable(Table):
    """One place known both in a mesh file, in its own unit, and on the car."""

    file: Position = Field(description="in the file's own coordinates and unit")
    car: PointOrPosition = Field(description="hard point or position, mm")


class BoxTable(Table):
    """Box square to the car's axes, on the body."""

    kind: Literal["box"]
    low: Position = Field(description="corner with the least x, y, z")
    high: Position


class MeshTable(Table):
    """Imported mesh."""

    kind: Literal["mesh"]
    file: str = Field(min_length=1, description="beside this file: STL, OBJ, PLY, GLB or 3MF")
    unit: Literal["mm", "cm", "m", "in"] = Field(description="what the file is drawn in")
    on: Name = "body"
    place_at: Position = Field(default=(0.0, 0.0, 0.0), description="where the file's origin is")
    x_axis: Direction = Field(default=(1.0, 0.0, 0.0), description="where the file's x points")
    y_axis: Direction = Field(default=(0.0, 1.0, 0.0), description="where the file's y points")
    size_checked: bool = Field(
        default=False, description="true: its size is right, however odd it is beside the car"
    )
    matches: Annotated[tuple[MatchTable, ...], Field(max_length=200)] = Field(
        default=(), description="instead of place_at and the axes: three or more matching places"
    )


BodyTable = Annotated[
    TubeTable
    | BentTubeTable
    | TaperedTubeTable
    | CylinderTable
    | RodEndTable
    | CoilSpringTable
    | DamperBodyTable
    | DriveshaftBodyTable
    | BrakeDiscTable
    | CaliperTable
    | BoxTable
    | MeshTable,
    Field(discriminator="kind"),
]
