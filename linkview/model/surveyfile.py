"""The keys of [survey]: what was read off tape, plumb bob, level and arm.

A point is 'AXLE.SIDE.HARD_POINT', such as 'front.left.tie_rod_inner', or a mark of one's own. The
frame is the car's: x forward, y to the driver's left, z up; heights are over z = 0.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from linkview.model.keys import (
    FARTHEST_MM,
    Angle,
    Coordinate,
    Length,
    Name,
    Number,
    Position,
    Table,
    WheelAngle,
)
from linkview.model.schema import MeasuredTable

LONGEST_TAPE_MM = 7000.0  # from corner to corner of the largest car
Point = Annotated[
    str,
    Field(
        min_length=1,
        max_length=120,
        pattern=r"^([A-Za-z][A-Za-z0-9_]*\.(left|right)\.)?[A-Za-z][A-Za-z0-9_]*$",
    ),
]
Sigma = Annotated[Number, Field(ge=0.01, le=1000.0)]
SmallAngle = Annotated[Number, Field(ge=0.001, le=20.0)]
Unit = Literal["mm", "cm", "m", "in"]


class ReadTable(Table):
    """What every measurement may have."""

    one_sigma: Sigma | None = Field(default=None, description="its uncertainty, mm")
    unit: Unit = Field(default="mm", description="what the value was read in")
    note: str = Field(default="", max_length=200)


class DistanceTable(ReadTable):
    """survey.distances: tape from point to point."""

    between: tuple[Point, Point]
    is_: Length = Field(alias="is", description="tape reading between joint centres")


class SingleTable(ReadTable):
    """survey.heights (over z = 0), offsets (from the centre line, + left), stations (+ forward)."""

    of: Point
    is_: Coordinate = Field(alias="is", description="mm from z = 0, the centre line or x = 0")


class PlumbTable(ReadTable):
    """survey.plumb_marks: a plumb bob's mark on the floor grid."""

    of: Point
    at: tuple[Coordinate, Coordinate] = Field(description="x forward, y left on the floor grid")


class RiseTable(ReadTable):
    """survey.rises: how much higher the second point is, as a water level or laser shows."""

    between: tuple[Point, Point]
    is_: Coordinate = Field(alias="is", description="second point's height minus the first's")


class LevelTable(Table):
    """survey.levels: a level laid along the line from the first point to the second."""

    between: tuple[Point, Point]
    is_: Angle = Field(alias="is", description="degrees from level, + second point higher")
    one_sigma: SmallAngle | None = Field(default=None, description="its uncertainty, degrees")
    note: str = Field(default="", max_length=200)


class CoordinatesTable(ReadTable):
    """survey.coordinates: all three at once, from an arm or a scan."""

    of: Point
    at: Position = Field(description="x, y, z")
    setup: Name | None = Field(
        default=None,
        description="name of the arm's or scan's own frame; left out: in the car's frame",
    )


class HeldTable(Table):
    """[survey.held]: coordinates of a point that are laid down, and so have no error."""

    x: Coordinate | None = None
    y: Coordinate | None = None
    z: Coordinate | None = None


class UsualSigmaTable(Table):
    """[survey.one_sigma]: uncertainty of a kind of measurement, where it gives none itself."""

    distances: Sigma = Field(default=2.0, description="tape, mm")
    heights: Sigma = Field(default=1.0, description="mm")
    offsets: Sigma = Field(default=1.0, description="mm")
    stations: Sigma = Field(default=1.0, description="mm")
    plumb_marks: Sigma = Field(default=1.0, description="each of x and y, mm")
    rises: Sigma = Field(default=1.0, description="mm")
    levels: SmallAngle = Field(default=0.1, description="degrees")
    coordinates: Sigma = Field(default=0.5, description="each of x, y and z, mm")


class WheelReadTable(Table):
    """[survey.wheels.'AXLE.SIDE'] of an as-built file: what level and toe gauge read."""

    camber: WheelAngle = Field(description="+ top outboard")
    toe_in: WheelAngle = Field(description="one wheel, + front of the wheel toward the car")


class SurveyTable(Table):
    """[survey]"""

    datum: Literal["fixed", "free"] = Field(
        default="fixed",
        description="fixed: held points and readings from floor and centre line give the frame; "
        "free: only the shape is asked for, laid onto the rough places",
    )
    heights_from: str = Field(
        min_length=3, max_length=200, description="what z = 0 is, such as 'workshop floor'"
    )
    damper_length: dict[Name, Length] = Field(
        default={}, description="with the car on stands: by axle, how long its dampers were then"
    )
    marks: tuple[Point, ...] = Field(default=(), description="names of points of one's own")
    near: dict[Point, Position] = Field(
        default={}, description="roughly where a point is, where the file's own points do not say"
    )
    held: dict[Point, HeldTable] = Field(default={}, description="laid down, without error")
    one_sigma: UsualSigmaTable = UsualSigmaTable()
    distances: tuple[DistanceTable, ...] = ()
    heights: tuple[SingleTable, ...] = ()
    offsets: tuple[SingleTable, ...] = ()
    stations: tuple[SingleTable, ...] = ()
    plumb_marks: tuple[PlumbTable, ...] = ()
    rises: tuple[RiseTable, ...] = ()
    levels: tuple[LevelTable, ...] = ()
    coordinates: tuple[CoordinatesTable, ...] = ()
    wheels: dict[str, WheelReadTable] = Field(
        default={}, description="of a re-measured car: 'front.left' and so on"
    )


class SurveyOnly(Table):
    """A file with measurements only: format, [measured] and [survey]."""

    format: Literal[1]
    measured: MeasuredTable
    survey: SurveyTable


SINGLES = {"stations": 0, "offsets": 1, "heights": 2}  # the axis that each kind reads
assert FARTHEST_MM > LONGEST_TAPE_MM
