"""Tables of one axle: wheel, rack, joints, damper, driveshaft, hoses; a layout of its own."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from linkview.model.keys import (
    Angle,
    Coordinate,
    Direction,
    Length,
    Name,
    NotNegative,
    Number,
    PointOrPosition,
    Position,
    Swing,
    Table,
    WheelAngle,
)


class RimTable(Table):
    """[axle.NAME.wheel.rim]"""

    width_in: Annotated[Number, Field(gt=2.0, le=20.0)] = Field(description="as stamped, inches")
    diameter_in: Annotated[Number, Field(ge=10.0, le=26.0)] | None = Field(
        default=None, description="inches; left out: from the tyre size code"
    )
    offset: Annotated[Number, Field(ge=-200.0, le=200.0)] = Field(
        description="mounting face to rim centre plane (ET), + face outboard of centre"
    )
    spacer: NotNegative = Field(default=0.0, description="spacer now fitted")
    spokes: Annotated[tuple[tuple[Coordinate, Length], ...], Field(max_length=40)] = Field(
        default=(),
        description="middle line of a spoke, from the hub outward: outboard of the rim centre "
        "plane, radius; left out: a solid disc at the mounting face",
    )
    spoke_thickness: Length = Field(default=18.0, description="along the spin axis and square to")


class TyreTable(Table):
    """[axle.NAME.wheel.tyre]: measured section; each key overrides the size code."""

    outer_radius: Length | None = Field(default=None, description="free radius of the tread")
    inner_radius: Length | None = Field(default=None, description="where the section ends inside")
    half_width: Length | None = Field(default=None, description="half the section's width")
    shoulder_radius: Length | None = Field(default=None, description="rounding of the shoulder")
    growth: NotNegative = Field(default=0.0, description="added to the radius: speed and heat")
    bulge: NotNegative = Field(default=0.0, description="added to each side: load on the wheel")


class WheelTable(Table):
    """[axle.NAME.wheel]"""

    centre: Position = Field(description="rim centre plane on the spin axis")
    camber: WheelAngle = Field(description="+ top outboard")
    toe_in: WheelAngle = Field(description="one wheel, + front of the wheel toward the car")
    loaded_radius: Length | None = Field(
        default=None, description="wheel centre to contact; left out: centre height over z = 0"
    )
    tyre_code: str | None = Field(default=None, description="such as '225/45R17'")
    tyre: TyreTable = TyreTable()
    rim: RimTable


class SideWheelTable(Table):
    """[axle.NAME.wheel_left], [axle.NAME.wheel_right]: where the two sides were measured apart."""

    centre: Position
    camber: WheelAngle
    toe_in: WheelAngle


class ColumnJointTable(Table):
    """[[axle.NAME.rack.column]]: a universal joint of the column, from the wheel down."""

    angle: Annotated[Number, Field(gt=0.0, lt=80.0)] = Field(
        description="between the shafts it joins, degrees"
    )
    phase: Angle = Field(
        default=0.0,
        description="its fork against the joint's plane with the wheels straight ahead, degrees; "
        "0: the driving fork's pin lies in the plane of the two shafts",
    )


# A rack slides 50 to 100 mm each way: under 1 it was given in another unit, over 400 as well.
RackTravel = Annotated[Number, Field(ge=1.0, le=400.0)]


class RackTable(Table):
    """[axle.NAME.rack]: the rack, or the way of a steering box's pitman arm across the car."""

    axis: Direction = Field(description="direction the rack bar slides, toward the car's left")
    stop: RackTravel = Field(description="rack travel each way to its stop, mm")
    working: RackTravel = Field(description="rack travel each way that is used, mm")
    mm_per_turn: Length | None = Field(
        default=None, description="rack travel for one turn of the pinion"
    )
    column: tuple[ColumnJointTable, ...] = Field(
        default=(), description="universal joints between steering wheel and pinion"
    )


class AntiRollBarTable(Table):
    """[axle.NAME.anti_roll_bar]: adds points bar_inner, bar_outer (on the bar's axis),
    drop_link_inner (on the bar's lever) and drop_link_outer."""

    on: Name = Field(default="knuckle", description="the part that carries drop_link_outer")
    rate_n_mm_per_deg: Annotated[Number, Field(gt=0.0)] | None = Field(
        default=None, description="torque for one degree of twist between the two levers"
    )


class HoseTable(Table):
    """[axle.NAME.hoses.NAME]: a hose, cable or strap between two points."""

    from_: PointOrPosition = Field(alias="from", description="hard point, or position on the body")
    to: PointOrPosition = Field(description="hard point, or position with `on`")
    on: Name = Field(default="knuckle", description="the part that carries `to` given by numbers")
    free_length: Length = Field(description="longest distance between its ends, mm")


class TravelTable(Table):
    """[axle.NAME.travel]: wheel-centre travel from ride height."""

    droop: Annotated[Number, Field(le=0.0, ge=-1000.0)] = Field(description="- is extension")
    bump: Annotated[Number, Field(ge=0.0, le=1000.0)] = Field(description="+ is compression")


class JointTable(Table):
    """[axle.NAME.joints.POINT]: exactly one of the three axes, and the angle it allows."""

    bolt_axis: Direction | None = Field(
        default=None, description="rod end: direction of the bolt through its ball"
    )
    axis: Direction | Literal["strut"] | None = Field(
        default=None, description="inner joint or top-mount bearing: straight direction"
    )
    stud_axis: Direction | None = Field(default=None, description="ball joint: its stud")
    max_misalignment: Swing | None = Field(default=None, description="rod end, each side")
    max_angle: Swing | None = Field(default=None, description="other joints, from the axis")


class SpringTable(Table):
    """[axle.NAME.damper.spring]"""

    rate_n_per_mm: Length = Field(description="N/mm")
    free_length: Length
    solid_length: Length = Field(description="coil bound")
    length_at_ride_height: Length | None = Field(
        default=None, description="left out: from the corner's load and the rate"
    )


class DamperTable(Table):
    """[axle.NAME.damper]: between the layout's two damper points."""

    min_length: Length = Field(description="fully closed")
    max_length: Length = Field(description="fully open")
    length_at_ride_height: Length | None = Field(
        default=None,
        description="only for a car measured on stands: the length it has on its wheels",
    )
    spring: SpringTable | None = None


class DriveshaftTable(Table):
    """[axle.NAME.driveshaft]: between cv_inner and cv_outer."""

    inner_axis: Direction = Field(description="gearbox output's spin axis")
    max_angle_inner: Swing
    max_angle_outer: Swing
    plunge_each_way: Length = Field(description="the joints slide this far from nominal")
    nominal_length: Length | None = Field(
        default=None, description="between joint centres, plunge centred; left out: as measured"
    )


class FreeRodTable(Table):
    """A link with a ball at each end."""

    inner: Name
    outer: Name


class FreeArmTable(Table):
    """An arm on two pivots on the body that carries one ball."""

    pivots: tuple[Name, Name]
    ball: Name


class FreeStrutTable(Table):
    """A tube whose axis, through `lower`, always runs through `top`."""

    lower: Name
    top: Name


class FreeHingeTable(Table):
    """A part that turns about the line through two points of another."""

    part: Name
    pivots: tuple[Name, Name]


class FreeBallTable(Table):
    """A part tied by a ball to the one that owns the point."""

    part: Name
    point: Name


class FreeLineTable(Table):
    """A point that stays on the line through two points of another part."""

    point: Name
    line: tuple[Name, Name]


class FreeLayoutTable(Table):
    """[axle.NAME.free]: parts and joints of the file's own, with layout = "free"."""

    title: str = Field(default="parts and joints of the file's own", max_length=120)
    parts: dict[Name, tuple[Name, ...]] = Field(
        description="which part owns each point: body, rack, knuckle and parts of your own"
    )
    rods: dict[Name, FreeRodTable] = Field(default={})
    arms: dict[Name, FreeArmTable] = Field(default={})
    struts: dict[Name, FreeStrutTable] = Field(default={})
    hinges: dict[Name, FreeHingeTable] = Field(default={})
    balls: dict[Name, FreeBallTable] = Field(default={})
    lines: dict[Name, FreeLineTable] = Field(default={})
    damper: tuple[Name, Name] | None = Field(default=None, description="its two ends, lower first")
    steering_axis: tuple[Name, Name] | None = Field(default=None, description="lower first")
    tie_rod: Name | None = Field(default=None, description="the rod that steers the knuckle")
    steered: Name | None = Field(
        default=None, description="without a rack: the point whose way across is the input"
    )
    shared: tuple[Name, ...] = Field(
        default=(), description="points of the whole axle, not mirrored for the other side"
    )
    solid_axle: bool = Field(
        default=False, description="the knuckle is the whole axle: both wheels ride on it"
    )
