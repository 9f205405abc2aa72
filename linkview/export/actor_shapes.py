"""The stage's pieces gathered into actors for viewers of other makes; see `export.actors`."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from functools import lru_cache

import numpy as np

from linkview.export.actors import Actor, ActorMesh
from linkview.geometry import Array, Z, frozen, length, rigid
from linkview.model.layouts import BODY, WHEEL
from linkview.model.parts import Axle, Side
from linkview.model.wording import spoken
from linkview.plates.plate import Plate
from linkview.scene.colours import Paint
from linkview.scene.pieces import Piece
from linkview.scene.primitives import Meshes, cylinder, frame_along
from linkview.scene.riding import Ride, Span, Underfoot, standing_at
from linkview.scene.shapes import axle_pieces
from linkview.scene.stage import PAD_MM, PAD_RADIUS_MM

_MOST = 100  # meshes kept; an axle of the demo car takes 45, and more would be felt in memory
_DECIMALS = 4  # of a mm, in the meshes: finer than any screen, and the same on every run


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
    if isinstance(move, Span):
        a, b = np.asarray(move.start.at), np.asarray(move.end.at)
        frame = frame_along(b - a, a)
        named = pieces[0].name or f"{move.start.part} to {move.end.part}"
    else:
        origin = np.zeros(3) if move.part == BODY else np.round(_middle(_meshes(pieces)), 1)
        frame = rigid(np.eye(3), origin)
        named = move.part
    by_look: dict[tuple[str, Paint], list[Piece]] = defaultdict(list)
    for piece in pieces:
        by_look[piece.name or f"{piece.paint.name.lower()} detail", piece.paint].append(piece)
    meshes = [_mesh(name, paint, some, frame) for (name, paint), some in by_look.items()]
    return Actor(f"{side.value} {spoken(named)}", side, move, frozen(frame), tuple(meshes))


def _meshes(pieces: Sequence[Piece]) -> Meshes:
    return Meshes(tuple(p.mesh for p in pieces))


@lru_cache(maxsize=_MOST)
def _middle(some: Meshes) -> Array:
    points = np.concatenate([np.asarray(m.points, dtype=float) for m in some.of])
    return frozen(0.5 * (points.min(axis=0) + points.max(axis=0)))


def _mesh(name: str, paint: Paint, pieces: Sequence[Piece], frame: Array) -> ActorMesh:
    return _made(spoken(name), paint, _meshes(pieces), tuple(frame.ravel().tolist()))


@lru_cache(maxsize=_MOST)
def _made(name: str, paint: Paint, some: Meshes, frame: tuple[float, ...]) -> ActorMesh:
    """Kept, for while a point is dragged most actors stay as they were."""
    stand = np.reshape(frame, (4, 4))
    turn = stand[:3, :3]
    starts = np.cumsum([0, *(m.n_points for m in some.of)])
    points = np.concatenate([np.asarray(m.points, dtype=float) for m in some.of])
    normals = np.concatenate([np.asarray(m.point_data["Normals"], dtype=float) for m in some.of])
    faces = [np.asarray(m.regular_faces) + s for m, s in zip(some.of, starts[:-1], strict=True)]
    points, normals = (points - stand[:3, 3]) @ turn, normals @ turn
    size = length(normals)[:, None]
    normals = np.where(size > 1e-6, normals / np.where(size > 1e-6, size, 1.0), [0.0, 0.0, 1.0])
    points = np.round(points, _DECIMALS)
    return ActorMesh(name, paint, points, normals, np.concatenate(faces).astype(np.intp))


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
