"""The helper's work on what is seen: shapes of an axle, its plates, and the map of its limits."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from linkview.export.actors import Actor, ActorMesh, actors_of, pads_of
from linkview.export.page_stage import Blob, are_mirrored, mesh_json
from linkview.export.page_tables import plates_json
from linkview.limits.limit import Stops
from linkview.limits.readings import readings
from linkview.live.helper import Post, Work
from linkview.model.parts import Axle, Car, Side
from linkview.study import AxleStudy, drawn_plates, study_without_gaps

Json = dict[str, Any]


@dataclass(frozen=True, eq=False)
class ShapeJob:
    """slot: where on the page the shapes belong; comes back with them. shop: for plates."""

    car: Car
    axle: str
    slot: str
    shop: Any = None


@dataclass(frozen=True, eq=False)
class Shapes:
    """What a page needs to show an axle. stage: actors by name, their meshes named by `key`.

    meshes: key -> (header, bytes); a page that has a key is not sent it again. actors: without
    meshes, to place them. centre, radius: of what moves, mm.
    """

    axle: str
    slot: str
    stage: list[Json]
    meshes: dict[str, tuple[Json, bytes]]
    actors: tuple[Actor, ...]
    frame: Json


def shape_works() -> dict[str, Work]:
    """Each axle and ghost is a kind of its own, so that one does not replace the other."""
    slots = ("front", "rear")
    works: dict[str, Work] = {f"shapes {s}": _shapes for s in slots}
    works |= {f"ghost {s}": _ghost for s in slots}
    return works | {f"whole {s}": _whole for s in slots}


def _shapes(post: Post, job: ShapeJob) -> None:
    """The parts without plates: quick enough while a point is dragged."""
    axle = job.car.axles[job.axle]
    actors = [*actors_of(axle), *pads_of(axle)]
    post.heed()
    post.answer({"shapes": _packed(job, actors)})


def _ghost(post: Post, job: ShapeJob) -> None:
    actors = [a for a in actors_of(job.car.axles[job.axle]) if not a.still]
    post.heed()
    post.answer({"shapes": _packed(job, actors)})


def _whole(post: Post, job: ShapeJob) -> None:
    """With plates, their verdicts, the map of limits and what stops the axle first."""
    axle = job.car.axles[job.axle]
    drawn = drawn_plates(axle, job.shop)
    post.heed()
    plates = {side: [p.sides[side] for p in drawn if p.sides] for side in Side}
    actors = [*actors_of(axle, plates), *pads_of(axle)]
    post.heed()
    post.answer({"shapes": _packed(job, actors)})
    study = _study(job.car, axle, drawn)
    post.heed()
    post.answer({"axle": job.axle, "plates": plates_json(study), "map": map_json(study, job.car)})


def _study(car: Car, axle: Axle, drawn: Sequence[Any]) -> AxleStudy:
    alone = replace(car, axles={axle.name: replace(axle, plates={})})
    shop: Any = None
    study = study_without_gaps(alone, shop, lambda what, done, count: None)
    return replace(study.axles[axle.name], axle=axle, plates=tuple(drawn))


def map_json(study: AxleStudy, car: Car) -> Json:
    """The tightest stopping limit at every pose of the usual grid: its share left and its name."""
    sweep = study.sweep
    solved = sweep.left.solved & sweep.right.solved
    best = np.full(solved.shape, np.inf)
    which = np.full(solved.shape, -1)
    names: list[str] = []
    for r in readings(sweep, car):
        if r.stops is Stops.NOTHING or not np.isfinite(r.normalised).any():
            continue
        share = np.where(np.isfinite(r.normalised), r.normalised, np.inf)
        which = np.where(share < best, len(names), which)
        best = np.minimum(best, share)
        names.append(f"{r.side.value} {r.name}")
    shares = [round(float(v), 4) if np.isfinite(v) else None for v in best.ravel()]
    return {
        "rack": sweep.left.rack_mm.tolist(),
        "travel": sweep.left.travel_mm.tolist(),
        "solved": solved.astype(int).ravel().tolist(),
        "share": shares,
        "which": which.ravel().tolist(),
        "names": names,
        "words": list(study.stops.words),
    }


def _packed(job: ShapeJob, actors: Sequence[Actor]) -> Shapes:
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
