"""Wanted alignment -> settings of the adjusters in workshop steps, and the order to set them in.

Bounded least squares on the exact slopes, from where the car stands; the linkage is put together
again after every step, so what is promised is what the linkage gives, not what the slopes foretell.
Then the nearest workshop steps, put together once more.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import permutations, product

import numpy as np

from linkview.errors import CannotAssemble, LinkviewError, UnknownName, near_miss
from linkview.geometry import Array, frozen
from linkview.model.adjusters import WantedTable
from linkview.model.parts import Axle, Car, Side
from linkview.tuning.bench import BUMP_TOE, CLOSE, Bench
from linkview.tuning.dials import (
    RIDE_HEIGHT,
    Dial,
    Key,
    State,
    dials_of,
    quantity,
    set_axle,
    stance,
    state_of,
)

KEYS = {
    "camber": "camber_deg",
    "caster": "caster_deg",
    "toe_in": "toe_in_deg",
    "ride_height": RIDE_HEIGHT,
    "bump_toe": BUMP_TOE,
}
# Beyond these a wanted value is a slip of the pen.
SENSIBLE = {"camber_deg": 20.0, "caster_deg": 40.0, "toe_in_deg": 20.0, RIDE_HEIGHT: 300.0}
MOST_HOLES = 64  # combinations of other holes that are tried


class CannotSet(LinkviewError):
    """Nothing to set up, or nothing to set it up with."""


@dataclass(frozen=True)
class Miss:
    """A wanted value that is not met. why: what stops it, in words."""

    key: Key
    wanted: float
    got: float
    why: tuple[str, ...]

    @property
    def words(self) -> str:
        q = quantity(self.key[1])
        side = "" if self.key[0] is None else f"{self.key[0].value} "
        return (
            f"{side}{q.label}: {self.wanted:+.{q.decimals}f} {q.unit} wanted, "
            f"{self.got:+.{q.decimals}f} is the nearest; " + "; ".join(self.why)
        )


@dataclass(frozen=True, eq=False)
class Step:
    """One thing to do. by: in the dial's unit. readings: of that side (both, for a shared dial),
    measured once it is done.
    """

    dial: Dial
    by: float
    readings: Mapping[Key, float]


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
            rounded = bench.in_steps(exact, state)
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
        _ordered(bench, settings, after),
        tuple(_misses(bench, exact, there, after)),
        tuple(_remarks(dials, before)),
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


# --- what stops it --------------------------------------------------------------------------------


def _misses(bench: Bench, exact: Array, there: State, after: State) -> list[Miss]:
    """there: the state at the exact settings."""
    out = []
    for key in bench.aims:
        want, got = bench.aims[key], after.values[key]
        if key not in bench.asked or abs(got - want) <= CLOSE[key[1]]:
            continue
        if abs(there.values[key] - want) <= 0.5 * CLOSE[key[1]]:
            why = [f"between two workshop steps lies {there.values[key]:+.2f}"]
        else:
            why = list(_why(bench, key, want - got, exact, after))
        out.append(Miss(key, want, got, tuple(why)))
    return out


def _why(bench: Bench, key: Key, short: float, exact: Array, after: State) -> Iterator[str]:
    """Dials at their ends that would help, dials held, and what else those that help change."""
    low, high = bench.ends
    helps, ended = [], False
    for k, dial in enumerate(bench.dials):
        slope = float(after.slopes[key][k])
        range_ = high[k] - low[k]
        if dial.by_choice or abs(slope) * max(range_, 1e-9) < 0.25 * abs(short):
            continue
        if dial.held:
            ended = True
            yield f"{dial.words} would change it but is held"
            continue
        up = slope * short > 0.0
        end = high[k] if up else low[k]
        if abs(exact[k] - end) < 0.02 * dial.adjuster.increment:
            ended, more = True, abs(short / slope)
            yield (
                f"{dial.words} is at its end ({dial.adjuster.stops[int(up)]}); alone it would "
                f"need {more:.1f} {plural(dial.adjuster.unit, more)} more"
            )
        else:
            helps.append(dial)
    if helps:
        kin = {
            quantity(k[1]).label
            for k in bench.aims
            if k != key and any(after.slopes[k][bench.dials.index(d)] for d in helps)
        }
        names = ", ".join(d.words for d in helps)
        yield f"{names} could change it, but only with {', '.join(sorted(kin))} too"
    elif not ended:
        yield "no adjuster here changes it enough"


def _remarks(dials: Sequence[Dial], state: State) -> list[str]:
    """Dials that do nothing, and pairs that do the same thing."""
    keys = [k for k in state.slopes if k[1] in CLOSE]
    turned = [k for k, d in enumerate(dials) if not d.by_choice]
    effects = {
        k: np.array(
            [state.slopes[key][k] * dials[k].adjuster.increment / CLOSE[key[1]] for key in keys]
        )
        for k in turned
    }
    effects = {k: np.nan_to_num(v) for k, v in effects.items()}
    out = []
    for k in turned:
        if np.abs(effects[k]).max(initial=0.0) < 1e-6:
            what = "camber, caster, toe or ride height"
            out.append(f"{dials[k].words} changes nothing of {what}")
    for i, k in enumerate(turned):
        for m in turned[i + 1 :]:
            a, b = effects[k], effects[m]
            sizes = float(np.linalg.norm(a) * np.linalg.norm(b))
            if sizes > 1e-9 and abs(float(a @ b)) > 0.9995 * sizes:
                same = "the same" if a @ b > 0 else "the opposite"
                out.append(
                    f"{dials[k].words} does {same} as {dials[m].words}, in other amounts: they "
                    "cannot set two things"
                )
    return out


def plural(unit: str, count: float) -> str:
    """'1 shim', '2 shims'; abbreviations stay."""
    return unit if unit in ("mm", "deg") or abs(count - 1.0) < 1e-9 else f"{unit}s"


# --- the order ------------------------------------------------------------------------------------


def _ordered(bench: Bench, settings: Array, after: State) -> tuple[Step, ...]:
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
