"""Parts kept: a corner put together again after points on the body moved."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from functools import partial

import numpy as np

from linkview.errors import CannotAssemble
from linkview.geometry import Array, X, Y, apply, apply_direction, frozen, unit
from linkview.kinematics.closure import GROUND, Direction, Joint, Linkage, Rod, Square, State
from linkview.kinematics.corner import (
    AXIS_HEIGHT,
    DAMPER,
    WHEEL_HEIGHT,
    linkage_of,
)
from linkview.kinematics.kept import member_moves
from linkview.kinematics.mobility import mobility_of
from linkview.kinematics.part_poses import part_poses
from linkview.kinematics.solve import SCALE_MM, Problem, Target, newton
from linkview.model.layout import KNUCKLE, WHEEL
from linkview.model.parts import Corner
from linkview.model.reference import Reference, housing_of, rides_on
from linkview.model.schema import AxleTable
from linkview.units import to_rad

MOST_STEPS = 4096


def reassembled(
    what: str,
    table: AxleTable,
    before: Corner,
    reference: Reference,
    points: Mapping[str, Array],
    *,
    toe_in_deg: float | None,
    damper_mm: float | None,
    lengths: Mapping[str, float] | None = None,
) -> Reference:
    """Walks the body-side points from where they were to where they go, the rest following.

    The corner's own lengths are kept, but for links that `lengths` (mm, eye to eye) screws to
    another. In small steps, so that it stays the same assembly.
    """
    start = linkage_of(before).linkage.reference()
    toe_now = np.arctan2(-reference.spin_axis[0], reference.spin_axis[1])
    state = start
    held = partial(
        _held,
        kept=before,
        toe_in_deg=toe_in_deg,
        damper_mm=damper_mm,
        lengths=lengths or {},
        toe_now=toe_now,
    )
    steps = 1
    done = 0
    while done < steps:
        part = (done + 1) / steps
        between = {
            n: p if n not in points else frozen(p + part * (points[n] - p))
            for n, p in before.points.items()
        }
        corner = replace(before, points=between)
        problem, target = held(corner, part)
        found = newton(problem, state, target, most_iterations=12)
        if found.solved[0]:
            state, done = found.state, done + 1
        elif steps < MOST_STEPS:
            steps, done = steps * 2, done * 2
        else:
            whole = replace(before, points={**before.points, **points})
            problem, target = held(whole, 1.0)
            raise CannotAssemble(f"{what}: {_misfit(problem, state, target)}")
    poses = part_poses(before, state, np.zeros(1))
    moves = {part: poses[part][0] for part in before.layout.solved}
    owner = before.layout.owner
    new_points = {
        n: frozen(apply(moves[owner(n)], p) if owner(n) in moves else points[n])
        for n, p in before.points.items()
    }
    return Reference(
        new_points,
        frozen(unit(apply_direction(moves[KNUCKLE], reference.spin_axis))),
        _carried(table, before, new_points, moves, reference),
        before.wheel.loaded_radius_mm,
    )


def _held(
    corner: Corner,
    part: float,
    *,
    kept: Corner,
    toe_in_deg: float | None,
    damper_mm: float | None,
    lengths: Mapping[str, float],
    toe_now: float,
) -> tuple[Problem, Target]:
    """The rows to solve for one step: lengths of `kept`, the wheel's height or damper driven,
    and the tie rod's row swapped for the toe where it is to be screwed."""
    built = linkage_of(corner, kept)
    joints = [_screwed(j, lengths, part) for j in built.linkage.joints]
    driven_name = DAMPER if damper_mm is not None else WHEEL_HEIGHT
    spare = WHEEL_HEIGHT if damper_mm is not None else DAMPER
    joints = [j for j in joints if j.name not in (spare, AXIS_HEIGHT)]
    if toe_in_deg is not None:
        tie_rod = corner.layout.tie_rod or "toe_link"
        wanted = -corner.side.outboard * float(to_rad(toe_in_deg))
        heading = toe_now + part * (wanted - toe_now)
        across = np.cos(heading) * X + np.sin(heading) * Y
        joints = [j for j in joints if j.name != tie_rod]
        joints.append(Square("toe", Direction(0, kept.wheel.spin_axis), Direction(GROUND, across)))
    axis = corner.rack.axis if corner.rack else None
    linkage = Linkage(list(built.linkage.origins), joints, axis)
    driven = linkage.row_names.index(driven_name)
    rows = np.arange(linkage.row_count)
    if len(rows) > linkage.unknown_count:
        others = [int(i) for i in rows if i != driven]
        found = mobility_of(linkage, others, built.parts, {})
        rows = np.array(sorted([*found.independent, driven]))
    problem = Problem(linkage, driven, rows)
    held = np.zeros(1)
    if damper_mm is not None and built.damper_mm is not None:
        goal = built.damper_mm + part * (damper_mm - built.damper_mm)
        held = built.held_for_damper(np.array([goal]))
    return problem, Target(np.zeros(1), held)


def _screwed(joint: Joint, lengths: Mapping[str, float], part: float) -> Joint:
    """A link part of the way to its new length; any other joint as it is."""
    if not isinstance(joint, Rod) or joint.name not in lengths:
        return joint
    return replace(
        joint, length_mm=joint.length_mm + part * (lengths[joint.name] - joint.length_mm)
    )


def _misfit(problem: Problem, state: State, target: Target) -> str:
    """Which one part, made longer or shorter, would let the rest go together, and by how much.

    For each joint in turn the others are held hard and it is held softly; the joint that then
    misses by least is named.
    """
    from scipy.optimize import least_squares

    names = problem.linkage.row_names
    tried: list[tuple[float, float, str]] = []
    for name in dict.fromkeys(names):
        weight = np.array([1.0 if n == name else 1e3 for n in names])

        def miss(step: Array, weight: Array = weight) -> Array:
            scaled = step.reshape(-1, 6) * np.array([1.0] * 3 + [1.0 / SCALE_MM] * 3)
            rows = problem.rows(state.stepped(scaled.reshape(-1, 1)), target)
            return np.asarray(weight * rows.value[:, 0])

        found = least_squares(miss, np.full(problem.linkage.unknown_count, 1e-3))
        values = found.fun / weight
        mine = values[[n == name for n in names]]
        rest = np.abs(values[[n != name for n in names]]).max(initial=0.0)
        worst = float(mine[np.argmax(np.abs(mine))])
        if rest < 0.05 and abs(worst) > 1e-3 and name != WHEEL_HEIGHT:
            tried.append((abs(worst), worst, name))
    if not tried:
        return "does not go together: more than one part misses its joints"
    size, signed, name = min(tried)
    way = "short" if signed > 0.0 else "long"
    return f"does not go together: {name.replace('_', ' ')} {size:.1f} mm too {way}"


def _carried(
    table: AxleTable,
    before: Corner,
    new_points: Mapping[str, Array],
    solved: Mapping[str, Array],
    reference: Reference,
) -> dict[str, Array]:
    """How each body, joint axis and hose given by coordinates went along with its part."""
    after = replace(before, points=new_points)
    moves = {**solved, WHEEL: solved[KNUCKLE]}
    for name, arm in before.layout.arms.items():
        frames = [_frame(c, (*arm.pivots, arm.ball)) for c in (before, after)]
        moves[name] = frames[1] @ np.linalg.inv(frames[0])
    for name, rod in before.layout.rods.items():
        frames = [_frame(c, (rod.inner, rod.outer)) for c in (before, after)]
        moves[name] = frames[1] @ np.linalg.inv(frames[0])
    out = dict(reference.carried)
    members = {**moves, **member_moves(before, new_points)}
    for point, joint in table.joints.items():
        member = before.layout.member_at(point)
        if joint.stud_axis is not None and member in members:
            made = out.get(housing_of(point), out.get(f"joint {point}", np.eye(4)))
            out[housing_of(point)] = members[member] @ made
    placed = [*table.bodies, *(f"joint {p}" for p in table.joints)]
    for what in (*placed, *(f"hose {name}" for name in table.hoses)):
        part = rides_on(table, what)
        if part in moves:
            out[what] = moves[part] @ out.get(what, np.eye(4))
    for name in table.plates:
        out[f"plate {name}"] = solved[KNUCKLE] @ out.get(f"plate {name}", np.eye(4))
    return out


def _frame(corner: Corner, names: tuple[str, ...]) -> Array:
    """A frame (4, 4) fixed to a part by two or three of its points."""
    p = [corner.points[n] for n in names]
    x = unit(p[1] - p[0])
    side = p[2] - p[0] if len(p) > 2 else np.array([0.0, 0.0, 1.0])
    z = unit(np.cross(x, side))
    out = np.eye(4)
    out[:3, :3] = np.stack([x, np.cross(z, x), z], axis=1)
    out[:3, 3] = p[0]
    return out
