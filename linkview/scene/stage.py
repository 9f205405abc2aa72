"""Which mesh stands where for a pose, and in what colour; no window.

prop    pieces that move together and look alike, as one mesh
stage   all props of an axle; a ghost is a stage of its own
pose    both corners' part poses at one rack position and travel
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pyvista as pv

from linkview.errors import LinkageLocked
from linkview.geometry import Array, Z, frozen
from linkview.kinematics.sweep import AxleSweep, CornerSweep
from linkview.model.layouts import BODY, WHEEL
from linkview.model.parts import Axle, Corner, Side
from linkview.plates.plate import Plate
from linkview.scene.colours import Paint
from linkview.scene.pieces import Piece
from linkview.scene.primitives import cylinder, joined, ring, surface
from linkview.scene.riding import Move, Poses, Ride, Span, Underfoot, standing_at
from linkview.scene.shapes import axle_pieces

PAD_RADIUS_MM, PAD_MM = 215.0, 10.0


@dataclass(frozen=True, eq=False)
class AxlePose:
    """Both corners at one moment. corners: side -> part -> (4, 4) move from the reference.

    travel_mm: of each side's wheel centre, as asked for.
    """

    corners: Mapping[Side, Poses]
    rack_mm: float
    travel_mm: Mapping[Side, float]


def pose_of(sweep: AxleSweep, i: int, j: int) -> AxlePose:
    """The pose at rack i, travel j of a sweep. Raises LinkageLocked where it is out of reach."""
    for corner in sweep.corners:
        if not corner.solved[i, j]:
            who = f"{corner.corner.axle} {corner.corner.side.value}"
            raise LinkageLocked(f"{who}: {corner.reasons.get((i, j), 'out of reach')}")
    travel = float(sweep.left.travel_mm[j])
    return AxlePose(
        {c.corner.side: corner_poses(c, i, j) for c in sweep.corners},
        float(sweep.left.rack_mm[i]),
        {Side.LEFT: travel, Side.RIGHT: travel},
    )


def corner_poses(sweep: CornerSweep, i: int, j: int) -> Poses:
    """Every moving part's (4, 4) at one pose of a sweep."""
    return {part: frozen(moves[i, j]) for part, moves in sweep.poses.items()}


@dataclass(frozen=True, eq=False)
class Prop:
    """mesh: at the reference pose, car's frame. pieces: name -> its first and last + 1 vertex.

    marked: striped in the warning colour.
    """

    pieces: Mapping[str, tuple[int, int]]
    mesh: pv.PolyData
    paint: Paint
    move: Move
    side: Side
    marked: bool = False


@dataclass(frozen=True, eq=False)
class Stage:
    """All props of an axle."""

    axle: Axle
    props: tuple[Prop, ...]

    def placings(self, pose: AxlePose) -> Array:
        """(n, 4, 4): where each prop stands."""
        return np.array([prop.move.at(pose.corners[prop.side]) for prop in self.props])

    def framing(self, placings: Array) -> Array:
        """Places (m, 3) that a picture of the whole axle has to hold: all but the shell."""
        out = []
        for prop, placing in zip(self.props, placings, strict=True):
            if prop.paint is not Paint.SHELL:
                points = np.asarray(prop.mesh.points, dtype=float)
                points = points[:: max(len(points) // 100, 1)]
                out.append(points @ placing[:3, :3].T + placing[:3, 3])
        return np.concatenate(out)


def stage_of(
    axle: Axle,
    *,
    plates: Mapping[Side, Sequence[Plate]] | None = None,
    marked: Mapping[Side, frozenset[str]] | None = None,
) -> Stage:
    """Build everything once. marked: names of bodies to stripe as a warning, by side."""
    props = [*_gathered(axle_pieces(axle, plates), marked or {})]
    props += [make(corner) for corner in axle.corners for make in (_pad, _shadow)]
    return Stage(axle, tuple(props))


def ghost_stage(axle: Axle) -> Stage:
    """Another state of the axle, to be drawn pale: what moves, without the shell and the pads."""
    props = _gathered(axle_pieces(axle), {})
    moving = (p for p in props if not (isinstance(p.move, Ride) and p.move.part == BODY))
    return Stage(axle, tuple(replace(p, paint=Paint.GHOST) for p in moving))


def _gathered(
    pieces: Mapping[Side, Sequence[Piece]], marked: Mapping[Side, frozenset[str]]
) -> Iterator[Prop]:
    """One prop for all pieces of a side that ride on one part in one paint: fewer draw calls."""
    groups: dict[tuple[Side, Paint, bool, object], list[Piece]] = defaultdict(list)
    for side, some in pieces.items():
        for piece in some:
            mark = piece.name in marked.get(side, ())
            alone = mark or isinstance(piece.move, Span)
            groups[side, piece.paint, mark, id(piece) if alone else piece.move].append(piece)
    for (side, paint, mark, _), some in groups.items():
        mesh = joined([p.mesh for p in some])
        yield Prop(_vertex_ranges(some), mesh, paint, some[0].move, side, mark)


def _vertex_ranges(pieces: Sequence[Piece]) -> dict[str, tuple[int, int]]:
    """Where each named piece's vertices lie in their joined mesh; the first of a name counts."""
    ranges: dict[str, tuple[int, int]] = {}
    start = 0
    for piece in pieces:
        end = start + piece.mesh.n_points
        if piece.name:
            ranges.setdefault(piece.name, (start, end))
        start = end
    return ranges


def _pad(corner: Corner) -> Prop:
    """A round pad under the wheel, its top in the wheel's ground plane, ringed at the centre."""
    at = standing_at(corner, {WHEEL: np.eye(4)})
    disc = cylinder(at - PAD_MM * Z, at - 0.5 * Z, PAD_RADIUS_MM, count=72)
    rim = ring(
        at - 0.5 * PAD_MM * Z, Z, inner=PAD_RADIUS_MM + 5.0, outer=PAD_RADIUS_MM + 11.0,
        half_width=0.5 * PAD_MM,
    )  # fmt: skip
    return Prop({}, joined([disc, rim]), Paint.PAD, Underfoot(corner), corner.side)


def _shadow(corner: Corner) -> Prop:
    """A soft dark patch on the pad round the contact centre, longer along the wheel."""
    at = standing_at(corner, {WHEEL: np.eye(4)}) + 0.8 * Z
    rings, around = np.linspace(0.0, 1.0, 12), np.linspace(0.0, 2.0 * np.pi, 48, endpoint=False)
    x = 1.0 * rings[:, None] * np.cos(around) * 0.95 * PAD_RADIUS_MM
    y = 0.8 * rings[:, None] * np.sin(around) * 0.95 * PAD_RADIUS_MM
    points = at + np.stack([x, y, np.zeros_like(x)], -1).reshape(-1, 3)
    mesh = surface(points, len(rings), len(around))
    dark = np.repeat(150.0 * (1.0 - rings) ** 1.5, len(around))
    rgba = np.column_stack([np.tile(Paint.SHADOW.rgb, (len(points), 1)), dark]).astype(np.uint8)
    mesh.point_data["rgba"] = rgba
    return Prop({}, mesh, Paint.SHADOW, Underfoot(corner), corner.side)
