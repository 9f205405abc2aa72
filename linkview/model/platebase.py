"""What every plate of a hard-point file has, whatever its shape."""

from __future__ import annotations

import math
from typing import Annotated, Literal, Self

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, Strict, model_validator

Number = Annotated[float, Strict()]
Count = Annotated[int, Strict()]
NotNegative = Annotated[Number, Field(ge=0.0, le=5000.0)]
Positive = Annotated[Number, Field(gt=0.0, le=5000.0)]
Size = Annotated[Number, Field(ge=-5000.0, le=5000.0)]
Point2 = tuple[Size, Size]
Place = tuple[Number, Number, Number]


def _not_zero(v: Place) -> Place:
    if math.hypot(*v) < 1e-6:
        raise ValueError("a direction needs at least one number that is not 0")
    return v


Direction = Annotated[Place, AfterValidator(_not_zero)]


class PlateTable(BaseModel):
    """A TOML table under a plate: unknown keys, NaN and infinity are faults."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class LoadTable(PlateTable):
    """[axle.NAME.plates.NAME.load]: the force for the static building rule; no proof of a part."""

    force: Place = Field(description="on the joint, all plates of the kind together, N, car frame")
    bolt_diameter: Positive = Field(description="nominal, mm")
    bolt_grade: Literal["4.6", "5.6", "8.8", "10.9"] = Field(default="8.8")
    weld_throat: NotNegative = Field(default=0.0, description="a of the fillet weld, mm; 0: none")
    weld_length: NotNegative = Field(
        default=0.0, description="effective length per plate, mm, ends without their throat"
    )


class CutPlate(PlateTable):
    """What every plate has, whatever its shape."""

    thickness: Positive = Field(description="sheet thickness, mm")
    edge_margin: Positive = Field(description="metal left round holes and slots, mm")
    material: str = Field(min_length=1, description="grade for the order, e.g. 'S355J2'")
    quantity: Count = Field(default=1, ge=1, description="pieces to cut, mirrored ones included")
    mirrored: Count = Field(
        default=0, ge=0, description="how many of the quantity are cut as the mirror image"
    )
    mark: str = Field(
        default="",
        max_length=40,
        pattern=r"^[ -~]*$",
        description="text for the marking layer, plain letters; left out: the plate's own name",
    )

    revision: str = Field(
        default="A", pattern=r"^[A-Za-z0-9.-]{1,8}$", description="of the drawing"
    )
    load: LoadTable | None = Field(default=None, description="a joint force to hold, N")
    place_from: tuple[str | Place, ...] = Field(
        default=(),
        max_length=3,
        description="welded plates: three hard points or places [x, y, z] to tape from; left out: "
        "chosen from the body's hard points of both sides",
    )

    @model_validator(mode="after")
    def _three_places(self) -> Self:
        if self.place_from and len(self.place_from) != 3:
            raise ValueError(f"{len(self.place_from)} places given; three tapes fix a hole")
        return self

    @model_validator(mode="after")
    def _mirrored_fit_in(self) -> Self:
        if self.mirrored > self.quantity:
            raise ValueError(
                f"mirrored = {self.mirrored} is more than quantity = {self.quantity}, "
                "which counts the mirrored pieces too"
            )
        return self
