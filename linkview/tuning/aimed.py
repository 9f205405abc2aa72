"""One aim to reach: a reading at a pose, the least gap of two bodies, the room left in a slot."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from linkview.alignment.quantities import BY_NAME
from linkview.model.aims import AimTable

LOST = 1e3  # a value that is not there counts as this many `within`
_LIMIT = 1e-6  # in `within`: rounding


@dataclass(frozen=True)
class Judged:
    """What an aim reads (NaN: not there, or unknown), and how a gap is known, in words.

    worst: the rack and travel, mm, where a gap was least.
    """

    value: float
    how: str = ""
    worst: tuple[float, float] | None = None


@dataclass(frozen=True)
class Aimed:
    """An aim. label, where, unit, decimals: how it is told."""

    aim: AimTable

    def miss(self, value: float, spare: float = 0.0) -> float:
        """How far off, in `within`, signed; 0 where a limit is kept, by `spare` times `within`."""
        if not np.isfinite(value):
            return LOST
        if self.aim.equals is not None:
            return (value - self.aim.equals) / self.aim.within
        if self.aim.at_least is not None:
            return min((value - self.aim.at_least) / self.aim.within - spare, 0.0)
        assert self.aim.at_most is not None
        return max((value - self.aim.at_most) / self.aim.within + spare, 0.0)

    def met(self, value: float) -> bool:
        """Within its `within`; a limit kept."""
        return abs(self.miss(value)) <= (1.0 if self.aim.equals is not None else _LIMIT)

    @property
    def label(self) -> str:
        raise NotImplementedError

    @property
    def where(self) -> str:
        raise NotImplementedError

    @property
    def unit(self) -> str:
        return "mm"

    @property
    def decimals(self) -> int:
        return 1


@dataclass(frozen=True)
class ReadingAimed(Aimed):
    """A reading at one pose."""

    rack_mm: float
    travel_mm: float

    @property
    def reading(self) -> str:
        assert self.aim.reading is not None
        return self.aim.reading

    @property
    def label(self) -> str:
        label = BY_NAME[self.reading].label
        return f"{label} change" if self.aim.change else label

    @property
    def where(self) -> str:
        return f"rack {self.rack_mm:+g}, travel {self.travel_mm:+g}"

    @property
    def unit(self) -> str:
        return BY_NAME[self.reading].unit

    @property
    def decimals(self) -> int:
        return BY_NAME[self.reading].decimals


@dataclass(frozen=True)
class GapAimed(Aimed):
    """The least gap of two bodies, wherever the limits let the linkage go."""

    @property
    def pair(self) -> tuple[str, str]:
        assert self.aim.between is not None
        return self.aim.between

    @property
    def label(self) -> str:
        return f"gap {self.pair[0]} to {self.pair[1]}".replace("_", " ")

    @property
    def where(self) -> str:
        return "inside the limits"


@dataclass(frozen=True)
class SlotAimed(Aimed):
    """The room left to the nearer end of a slot."""

    @property
    def slot(self) -> str:
        assert self.aim.slot is not None
        return self.aim.slot

    @property
    def label(self) -> str:
        return f"room left in slot {self.slot}".replace("_", " ")

    @property
    def where(self) -> str:
        return "to its nearer end"


def aimed_of(aims: tuple[AimTable, ...]) -> tuple[Aimed, ...]:
    """Every aim, a reading's once for each of its poses."""
    out: list[Aimed] = []
    for aim in aims:
        if aim.between is not None:
            out.append(GapAimed(aim))
        elif aim.slot is not None:
            out.append(SlotAimed(aim))
        else:
            out += [ReadingAimed(aim, r, t) for r, t in aim.poses]
    return tuple(out)
