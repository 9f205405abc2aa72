"""The keys of a hard-point file, as the builder writes them.

Millimetres, degrees, kilograms, N/mm; positions are three numbers (x forward, y left, z up) in the
car's frame. Every key has its meaning in `description`. `read.py` checks a file against this and
`build.py` makes a `Car` of it; nothing else reads these tables.
"""

from __future__ import annotations

import math
from typing import Annotated, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, Strict

from linkview.model.adjusters import AdjusterSpec, WantedTable
from linkview.model.aims import AimTable, MoveTable
from linkview.model.platespec import PlateSpec

FARTHEST_MM = 20_000.0  # a car part further from the datum than this is a unit mistake

Number = Annotated[float, Strict()]
Coordinate = Annotated[Number, Field(ge=-FARTHEST_MM, le=FARTHEST_MM)]
Length = Annotated[Number, Field(gt=0.0, le=FARTHEST_MM)]
NotNegative = Annotated[Number, Field(ge=0.0, le=FARTHEST_MM)]
Angle = Annotated[Number, Field(ge=-90.0, le=90.0)]
Swing = Annotated[Number, Field(gt=0.0, le=90.0)]
Percent = Annotated[Number, Field(gt=0.0, lt=100.0)]
Kilograms = Annotated[Number, Field(gt=0.0, le=100_000.0)]
Position = tuple[Coordinate, Coordinate, Coordinate]
Name = Annotated[str, Field(min_length=1, max_length=60, pattern=r"^[A-Za-z][A-Za-z0-9_]*$")]
PointOrPosition = Name | Position


def _has_length(v: Position) -> Position:
    if math.hypot(*v) < 1e-6:
        raise ValueError("a direction needs at least one number that is not 0")
    return v


Direction = Annotated[Position, AfterValidator(_has_length)]


class Table(BaseModel):
    """A TOML table: unknown keys, NaN and infinity are faults."""

    model_config = ConfigDict(
        extra="forbid", frozen=True, allow_inf_nan=False, populate_by_name=False
    )


class CarTable(Table):
    """[car]"""

    name: str = Field(min_length=1, max_length=120, description="shown on every output")
    wheelbase: Length = Field(description="front to rear wheel centres, mm")
    mass_kg: Kilograms = Field(description="ready to run, driver in")
    cg_height: Length = Field(description="centre of gravity over the ground, mm")
    front_weight_percent: Percent = Field(description="share of the mass on the front wheels")
    front_brake_percent: Percent = Field(description="share of the braking done in front")
    driven: Literal["front", "rear", "both"] = Field(description="which axle has driveshafts")


class MeasuredTable(Table):
    """[measured]: the state of the car when its points were taken."""

    state: Literal["on_its_wheels", "on_stands"] = Field(
        description="on_its_wheels at ride height, or on_stands with the wheels hanging or propped"
    )
    by: str = Field(default="", max_length=200, description="tape, arm, scan; who and when")
    one_sigma: NotNegative = Field(default=0.0, description="uncertainty per coordinate, mm")


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
    camber: Angle = Field(description="+ top outboard")
    toe_in: Angle = Field(description="one wheel, + front of the wheel toward the car")
    loaded_radius: Length | None = Field(
        default=None, description="wheel centre to contact; left out: centre height over z = 0"
    )
    tyre_code: str | None = Field(default=None, description="such as '225/45R17'")
    tyre: TyreTable = TyreTable()
    rim: RimTable


class SideWheelTable(Table):
    """[axle.NAME.wheel_left], [axle.NAME.wheel_right]: where the two sides were measured apart."""

    centre: Position
    camber: Angle
    toe_in: Angle


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


class RackTable(Table):
    """[axle.NAME.rack]: the rack, or the way of a steering box's pitman arm across the car."""

    axis: Direction = Field(description="direction the rack bar slides, toward the car's left")
    stop: Length = Field(description="rack travel each way to its stop")
    working: Length = Field(description="rack travel each way that is used")
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
    rods: dict[Name, FreeRodTable] = {}
    arms: dict[Name, FreeArmTable] = {}
    struts: dict[Name, FreeStrutTable] = {}
    hinges: dict[Name, FreeHingeTable] = {}
    balls: dict[Name, FreeBallTable] = {}
    lines: dict[Name, FreeLineTable] = {}
    damper: tuple[Name, Name] | None = Field(default=None, description="its two ends, lower first")
    steering_axis: tuple[Name, Name] | None = Field(default=None, description="lower first")
    tie_rod: Name | None = Field(default=None, description="the rod that steers the knuckle")
    steered: Name | None = Field(
        default=None, description="without a rack: the point whose way across is the input"
    )
    shared: tuple[Name, ...] = Field(
        default=(), description="points of the whole axle, not mirrored for the other side"
    )


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


class GapTable(Table):
    """[[axle.NAME.gaps]]: the smallest gap wanted between two bodies."""

    between: tuple[Name, Name]
    at_least: NotNegative


class LeaveOutTable(Table):
    """[[axle.NAME.leave_out]]: a pair that is not to be measured."""

    between: tuple[Name, Name]
    because: str = Field(min_length=3, max_length=200)


class AxleTable(Table):
    """[axle.NAME]"""

    layout: Name
    side: Literal["left", "right"] = Field(
        default="left", description="the side that `points` and all else here describe"
    )
    hold: Literal["wheel_height", "damper_length", "tyres_on_ground"] = Field(
        default="wheel_height",
        description="what stays put while the rack moves",
    )
    unsprung_kg: Kilograms = Field(description="per corner")
    min_toggle_angle: Swing | None = Field(
        default=None, description="least angle between tie rod and steering arm line"
    )
    points: dict[Name, Position] = Field(default={}, description="one side; the other mirrors it")
    one_sigma: dict[Name, NotNegative | tuple[NotNegative, NotNegative, NotNegative]] = Field(
        default={},
        description="uncertainty of one point's coordinates, mm, or of each; else [measured]'s",
    )
    points_left: dict[Name, Position] = Field(default={}, description="both sides measured")
    points_right: dict[Name, Position] = {}
    wheel: WheelTable
    wheel_left: SideWheelTable | None = None
    wheel_right: SideWheelTable | None = None
    rack: RackTable | None = None
    travel: TravelTable
    joints: dict[Name, JointTable] = {}
    damper: DamperTable | None = None
    driveshaft: DriveshaftTable | None = None
    free: FreeLayoutTable | None = Field(default=None, description="with layout = 'free'")
    anti_roll_bar: AntiRollBarTable | None = None
    hoses: dict[Name, HoseTable] = {}
    bodies: dict[Name, BodyTable] = {}
    gaps: tuple[GapTable, ...] = ()
    leave_out: tuple[LeaveOutTable, ...] = ()
    plates: dict[Name, PlateSpec] = {}
    adjusters: dict[Name, AdjusterSpec] = Field(
        default={}, description="what can be set with spanners; see `adjusters.py`"
    )
    wanted: WantedTable | None = None
    may_move: dict[Name, MoveTable] = Field(
        default={}, description="where points may go to reach the aims; see `aims.py`"
    )
    aims: tuple[AimTable, ...] = ()


class ChangeTable(Table):
    """[[variant.NAME.change]]: one change to one axle, in the order they are made."""

    title: str = Field(default="", max_length=200, description="what is done, in a few words")
    axle: Name
    how: Literal["parts_kept", "made_to_fit"] = Field(
        description="parts_kept: lengths and knuckle stay and the corner re-assembles at the same "
        "wheel height; made_to_fit: the parts named are made new, to the points given"
    )
    parts: tuple[Name, ...] = Field(default=(), description="made_to_fit: which parts are new")
    points: dict[Name, Position] = Field(default={}, description="new positions")
    move: dict[Name, Position] = Field(default={}, description="or shifts of present ones")
    reset_toe_in: Angle | None = Field(
        default=None, description="parts_kept: screw the tie rod to this toe; left out: kept"
    )
    wheel: dict[str, object] = Field(default={}, description="keys of [axle.NAME.wheel] to change")
    rack: dict[str, object] = {}
    travel: dict[str, object] = {}
    damper: dict[str, object] = {}
    driveshaft: dict[str, object] = {}
    joints: dict[Name, dict[str, object]] = {}
    bodies: dict[Name, dict[str, object]] = Field(default={}, description="new or replaced")
    remove_bodies: tuple[Name, ...] = ()
    plates: dict[Name, dict[str, object]] = {}
    remove_plates: tuple[Name, ...] = ()
    adjusters: dict[Name, dict[str, object]] = {}
    gaps: tuple[GapTable, ...] = Field(default=(), description="added, or replace the same pair")
    hold: Literal["wheel_height", "damper_length", "tyres_on_ground"] | None = None


class VariantTable(Table):
    """[variant.NAME]"""

    title: str = Field(min_length=1, max_length=200)
    on: Name = Field(default="as_found", description="the variant it starts from")
    change: Annotated[tuple[ChangeTable, ...], Field(min_length=1)]
