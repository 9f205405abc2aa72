"""What a design is to reach, `[[axle.NAME.aims]]`, and what may move for it: `may_move`."""

from __future__ import annotations

from typing import Annotated, Self

from pydantic import BaseModel, ConfigDict, Field, Strict, model_validator

Number = Annotated[float, Strict()]
Millimetres = Annotated[Number, Field(ge=-1000.0, le=1000.0)]
Range = tuple[Millimetres, Millimetres]
Inputs = Millimetres | tuple[Millimetres, ...]
MOST_MM = 500.0  # a gap or a slot's room that can be meant


class MoveTable(BaseModel):
    """[axle.NAME.may_move.POINT]: how far a hard point may go from where it is, mm, by axis."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)

    x: Range = (0.0, 0.0)
    y: Range = (0.0, 0.0)
    z: Range = (0.0, 0.0)

    @model_validator(mode="after")
    def _holds_zero(self) -> Self:
        for name in "xyz":
            low, high = getattr(self, name)
            if not low <= 0.0 <= high:
                raise ValueError(f"{name} = [{low:g}, {high:g}] does not hold 0, where it is now")
        if (self.x, self.y, self.z) == ((0.0, 0.0),) * 3:
            raise ValueError("gives no way to go; add x, y or z = [lowest, highest]")
        return self

    @property
    def ranges(self) -> tuple[Range, Range, Range]:
        """By axis."""
        return self.x, self.y, self.z


class AimTable(BaseModel):
    """[[axle.NAME.aims]]: a reading at one pose or along several, the least gap between two bodies,
    or the room left in a slot.
    """

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)

    reading: str | None = Field(
        default=None, description="as it is named in `alignment/quantities.py`"
    )
    between: tuple[str, str] | None = Field(default=None, description="two bodies: their least gap")
    slot: str | None = Field(
        default=None,
        description="an adjuster of kind slot, or a plate whose slots hold a hard point: room left "
        "to its nearer end, mm",
    )
    rack: Inputs = Field(default=0.0, description="mm, one or several; of a reading")
    travel: Inputs = Field(default=0.0, description="mm, one or several; of a reading")
    change: Annotated[bool, Strict()] = Field(
        default=False, description="true: the change from ride height, rack centred"
    )
    equals: Number | None = None
    at_least: Number | None = None
    at_most: Number | None = None
    within: Annotated[Number, Field(gt=0.0)] = Field(
        description="how near counts as met, in the reading's unit"
    )

    @model_validator(mode="after")
    def _one_aim(self) -> Self:
        kinds = [n for n in ("reading", "between", "slot") if getattr(self, n) is not None]
        if len(kinds) != 1:
            raise ValueError("give one of reading, between, slot")
        given = [n for n in ("equals", "at_least", "at_most") if getattr(self, n) is not None]
        if len(given) != 1:
            raise ValueError("give one of equals, at_least, at_most")
        if self.reading is None:
            if self.at_least is None:
                raise ValueError(f"{kinds[0]} takes at_least = mm")
            if not 0.0 <= self.at_least <= MOST_MM:
                raise ValueError(f"at_least = {self.at_least:g} mm is not 0 to {MOST_MM:g}")
            own = [n for n in ("rack", "travel", "change") if n in self.model_fields_set]
            if own:
                raise ValueError(f"{own[0]} belongs to a reading; {kinds[0]} is for every pose")
        if self.between is not None and self.between[0] == self.between[1]:
            raise ValueError("between names one body twice")
        return self

    @property
    def poses(self) -> tuple[tuple[float, float], ...]:
        """Every (rack, travel) a reading is for."""
        racks = self.rack if isinstance(self.rack, tuple) else (self.rack,)
        travels = self.travel if isinstance(self.travel, tuple) else (self.travel,)
        return tuple((r, t) for r in racks for t in travels)
