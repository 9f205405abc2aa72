"""The stage's pieces for viewers of other makes: which meshes move together, and their motion.

actor    meshes that share one motion: a part, a spring, the ground under a wheel
place    where an actor stands: shift, turn and stretch, as 3-D files and browsers want it

No window and no OpenGL is needed here.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from linkview.geometry import Array, apply, length, quaternions_of, turn_between, turn_of
from linkview.model.layouts import BODY, WHEEL
from linkview.model.parts import Side
from linkview.scene.colours import Paint
from linkview.scene.riding import Poses, Ride, Span, Underfoot, move_of, standing_at


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
        longer = np.ones((*shape, 1, 3))
        longer[..., 0, 2] = self.stretch
        local = points * longer
        return np.asarray(
            np.einsum("...ij,...nj->...ni", turn_of(self.turn), local) + self.shift[..., None, :]
        )


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


def standing(actors: Sequence[Actor], poses: Poses) -> Array:
    """Where actors of one side stand at one pose of its parts (4, 4): (k, 8) shift mm, quaternion
    x y z w of either sign, stretch; NaN where out of reach.

    What `places` says of each, but all turns at once, which are most of the time.
    """
    out, turns = np.empty((len(actors), 8)), np.empty((len(actors), 3, 3))
    spans: dict[int, tuple[Array, Array]] = {}
    for k, actor in enumerate(actors):
        move = actor.move
        if isinstance(move, Span):
            at = [apply(move_of(poses, e.part), np.asarray(e.at)) for e in (move.start, move.end)]
            spans[k] = np.subtract(move.end.at, move.start.at), at[1] - at[0]
            out[k, :3] = at[0]
        else:
            there = move.at(poses) @ actor.frame
            turns[k], out[k, :3], out[k, 7] = there[:3, :3], there[:3, 3], 1.0
    if spans:
        some, (before, now) = list(spans), np.array(list(spans.values())).swapaxes(0, 1)
        frames = np.array([actors[k].frame[:3, :3] for k in some])
        turns[some], out[some, 7] = turn_between(before, now) @ frames, length(now) / length(before)
    out[:, 3:7] = quaternions_of(turns)
    return out


def quaternions(turns: Array) -> Array:
    """Rotations (..., 3, 3) as unit quaternions (..., 4) x, y, z, w; NaN stays NaN.

    Neighbours along each axis differ by less than half a turn and never by the quaternion's sign.
    """
    flat = turns.reshape(-1, 3, 3)
    known = np.isfinite(flat).all(axis=(1, 2))
    out = np.full((len(flat), 4), np.nan)
    if known.any():
        out[known] = quaternions_of(flat[known])
        biggest = int(np.argmax(np.abs(out[known]).min(axis=0)))
        flip = np.asarray(out[:, biggest] < 0.0)
        out[flip] = -out[flip]
    return out.reshape(*turns.shape[:-2], 4)
