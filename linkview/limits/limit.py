"""What a limit is: a named quantity with an allowed value, measured on any set of poses."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import Enum

from linkview.alignment.posed import Travelling
from linkview.geometry import Array
from linkview.kinematics.cell_motion import Motion
from linkview.kinematics.nearby import Posed
from linkview.model.parts import Side


class Stops(Enum):
    """What a limit holds up once it is met."""

    MOTION = "steering and travel"
    TRAVEL = "travel"  # steering goes on, the wheel rises or drops instead
    NOTHING = "nothing"


@dataclass(frozen=True, eq=False)
class Limit:
    """One thing that can stop or spoil a corner's motion.

    It knows how to measure itself on any set of poses, so that the same definition serves a grid
    and the search for where it is met.

    point: the hard point it sits at, '' for none. at_least: the value must stay over `allowed`
    (else under it). full: the margin that counts as 1 when limits are compared. measure: poses
    (...) -> value (...). drift: how far, in `unit`, the value can be anywhere in a cell of inputs
    from what it is at the cell's middle; None where that is not known. differentiable: hard points
    move the limit and measure takes complex poses. against: where the measure compares with ride
    height, how it is made from the pose there; None for the others.
    """

    side: Side
    name: str
    point: str
    unit: str
    allowed: float
    at_least: bool
    full: float
    measure: Callable[[Posed], Array]
    stops: Stops = Stops.MOTION
    drift: Callable[[Motion], Array] | None = None
    differentiable: bool = True
    against: Callable[[Travelling], Callable[[Posed], Array]] | None = None

    def margin(self, value: Array) -> Array:
        """Positive inside, in the limit's own unit."""
        return value - self.allowed if self.at_least else self.allowed - value


def spoken(point: str) -> str:
    """A hard point's name as said aloud."""
    return point.replace("_", " ")
