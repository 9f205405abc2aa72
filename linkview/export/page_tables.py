"""What the offline page says beside its stage: gaps, limits, stops, plates, as plain tables."""

from __future__ import annotations

from typing import Any

import numpy as np

from linkview.clearance.distance import GapState
from linkview.export.gap_words import gap_words
from linkview.export.page_stage import Blob
from linkview.export.report_gaps import how_sure
from linkview.geometry import Array
from linkview.limits.limit import Stops
from linkview.limits.readings import readings
from linkview.model.parts import Side
from linkview.model.wording import spoken
from linkview.plates.drawn import DrawnPlate
from linkview.plates.outline import Contour, sampled
from linkview.plates.plate import Plate
from linkview.plates.verdicts import Level, told_together
from linkview.study import AxleStudy, CarStudy

Json = dict[str, Any]
_CHORD_MM = 0.1


def gaps_json(study: AxleStudy, blob: Blob) -> Json:
    """Every pair, worst first, with its gap at every pose of the study's own grid.

    No pair is left out for being fine, and what was not measured is said to be unknown.
    """
    sweep = study.sweep.left
    rows: list[Json] = []
    for side, pair in study.worst_pairs(100_000):
        least = pair.least
        posed = least.steer is not None and least.travel is not None
        touching = least.state is GapState.CONTACT or least.gap_mm <= 0.0
        unknown = least.state is GapState.UNKNOWN or not posed
        state = "unknown" if unknown else "contact" if touching else "gap"
        rows.append(
            {
                "side": side.value,
                "a": spoken(pair.pair[0]),
                "b": spoken(pair.pair[1]),
                "state": state,
                "least": _number(least.gap_mm),
                "wanted": pair.wanted_mm,
                "short": state != "gap" or pair.margin_mm < 0.0,
                "rack": _number(float(sweep.rack_mm[least.steer])) if posed else None,
                "travel": _number(float(sweep.travel_mm[least.travel])) if posed else None,
                "onA": [_number(v) for v in least.on_a],
                "onB": [_number(v) for v in least.on_b],
                "words": gap_words(study, side, pair),
                "sure": how_sure(study, side, pair),
                "notes": list(pair.notes),
                "gap": blob.put(np.asarray(pair.gap_mm, dtype=np.float32)),
                "states": blob.put(np.asarray(pair.state, dtype=np.int8)),
            }
        )
    out = [
        {"side": side.value, "a": spoken(o.pair[0]), "b": spoken(o.pair[1]), "reason": o.reason}
        for side, survey in study.gaps.items()
        for o in survey.left_out
    ]
    return {
        "measured": bool(study.gaps),
        "mirror": study.axle.symmetric,
        "rack": [round(float(v), 5) for v in sweep.rack_mm],
        "travel": [round(float(v), 5) for v in sweep.travel_mm],
        "pairs": rows,
        "leftOut": out,
    }


def limits_json(study: AxleStudy, car: CarStudy, blob: Blob) -> Json:
    """Every limit's margin at every pose of the study's grid, and what stops the axle first."""
    items = []
    for r in readings(study.sweep, car.car):
        if not np.isfinite(r.margin).any():
            continue
        items.append(
            {
                "side": r.side.value,
                "name": r.name,
                "point": spoken(r.point),
                "unit": r.unit,
                "allowed": round(r.allowed, 3),
                "stops": r.stops is not Stops.NOTHING,
                "full": _full(r.margin, r.normalised),
                "margin": blob.put(np.asarray(r.margin, dtype=np.float32)),
            }
        )
    solved = study.sweep.left.solved & study.sweep.right.solved
    reasons: dict[str, str] = {}
    for corner in study.sweep.corners:
        for (i, j), words in corner.reasons.items():
            reasons.setdefault(f"{i},{j}", f"{corner.corner.side.value}: {words}")
    return {
        "items": items,
        "solved": blob.put(solved.astype(np.uint8)),
        "reasons": reasons,
        "words": list(study.stops.words),
    }


def _full(margin: Array, normalised: Array) -> float:
    """The margin that counts as 1."""
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = margin / normalised
    known = ratio[np.isfinite(ratio)]
    return float(known[0]) if len(known) else 1.0


def plates_json(study: AxleStudy) -> list[Json]:
    """Every plate's outline, order data and what the shop's rules say, or why it was refused."""
    return [_plate_json(plate) for plate in study.plates]


def _plate_json(drawn: DrawnPlate) -> Json:
    if drawn.refused is not None:
        return {"name": spoken(drawn.name), "refused": drawn.refused}
    plate = drawn.sides[Side.LEFT]
    width, height = plate.size_mm
    return {
        "name": spoken(drawn.name),
        "refused": None,
        "outline": _loop(plate.outline),
        "inner": [_loop(loop) for loop in plate.inner_loops],
        "size": [round(width, 2), round(height, 2)],
        "thickness": plate.thickness_mm,
        "material": plate.material,
        "quantity": plate.quantity,
        "mirrored": plate.mirrored,
        "joints": [spoken(pin.joint) for pin in plate.pins],
        "verdicts": [
            {"level": level.name.lower(), "words": words}
            for level in Level
            for words in told_together(drawn.verdicts, level)
        ],
        "notes": list(plate.notes),
        "slot": _slot_json(plate),
    }


def _slot_json(plate: Plate) -> Json | None:
    """What its slots move, on the left side: the point, which way (unit), mm each way."""
    if plate.adjusts is None:
        return None
    way = [round(float(v), 6) for v in plate.adjusts.way]
    return {"point": plate.adjusts.point, "way": way, "each": plate.adjusts.each_way_mm}


def _loop(loop: Contour) -> list[list[float]]:
    return [[round(float(x), 2), round(float(y), 2)] for x, y in sampled(loop, error_mm=_CHORD_MM)]


def _number(value: float) -> float | None:
    return round(float(value), 4) if np.isfinite(value) else None
