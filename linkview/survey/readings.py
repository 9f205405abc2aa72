"""What was read off a tape, plumb bob, level or arm, one number each, with its one sigma.

Car frame: x forward, y left, z up from the floor; mm and radians. Values are as measured; what a
reading should be at given points is in `network.py`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum

from linkview.units import to_deg

AXES = ("fore-aft", "offset from the centre line", "height over the floor")


class Kind(Enum):
    """DISTANCE |b - a|; COORDINATE of one point along a car axis; RISE of b over a;
    LEVEL angle of the line a to b, + b higher; ARM coordinate in a set-up's own frame."""

    DISTANCE = "distance"
    COORDINATE = "coordinate"
    RISE = "rise"
    LEVEL = "level"
    ARM = "arm"


@dataclass(frozen=True)
class Reading:
    """One number. points: one name, or two for a DISTANCE, RISE or LEVEL.

    axis: 0, 1, 2 for a COORDINATE or ARM. setup: whose frame an ARM reading is in. key: where in
    the file it stands. value, sigma: mm, or radians for a LEVEL.
    """

    kind: Kind
    points: tuple[str, ...]
    value: float
    sigma: float
    axis: int = 0
    setup: str = ""
    key: str = ""

    @property
    def is_angle(self) -> bool:
        return self.kind is Kind.LEVEL

    @property
    def words(self) -> str:
        """What was measured, for a person; no value."""
        who = spoken_points(self.points)
        if self.kind is Kind.DISTANCE:
            return who
        if self.kind is Kind.RISE:
            return f"rise from {who}"
        if self.kind is Kind.LEVEL:
            return f"level on {who}"
        if self.kind is Kind.ARM:
            return f"{who}, {'xyz'[self.axis]} in set-up {self.setup}"
        return f"{who}, {AXES[self.axis]}"

    def shown(self, value: float) -> str:
        """A value of this kind with its unit."""
        return f"{float(to_deg(value)):.2f} deg" if self.is_angle else f"{value:.1f} mm"


def spoken_points(names: Sequence[str]) -> str:
    """'front left tie rod inner to outer ...': the side once where all stand on it."""
    where = {name.rpartition(".")[0] for name in names}
    if len(names) > 1 and len(where) == 1 and "" not in where:
        short = (spoken_point(name.rpartition(".")[2]) for name in names)
        return f"{spoken_point(where.pop())} {' to '.join(short)}"
    return " to ".join(spoken_point(name) for name in names)


def spoken_point(name: str) -> str:
    """'front.left.tie_rod_inner' -> 'front left tie rod inner'."""
    return name.replace(".", " ").replace("_", " ")
