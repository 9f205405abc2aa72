"""The order in which to set adjusters, so that what is set is least upset by what follows."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import permutations

import numpy as np

from linkview.errors import CannotAssemble
from linkview.geometry import Array
from linkview.model.parts import Side
from linkview.tuning.bench import CLOSE, KEYS, Bench
from linkview.tuning.dials import Dial, Key, State, set_axle, stance


@dataclass(frozen=True, eq=False)
class Step:
    """One thing to do. by: in the dial's unit. readings: of that side (both, for a shared dial),
    measured once it is done.
    """

    dial: Dial
    by: float
    readings: Mapping[Key, float]


def ordered(bench: Bench, settings: Array, after: State) -> tuple[Step, ...]:
    """The dials in the order in which what is set is least upset by what follows.

    Each dial is there for the wanted value that it moves most; of all orders of the values, the one
    with the least disturbance of those set before is taken. Both sides of one value follow each
    other, so that the car is not walked round twice.
    """
    used = [k for k in range(len(settings)) if abs(settings[k]) > 1e-9]
    names = [n for n in KEYS.values() if any(key[1] == n for key in bench.aims)]
    moved: dict[int, dict[str, float]] = {k: _moves(bench, k, settings, after, names) for k in used}
    serves = {k: max(names, key=lambda n, k=k: moved[k][n]) for k in used}  # type: ignore[misc]

    def upset(order: Sequence[str]) -> float:
        return sum(moved[k][done] for k in used for done in order[: list(order).index(serves[k])])

    order = min(permutations(names), key=upset)
    sides = {None: 0, Side.LEFT: 1, Side.RIGHT: 2}
    # A hole is moved before anything is turned, for it moves most.
    used.sort(key=lambda k: (not bench.dials[k].by_choice, order.index(serves[k]),
                             sides[bench.dials[k].side], -moved[k][serves[k]]))  # fmt: skip
    out = []
    now = np.zeros(len(settings))
    for k in used:
        now = now.copy()
        now[k] = settings[k]
        dial = bench.dials[k]
        told = stance(bench.axle, set_axle(bench.axle, bench.dials, now))
        mine = {key: v for key, v in told.items() if dial.side in (None, key[0])}
        out.append(Step(dial, float(settings[k]), mine))
    return tuple(out)


def _moves(
    bench: Bench, k: int, settings: Array, after: State, names: Sequence[str]
) -> dict[str, float]:
    """By how much, in `CLOSE`, one dial's setting moves each wanted value, both sides at most."""
    if bench.dials[k].by_choice:
        alone = np.zeros(len(settings))
        try:
            there = {"with": bench.state(settings).values}
            alone[:] = settings
            alone[k] = 0.0
            there["without"] = bench.state(alone).values
        except CannotAssemble:
            return dict.fromkeys(names, 0.0)
        change = {key: there["with"][key] - there["without"][key] for key in bench.aims}
    else:
        change = {key: float(after.slopes[key][k]) * settings[k] for key in bench.aims}
    return {
        n: max((abs(v) / CLOSE[n] for key, v in change.items() if key[1] == n), default=0.0)
        for n in names
    }
