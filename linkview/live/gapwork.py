"""The helper's work on gaps: at one pose, sampled over the range, and certified between poses."""

from __future__ import annotations

import time
from typing import Any

import numpy as np

from linkview.clearance.certified import Certainty, Certified
from linkview.clearance.compiled import compile_all, compiled_before
from linkview.clearance.distance import GapState
from linkview.clearance.gaps import GapSurvey, SurveyedPair, survey
from linkview.geometry import Array
from linkview.kinematics.sweep import AxleSweep, grid_of, sweep_corner
from linkview.live.helper import Post, Work
from linkview.live.jobs import GapJob
from linkview.live.moving import swept_at
from linkview.model.parts import Side
from linkview.model.wording import spoken
from linkview.plates.drawn import drawn_plates
from linkview.plates.measured import measured_gaps
from linkview.study import swept

Json = dict[str, Any]
TOLD_EVERY_S = 0.2  # pairs that have become certain, while others are still at work
SAMPLED = (11, 7)  # racks and travels while a point is dragged: a third of the time of 21 x 11


def quick_works() -> dict[str, Work]:
    """What is watched while a point is dragged: sampled before posed."""
    return {"warm": _warm, "sampled": _sampled, "posed": _posed}


def certain_works() -> dict[str, Work]:
    """What takes seconds."""
    return {"certified": _certified}


def _warm(post: Post, given: object) -> None:
    if not compiled_before():
        post.answer({"compiling": True})
    compile_all()
    post.answer({"ready": True})


def _sampled(post: Post, job: GapJob) -> None:
    """Every pair's least gap on a coarse grid: quick, and certain at its poses only."""
    axle = job.car.axles[job.axle]
    racks, travels = SAMPLED
    rack_mm, travel_mm = grid_of(axle, rack_count=racks, travel_count=travels)
    found = {}
    for corner in axle.corners[:1] if axle.symmetric else axle.corners:
        sweep = sweep_corner(corner, rack_mm, travel_mm, axle.hold)
        found[corner.side] = survey(
            corner, sweep.poses, wanted=axle.wanted_gaps, left_out=axle.left_out
        )
        post.heed()
    pairs = pairs_json(found, rack_mm, travel_mm)
    grid = f"{len(rack_mm)} x {len(travel_mm)}"
    post.answer({"axle": job.axle, "pairs": pairs, "grid": grid})


def _posed(post: Post, job: GapJob) -> None:
    """Every pair's gap at one exact pose, on both sides, with the places nearest each other."""
    axle = job.car.axles[job.axle]
    sweep = swept_at(axle, [job.inputs])
    even = axle.symmetric and job.inputs.rack_mm == 0.0 and job.inputs.roll_deg == 0.0
    out = []
    for corner in sweep.corners[:1] if even else sweep.corners:
        if not corner.solved.all():
            continue
        found = survey(corner.corner, corner.poses, wanted=axle.wanted_gaps, left_out=axle.left_out)
        out += [_posed_json(corner.corner.side, pair) for pair in found.pairs]
    if even:
        out += [_mirrored_json(item) for item in out]
    at = [job.inputs.rack_mm, job.inputs.travel_mm, job.inputs.roll_deg]
    post.answer({"axle": job.axle, "pairs": out, "at": at})


def _posed_json(side: Side, pair: SurveyedPair) -> Json:
    least = pair.least
    return {
        "side": side.value,
        "a": spoken(pair.pair[0]),
        "b": spoken(pair.pair[1]),
        "state": _state(pair),
        "gap": _number(least.gap_mm),
        "wanted": pair.wanted_mm,
        "onA": [_number(v) for v in least.on_a],
        "onB": [_number(v) for v in least.on_b],
    }


def _mirrored_json(item: Json) -> Json:
    """The same pair on the other side of a symmetric axle."""
    side = Side.LEFT if item["side"] == Side.RIGHT.value else Side.RIGHT
    flipped = {
        key: [v if v is None or k != 1 else -v for k, v in enumerate(item[key])]
        for key in ("onA", "onB")
    }
    return {**item, "side": side.value, **flipped}


def _certified(post: Post, job: GapJob) -> None:
    """Certain between the poses too, on the usual grid, plates among the bodies."""
    axle = job.car.axles[job.axle]

    def tell(what: str, done: int, count: int) -> None:
        post.heed()
        post.answer({"axle": job.axle, "what": what, "done": done, "count": count})

    sure: list[tuple[Side, SurveyedPair]] = []
    told_at = 0.0

    def certain(side: Side, pair: SurveyedPair) -> None:
        nonlocal told_at
        sure.append((side, pair))
        if time.monotonic() - told_at > TOLD_EVERY_S:
            told_at = time.monotonic()
            post.heed()
            post.answer({"axle": job.axle, "sure": [_pair_json(s, p, *grid) for s, p in sure]})

    sweep = swept(axle)
    grid = sweep.left.rack_mm, sweep.left.travel_mm
    found = measured_gaps(sweep, job.car, tell, drawn_plates(axle, job.shop), certain)
    pairs = pairs_json(found, *grid)
    left_out = [
        {"side": side.value, "a": spoken(o.pair[0]), "b": spoken(o.pair[1]), "reason": o.reason}
        for side, one in found.items()
        for o in one.left_out
    ]
    touching = _touching(found, sweep)
    post.answer({"axle": job.axle, "pairs": pairs, "leftOut": left_out, "touching": touching})


def _touching(found: dict[Side, GapSurvey], sweep: AxleSweep) -> Json:
    """Poses at which any pair touches that can move, for the map; symmetric axles both ways."""
    touch = np.zeros(sweep.left.solved.shape, dtype=bool)
    for one in found.values():
        for pair in one.pairs:
            if pair.constant:
                continue
            with np.errstate(invalid="ignore"):
                touch |= (pair.state == GapState.CONTACT) | (pair.gap_mm <= 0.0)
    if sweep.axle.symmetric:
        touch = touch | touch[::-1]
    return {
        "rack": sweep.left.rack_mm.tolist(),
        "travel": sweep.left.travel_mm.tolist(),
        "at": touch.astype(int).ravel().tolist(),
    }


def pairs_json(found: dict[Side, GapSurvey], rack_mm: Array, travel_mm: Array) -> list[Json]:
    """Every pair, worst first; the grid it was measured on."""
    both = [(side, pair) for side, one in found.items() for pair in one.pairs]
    ordered = sorted(both, key=lambda item: item[1].badness)
    return [_pair_json(side, pair, rack_mm, travel_mm) for side, pair in ordered]


def _pair_json(side: Side, pair: SurveyedPair, rack_mm: Array, travel_mm: Array) -> Json:
    least = pair.least
    posed = least.steer is not None and least.travel is not None
    state = _state(pair)
    return {
        "side": side.value,
        "a": spoken(pair.pair[0]),
        "b": spoken(pair.pair[1]),
        "state": state,
        "least": _number(least.gap_mm),
        "wanted": pair.wanted_mm,
        "short": state != "gap" or not pair.margin_mm >= 0.0,
        "rack": float(rack_mm[least.steer]) if posed else None,
        "travel": float(travel_mm[least.travel]) if posed else None,
        "certain": _certain_json(pair.certain),
        "notes": list(pair.notes),
        "rank": [pair.badness[0], _number(pair.badness[1])],
    }


def _certain_json(certain: Certified | None) -> Json | None:
    if certain is None:
        return None
    return {
        "verdict": certain.verdict.name.lower(),
        "low": _number(certain.lower_mm),
        "high": _number(certain.upper_mm),
        "reason": certain.reason if certain.verdict is Certainty.UNDECIDED else "",
    }


def _state(pair: SurveyedPair) -> str:
    certain = pair.certain
    if certain is not None and certain.verdict is Certainty.CONTACT:
        return "contact"
    if pair.least.state is GapState.UNKNOWN:
        return "unknown"
    return "contact" if pair.least.state is GapState.CONTACT or pair.least.gap_mm <= 0 else "gap"


def _number(value: float) -> float | None:
    return round(float(value), 4) if np.isfinite(value) else None
