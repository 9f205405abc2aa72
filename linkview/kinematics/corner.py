"""A corner's layout and hard points as a linkage, and its parts' poses from the solved ones.

Solved for are the knuckle and the parts that the layout lists as `carried`. Rods and arms that
locate one ball are distances; where they stand follows from their ends afterwards.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from linkview.errors import BadLinkage, Fault
from linkview.geometry import (
    Array,
    X,
    Y,
    Z,
    apply,
    cross,
    length,
    unit,
)
from linkview.kinematics.closure import (
    GROUND,
    SLIDE,
    Direction,
    Height,
    Joint,
    Linkage,
    Place,
    Rod,
    Slider,
    State,
)
from linkview.kinematics.mobility import Mobility, mobility_of, one_way_of, spin_locks
from linkview.kinematics.solve import Problem
from linkview.model.layout import (
    BODY,
    FREE,
    KNUCKLE,
    OTHER_WHEEL_CENTRE,
    RACK,
    WHEEL_CENTRE,
    Layout,
)
from linkview.model.parts import Corner, Hold

WHEEL_HEIGHT, DAMPER = "wheel height", "damper length"
AXIS_HEIGHT = "height of the steering axis"
AXLE_LEVEL, STEERING_INPUT = "both wheels at one height", "steering input"


@dataclass(frozen=True, eq=False)
class CornerLinkage:
    """One corner compiled: the linkage has all joints plus a row for each thing that can be held.

    parts: the linkage's moving parts by name, the knuckle first. damper_mm: reference length of
    the damper, None where the file gives no damper. sound: the joint rows that are solved; all of
    them, or the independent ones of an over-held layout (see `mobility.py`). spins: parts that can
    spin about themselves without moving anything, kept from it.
    """

    corner: Corner
    linkage: Linkage
    parts: tuple[str, ...]
    damper_mm: float | None
    sound: tuple[int, ...]
    spins: tuple[str, ...]

    def problem(self, hold: Hold) -> Problem:
        """The rows to solve with this thing driven, and the tie rod's toggle watched."""
        height, damper = self._row(WHEEL_HEIGHT), self._row(DAMPER)
        if hold.keeps_damper and damper is None:
            what = f"'{hold.value}' needs the damper's two points"
            fix = "add them, or hold the wheel's height"
            raise BadLinkage(Fault(f"axle.{self.corner.axle}.hold", what, fix))
        driven = damper if hold.keeps_damper else height
        assert driven is not None
        assert height is not None
        used = np.array([*self.sound, driven])
        if not self.corner.layout.tie_rod:
            return Problem(self.linkage, driven, used)
        # With the damper's length, or the height of a point on the drawn axis, held, the steering
        # axis stands still and the tie rod alone holds the turn about it: that determinant is the
        # toggle, whatever the sweep holds.
        axis = self._row(AXIS_HEIGHT)
        toggle = damper if axis is None else axis
        watched = tuple(r for r in (height, toggle) if r is not None and r != driven)
        return Problem(self.linkage, driven, used, watched, toggle, self.corner.layout.tie_rod)

    def held_for_damper(self, damper_mm: Array) -> Array:
        """The driven row's value that makes the damper this long, mm."""
        assert self.damper_mm is not None
        return np.asarray((damper_mm**2 - self.damper_mm**2) / (2.0 * self.damper_mm))

    def damper_slope(self, poses: Mapping[str, Array]) -> Array:
        """d(damper length)/d(parts) at poses (n, 4, 4): (n, 6P), times twists gives mm per unit.

        A twist is the shift of the part's origin, then the turn.
        """
        layout, points = self.corner.layout, self.corner.points
        assert layout.damper is not None
        still = np.eye(4)
        now = [apply(poses.get(layout.owner(p), still), points[p]) for p in layout.damper]
        along = unit(now[1] - now[0])
        out = np.zeros((len(along), 6 * len(self.parts)))
        for k, part in enumerate(self.parts):
            for end, at, sense in zip(layout.damper, now, (-1.0, 1.0), strict=True):
                if layout.owner(end) == part:
                    arm = at - apply(poses[part], self.linkage.origins[k])
                    out[:, 6 * k : 6 * k + 3] += sense * along
                    out[:, 6 * k + 3 : 6 * k + 6] += sense * cross(arm, along)
        return out

    def state_of(self, poses: Mapping[str, Array]) -> State:
        """The linkage's state from its parts' moves (n, 4, 4)."""
        turn = np.stack([np.moveaxis(poses[p][:, :3, :3], 0, -1) for p in self.parts])
        places = zip(self.parts, self.linkage.origins, strict=True)
        return State(turn, np.stack([apply(poses[p], at).T for p, at in places]))

    def _row(self, name: str) -> int | None:
        names = self.linkage.row_names
        return names.index(name) if name in names else None


@lru_cache(maxsize=32)
def linkage_of(corner: Corner, lengths_of: Corner | None = None) -> CornerLinkage:
    """Compiles a corner.

    lengths_of: take sizes of parts from another corner (parts kept while points move); then the
    corner's own points are a start, not a solution.
    Raises BadLinkage for a joint without length and, with the parts named, for a layout that
    is loose or over-held at its hard points. Kept for the last corners: each pose asks again.
    """
    layout = corner.layout
    kept = lengths_of or corner
    joints = held_joints(corner, kept)
    damper_mm = next((j.length_mm for j in joints if isinstance(j, Rod) and j.name == DAMPER), None)
    for joint in joints:
        if isinstance(joint, Rod) and not joint.length_mm > 0.0:
            what = f"{joint.name.replace('_', ' ')} has no length, both its ends are at one point"
            raise BadLinkage(Fault(f"axle.{corner.axle}", what, "measure the two again"))
    rack = corner.rack.axis if corner.rack else None
    origins = [origin_of(corner, part) for part in layout.solved]
    linkage = Linkage(origins, joints, rack)
    rows = _joint_rows(linkage)
    if len(layout.solved) == 1 and len(rows) + 1 == linkage.unknown_count:
        return CornerLinkage(corner, linkage, layout.solved, damper_mm, tuple(rows), ())
    carried = {
        part: [corner.points[p] for p in names if p in corner.points]
        for part, names in layout.carried.items()
    }
    found = _one_way(corner, linkage, rows, carried)
    spins = tuple(found.spins)
    if spins:
        linkage = Linkage(origins, [*joints, *spin_locks(found, layout.solved)], rack)
        found = mobility_of(linkage, _joint_rows(linkage), layout.solved, carried)
    return CornerLinkage(corner, linkage, layout.solved, damper_mm, found.independent, spins)


def _one_way(
    corner: Corner, linkage: Linkage, rows: list[int], carried: Mapping[str, list[Array]]
) -> Mobility:
    """The mobility of these rows. Raises BadLinkage unless the input and the travel move them."""
    layout = corner.layout
    if STEERING_INPUT in linkage.row_names:
        _require_steering(corner, linkage, rows)
    travel = linkage.row_names.index(WHEEL_HEIGHT)
    if layout.name == FREE:
        key = f"axle.{corner.axle}.free"
        return one_way_of(linkage, rows, layout.solved, carried, key=key, travel=travel)
    key = f"axle.{corner.axle}"
    try:
        return one_way_of(linkage, rows, layout.solved, carried, key=key, travel=travel)
    except (
        BadLinkage
    ) as bad:  # what must differ is where its points are, not which joints there are
        fix = f"{layout.called} has all joints it needs, so points lie in line: measure them again"
        raise BadLinkage(replace(bad.fault, fix=fix)) from bad


def _require_steering(corner: Corner, linkage: Linkage, rows: list[int]) -> None:
    """Raises BadLinkage where the point that is steered cannot go along the rack's axis."""
    layout = corner.layout
    others = [row for row in rows if linkage.row_names[row] != STEERING_INPUT]
    with_it, free = (
        mobility_of(linkage, some, layout.solved, {}).freedom for some in (rows, others)
    )
    if free > with_it:
        return
    point = f"'{layout.steered}'"
    what = f"the steering input moves nothing: as its joints stand, {point} cannot go along this"
    fix = f"check {point} and the shaft that its arm turns about, and this axis"
    raise BadLinkage(Fault(f"axle.{corner.axle}.rack.axis", what, fix))


def held_joints(corner: Corner, kept: Corner) -> list[Joint]:
    """The joints, and a row for each thing that can be held; sizes of the parts from `kept`."""
    layout, points = corner.layout, corner.points
    joints = _joints_of(corner, kept)
    if layout.damper and all(p in points for p in layout.damper):
        places = [_place(corner, kept, p) for p in layout.damper]
        joints.append(Rod(DAMPER, places[0], places[1], _apart(kept, *layout.damper)))
    if layout.tie_rod and layout.steering_axis and _damper_elsewhere(layout):
        joints.append(_height(AXIS_HEIGHT, corner, kept, layout.steering_axis[0]))
    joints.append(_height(WHEEL_HEIGHT, corner, kept, WHEEL_CENTRE))
    return joints


def _place(corner: Corner, kept: Corner, name: str) -> Place:
    """A hard point as a place of the part that owns it; a solved part has it where it was kept."""
    part = _part(corner.layout, name)
    return Place(part, (corner if part < 0 else kept).points[name])


def _apart(corner: Corner, a: str, b: str) -> float:
    """The distance of two points; complex where they are (see geometry.py)."""
    return _value(length(corner.points[b] - corner.points[a]))


def _value(number: Array) -> float:
    """One float; or many numbers as they are, where points differ from pose to pose."""
    return float(number) if number.ndim == 0 else number  # type: ignore[return-value]


def _joint_rows(linkage: Linkage) -> list[int]:
    """The rows of joints, without those for what can be held."""
    extra = (WHEEL_HEIGHT, DAMPER, AXIS_HEIGHT)
    return [i for i, name in enumerate(linkage.row_names) if name not in extra]


def _damper_elsewhere(layout: Layout) -> bool:
    """Whether the damper can be at a dead point of its own: it does not stand on the knuckle."""
    return layout.damper is None or {layout.owner(p) for p in layout.damper} != {BODY, KNUCKLE}


def _height(name: str, corner: Corner, kept: Corner, point: str) -> Height:
    start = Place(GROUND, corner.points[point])
    return Height(name, start, _place(corner, kept, point), Direction(GROUND, Z), 0.0)


def origin_of(corner: Corner, part: str) -> Array:
    """The point (3,) of a solved part, at the reference, that its twist and pose speak of."""
    layout = corner.layout
    if part == KNUCKLE:
        return corner.points[WHEEL_CENTRE]
    near = [p for p in layout.carried[part] if p in corner.points]
    near += [h.pivots[0] for h in layout.hinges.values() if h.part == part]
    near += [b.point for b in layout.balls.values() if b.part == part]
    return corner.points[near[0] if near else WHEEL_CENTRE]


def _part(layout: Layout, point: str) -> int:
    owner = layout.owner(point)
    if owner == BODY:
        return GROUND
    return SLIDE if owner == RACK else layout.solved.index(owner)


def _joints_of(corner: Corner, kept: Corner) -> list[Joint]:
    """The layout's joints on this corner's points, sizes of the parts taken from `kept`."""
    layout, points = corner.layout, corner.points

    def place(name: str) -> Place:
        return _place(corner, kept, name)

    def on(part: str, name: str) -> Place:
        """The same hard point as a place of the part that is joined there."""
        return Place(layout.solved.index(part), kept.points[name])

    joints: list[Joint] = []
    for name, rod in layout.rods.items():
        joints.append(
            Rod(name, place(rod.inner), place(rod.outer), _apart(kept, rod.inner, rod.outer))
        )
    for name, arm in layout.arms.items():
        for pivot in arm.pivots:
            joints.append(Rod(name, place(pivot), place(arm.ball), _apart(kept, pivot, arm.ball)))
    for name, strut in layout.struts.items():
        # The tube's axis is a line on the knuckle: it keeps the direction it has there.
        axis = kept.points[strut.top] - kept.points[strut.lower]
        joints.append(Slider(name, place(strut.lower), axis, place(strut.top)))
    for name, ball in layout.balls.items():
        joints += _ball(name, place(ball.point), on(ball.part, ball.point))
    for name, hinge in layout.hinges.items():
        first, second = hinge.pivots
        joints += _ball(name, place(first), on(hinge.part, first))
        axis = place(second).at - place(first).at
        joints.append(Slider(name, place(first), axis, on(hinge.part, second)))
    for name, line in layout.lines.items():
        a, b = (place(p) for p in line.line)
        # Parallel to the line, through the point itself: two measurements never meet exactly.
        joints.append(
            Slider(
                name,
                Place(a.part, (corner if a.part < 0 else kept).points[line.point]),
                b.at - a.at,
                place(line.point),
            )
        )
    if layout.steered is not None and corner.rack is not None:
        there = points[layout.steered]
        across = Direction(GROUND, corner.rack.axis)
        input_row = Height(STEERING_INPUT, Place(SLIDE, there), place(layout.steered), across, 0.0)
        joints.append(input_row)
    if layout.level:
        here, other = points[WHEEL_CENTRE], points[OTHER_WHEEL_CENTRE]
        apart = _value(here[..., 2] - other[..., 2])
        level = Direction(GROUND, Z)
        joints.append(Height(AXLE_LEVEL, Place(0, other), Place(0, here), level, apart))
    return joints


def _ball(name: str, a: Place, b: Place) -> list[Joint]:
    """Two places that stay together."""
    return [Height(name, a, b, Direction(GROUND, axis), 0.0) for axis in (X, Y, Z)]
