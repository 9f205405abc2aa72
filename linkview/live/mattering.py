"""Which millimetre matters at a pose: every reading's slopes by hard point, for the page."""

from __future__ import annotations

from typing import Any

import numpy as np

from linkview.alignment.quantities import QUANTITIES
from linkview.alignment.sensitivity import RANKED, Sensitivity, sensitivities
from linkview.geometry import Array
from linkview.kinematics.sensitivity import Sizes
from linkview.limits.sensitivity import StopSlopes, stop_slopes, travel_stop_slopes
from linkview.live.moving import Inputs
from linkview.model.parts import Axle, Car, Side

Json = dict[str, Any]
LEAST_SHARE = 0.005  # of the strongest; weaker coordinates are left out of the page's list


def mattering_json(axle: Axle, car: Car, inputs: Inputs, sizes: Sizes) -> Json:
    """Readings and stops of an axle by what 1 mm of each coordinate does, the strongest first.

    At the rack and travel of `inputs`, without roll. Raises LinkageLocked beyond reach.
    """
    rows: list[Json] = []
    for table in sensitivities(axle, car, inputs.rack_mm, inputs.travel_mm, sizes):
        corner = axle.right if table.side is Side.RIGHT else axle.left
        rows += _readings(table)
        met = stop_slopes(corner, axle, car, inputs.travel_mm, table.coordinates, sizes)
        along = travel_stop_slopes(corner, axle, car, table.coordinates, sizes)
        rows += [_stop(table, one, one.slopes) for one in (*met, *along) if one.slopes is not None]
    return {
        "axle": axle.name,
        "sizes": sizes.name.lower(),
        "at": [inputs.rack_mm, inputs.travel_mm, inputs.roll_deg],
        "rows": rows,
    }


def _readings(table: Sensitivity) -> list[Json]:
    out = []
    for name in RANKED:
        side = None if (None, name) in table.slopes else table.side or Side.LEFT
        slopes = table.slopes.get((side, name))
        if slopes is None or slopes.ndim != 1 or not np.isfinite(slopes).all():
            continue
        q = next(q for q in QUANTITIES if q.name == name)
        ranked = [(c.words, slope) for c, slope in table.ranked(name, side)]
        if abs(ranked[0][1]) < 10.0 ** -(q.decimals + 3):
            continue
        row: Json = {"name": f"{_moved(table)} {name}", "label": q.label, "unit": q.unit}
        row |= {"moved": _moved(table), "of": "axle" if side is None else side.value}
        value = round(float(table.values[side, name]), q.decimals + 3)
        out.append({**row, "value": value, "decimals": q.decimals, "by": _told(ranked)})
    return out


def _stop(table: Sensitivity, stop: StopSlopes, slopes: Array) -> Json:
    order = np.argsort(-np.abs(slopes), kind="stable").tolist()
    ranked = [(table.coordinates[k].words, float(slopes[k])) for k in order]
    at = stop.rack_mm if stop.met_along == "rack" else stop.travel_mm
    words = f"{stop.met_along} where {stop.words}"
    row: Json = {
        "name": f"{_moved(table)} {words} {at > 0}",
        "label": words,
        "unit": "mm",
    }
    row |= {"moved": _moved(table), "of": stop.side.value, "value": round(at, 3)}
    return {**row, "decimals": 1, "by": _told(ranked)}


def _moved(table: Sensitivity) -> str:
    return "both sides" if table.side is None else table.side.value


def _told(ranked: list[tuple[str, float]]) -> list[list[Any]]:
    least = LEAST_SHARE * abs(ranked[0][1])
    return [[words, float(f"{slope:.6g}")] for words, slope in ranked if abs(slope) >= least]
