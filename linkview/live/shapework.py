"""The helper's work on what is seen: the shapes of an axle and of what it is compared with."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import replace
from functools import lru_cache
from typing import Any

import numpy as np

from linkview.clearance.mesh_counts import require_room
from linkview.clearance.mesh_files import impossible_size, look_at, odd_size
from linkview.errors import MeshFault
from linkview.export.actor_shapes import actors_of, pads_of
from linkview.export.actors import Actor, ActorMesh
from linkview.export.page_stage import Blob, are_mirrored, mesh_json
from linkview.live.helper import Post, Work
from linkview.live.jobs import LookJob, ShapeJob, Shapes
from linkview.model.parts import Side
from linkview.units import MM_PER_UNIT

Json = dict[str, Any]
SLOTS = ("front", "rear")
# Of a mesh put in on the page: drawing a million takes 23 s of processor time, and 33 MB to a page.
MOST_TRIANGLES = 1_000_000
HOLDERS = 3  # helper processes that read it, for what is drawn, sampled and certain


def shape_works() -> dict[str, Work]:
    """Each axle and ghost is a kind of its own, so that one does not replace the other."""
    works: dict[str, Work] = {f"shapes {s}": _shapes for s in SLOTS}
    return works | {f"ghost {s}": _ghost for s in SLOTS} | {"mesh": _look}


def _shapes(post: Post, job: ShapeJob) -> None:
    """The parts without plates: quick enough while a point is dragged."""
    axle = job.car.axles[job.axle]
    actors = [*actors_of(axle), *pads_of(axle)]
    post.answer({"shapes": packed(job, actors)})


def _ghost(post: Post, job: ShapeJob) -> None:
    actors = [a for a in actors_of(job.car.axles[job.axle]) if not a.still]
    post.answer({"shapes": packed(job, actors)})


def _look(post: Post, job: LookJob) -> None:
    """What a mesh file holds, and what is to be said of its size in each unit."""
    try:
        require_room(job.path, job.path.name, most=MOST_TRIANGLES, holders=HOLDERS)
        found = look_at(job.path)
    except MeshFault as fault:
        post.answer({"mesh": job.token, "fault": str(fault)})
        return
    across = float(np.linalg.norm(found.high - found.low))
    units = {
        unit: {
            "wrong": impossible_size(across * mm),
            "odd": odd_size(across * mm, mm, job.car_mm),
        }
        for unit, mm in MM_PER_UNIT.items()
    }
    words = {"triangles": found.triangles, "closed": found.closed, "units": units}
    words |= {"low": [float(v) for v in found.low], "high": [float(v) for v in found.high]}
    post.answer({"mesh": job.token, "look": words})


def packed(job: ShapeJob, actors: Sequence[Actor]) -> Shapes:
    left = {a.name: a for a in actors if a.side is Side.LEFT}
    stage, meshes = [], {}
    for actor in actors:
        twin = left.get(actor.name.replace("right", "left", 1))
        item: Json = {"name": actor.name, "side": actor.side.value, "still": actor.still}
        item["frame"] = [round(float(v), 6) for v in actor.frame.ravel()]
        if actor.side is Side.RIGHT and twin is not None and are_mirrored(twin, actor):
            item["mirrorOf"] = twin.name
        else:
            item["meshes"] = []
            for mesh in actor.meshes:
                key, content = _keyed(mesh)
                meshes[key] = content
                item["meshes"].append({"name": mesh.name, "paint": mesh.paint.name, "key": key})
        stage.append(item)
    bare = tuple(replace(actor, meshes=()) for actor in actors)
    return Shapes(job.axle, job.slot, stage, meshes, bare, _frame(actors))


@lru_cache(maxsize=100)
def _keyed(mesh: ActorMesh) -> tuple[str, tuple[Json, bytes]]:
    blob = Blob()
    header = mesh_json(mesh, blob)
    content = bytes(blob.data)
    words = f"{header['low']} {header['step']}".encode()
    return hashlib.blake2b(words + content, digest_size=12).hexdigest(), (header, content)


def _frame(actors: Sequence[Actor]) -> Json:
    """The middle and half the size of what moves, mm."""
    moving = [a for a in actors if not a.still]
    points = np.concatenate([a.reach @ a.frame[:3, :3].T + a.frame[:3, 3] for a in moving])
    low, high = points.min(axis=0), points.max(axis=0)
    radius = 0.5 * float(np.linalg.norm(high - low))
    return {"middle": [round(float(v), 1) for v in 0.5 * (low + high)], "radius": round(radius, 1)}
