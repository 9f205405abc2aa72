"""How gaps and limits answer to each hard point, and what doubt in the points makes of them.

A gap's slope needs no second measuring: the least distance answers to a small change as the two
nearest places do, each kept where it is on its own body, for along the skins it is least already
(J. M. Danskin's theorem, 1966, from memory). Where several pairs of places are equally near, one
is followed. How the places go comes from the corner built again with one coordinate STEP_MM on and
its pose, at the same rack and travel, solved again to 1e-10 mm; limits are closed forms of that
pose. So little a step leaves 1e-5 of a slope for curvature and less for rounding.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from linkview.clearance.answers import GapState
from linkview.clearance.bodies import Solid
from linkview.clearance.distance import pair_gap
from linkview.clearance.footing import footing
from linkview.geometry import Array, Index, frozen, length
from linkview.kinematics.follow import Followed
from linkview.kinematics.nearby import PoseList
from linkview.kinematics.sweep import CornerSweep
from linkview.limits.limit import Limit
from linkview.model.layouts import BODY
from linkview.model.parts import Corner

STEP_MM = 1e-3
_ALONG_MM = 1e-6  # places nearer than this show no direction
_NO_RATE = 1e-6  # mm per mm under which a point is said to do nothing

# Shifts {point: (3,) mm} -> the corner built anew.
Rebuild = Callable[[Mapping[str, Array]], Corner]


@dataclass(frozen=True, eq=False)
class Rates:
    """by_point (n, p, 3): d(value)/d(coordinate), per mm, of n values at one pose each.

    NaN where the value, or its pose, could not be had with and without the step.
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


# Poses in the order asked for, of the corner as it stands or built anew -> values.
Reader = Callable[[PoseList], Array]


def rates_at(
    sweep: CornerSweep,
    at: Sequence[tuple[float, float]],
    rebuild: Rebuild,
    begin: Callable[[PoseList], Reader],
) -> Rates:
    """How values at poses (rack, travel) answer to every coordinate.

    begin: makes their reader from the poses of the corner as it stands.
    """
    rack, travel = (np.array([pose[k] for pose in at]) for k in (0, 1))
    home = Followed.of(sweep, rack, travel)
    points = tuple(sweep.corner.points)
    posed = home.poses(sweep.corner)
    read = begin(posed)
    here = read(posed)
    by_point = np.full((len(here), len(points), 3), np.nan)
    for k, point in enumerate(points):
        for axis in range(3):
            corner = rebuild({point: STEP_MM * np.eye(3)[axis]})
            by_point[:, k, axis] = (read(home.again(corner)) - here) / STEP_MM
    return Rates(points, frozen(by_point))


def gap_reader(
    home: PoseList, solids: Mapping[str, Solid], pairs: Sequence[tuple[str, str]]
) -> Reader:
    """Reads gap k at pose k, to first order. solids: the bodies of the corner as it stands."""
    bodies = {body.name: body for body in home.corner.bodies}
    gap, ends = np.full(len(pairs), np.nan), np.full((2, len(pairs), 3), np.nan)
    for k, (a, b) in enumerate(pairs):
        found = pair_gap(solids[a], solids[b], {p: m[k : k + 1] for p, m in home.poses.items()})
        if found.state[0] == GapState.MEASURED and abs(found.gap_mm[0]) > _ALONG_MM:
            gap[k], ends[0, k], ends[1, k] = found.gap_mm[0], found.on_a[0], found.on_b[0]
    way = (ends[1] - ends[0]) / gap[:, None]
    # The places of each body, those on the first of a pair counting against the gap.
    kept = []
    for name, body in bodies.items():
        for end, sense in ((0, -1.0), (1, 1.0)):
            rows = np.flatnonzero([pair[end] == name for pair in pairs])
            if rows.size:
                place = footing(body, _taken(home, rows), ends[end, rows])
                kept.append((name, rows, sense * way[rows], place))

    def along(posed: PoseList) -> Array:
        """How far all places stand along their ways."""
        now = {body.name: body for body in posed.corner.bodies}
        out = np.zeros(len(pairs))
        for name, rows, way, place in kept:
            out[rows] += (way * place(now[name], _taken(posed, rows))).sum(axis=1)
        return out

    start = along(home)
    return lambda posed: gap + along(posed) - start


def limit_reader(limits: Callable[[Corner], Sequence[Limit]], names: Sequence[str]) -> Reader:
    """Reads the limit of each name, the last poses in the list being theirs, in this order."""

    def read(posed: PoseList) -> Array:
        by_name = {limit.name: limit for limit in limits(posed.corner)}
        values = [by_name[name].measure(posed) for name in names]
        first = len(posed.solved) - len(names)
        return np.array([value[first + k] for k, value in enumerate(values)])

    return read


def _taken(posed: PoseList, rows: Index) -> dict[str, Array]:
    return {part: posed.pose(part)[rows] for part in (BODY, *posed.poses)}
