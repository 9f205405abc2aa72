"""What can be set on the car with spanners, `[axle.front.adjusters.NAME]`: what the builder writes.

Lengths are mm, angles degrees; directions are three numbers in the car's frame (x forward, y left,
z up) of the side that the file describes: the other side has the mirror. A setting counts from how
the car stands in the file: 0 is as it is now. Every kind says how far it goes either way (`ends`),
in what steps a builder sets it, and what it does to the linkage (`effect`).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Annotated, Literal, Self

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, Strict, model_validator

Number = Annotated[float, Strict()]
Millimetres = Annotated[Number, Field(ge=-500.0, le=500.0)]
Positive = Annotated[Number, Field(gt=0.0, le=500.0)]
NotNegative = Annotated[Number, Field(ge=0.0, le=500.0)]
Shift = tuple[Millimetres, Millimetres, Millimetres]
Name = Annotated[str, Field(min_length=1, max_length=60, pattern=r"^[A-Za-z][A-Za-z0-9_]*$")]
Angle = Annotated[Number, Field(ge=-90.0, le=90.0)]


def _has_length(v: tuple[float, float, float]) -> tuple[float, float, float]:
    if math.hypot(*v) < 1e-6:
        raise ValueError("a direction needs at least one number that is not 0")
    return v


Direction = Annotated[Shift, AfterValidator(_has_length)]
Range = tuple[Millimetres, Millimetres]


@dataclass(frozen=True)
class Effect:
    """What a setting does: shifts (x, y, z) mm of hard points, mm by which a part's length grows
    (part, its two points or () for a rod), mm by which the damper stands longer at ride height.
    """

    shifts: Mapping[str, tuple[float, float, float]] = field(default_factory=dict)
    longer: tuple[str, tuple[str, ...], float] | None = None
    damper_mm: float = 0.0


class AdjusterTable(BaseModel):
    """What every adjuster has. All methods count settings from the present one, 0."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)

    fixed: Annotated[bool, Strict()] = Field(
        default=False, description="true: leave it as it is when setting up"
    )
    note: str = Field(default="", max_length=200, description="shown beside it")

    @property
    def unit(self) -> str:
        """One of it: 'turn', 'mm', 'shim', 'deg', 'hole'."""
        return "mm"

    @property
    def increment(self) -> float:
        """The least that a builder sets, in its unit."""
        return 0.5

    @property
    def ends(self) -> tuple[float, float]:
        """Lowest and highest setting."""
        raise NotImplementedError

    @property
    def stops(self) -> tuple[str, str]:
        """What ends it below and above."""
        return "end of its range", "end of its range"

    @property
    def shared(self) -> bool:
        """One setting for both sides."""
        return False

    def effect(self, setting: float) -> Effect:
        """What a setting does to one side (the side that the file describes)."""
        raise NotImplementedError

    def slope(self, setting: float) -> Effect:
        """Its change per unit at a setting."""
        raise NotImplementedError


class Threaded(AdjusterTable):
    """A rod end or a turnbuckle: sets the length of a link, or of one leg of an arm."""

    kind: Literal["threaded"]
    part: Name = Field(description="the link or arm that it lengthens")
    between: tuple[Name, Name] | None = Field(
        default=None, description="for an arm: its pivot and its ball"
    )
    pitch: Annotated[Number, Field(gt=0.0, le=10.0)] = Field(description="mm per turn of a thread")
    hands: Annotated[tuple[Literal["right", "left"], ...], Field(min_length=1, max_length=2)] = (
        Field(description="the threads at its ends: one rod end, or two of a turnbuckle")
    )
    engaged: NotNegative = Field(description="thread now inside, mm, of the end with less")
    least_engaged: NotNegative = Field(description="thread that must stay inside, mm")
    most_engaged: Positive = Field(description="thread inside when it bottoms, mm")
    steps_per_turn: Annotated[int, Strict(), Field(ge=1, le=360)] = Field(
        default=2, description="2: an eye that goes back on its bolt; 6: the flats of a hexagon"
    )

    @model_validator(mode="after")
    def _makes_sense(self) -> Self:
        if len(self.hands) == 2 and self.hands[0] == self.hands[1]:
            raise ValueError(
                f"both threads are {self.hands[0]}-hand, so turning it changes no length; a "
                "turnbuckle has one of each"
            )
        if not self.least_engaged <= self.engaged <= self.most_engaged:
            raise ValueError(
                f"engaged = {self.engaged:g} is not between least_engaged = "
                f"{self.least_engaged:g} and most_engaged = {self.most_engaged:g}"
            )
        return self

    @property
    def unit(self) -> str:
        return "turn"

    @property
    def increment(self) -> float:
        return 1.0 / self.steps_per_turn

    @property
    def mm_per_turn(self) -> float:
        """Longer by this, mm, for a turn; a turnbuckle's two threads add up."""
        return self.pitch * len(self.hands)

    @property
    def ends(self) -> tuple[float, float]:
        return (
            -(self.most_engaged - self.engaged) / self.pitch,
            (self.engaged - self.least_engaged) / self.pitch,
        )

    @property
    def stops(self) -> tuple[str, str]:
        least = f"only {self.least_engaged:g} mm of thread left inside"
        return f"bottoms at {self.most_engaged:g} mm of thread", least

    def effect(self, setting: float) -> Effect:
        return Effect(longer=(self.part, self.between or (), self.mm_per_turn * setting))

    def slope(self, setting: float) -> Effect:
        return self.effect(1.0)


class _Moving(AdjusterTable):
    """Moves hard points along one direction."""

    points: Annotated[tuple[Name, ...], Field(min_length=1)] = Field(description="what it moves")
    way: Direction = Field(description="direction of a + setting")

    def mm(self, setting: float) -> float:
        """How far the points have gone along the way, mm."""
        return setting

    def mm_slope(self, setting: float) -> float:
        """The same per unit."""
        return 1.0

    def effect(self, setting: float) -> Effect:
        return self._along(self.mm(setting))

    def slope(self, setting: float) -> Effect:
        return self._along(self.mm_slope(setting))

    def _along(self, mm: float) -> Effect:
        x, y, z = (mm * v / math.hypot(*self.way) for v in self.way)
        return Effect(dict.fromkeys(self.points, (x, y, z)))


class SlotAdjuster(_Moving):
    """Bolts in slots: a top mount, a pivot, a link's bracket."""

    kind: Literal["slot"]
    range: Range = Field(description="mm it can slide, lowest and highest, 0 being where it is")
    step: Positive | None = Field(default=None, description="mm; left out: half millimetres")

    @property
    def increment(self) -> float:
        return self.step or 0.5

    @property
    def ends(self) -> tuple[float, float]:
        return self.range

    @property
    def stops(self) -> tuple[str, str]:
        return "inner end of the slot", "outer end of the slot"


class Eccentric(_Moving):
    """A cam bolt whose point is guided along `way`: it moves by the sine of the bolt's angle."""

    kind: Literal["eccentric"]
    offset: Positive = Field(description="of the cam, mm")
    angle: Angle = Field(default=0.0, description="where it stands now, 0 half-way")
    step: Positive | None = Field(default=None, description="degrees; left out: 5")

    @property
    def unit(self) -> str:
        return "deg"

    @property
    def increment(self) -> float:
        return self.step or 5.0

    @property
    def ends(self) -> tuple[float, float]:
        return -90.0 - self.angle, 90.0 - self.angle

    @property
    def stops(self) -> tuple[str, str]:
        return "cam fully one way", "cam fully the other way"

    def mm(self, setting: float) -> float:
        turned, now = math.radians(self.angle + setting), math.radians(self.angle)
        return self.offset * (math.sin(turned) - math.sin(now))

    def mm_slope(self, setting: float) -> float:
        return self.offset * math.cos(math.radians(self.angle + setting)) * math.radians(1.0)


class _Shims(_Moving):
    thickness: Positive = Field(description="of one shim, mm")
    fitted: Annotated[int, Strict(), Field(ge=0, le=200)] = Field(description="shims there now")
    most: Annotated[int, Strict(), Field(ge=0, le=200)] = Field(description="that fit there")

    @model_validator(mode="after")
    def _fit(self) -> Self:
        if self.fitted > self.most:
            raise ValueError(f"fitted = {self.fitted} is more than most = {self.most}")
        return self

    @property
    def unit(self) -> str:
        return "shim"

    @property
    def increment(self) -> float:
        return 1.0

    @property
    def ends(self) -> tuple[float, float]:
        return -float(self.fitted), float(self.most - self.fitted)

    @property
    def stops(self) -> tuple[str, str]:
        return "no shim left to take out", f"no more than {self.most} shims fit"

    def mm(self, setting: float) -> float:
        return self.thickness * setting

    def mm_slope(self, setting: float) -> float:
        return self.thickness


class Shims(_Shims):
    """Shims under a pivot, a ball joint's rod end, a mount; on each side by itself."""

    kind: Literal["shims"]


class RackShims(_Shims):
    """Shims under the rack: both sides' inner joints move alike."""

    kind: Literal["rack_shims"]

    @property
    def shared(self) -> bool:
        return True


class SpringPerch(AdjusterTable):
    """The spring's seat on the damper: + lifts the car; the spring keeps its load and length."""

    kind: Literal["spring_perch"]
    pitch: Positive = Field(description="mm per turn of its collar")
    range: Range = Field(description="mm it can go, lowest and highest, 0 being where it is")
    step: Positive | None = Field(default=None, description="turns; left out: half turns")

    @property
    def unit(self) -> str:
        return "turn"

    @property
    def increment(self) -> float:
        return self.step or 0.5

    @property
    def ends(self) -> tuple[float, float]:
        return self.range[0] / self.pitch, self.range[1] / self.pitch

    @property
    def stops(self) -> tuple[str, str]:
        return "lowest thread of the perch", "highest thread of the perch"

    def effect(self, setting: float) -> Effect:
        return Effect(damper_mm=self.pitch * setting)

    def slope(self, setting: float) -> Effect:
        return Effect(damper_mm=self.pitch)


class Holes(AdjusterTable):
    """Other holes for a pivot. Setting 0 is the present one, 1, 2 ... the others as listed."""

    kind: Literal["holes"]
    points: Annotated[tuple[Name, ...], Field(min_length=1)] = Field(description="what they hold")
    others: Annotated[tuple[Shift, ...], Field(min_length=1, max_length=12)] = Field(
        description="where the other holes are from the present one, mm"
    )

    @property
    def unit(self) -> str:
        return "hole"

    @property
    def increment(self) -> float:
        return 1.0

    @property
    def ends(self) -> tuple[float, float]:
        return 0.0, float(len(self.others))

    @property
    def stops(self) -> tuple[str, str]:
        return "no other hole", "no other hole"

    def effect(self, setting: float) -> Effect:
        if round(setting) == 0:
            return Effect()
        shift = self.others[round(setting) - 1]
        return Effect(dict.fromkeys(self.points, shift))

    def slope(self, setting: float) -> Effect:
        return Effect()


AdjusterSpec = Annotated[
    Threaded | SlotAdjuster | Eccentric | Shims | RackShims | SpringPerch | Holes,
    Field(discriminator="kind"),
]

BothSides = Number | tuple[Number, Number]


class WantedTable(BaseModel):
    """[axle.NAME.wanted]: the alignment to set up; one number, or [left, right]."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)

    camber: BothSides | None = Field(default=None, description="degrees, + top outboard")
    caster: BothSides | None = Field(default=None, description="degrees, + top rearward")
    toe_in: BothSides | None = Field(default=None, description="degrees, one wheel")
    ride_height: BothSides | None = Field(
        default=None, description="body over the ground, mm from the file's ride height, + higher"
    )
    bump_toe: BothSides | None = Field(
        default=None, description="toe-in per mm of wheel travel, degrees; 0 is flat"
    )
