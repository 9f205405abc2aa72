"""The helper's slower work on what is seen: plates with their verdicts, and the map of limits."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from linkview.export.actor_shapes import actors_of, pads_of
from linkview.export.page_tables import plates_json
from linkview.limits.limit import Stops
from linkview.limits.readings import readings
from linkview.live.helper import Post, Work
from linkview.live.jobs import ShapeJob
from linkview.live.shapework import SLOTS, packed
from linkview.model.parts import Axle, Car, Side
from linkview.plates.drawn import drawn_plates
from linkview.study import AxleStudy, study_without_gaps

Json = dict[str, Any]


def whole_works() -> dict[str, Work]:
    """What takes longer: with plates, and the map of limits."""
    return {f"whole {s}": _whole for s in SLOTS}


def _whole(post: Post, job: ShapeJob) -> None:
    """With plates, their verdicts, the map of limits and what stops the axle first."""
    axle = job.car.axles[job.axle]
    drawn = drawn_plates(axle, job.shop)
    post.heed()
    plates = {side: [p.sides[side] for p in drawn if p.sides] for side in Side}
    actors = [*actors_of(axle, plates), *pads_of(axle)]
    post.heed()
    post.answer({"shapes": packed(job, actors)})
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
