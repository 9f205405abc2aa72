"""The stage's pieces for viewers of other makes: which meshes move together, and their motion.

actor    meshes that share one motion: a part, a spring, the ground under a wheel
place    where an actor stands: shift, turn and stretch, as 3-D files and browsers want it

No window and no OpenGL is needed here.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from linkview.geometry import Array, Z, apply, frozen, length, rigid, turn_between
from linkview.model.layouts import BODY, WHEEL
from linkview.model.parts import Axle, Side
from linkview.plates.plate import Plate
from linkview.scene.colours import Paint
from linkview.scene.pieces import Piece, Poses, Ride, Span, move_of
from linkview.scene.primitives import cylinder, frame_along, joined
from linkview.scene.shapes import axle_pieces
from linkview.scene.stage import PAD_MM, PAD_RADIUS_MM, Underfoot, standing_at
from linkview.study import spoken

_DECIMALS = 4  # of a mm, in the meshes: finer than any screen, and the same on every run


@dataclass(frozen=True, eq=False)
class ActorMesh:
    """name: the body's, or what it is painted as. points (n, 3) mm and normals (n, 3) in the
    actor's frame; faces (m, 3).
    """

    name: str
    paint: Paint
    points: Array
    normals: Array
    faces: NDArray[np.intp]


@dataclass(frozen=True, eq=False)
class Places:
    """Where an actor stands at poses (...): shift (..., 3) mm of its origin, turn (..., 4) as a
    quaternion x, y, z, w, stretch (...) along its own z. NaN where out of reach.
    """

    shift: Array
    turn: Array
    stretch: Array

    def apply(self, points: Array) -> Array:
        """Points (n, 3) of the actor's frame -> the car's frame, (..., n, 3)."""
        shape = self.stretch.shape
        turn = Rotation.from_quat(self.turn.reshape(-1, 4)).as_matrix().reshape(*shape, 3, 3)
        longer = np.ones((*shape, 1, 3))
        longer[..., 0, 2] = self.stretch
        local = points * longer
        return np.asarray(np.einsum("...ij,...nj->...ni", turn, local) + self.shift[..., None, :])


@dataclass(frozen=True, eq=False)
class Actor:
    """name: 'left lower arm'. frame (4, 4): the actor's own -> the car's, at the reference."""

    name: str
    side: Side
    move: Ride | Span | Underfoot
    frame: Array
    meshes: tuple[ActorMesh, ...]

    @property
    def still(self) -> bool:
        return isinstance(self.move, Ride) and self.move.part == BODY

    @property
    def reach(self) -> Array:
        """Corners (8, 3) of the box round its meshes, mm in its own frame."""
        points = np.concatenate([m.points for m in self.meshes])
        ends = np.array([points.min(axis=0), points.max(axis=0)])
        which = np.array([[k >> axis & 1 for axis in range(3)] for k in range(8)])
        return np.asarray(ends[which, np.arange(3)])

    def places(self, poses: Poses) -> Places:
        """For part moves (..., 4, 4) of its own side; the body's stand still."""
        shape = next(iter(poses.values())).shape[:-2]
        shape = next(iter(poses.values())).shape[:-2]
        if isinstance(self.move, Span):
            return self._spanning(self.move, poses)
        if isinstance(self.move, Underfoot):
            shift = standing_at(self.move.corner, poses) - standing_at(
                self.move.corner, {WHEEL: np.eye(4)}
            )
            still = np.broadcast_to(np.array([0.0, 0.0, 0.0, 1.0]), (*shape, 4))
            known = np.asarray(np.isfinite(shift).all(axis=-1))
            turn = np.where(known[..., None], still, np.nan)
            return Places(shift + self.frame[:3, 3], turn, np.where(known, 1.0, np.nan))
        move = np.broadcast_to(move_of(poses, self.move.part), (*shape, 4, 4))
        turn = quaternions(move[..., :3, :3] @ self.frame[:3, :3])
        known = np.asarray(np.isfinite(turn).all(axis=-1))
        return Places(apply(move, self.frame[:3, 3]), turn, np.where(known, 1.0, np.nan))

    def _spanning(self, span: Span, poses: Poses) -> Places:
        a, b = np.asarray(span.start.at), np.asarray(span.end.at)
        now_a = apply(move_of(poses, span.start.part), a)
        now_b = apply(move_of(poses, span.end.part), b)
        turn = turn_between(b - a, now_b - now_a) @ self.frame[:3, :3]
        stretch = length(now_b - now_a) / length(b - a)
        return Places(now_a + 0.0 * stretch[..., None], quaternions(turn), stretch)


def quaternions(turns: Array) -> Array:
    """Rotations (..., 3, 3) as unit quaternions (..., 4) x, y, z, w; NaN stays NaN.

    Neighbours along each axis differ by less than half a turn and never by the quaternion's sign.
    """
    flat = turns.reshape(-1, 3, 3)
    known = np.isfinite(flat).all(axis=(1, 2))
    out = np.full((len(flat), 4), np.nan)
    if known.any():
        out[known] = Rotation.from_matrix(flat[known]).as_quat()
        biggest = int(np.argmax(np.abs(out[known]).min(axis=0)))
        flip = np.asarray(out[:, biggest] < 0.0)
        out[flip] = -out[flip]
    return out.reshape(*turns.shape[:-2], 4)


def actors_of(
    axle: Axle, plates: Mapping[Side, Sequence[Plate]] | None = None
) -> tuple[Actor, ...]:
    """Everything to show of an axle, grouped by what moves it; in the same order every time."""
    out: list[Actor] = []
    for side, pieces in axle_pieces(axle, plates).items():
        groups: dict[object, list[Piece]] = defaultdict(list)
        for piece in pieces:
            alone = isinstance(piece.move, Span)
            groups[id(piece) if alone else piece.move].append(piece)
        for some in groups.values():
            out.append(_actor(side, some))
    return tuple(_told_apart(out))


def pads_of(axle: Axle) -> tuple[Actor, ...]:
    """A round pad on the ground under each wheel, which stays level under its contact centre."""
    out = []
    for corner in axle.corners:
        at = np.round(standing_at(corner, {WHEEL: np.eye(4)}), 1)
        disc = cylinder(-PAD_MM * Z, -0.5 * Z, PAD_RADIUS_MM, count=48)
        piece = Piece("", disc, Paint.PAD, Ride(WHEEL))
        mesh = _mesh("ground", Paint.PAD, [piece], np.eye(4))
        frame = frozen(rigid(np.eye(3), at))
        out.append(
            Actor(f"{corner.side.value} ground", corner.side, Underfoot(corner), frame, (mesh,))
        )
    return tuple(out)


def _actor(side: Side, pieces: Sequence[Piece]) -> Actor:
    move = pieces[0].move
    points = np.concatenate([np.asarray(p.mesh.points, dtype=float) for p in pieces])
    if isinstance(move, Span):
        a, b = np.asarray(move.start.at), np.asarray(move.end.at)
        frame = frame_along(b - a, a)
        named = pieces[0].name or f"{move.start.part} to {move.end.part}"
    else:
        middle = 0.5 * (points.min(axis=0) + points.max(axis=0))
        origin = np.zeros(3) if move.part == BODY else np.round(middle, 1)
        frame = rigid(np.eye(3), origin)
        named = move.part
    by_look: dict[tuple[str, Paint], list[Piece]] = defaultdict(list)
    for piece in pieces:
        by_look[piece.name or f"{piece.paint.name.lower()} detail", piece.paint].append(piece)
    meshes = [_mesh(name, paint, some, frame) for (name, paint), some in by_look.items()]
    return Actor(f"{side.value} {spoken(named)}", side, move, frozen(frame), tuple(meshes))


def _mesh(name: str, paint: Paint, pieces: Sequence[Piece], frame: Array) -> ActorMesh:
    mesh = joined([p.mesh for p in pieces])
    turn = frame[:3, :3]
    points = (np.asarray(mesh.points, dtype=float) - frame[:3, 3]) @ turn
    normals = np.asarray(mesh.point_data["Normals"], dtype=float) @ turn
    size = length(normals)[:, None]
    normals = np.where(size > 1e-6, normals / np.where(size > 1e-6, size, 1.0), [0.0, 0.0, 1.0])
    faces = np.asarray(mesh.regular_faces, dtype=np.intp)
    return ActorMesh(spoken(name), paint, np.round(points, _DECIMALS), normals, faces)


def _told_apart(actors: Sequence[Actor]) -> list[Actor]:
    """Names made single by a number where two actors share one."""
    seen: dict[str, int] = defaultdict(int)
    out = []
    for actor in actors:
        seen[actor.name] += 1
        count = seen[actor.name]
        name = actor.name if count == 1 else f"{actor.name} {count}"
        out.append(Actor(name, actor.side, actor.move, actor.frame, actor.meshes))
    return out
