"""The keys of a hard-point file, as the builder writes them.

Millimetres, degrees, kilograms, N/mm; positions are three numbers (x forward, y left, z up) in the
car's frame. Every key has its meaning in `description`; what an axle has and its bodies stand in
`axletables.py` and `bodytables.py`. `read.py` checks a file against these tables and `build.py`
makes a `Car` of them; nothing else reads them.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from linkview.model.adjusters import AdjusterSpec, WantedTable
from linkview.model.aims import AimTable, MoveTable
from linkview.model.axletables import (
    AntiRollBarTable,
    DamperTable,
    DriveshaftTable,
    FreeLayoutTable,
    HoseTable,
    JointTable,
    RackTable,
    SideWheelTable,
    TravelTable,
    WheelTable,
)
from linkview.model.bodytables import BodyTable
from linkview.model.keys import (
    Kilograms,
    Length,
    Name,
    NotNegative,
    Number,
    Percent,
    Position,
    Swing,
    Table,
    WheelAngle,
)
from linkview.model.platespec import PlateSpec


class CarTable(Table):
    """[car]"""

    name: str = Field(min_length=1, max_length=120, description="shown on every output")
    wheelbase: Annotated[Number, Field(ge=500.0, le=10_000.0)] = Field(
        description="front to rear wheel centres, mm"
    )
    mass_kg: Kilograms = Field(description="ready to run, driver in")
    cg_height: Annotated[Number, Field(ge=50.0, le=3000.0)] = Field(
        description="centre of gravity over the ground, mm"
    )
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
    points_right: dict[Name, Position] = Field(default={})
    wheel: WheelTable
    wheel_left: SideWheelTable | None = None
    wheel_right: SideWheelTable | None = None
    rack: RackTable | None = None
    travel: TravelTable
    joints: dict[Name, JointTable] = Field(default={})
    damper: DamperTable | None = None
    driveshaft: DriveshaftTable | None = None
    free: FreeLayoutTable | None = Field(default=None, description="with layout = 'free'")
    anti_roll_bar: AntiRollBarTable | None = None
    hoses: dict[Name, HoseTable] = Field(default={})
    bodies: dict[Name, BodyTable] = Field(default={})
    gaps: tuple[GapTable, ...] = ()
    leave_out: tuple[LeaveOutTable, ...] = ()
    plates: dict[Name, PlateSpec] = Field(default={})
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
    reset_toe_in: WheelAngle | None = Field(
        default=None, description="parts_kept: screw the tie rod to this toe; left out: kept"
    )
    lengths: dict[Name, Length] = Field(
        default={}, description="parts_kept: screw a link or the tie rod to this, eye to eye, mm"
    )
    wheel: dict[str, object] = Field(default={}, description="keys of [axle.NAME.wheel] to change")
    rack: dict[str, object] = Field(default={})
    travel: dict[str, object] = Field(default={})
    damper: dict[str, object] = Field(default={})
    driveshaft: dict[str, object] = Field(default={})
    joints: dict[Name, dict[str, object]] = Field(default={})
    bodies: dict[Name, dict[str, object]] = Field(default={}, description="new or replaced")
    remove_bodies: tuple[Name, ...] = ()
    plates: dict[Name, dict[str, object]] = Field(default={})
    remove_plates: tuple[Name, ...] = ()
    adjusters: dict[Name, dict[str, object]] = Field(default={})
    gaps: tuple[GapTable, ...] = Field(default=(), description="added, or replace the same pair")
    hold: Literal["wheel_height", "damper_length", "tyres_on_ground"] | None = None


class VariantTable(Table):
    """[variant.NAME]"""

    title: str = Field(min_length=1, max_length=200)
    on: Name = Field(default="as_found", description="the variant it starts from")
    change: Annotated[tuple[ChangeTable, ...], Field(min_length=1)]
