"""A corner put together again after its adjusters were turned, and how it answers to each of them.

Rods and legs of arms may grow, hard points on the body, the rack or a solved part may shift, and
the damper may stand longer (its spring's seat was screwed up). What is held is the damper's length,
as the spring carries the same load, or the wheel's height where no damper is given; the rack is
centred. The body stays where it is: a car that rises shows as a wheel that goes down in it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from linkview.errors import CannotAssemble
from linkview.geometry import Array, apply, apply_direction, frozen, numbers, turn_about, unit
from linkview.kinematics.closure import Height, Joint, Linkage, Rod, Square, State
from linkview.kinematics.corner import (
    DAMPER,
    WHEEL_HEIGHT,
    CornerLinkage,
    held_joints,
    linkage_of,
    origin_of,
)
from linkview.kinematics.factored import Factored, factored
from linkview.kinematics.sensitivity import (
    H,
    Inputs,
    Perturbed,
    carried_along,
)
from linkview.kinematics.solve import Target, newton
from linkview.model.layout import KNUCKLE
from linkview.model.parts import Corner, Hold

Pair = tuple[str, str]
MOST_STEPS = 256


@dataclass(frozen=True, eq=False)
class Change:
    """What is done to one corner: shifts (3,) mm of hard points, mm added to the distance of two
    joints, mm added to the damper's length at ride height.
    """

    shifts: Mapping[str, Array] = field(default_factory=dict)
    longer: Mapping[Pair, float] = field(default_factory=dict)
    damper_mm: float = 0.0

    def scaled(self, by: float) -> Change:
        """The same change in part."""
        return Change(
            {p: by * v for p, v in self.shifts.items()},
            {p: by * v for p, v in self.longer.items()},
            by * self.damper_mm,
        )


def together(changes: Sequence[Change]) -> Change:
    """All changes made at once."""
    shifts: dict[str, Array] = {}
    longer: dict[Pair, float] = {}
    for change in changes:
        for point, by in change.shifts.items():
            shifts[point] = shifts.get(point, np.zeros(3)) + by
        for pair, mm in change.longer.items():
            longer[pair] = longer.get(pair, 0.0) + mm
    return Change(shifts, longer, sum(c.damper_mm for c in changes))


def held_in_setting(built: CornerLinkage) -> Hold:
    """What stays while adjusters are turned: the damper's length where there is one."""
    return Hold.WHEEL_HEIGHT if built.damper_mm is None else Hold.DAMPER_LENGTH


def adjusted(corner: Corner, change: Change) -> Corner:
    """The corner at its new ride height, its points and wheel where they then are.

    In small steps, so that it stays the same assembly. Bodies and joint axes are left behind: it is
    for alignment. Raises CannotAssemble where the parts no longer go together.
    """
    base = linkage_of(corner)
    state = base.linkage.reference()
    steps = done = 1
    done = 0
    kept, built = corner, base
    while done < steps:
        part = change.scaled((done + 1) / steps)
        kept, built = _built(corner, base, part)
        hold = held_in_setting(built)
        goal = np.zeros(1)
        if hold is Hold.DAMPER_LENGTH:
            assert built.damper_mm is not None
            goal = built.held_for_damper(np.array([built.damper_mm + part.damper_mm]))
        found = newton(built.problem(hold), state, Target(np.zeros(1), goal), most_iterations=12)
        if found.solved[0]:
            state, done = found.state, done + 1
        elif steps < MOST_STEPS:
            steps, done = steps * 4, 0
            state = base.linkage.reference()
        else:
            raise CannotAssemble(
                f"{corner.axle} {corner.side.value}: set so, the parts no longer go together"
            )
    return _settled(corner, kept, built, state, change)


def _settled(
    corner: Corner, kept: Corner, built: CornerLinkage, state: State, change: Change
) -> Corner:
    moves = {
        part: turn_about(state.turn[k, :, :, 0], origin_of(kept, part), state.origin[k, :, 0])
        for k, part in enumerate(built.parts)
    }
    owner = corner.layout.owner
    points = {
        n: frozen(apply(moves[owner(n)], kept.points[n]) if owner(n) in moves else p)
        for n, p in _shifted(corner, change.shifts, corner.points).items()
    }
    axis = frozen(unit(apply_direction(moves[KNUCKLE], corner.wheel.spin_axis)))
    wheel = replace(corner.wheel, centre=points["wheel_centre"], spin_axis=axis, on_floor=False)
    return replace(corner, points=points, wheel=wheel)


def _shifted(
    corner: Corner, shifts: Mapping[str, Array], points: Mapping[str, Array]
) -> dict[str, Array]:
    return {n: p + shifts[n] if n in shifts else p for n, p in points.items()}


def _built(corner: Corner, base: CornerLinkage, change: Change) -> tuple[Corner, CornerLinkage]:
    """The corner as its solved parts have their points, and its linkage with the change made."""
    solved = corner.layout.solved
    mine = {p: v for p, v in change.shifts.items() if corner.layout.owner(p) in solved}
    moved = replace(corner, points=_shifted(corner, change.shifts, corner.points))
    kept = replace(corner, points=_shifted(corner, mine, corner.points))
    locks = [j for j in base.linkage.joints if isinstance(j, Square)]
    joints = [*_joints(corner, moved, kept, change.longer), *locks]
    origins = [origin_of(kept, part) for part in base.parts]
    rack = corner.rack.axis if corner.rack else None
    return kept, replace(base, linkage=Linkage(origins, joints, rack))


def _joints(corner: Corner, moved: Corner, kept: Corner, longer: Mapping[Pair, Any]) -> list[Joint]:
    """The joints on moved points; every rod as long as in `corner`, or longer as asked."""
    layout = corner.layout
    pairs = [(name, (rod.inner, rod.outer)) for name, rod in layout.rods.items()]
    pairs += [(n, (pivot, arm.ball)) for n, arm in layout.arms.items() for pivot in arm.pivots]
    if layout.damper is not None:
        pairs.append((DAMPER, layout.damper))
    out: list[Joint] = []
    left = iter(pairs)
    for joint in held_joints(moved, kept):
        if isinstance(joint, Rod):
            name, pair = next(left)
            assert name == joint.name
            joint = replace(joint, length_mm=corner.distance_mm(*pair) + longer.get(pair, 0.0))
        out.append(joint)
    return out


@dataclass(frozen=True, eq=False)
class Answers:
    """A corner at ride height with its derivatives by K changes, as if the wheel's height were
    held; the last change is the wheel's height itself.

    height: (K,) how far each change must lower (-) or lift (+) the wheel, mm per unit, so that the
    damper keeps its length, or has the length asked; 0 where no damper is given.
    """

    posed: Perturbed
    height: Array


def answers(corner: Corner, changes: Sequence[Change]) -> Answers:
    """The corner's derivatives by each change per unit, at ride height, rack centred."""
    at = factored(corner, 0.0, 0.0)
    many = len(changes) + 1
    posed = _along(at, changes, many)
    if at.built.damper_mm is None:
        return Answers(posed, np.zeros(len(changes)))
    lower, upper = (posed.point(p) for p in corner.layout.damper or ("", ""))
    span = numbers(upper) - numbers(lower)
    slopes = np.sqrt(np.sum(span * span, axis=-1)).imag / H
    asked = np.array([c.damper_mm for c in changes])
    return Answers(posed, frozen((asked - slopes[:-1]) / slopes[-1]))


def _along(at: Factored, changes: Sequence[Change], many: int) -> Perturbed:
    corner = at.built.corner
    solved = corner.layout.solved
    moved: dict[str, Any] = {
        n: np.repeat(p[None], many, axis=0) + 0j for n, p in corner.points.items()
    }
    longer: dict[Pair, Any] = {}
    for k, change in enumerate(changes):
        for point, by in change.shifts.items():
            moved[point][k] += 1j * H * np.asarray(by)
        for pair, mm in change.longer.items():
            longer.setdefault(pair, np.zeros(many, dtype=complex))[k] += 1j * H * mm
    there = replace(corner, points=moved)
    mine = {
        n: p if corner.layout.owner(n) in solved else corner.points[n] for n, p in moved.items()
    }
    kept = replace(corner, points=mine)
    lifted = np.zeros(many, dtype=complex)
    lifted[-1] = 1j * H
    joints: list[Joint] = [
        replace(j, value_mm=lifted)  # type: ignore[arg-type]
        if isinstance(j, Height) and j.name == WHEEL_HEIGHT
        else j
        for j in _joints(corner, there, kept, longer)
    ]
    return carried_along(at, there, kept, joints, Inputs.still(many))
