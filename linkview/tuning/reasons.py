"""Wanted values that the adjusters do not reach, and what stops them; adjusters that do nothing."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from linkview.geometry import Array
from linkview.tuning.bench import CLOSE, Bench
from linkview.tuning.dials import Dial, Key, State, quantity


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


def misses(bench: Bench, exact: Array, there: State, after: State) -> list[Miss]:
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
    most, strongest = 0.0, ""  # of those too weak, what lies at its end
    for k, dial in enumerate(bench.dials):
        slope = float(after.slopes[key][k])
        range_ = high[k] - low[k]
        reach = abs(slope) * max(range_, 1e-9)
        if dial.by_choice:
            continue
        up = slope * short > 0.0
        at_end = abs(exact[k] - (high if up else low)[k]) < 0.02 * dial.adjuster.increment
        stop = dial.adjuster.stops[int(up)]
        if reach < 0.25 * abs(short):
            if not dial.held and at_end and reach > most:
                most = reach
                strongest = f"; of those at their end {dial.words} does most ({stop})"
            continue
        if dial.held:
            ended = True
            yield f"{dial.words} would change it but is held"
            continue
        if at_end:
            ended, more = True, abs(short / slope)
            yield (
                f"{dial.words} is at its end ({stop}); alone it would "
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
        yield f"no adjuster here changes it enough{strongest}"


def remarks(dials: Sequence[Dial], state: State) -> list[str]:
    """Dials that do nothing or have no room to, and pairs that do the same thing."""
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
        unit, step = dials[k].adjuster.unit, dials[k].adjuster.increment
        if max(map(abs, dials[k].adjuster.ends)) < step - 1e-9:
            out.append(f"{dials[k].words} has no room for one step of {step:g} {unit}: it stays")
    for i, k in enumerate(turned):
        for m in turned[i + 1 :]:
            a, b = effects[k], effects[m]
            sizes = float(np.linalg.norm(a) * np.linalg.norm(b))
            if sizes > 1e-9 and abs(float(a @ b)) > 0.9995 * sizes:
                same = "the same as" if a @ b > 0 else "the opposite of"
                out.append(
                    f"{dials[k].words} does {same} {dials[m].words}, in other amounts: they "
                    "cannot set two things"
                )
    return out


def plural(unit: str, count: float) -> str:
    """'1 shim', '2 shims'; abbreviations stay."""
    return unit if unit in ("mm", "deg") or abs(count - 1.0) < 1e-9 else f"{unit}s"
