"""What the tables of a hard-point file are made of: numbers with their ranges, names, a table."""

from __future__ import annotations

import math
from typing import Annotated

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, Strict

FARTHEST_MM = 20_000.0  # a car part further from the datum than this is a unit mistake

Number = Annotated[float, Strict()]
Coordinate = Annotated[Number, Field(ge=-FARTHEST_MM, le=FARTHEST_MM)]
Length = Annotated[Number, Field(gt=0.0, le=FARTHEST_MM)]
Round = Annotated[Number, Field(ge=-360.0, le=360.0)]  # degrees
NotNegative = Annotated[Number, Field(ge=0.0, le=FARTHEST_MM)]
Angle = Annotated[Number, Field(ge=-90.0, le=90.0)]
WheelAngle = Annotated[Number, Field(ge=-45.0, le=45.0)]  # a wheel further over lies down
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
