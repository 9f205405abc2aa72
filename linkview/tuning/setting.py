"""Wanted alignment -> settings of the adjusters in workshop steps, and the order to set them in.

Bounded least squares on the exact slopes, from where the car stands; the linkage is put together
again after every step, so what is promised is what the linkage gives, not what the slopes foretell.
Then the nearest workshop steps, put together once more.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np

from linkview.errors import CannotAssemble, LinkviewError, UnknownName, near_miss
from linkview.geometry import Array, frozen
from linkview.model.adjusters import WantedTable
from linkview.model.parts import Axle, Car, Side
from linkview.tuning.bench import CLOSE, KEYS, Bench
from linkview.tuning.dials import (
    RIDE_HEIGHT,
    Dial,
    Key,
    State,
    dials_of,
    quantity,
    state_of,
)
from linkview.tuning.order import Step, ordered
from linkview.tuning.reasons import Miss, misses, remarks

# Beyond these a wanted value is a slip of the pen.
SENSIBLE = {"camber_deg": 20.0, "caster_deg": 40.0, "toe_in_deg": 20.0, RIDE_HEIGHT: 300.0}
MOST_HOLES = 64  # combinations of other holes that are tried


class CannotSet(LinkviewError):
    """Nothing to set up, or nothing to set it up with."""


@dataclass(frozen=True, eq=False)
class SetUp:
    """Settings that bring the wanted values nearest.

    wanted: by key; what of camber, caster, toe and ride height is not in it is kept as it stands as
    far as can be. exact (K,): without workshop steps; settings (K,): in them. before, after: the
    axle's readings. steps: in the order to do them. misses: what is not met within `CLOSE`.
    remarks: adjusters that do nothing, or the same as another.
    """

    axle: Axle
    dials: tuple[Dial, ...]
    wanted: Mapping[Key, float]
    exact: Array
    settings: Array
    before: State
    after: State
    steps: tuple[Step, ...]
    misses: tuple[Miss, ...]
    remarks: tuple[str, ...]


def wanted_of(table: WantedTable | None, extra: Mapping[str, float]) -> dict[Key, float]:
    """Wanted values by side. extra: 'camber', 'toe_in_left' ... -> value, over the file's.

    Raises UnknownName for a name that is none.
    """
    out: dict[Key, float] = {}
    for name, key in KEYS.items():
        given = getattr(table, name) if table is not None else None
        if given is not None:
            both = given if isinstance(given, tuple) else (given, given)
            out.update({(side, key): v for side, v in zip(Side, both, strict=True)})
    known = [*KEYS, *(f"{n}_{s.value}" for n in KEYS for s in Side)]
    for name, value in extra.items():
        if name not in known:
            raise UnknownName(f"'{name}' cannot be set up; {near_miss(name, known)}")
        sides = [s for s in Side if name.endswith(f"_{s.value}")]
        base = name.removesuffix(f"_{sides[0].value}") if sides else name
        out.update({(side, KEYS[base]): value for side in sides or Side})
    return out


def set_up(axle: Axle, car: Car, wanted: Mapping[Key, float], held: Sequence[str] = ()) -> SetUp:
    """The settings that reach the wanted values, or come nearest. held: dials left as they are.

    Raises CannotSet where there is nothing to set, UnknownName for a dial that is none.
    """
    dials = dials_of(axle, held)
    _check(axle, dials, wanted, held)
    none = np.zeros(len(dials))
    before = state_of(axle, car, dials, none, axle.corners)
    missing = [quantity(k[1]).label for k in wanted if k not in before.values]
    if missing:
        raise CannotSet(f"{axle.name} axle: {missing[0]} is not read here, so it cannot be wanted")
    kept = {k: v for k, v in before.values.items() if k[1] in CLOSE and k not in wanted}
    kept = {k: v for k, v in kept.items() if np.isfinite(v)}
    bench = Bench(axle, car, dials, {**wanted, **kept}, frozenset(wanted))
    best: tuple[float, Array, State, Array, State] | None = None
    for choice in _choices(dials):
        try:
            exact, state = bench.solved(choice, before if not choice.any() else None)
            knowing = bench.knowing(state)
            if knowing.lost:
                exact, state = knowing.solved(exact, state)
            rounded = knowing.in_steps(exact, state)
            after = bench.state(rounded)
        except CannotAssemble:
            continue
        cost = bench.cost(rounded, after)
        if best is None or cost < best[0]:
            best = cost, exact, state, rounded, after
    if best is None:
        raise CannotSet(f"{axle.name} axle: with no setting do the parts go together")
    _, exact, there, settings, after = best
    return SetUp(
        axle,
        dials,
        wanted,
        frozen(exact),
        frozen(settings),
        before,
        after,
        ordered(bench, settings, after),
        tuple(misses(bench, exact, there, after)),
        tuple(remarks(dials, before)),
    )


def _check(
    axle: Axle, dials: Sequence[Dial], wanted: Mapping[Key, float], held: Sequence[str]
) -> None:
    if not dials:
        raise CannotSet(
            f"{axle.name} axle: the file has no adjusters; add [axle.{axle.name}.adjusters.NAME]"
        )
    if not wanted:
        raise CannotSet(
            f"{axle.name} axle: nothing is wanted; add [axle.{axle.name}.wanted], or --want"
        )
    for key, value in wanted.items():
        if not abs(value) <= SENSIBLE.get(key[1], 1.0):
            q = quantity(key[1])
            raise CannotSet(f"{axle.name} axle: {q.label} {value:g} {q.unit} cannot be meant")
    for name in held:
        known = [*axle.adjusters, *(d.label for d in dials)]
        if name not in known:
            raise UnknownName(f"no adjuster '{name}'; {near_miss(name, known)}")
    if all(d.held for d in dials):
        raise CannotSet(f"{axle.name} axle: every adjuster is held fixed, so nothing can be set")


def _choices(dials: Sequence[Dial]) -> list[Array]:
    """Every combination of holes, the present ones first."""
    ways = [
        range(int(d.adjuster.ends[1]) + 1) if d.by_choice and not d.held else (0,) for d in dials
    ]
    many = int(np.prod([len(w) for w in ways]))
    if many > MOST_HOLES:
        raise CannotSet(
            f"{many} combinations of holes are too many to try ({MOST_HOLES} at most); hold some"
        )
    return [np.array(choice, dtype=float) for choice in product(*ways)]
