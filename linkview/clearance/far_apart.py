"""Pairs that stay far apart at every pose, told by spheres round them.

The figure is a floor under the true gap, so it may be said of a pair but never beats a measurement.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from linkview.clearance.bodies import RevolvedSolid, Solid, TubeSolid, tube_solid
from linkview.clearance.distance import SURFACE_TOLERANCE_MM, GapState, Poses, pair_gap
from linkview.clearance.meshes import MeshSolid
from linkview.geometry import Array, apply, length
from linkview.model.bodies import Anchor, Tube


def floor_mm(a: Solid, b: Solid, poses: Poses) -> float:
    """No pose brings the two nearer than this, mm; may be negative. Unreached poses are left out.

    poses: part -> moves (..., 4, 4); parts that are not in it stand still.
    """
    (at_a, radius_a), (at_b, radius_b) = (_sphere(s, poses) for s in (a, b))
    apart = length(at_a - at_b) - radius_a - radius_b
    known = apart[np.isfinite(apart)]
    return float(known.min()) if known.size else -np.inf


def ball_floor_mm(a: MeshSolid, b: Solid, poses: Poses) -> float:
    """As `floor_mm`, closer: a ball round the mesh is measured against b itself.

    For a small mesh beside a large body it costs little and tells much more than two spheres do.
    poses: part -> moves (..., 4, 4). Minus infinity unless b is clear of the ball at every pose.
    """
    corners = _corners(a)
    middle = (corners.min(axis=0) + corners.max(axis=0)) / 2.0
    radius = float(length(corners - middle).max()) + a.inside_mm
    ball = tube_solid(Tube(a.name, a.part, (Anchor(a.part, middle),), radius))
    flat = {part: np.asarray(move).reshape(-1, 4, 4) for part, move in poses.items()}
    found = pair_gap(ball, b, flat)
    moves = [flat[part] for part in (*ball.carriers, *b.carriers) if part in flat]
    reached = np.all([np.isfinite(m).all(axis=(1, 2)) for m in moves], axis=0)
    if not reached.any() or (found.state[reached] != GapState.MEASURED).any():
        return -np.inf
    return float(found.gap_mm[reached].min()) - SURFACE_TOLERANCE_MM - b.inside_mm


def _sphere(solid: Solid, poses: Poses) -> tuple[Array, Array]:
    """Centres (..., 3) and radii (...) of a sphere round a body at every pose."""
    if isinstance(solid, TubeSolid):
        shares = (
            s.weight[:, None] * apply(_move(s.part, poses)[..., None, :, :], s.at)
            for s in solid.hull
        )
        spots = np.asarray(sum(shares))
        middle = spots.mean(axis=-2)
        reach = length(spots - middle[..., None, :]).max(axis=-1)
        return middle, np.asarray(reach + solid.radius_mm + solid.inside_mm)
    corners = _corners(solid)
    middle = (corners.min(axis=0) + corners.max(axis=0)) / 2.0
    radius = float(length(corners - middle).max())
    return apply(_move(solid.part, poses), middle), np.asarray(radius)


def _corners(solid: Solid) -> Array:
    if isinstance(solid, RevolvedSolid):
        reach = max(
            float(length(np.asarray(piece.corners)).max()) + piece.rounding_mm
            for piece in solid.pieces
        )
        return solid.home[:3, 3] + reach * np.concatenate([np.eye(3), -np.eye(3)])
    assert not isinstance(solid, TubeSolid)
    return solid.triangles.reshape(-1, 3)


def _move(part: str, poses: Mapping[str, Array]) -> Array:
    return np.asarray(poses.get(part, np.eye(4)))
