"""How gaps and limits answer to each hard point, and what doubt in the points makes of them.

Each coordinate is shifted by STEP_MM, the corner built again, its pose at the same rack and travel
solved again to 1e-10 mm, and the gap measured again: the difference of two exact gaps. The step is
long enough that the 0.005 mm to which a gap is found make no more than 0.01 mm/mm of it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from linkview.clearance.answers import GapState
from linkview.clearance.bodies import Solid, placed
from linkview.clearance.distance import pair_gap
from linkview.geometry import Array, frozen, length
from linkview.kinematics.follow import Followed
from linkview.kinematics.nearby import PoseList
from linkview.kinematics.sweep import CornerSweep
from linkview.limits.limit import Limit
from linkview.model.parts import Box, Corner, MeshFile

STEP_MM = 0.5
_NO_RATE = 1e-6  # mm per mm under which a point is said to do nothing

# Shifts {point: (3,) mm} -> the corner built anew.
Rebuild = Callable[[Mapping[str, Array]], Corner]


@dataclass(frozen=True, eq=False)
class Rates:
    """by_point (n, p, 3): d(value)/d(coordinate), per mm, of n values at one pose each.

    NaN where the value, or its pose, could not be had on both sides of the step.
    """

    points: tuple[str, ...]
    by_point: Array

    def one_sigma(self, doubt_mm: Array) -> Array:
        """(n,): one sigma of each value from that of each coordinate (p, 3), all independent."""
        return np.asarray(np.sqrt(np.square(self.by_point * doubt_mm).sum(axis=(1, 2))))

    def strongest(self, row: int, count: int) -> list[tuple[str, Array, float]]:
        """Points that raise value `row` fastest: name, which way (3,) unit, how much per mm."""
        size = np.nan_to_num(length(self.by_point[row]), nan=0.0)
        order = [int(k) for k in np.argsort(-size) if size[k] > _NO_RATE][:count]
        return [(self.points[k], self.by_point[row, k] / size[k], float(size[k])) for k in order]


# A corner built anew and its poses, in the order asked for -> values.
Reader = Callable[[Corner, PoseList], Array]


def rates_at(
    sweep: CornerSweep, at: Sequence[tuple[float, float]], rebuild: Rebuild, read: Reader
) -> Rates:
    """How the values that `read` finds at poses (rack, travel) answer to every coordinate."""
    rack, travel = (np.array([pose[k] for pose in at]) for k in (0, 1))
    home = Followed.of(sweep, rack, travel)
    points = tuple(sweep.corner.points)
    here = read(sweep.corner, home.poses(sweep.corner))
    by_point = np.full((len(here), len(points), 3), np.nan)
    for k, point in enumerate(points):
        for axis in range(3):
            corner = rebuild({point: STEP_MM * np.eye(3)[axis]})
            by_point[:, k, axis] = (read(corner, home.again(corner)) - here) / STEP_MM
    return Rates(points, frozen(by_point))


def gap_reader(
    home: Corner, solids: Mapping[str, Solid], pairs: Sequence[tuple[str, str]]
) -> Reader:
    """Reads gap k at pose k. solids: the bodies of the corner as it stands."""

    def read(corner: Corner, posed: PoseList) -> Array:
        fresh = _again(home, corner, solids)
        out = np.full(len(pairs), np.nan)
        for k, (a, b) in enumerate(pairs):
            found = pair_gap(fresh[a], fresh[b], {p: m[k : k + 1] for p, m in posed.poses.items()})
            if found.state[0] == GapState.MEASURED:
                out[k] = found.gap_mm[0]
        return out

    return read


def limit_reader(limits: Callable[[Corner], Sequence[Limit]], names: Sequence[str]) -> Reader:
    """Reads the limit of each name, the last poses in the list being theirs, in this order."""

    def read(corner: Corner, posed: PoseList) -> Array:
        by_name = {limit.name: limit for limit in limits(corner)}
        values = [by_name[name].measure(posed) for name in names]
        first = len(posed.solved) - len(names)
        return np.array([value[first + k] for k, value in enumerate(values)])

    return read


def _again(before: Corner, after: Corner, solids: Mapping[str, Solid]) -> dict[str, Solid]:
    """The changed corner's solids; meshes and boxes that stand as they did are not read again."""
    old = {body.name: body for body in before.bodies}
    out: dict[str, Solid] = {}
    for body in after.bodies:
        was = old.get(body.name)
        same = isinstance(body, Box) and isinstance(was, Box)
        if isinstance(body, MeshFile) and isinstance(was, MeshFile):
            same = np.array_equal(body.placement, was.placement)
        out[body.name] = solids[body.name] if same and body.name in solids else placed(body)
    return out
