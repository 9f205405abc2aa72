"""The volume that a body sweeps over rack x travel, as a field that is negative inside it.

The domain's cells are split until no point of the body moves further than LOOSE_MM inside one
(`drift.py`); the body at each cell's middle, grown by that cell's bound, together hold every pose.
So the field's inside contains the true sweep of the domain (less the strip at the edge of reach,
which is reported), and reaches beyond it by the bound at most (each middle is itself a pose), plus
what is asked.

Between the grid's places a surface maker draws straight lines. Each pose's field is convex, with
second derivatives no more than 1 / (rounding + level) off the body, so lines overstate it by up to
step^2 / 4 over that; of the least of several never by more. `level` is that with half as much
again, and is where the surface is to be drawn.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from linkview.clearance.bodies import Solid, TubeSolid, line_of
from linkview.clearance.compiled import kernels
from linkview.clearance.domain import Domain
from linkview.clearance.drift import Drift, corners_of
from linkview.clearance.mesh_sweep import STEP_MM as MESH_STEP_MM
from linkview.clearance.mesh_sweep import mesh_sweep
from linkview.clearance.meshes import MeshSolid
from linkview.geometry import Array, Index, apply, frozen, inverse
from linkview.model.layouts import BODY

STEP_MM, LOOSE_MM = 10.0, 8.0
_MARGIN_STEPS = 3


@dataclass(frozen=True, eq=False)
class SweptVolume:
    """field (i, j, k) mm at origin + step * index; inside where it is under level_mm.

    over_mm: the surface lies this far outside the grown poses at most.
    grown_mm: the largest motion bound in it. poses: how many middles. strip: the share of the
    domain left open at the edge of reach, not in the volume.
    """

    body: str
    origin: Array
    step_mm: float
    field: Array
    level_mm: float
    over_mm: float
    grown_mm: float
    besides_mm: float
    poses: int
    strip: float


def sweep_volume(
    domain: Domain, solid: Solid, besides_mm: float, progress: Callable[[int, int], None]
) -> SweptVolume:
    """The volume of one body of the domain's corner, in the car's frame, grown by besides_mm.

    A mesh is taken as what it encloses, and its surface is coarser (`mesh_sweep.py`).
    """
    progress(0, 2)
    cells, bound, strip = _fine_cells(domain, solid)
    poses = {part: p[cells] for part, p in domain.all.poses.items()}
    poses[BODY] = np.broadcast_to(np.eye(4), (len(cells), 4, 4))
    progress(1, 2)
    return volume_of(solid, poses, bound, besides_mm, strip)


def volume_of(
    solid: Solid,
    poses: Mapping[str, Array],
    bound: Array,
    besides_mm: float,
    strip: float,
) -> SweptVolume:
    """The body at n poses (part -> (n, 4, 4)), each grown by its bound (n,) and by besides_mm."""
    if isinstance(solid, MeshSolid):
        mesh = mesh_sweep(solid, poses, bound, besides_mm)
        grid = mesh.origin, MESH_STEP_MM, mesh.field, mesh.level_mm, mesh.over_mm
        return _swept(solid.name, grid, bound, besides_mm, strip)
    if isinstance(solid, TubeSolid):
        lines = line_of(solid.line, poses)
        pack = np.zeros((1, 5)), np.zeros(1, dtype=np.int64), np.zeros(0)
        radius, moves = solid.radius_mm + solid.inside_mm, np.zeros((1, 4, 4))
        core, out, rounding = lines.reshape(-1, 3), radius, radius
    else:
        frame, p = poses[solid.part] @ solid.home, solid.packed
        lines, radius, moves = np.zeros((1, 1, 3)), -1.0, np.ascontiguousarray(inverse(frame))
        pack, rounding = (p.sides, p.starts, p.roundings), float(p.roundings.min())
        own = apply(inverse(solid.home), corners_of(solid).shares[0].at)
        core, out = apply(frame[:, None], own).reshape(-1, 3), float(p.roundings.max())
    grow = bound + besides_mm
    level = 1.5 * STEP_MM**2 / (4.0 * max(rounding, STEP_MM / 2.0))
    reach = out + float(grow.max()) + level + _MARGIN_STEPS * STEP_MM
    low, high = core.min(axis=0) - reach, core.max(axis=0) + reach
    field = np.empty(tuple(np.ceil((high - low) / STEP_MM).astype(int) + 1))
    kernels().swept_field(*pack, lines, radius, moves, grow, level, low, STEP_MM, field)
    return _swept(solid.name, (low, STEP_MM, field, level, level), bound, besides_mm, strip)


def _swept(
    name: str,
    grid: tuple[Array, float, Array, float, float],
    bound: Array,
    besides_mm: float,
    strip: float,
) -> SweptVolume:
    low, step, field, level, over = grid
    return SweptVolume(
        name,
        frozen(low),
        step,
        frozen(field),
        level,
        over,
        float(bound.max()),
        besides_mm,
        len(bound),
        strip,
    )


def _fine_cells(domain: Domain, solid: Solid) -> tuple[Index, Array, float]:
    """Cells in which the body moves LOOSE_MM at most, with how much (n,), and the strip's share."""
    corners = {solid.name: corners_of(solid)}
    done, bounds = [], []
    cells = domain.leaves[domain.all.reach.sure[domain.leaves]]
    strip = domain.share(domain.leaves) - domain.share(cells)
    while len(cells):
        drift = Drift(domain.motion(cells), corners)
        fall, sides = drift.alone(solid)
        room = domain.can_split(cells) & (sides > 0.0)
        small = (fall <= LOOSE_MM) | ~room.any(axis=1)
        done.append(cells[small])
        bounds.append(fall[small])
        cells, sides, room = cells[~small], sides[~small], room[~small]
        many = np.clip(np.ceil(2.0 * np.log2(fall[~small] / LOOSE_MM)), 1, 4)
        cuts = np.zeros(sides.shape, dtype=np.intp)
        size = np.where(room, sides, -1.0)
        rows = np.arange(len(cells))
        for k in range(4):
            side = np.argmax(size, axis=1)
            cuts[rows, side] += many > k
            size[rows, side] *= np.where(many > k, 0.5, 1.0)
        parts = domain.split(cells, cuts)
        cells = np.concatenate(parts) if parts else cells
        cells = np.unique(cells[~domain.all.out[cells]])
    return np.concatenate(done), np.concatenate(bounds), strip
