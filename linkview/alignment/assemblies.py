"""The other ways the same parts go together: a tie rod, or a rocker's rod, on the far side.

With the dampers' length kept, the knuckle can only turn about its steering axis, and the tie rod's
length is met at two angles: the one in which the car was measured, and one past the toggle. Where
no axis is drawn that is followed step by step. So too a rocker, or an anti-roll bar's lever, that
turns about its pivots and is held by one rod. A wheel on links without a tie rod has no one rod
to blame: its assemblies are looked for from starts anywhere (`elsewhere.py`).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from itertools import chain

import numpy as np

from linkview.alignment.posed import has_damper
from linkview.geometry import (
    Array,
    Flags,
    X,
    Y,
    apply,
    dot,
    frozen,
    length,
    rotation_from_vector,
    turn_about,
    turn_angle_rad,
    unit,
)
from linkview.kinematics.closure import GROUND, Direction, Joint, Linkage, Square, State
from linkview.kinematics.corner import AXIS_HEIGHT, DAMPER, WHEEL_HEIGHT, linkage_of
from linkview.kinematics.elsewhere import assemblies_elsewhere
from linkview.kinematics.part_poses import part_poses
from linkview.kinematics.solve import Problem, Target, newton
from linkview.model.layout import BODY, KNUCKLE, WHEEL_CENTRE
from linkview.model.parts import Corner, Hold
from linkview.units import to_deg

SAME_RAD = 1e-3  # a part turned by less stands as it was measured
STEP_RAD = np.pi / 90.0  # of the wheel's heading, on the way to the other assembly


@dataclass(frozen=True, eq=False)
class OtherAssembly:
    """A part that could stand otherwise.

    turn_deg: from where it was measured, in (-180, 180]; a knuckle's about the steering axis
    upward (where none is drawn, its heading; without a tie rod, about whatever axis, positive),
    another part's about its pivots. rod: what holds it, over centre there; None where all of its
    links do. places: hard point -> (3,) mm, where it would be, to measure or to give.
    """

    part: str
    turn_deg: float
    rod: str | None
    places: Mapping[str, Array]

    @property
    def words(self) -> str:
        """For `linkview check`."""
        if self.rod is None:
            part = "wheel" if self.part == KNUCKLE else _spoken(self.part)
            turned = f"{part} turned over by {self.turn_deg:.0f} deg on the same links"
        elif self.part == KNUCKLE:
            turned = f"wheel turned {abs(self.turn_deg):.0f} deg to the "
            turned += "left" if self.turn_deg > 0.0 else "right"
        else:
            turned = f"{_spoken(self.part)} turned {abs(self.turn_deg):.0f} deg about its pivots"
        near = ", ".join(
            f"{name} near [{x:.0f}, {y:.0f}, {z:.0f}]" for name, (x, y, z) in self.places.items()
        )
        if self.rod is not None:
            turned += f", {_spoken(self.rod)} over centre"
        return (
            f"the same parts also go together with the {turned}; taken is the way the points show "
            f"(for the other, give the points as they stand there, its {near})"
        )


def other_assemblies(corner: Corner) -> Iterator[OtherAssembly]:
    """Every part of a corner that one rod alone keeps from turning, where that can be otherwise."""
    if corner.layout.tie_rod is None:
        wheel = _wheel_elsewhere(corner)
    else:
        wheel = other_assembly(corner) or _wheel_turned_round(corner)
    if wheel is not None:
        yield wheel
    yield from _turned_over(corner)


def other_assembly(corner: Corner) -> OtherAssembly | None:
    """None for a corner without a drawn steering axis and a tie rod, or at the toggle itself."""
    layout, points = corner.layout, corner.points
    if layout.steering_axis is None or layout.tie_rod is None:
        return None
    low, high = (points[p] for p in layout.steering_axis)
    rod = layout.rods[layout.tie_rod]
    axis = unit(high - low)
    axis = axis if axis[2] > 0.0 else -axis
    turn = _other_turn(low, axis, points[rod.outer], points[rod.inner])
    if turn is None:
        return None
    move = turn_about(rotation_from_vector(turn * axis), low, low)
    there = {rod.outer: frozen(apply(move, points[rod.outer]))}
    return OtherAssembly(KNUCKLE, float(to_deg(turn)), layout.tie_rod, there)


def _wheel_turned_round(corner: Corner) -> OtherAssembly | None:
    """As `other_assembly` where no steering axis is drawn: the wheel is turned on, the damper's
    length held and the tie rod off, until the tie rod fits again."""
    layout = corner.layout
    if layout.steering_axis is not None or layout.tie_rod is None or not has_damper(corner):
        return None
    rod = layout.rods[layout.tie_rod]
    size = corner.distance_mm(rod.inner, rod.outer)

    def misfit(pose: Array) -> float:
        outer = apply(pose, corner.points[rod.outer])
        return float(length(outer - corner.points[rod.inner])) - size

    for way in (1.0, -1.0):
        before: tuple[float, State, float] | None = None
        for turn, state, pose in _turned(corner, way):
            off = misfit(pose)
            if before is not None and off * before[2] < 0.0:
                turn, pose = _where_it_fits(corner, misfit, before, turn)
                there = {rod.outer: frozen(apply(pose, corner.points[rod.outer]))}
                return OtherAssembly(KNUCKLE, float(to_deg(turn)), layout.tie_rod, there)
            before = turn, state, off
    return None


def _wheel_elsewhere(corner: Corner) -> OtherAssembly | None:
    """Of a wheel on links, none of which steers it: where else they let it stand, the damper's
    length held; of several the one whose parts turn least. None where no link holds the wheel."""
    layout = corner.layout
    links = [r for r in layout.rods.values() if KNUCKLE in map(layout.owner, (r.inner, r.outer))]
    if not links or not has_damper(corner):
        return None
    found = assemblies_elsewhere(linkage_of(corner).problem(Hold.DAMPER_LENGTH))
    moves = part_poses(corner, found, np.zeros(found.count))
    right = _right_way_round(corner, moves)
    if not right.any():
        return None
    turns = {
        part: np.where(right, turn_angle_rad(moves[part][:, :3, :3]), np.inf)
        for part in layout.solved
    }
    least = int(np.argmin(sum(turns.values())))
    moved = (
        KNUCKLE if turns[KNUCKLE][least] > SAME_RAD else max(turns, key=lambda p: turns[p][least])
    )
    there = {
        p: frozen(apply(moves[layout.owner(p)][least], corner.points[p]))
        for p in (*layout.on_knuckle, *chain(*layout.carried.values()), WHEEL_CENTRE)
        if p in corner.points and turns[layout.owner(p)][least] > SAME_RAD
    }
    return OtherAssembly(moved, float(to_deg(turns[moved][least])), None, there)


def _right_way_round(corner: Corner, moves: Mapping[str, Array]) -> Flags:
    """(n,): no hinge put in end for end, no strut's rod out of the wrong end of its tube; the
    equations of a point on a line allow both."""
    layout = corner.layout

    def placed(part: str, point: str) -> Array:
        return apply(moves[part] if part in moves else np.eye(4), corner.points[point])

    right = np.ones(len(moves[KNUCKLE]), dtype=bool)
    for hinge in layout.hinges.values():
        near, far = hinge.pivots
        along = placed(layout.owner(far), far) - placed(layout.owner(near), near)
        own = placed(hinge.part, far) - placed(hinge.part, near)
        right &= dot(along, own) > 0.0
    for strut in layout.struts.values():
        low, top = (placed(layout.owner(p), p) for p in (strut.lower, strut.top))
        tube = placed(layout.owner(strut.lower), strut.top) - low
        right &= dot(tube, top - low) > 0.0
    return right


def _turned(corner: Corner, way: float) -> Iterator[tuple[float, State, Array]]:
    """The wheel's heading turned (rad), the linkage's state, the knuckle's move (4, 4): step by
    step up to half a turn, as far as the other joints let it."""
    state = linkage_of(corner).linkage.reference()
    for k in range(1, int(np.pi / STEP_RAD) + 1):
        found = _headed(corner, way * k * STEP_RAD, state)
        if found is None:
            return
        state = found
        yield way * k * STEP_RAD, state, part_poses(corner, state, np.zeros(1))[KNUCKLE][0]


def _where_it_fits(
    corner: Corner,
    misfit: Callable[[Array], float],
    before: tuple[float, State, float],
    turn: float,
) -> tuple[float, Array]:
    """Between two steps of which one is too long and the other too short: turn and move."""
    low, state, off = before
    high, pose = turn, np.eye(4)
    for _ in range(50):
        middle = 0.5 * (low + high)
        here = _headed(corner, middle, state)
        if here is None:
            break
        pose = part_poses(corner, here, np.zeros(1))[KNUCKLE][0]
        low, high = (middle, high) if misfit(pose) * off > 0.0 else (low, middle)
    return low, pose


def _headed(corner: Corner, turn: float, state: State) -> State | None:
    """The state with the wheel turned to the left by so much, its tie rod off; from one near."""
    built = linkage_of(corner)
    heading = np.arctan2(-corner.wheel.spin_axis[0], corner.wheel.spin_axis[1]) + turn
    across = Direction(GROUND, frozen(np.cos(heading) * X + np.sin(heading) * Y))
    off = (corner.layout.tie_rod, WHEEL_HEIGHT, AXIS_HEIGHT)
    joints: list[Joint] = [j for j in built.linkage.joints if j.name not in off]
    joints.append(Square("heading", Direction(0, corner.wheel.spin_axis), across))
    axis = corner.rack.axis if corner.rack else None
    linkage = Linkage(list(built.linkage.origins), joints, axis)
    if linkage.row_count != linkage.unknown_count:
        return None
    problem = Problem(linkage, linkage.row_names.index(DAMPER), np.arange(linkage.row_count))
    found = newton(problem, state, Target(np.zeros(1), np.zeros(1)), most_iterations=12)
    return found.state if found.solved[0] else None


def _turned_over(corner: Corner) -> Iterator[OtherAssembly]:
    """Parts hinged to the body and held by one rod: where else that rod lets them stand.

    Left out where a damper between the part and the body would have to be out of its stroke.
    """
    layout, points = corner.layout, corner.points
    for hinge in layout.hinges.values():
        part = hinge.part
        held = [
            (name, *((a, b) if layout.owner(a) == part else (b, a)))
            for name, (a, b) in ((n, (r.inner, r.outer)) for n, r in layout.rods.items())
            if part in (layout.owner(a), layout.owner(b))
        ]
        if layout.owner(hinge.pivots[0]) != BODY or len(held) != 1 or _holders(corner, part) != 2:
            continue
        name, near, far = held[0]
        pivot, other = (points[p] for p in hinge.pivots)
        axis = unit(other - pivot)
        turn = _other_turn(pivot, axis, points[near], points[far])
        if turn is None:
            continue
        move = turn_about(rotation_from_vector(turn * axis), pivot, pivot)
        own = [p for p in layout.carried.get(part, ()) if p in points]
        there = {p: frozen(apply(move, points[p])) for p in own}
        if _within_stroke(corner, {**points, **there}):
            yield OtherAssembly(part, float(to_deg(turn)), name, there)


def _holders(corner: Corner, part: str) -> int:
    """How many joints a part has with others."""
    layout = corner.layout
    ends = [{layout.owner(r.inner), layout.owner(r.outer)} for r in layout.rods.values()]
    ends += [{h.part, layout.owner(h.pivots[0])} for h in layout.hinges.values()]
    ends += [{b.part, layout.owner(b.point)} for b in layout.balls.values()]
    ends += [{layout.owner(x.point), layout.owner(x.line[0])} for x in layout.lines.values()]
    ends += [{layout.owner(s.lower), layout.owner(s.top)} for s in layout.struts.values()]
    ends += [{layout.owner(a.ball)} for a in layout.arms.values()]
    return sum(part in pair for pair in ends) + (layout.owner(layout.steered or "") == part)


def _within_stroke(corner: Corner, points: Mapping[str, Array]) -> bool:
    damper, ends = corner.damper, corner.layout.damper
    if damper is None or ends is None or any(p not in points for p in ends):
        return True
    now = float(length(points[ends[1]] - points[ends[0]]))
    return damper.min_length_mm <= now <= damper.max_length_mm


def _other_turn(at: Array, axis: Array, end: Array, far: Array) -> float | None:
    """The turn (rad) about an axis that brings `end` to its other place as far from `far`.

    None at the dead point, where both are one.
    """
    arm, way = (v - dot(v, axis) * axis for v in (end - at, far - at))
    # |end - far| stays as it is where the angle between arm and way does, to either side.
    between = np.arctan2(dot(axis, np.cross(arm, way)), dot(arm, way))
    turn = float((2.0 * between + np.pi) % (2.0 * np.pi) - np.pi)
    return None if abs(turn) < 1e-6 else turn


def _spoken(name: str) -> str:
    return name.replace("_", " ")
