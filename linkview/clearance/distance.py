"""The gap between two bodies, for many poses at once, by the pair of their types.

Gaps are in mm, signed; points are (n, 3) in the car's frame at that pose; `answers.py` says what a
number means.

Found values lie at most 0.002 mm (revolved against tube) or 0.005 mm (revolved against mesh or
revolved) above the true least distance; the rest is exact to rounding, for the triangles given.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import fcl
import numpy as np

from linkview.clearance.answers import (
    GapState,
    PairGap,
    states,
    toward,
    unless_wrapped,
    with_contact,
)
from linkview.clearance.bodies import RevolvedSolid, Solid, TubeSolid, line_of
from linkview.clearance.compiled import kernels
from linkview.clearance.meshes import MeshSolid
from linkview.clearance.revolved import foot_on_surface, signed_distance
from linkview.errors import UnknownName, near_miss
from linkview.geometry import Array, Index, apply, frozen, inverse
from linkview.model.layouts import BODY

__all__ = ["GAP", "GapState", "PairGap", "Poses", "pair_gap"]

SEGMENT_TOLERANCE_MM = 0.002
SURFACE_TOLERANCE_MM = 0.005
_CROSSING_MM = 1e-9  # centre lines nearer than this cross: the depth is no longer their distance

Poses = Mapping[str, Array]


def pair_gap(a: Solid, b: Solid, poses: Poses) -> PairGap:
    """The gap between two solids at every pose; part name -> moves (n, 4, 4), NaN: no such pose.

    Moves take the reference pose to the present one; the body may be missing (it stays).
    UnknownName when another part that carries a solid is missing.
    """
    moves = _moves_of((*a.carriers, *b.carriers), poses)
    reached = np.all([np.isfinite(m).all(axis=(1, 2)) for m in moves.values()], axis=0)
    n = len(reached)
    gap, state = np.full(n, np.nan), np.full(n, GapState.UNKNOWN, dtype=np.int8)
    on_a, on_b = np.full((n, 3), np.nan), np.full((n, 3), np.nan)
    notes = tuple(f"{s.name}: {note}" for s in (a, b) for note in s.notes)
    if not reached.any():
        state.flags.writeable = False
        return PairGap(frozen(gap), state, frozen(on_a), frozen(on_b), False, notes)
    live = {part: m[reached] for part, m in moves.items()}
    constant = int(reached.sum()) > 1 and _never_move_apart(live)
    if constant:
        first = next(iter(live.values()))
        one = _measured(a, b, {part: m[:1] for part, m in live.items()})
        onward = first @ inverse(first[:1])
        found = PairGap(
            np.repeat(one.gap_mm, len(first)),
            np.repeat(one.state, len(first)),
            apply(onward, one.on_a),
            apply(onward, one.on_b),
        )
    else:
        found = _measured(a, b, live)
    gap[reached], state[reached] = found.gap_mm, found.state
    on_a[reached], on_b[reached] = found.on_a, found.on_b
    state.flags.writeable = False
    return PairGap(frozen(gap), state, frozen(on_a), frozen(on_b), constant, (*notes, *found.notes))


def _measured(a: Solid, b: Solid, moves: Poses) -> PairGap:
    """All poses reached; the two types in the order that GAP knows, equal types by name.

    So the order of asking never changes an answer, not even how deep an overlap is at least.
    """
    if (type(a), type(b)) in GAP and (type(a) is not type(b) or a.name <= b.name):
        return GAP[type(a), type(b)](a, b, moves)
    return GAP[type(b), type(a)](b, a, moves).swapped()


def _moves_of(parts: tuple[str, ...], poses: Poses) -> dict[str, Array]:
    n = next((len(m) for m in poses.values()), 1)
    moves: dict[str, Array] = {}
    for part in parts:
        if part in poses:
            moves[part] = np.asarray(poses[part], dtype=float)
        elif part == BODY:
            moves[part] = np.broadcast_to(np.eye(4), (n, 4, 4))
        else:
            raise UnknownName(f"no poses for part '{part}'; {near_miss(part, poses)}")
    return moves


def _never_move_apart(moves: Poses) -> bool:
    """Whether all parts keep one pose to each other, to within rounding (1e-9 mm per mm)."""
    first, *others = moves.values()
    back = inverse(first)
    for other in others:
        relative = back @ other
        if np.abs(relative - relative[:1]).max() > 1e-9 * max(1.0, np.abs(relative[0]).max()):
            return False
    return True


# --- where the solids stand ----------------------------------------------------------------


def _line(tube: TubeSolid, moves: Poses) -> Array:
    """The tube's centre line (n, k, 3) in the car's frame."""
    return line_of(tube.line, moves)


def _frame(solid: RevolvedSolid, moves: Poses) -> Array:
    return np.asarray(moves[solid.part] @ solid.home)


def _revolved_answer(
    solid: RevolvedSolid, frame: Array, value: Array, at: Array, shrink_mm: Array | float
) -> PairGap:
    """value (n,) found at (n, 3) in the solid's frame; the other's skin is shrink_mm outside it."""
    foot = foot_on_surface(solid.pieces, at)
    p, q = apply(frame, foot), apply(frame, at)
    return PairGap(value, states(value + shrink_mm < 0), p, toward(q, p, shrink_mm))


def _blank(n: int) -> tuple[Array, Array, Array]:
    return np.empty(n), np.empty((n, 3)), np.empty((n, 3))


def _packed(solid: RevolvedSolid) -> tuple[Array, Index, Array]:
    return solid.packed.sides, solid.packed.starts, solid.packed.roundings


# --- one function for each pair of types -----------------------------------------------------


def tube_to_tube(a: TubeSolid, b: TubeSolid, moves: Poses) -> PairGap:
    """Exact; once the centre lines cross, at least the sum of the radii deep."""
    line_a, line_b = _line(a, moves), _line(b, moves)
    apart, p, q = _blank(len(line_a))
    kernels().lines_apart(line_a, line_b, apart, p, q)
    return PairGap(
        apart - a.radius_mm - b.radius_mm,
        states(apart <= _CROSSING_MM),
        toward(p, q, a.radius_mm),
        toward(q, p, b.radius_mm),
    )


def revolved_to_tube(solid: RevolvedSolid, tube: TubeSolid, moves: Poses) -> PairGap:
    """Centre line against the solid's signed distance, everywhere along it, less the radius."""
    frame = _frame(solid, moves)
    line = apply(inverse(frame)[:, None], _line(tube, moves))
    value, at, _ = _blank(len(line))
    radius = tube.radius_mm
    kernels().round_to_line(*_packed(solid), line, radius, SEGMENT_TOLERANCE_MM, value, at)
    return _revolved_answer(solid, frame, value, at, tube.radius_mm)


def revolved_to_revolved(a: RevolvedSolid, b: RevolvedSolid, moves: Poses) -> PairGap:
    """The skin of b's cores against a's signed distance, less b's rounding."""
    frame_a, frame_b = _frame(a, moves), _frame(b, moves)
    across = inverse(frame_a) @ frame_b
    n = len(across)
    skins = [piece.skin for piece in b.pieces]
    edges = np.concatenate(skins)
    shrinks = np.repeat([piece.rounding_mm for piece in b.pieces], [len(skin) for skin in skins])
    value, at, _ = _blank(n)
    won = np.zeros(n, dtype=np.int64)
    kernels().round_to_rings(
        *_packed(a), edges, shrinks, across, SURFACE_TOLERANCE_MM, value, at, won
    )
    answer = _revolved_answer(a, frame_a, value, at, shrinks[won])
    swallowed = np.zeros(n, dtype=bool)
    for piece in a.pieces:
        middle = apply(inverse(across), piece.middle)
        swallowed |= signed_distance(b.pieces, middle) < 0
    return with_contact(answer, swallowed)


def revolved_to_mesh(solid: RevolvedSolid, mesh: MeshSolid, moves: Poses) -> PairGap:
    """The solid's signed distance over every triangle; then whether the mesh swallows the solid."""
    frame = _frame(solid, moves)
    into = np.ascontiguousarray(inverse(frame) @ moves[mesh.part])
    value, at, _ = _blank(len(into))
    tree = mesh.tree
    kernels().round_to_mesh(
        *_packed(solid),
        into,
        tree.triangles,
        tree.boxes,
        tree.links,
        SURFACE_TOLERANCE_MM,
        value,
        at,
    )
    answer = _revolved_answer(solid, frame, value, at, 0.0)
    for piece in solid.pieces:
        depth = -float(piece.distance(piece.middle[None])[0][0])
        middle = apply(inverse(into), piece.middle)
        clear = np.maximum(value - SURFACE_TOLERANCE_MM, 0.0) + depth
        answer = unless_wrapped(answer, mesh, middle, np.where(value > 0, clear, 0.0))
    return answer


def mesh_to_tube(mesh: MeshSolid, tube: TubeSolid, moves: Poses) -> PairGap:
    """Centre line against the triangles, less the radius; then whether the mesh swallows it."""
    home = moves[mesh.part]
    line = apply(inverse(home)[:, None], _line(tube, moves))
    least, p, q = _blank(len(line))
    tree = mesh.tree
    kernels().line_to_mesh(line, tree.triangles, tree.boxes, tree.links, least, p, q)
    p, q = apply(home, p), apply(home, q)
    answer = PairGap(
        least - tube.radius_mm,
        states(least <= _CROSSING_MM),
        q,
        toward(p, q, tube.radius_mm),
    )
    return unless_wrapped(answer, mesh, line[:, 0], least)


def mesh_to_mesh(a: MeshSolid, b: MeshSolid, moves: Poses) -> PairGap:
    """The library's mesh trees; touching is contact without a depth, swallowed is contact."""
    across = inverse(moves[a.part]) @ moves[b.part]
    n = len(across)
    gap, on_a, on_b = np.empty(n), np.empty((n, 3)), np.empty((n, 3))
    fixed, moving = fcl.CollisionObject(a.model), fcl.CollisionObject(b.model)
    request = fcl.DistanceRequest(enable_nearest_points=True)
    for i, move in enumerate(across):
        moving.setTransform(fcl.Transform(move[:3, :3], move[:3, 3]))
        result = fcl.DistanceResult()
        gap[i] = fcl.distance(fixed, moving, request, result)
        on_a[i], on_b[i] = result.nearest_points
    touching = ~(gap > 0)
    clear = np.where(touching, 0.0, gap)
    answer = PairGap(
        np.where(touching, np.nan, gap),
        states(touching),
        apply(moves[a.part], on_a),
        apply(moves[a.part], on_b),
    )
    for member in b.members:
        answer = unless_wrapped(answer, a, apply(across, member), clear)
    for member in a.members:
        answer = unless_wrapped(answer, b, apply(inverse(across), member), clear)
    return answer


GapFunction = Callable[[Any, Any, Poses], PairGap]
GAP: Mapping[tuple[type, type], GapFunction] = {
    (TubeSolid, TubeSolid): tube_to_tube,
    (RevolvedSolid, TubeSolid): revolved_to_tube,
    (RevolvedSolid, RevolvedSolid): revolved_to_revolved,
    (RevolvedSolid, MeshSolid): revolved_to_mesh,
    (MeshSolid, TubeSolid): mesh_to_tube,
    (MeshSolid, MeshSolid): mesh_to_mesh,
}
