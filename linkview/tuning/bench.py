"""An axle on the bench: what its dials would have to be for the readings aimed at.

Steps of Gauss and Newton inside the dials' ends, the linkage put together again after each; then
the workshop steps that read best by the slopes there.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from itertools import product

import numpy as np
from scipy.optimize import lsq_linear

from linkview.errors import CannotAssemble
from linkview.geometry import Array, Flags, Index
from linkview.model.parts import Axle, Car
from linkview.tuning.dials import RIDE_HEIGHT, Dial, Key, State, set_axle, state_of

BUMP_TOE = "bump_steer_deg_per_mm"
# What may be wanted, as the file names it -> the reading.
KEYS = {
    "camber": "camber_deg",
    "caster": "caster_deg",
    "toe_in": "toe_in_deg",
    "ride_height": RIDE_HEIGHT,
    "bump_toe": BUMP_TOE,
}
# What a reading may be off to count as set, also what makes degrees and millimetres comparable:
# a tenth of a degree is what a level reads, ours to choose.
CLOSE = {"camber_deg": 0.1, "caster_deg": 0.1, "toe_in_deg": 0.05, RIDE_HEIGHT: 1.0, BUMP_TOE: 1e-3}
# Against a miss of one `CLOSE`, squared: a value nobody asked for that does not stay as it is (its
# misses count so many times), a workshop step, and an adjuster touched at all.
KEPT, FEW, TOUCHED = 0.3, 0.01, 0.05
# A miss pulls no harder than one of this many `CLOSE`: what is far out of reach must not drag away
# what can be reached (Huber's loss).
FAR = 3.0
# One that stays farther off than that, whatever is set, pulls no harder than this from then on:
# what can be reached is met first, and the rest goes to the best end that this leaves.
LOST = 1.0
MOST_ROUNDS, SETTLED = 12, 1e-2  # a hundredth of a workshop step
EXACT_ROUNDING = 12  # dials whose steps up and down are all tried together


@dataclass(frozen=True, eq=False)
class Bench:
    """One axle on the bench. aims: every value with what it should read; asked: those that the
    builder asked for, the others only to be kept. lost: those known to stay out of reach.
    """

    axle: Axle
    car: Car
    dials: tuple[Dial, ...]
    aims: Mapping[Key, float]
    asked: frozenset[Key]
    lost: frozenset[Key] = frozenset()

    def knowing(self, state: State) -> Bench:
        """One that knows what stayed out of reach at the best settings."""
        off = zip(self.aims, np.abs(self.off(state)), strict=True)
        return replace(self, lost=frozenset(key for key, far in off if far > FAR))

    @property
    def hardest(self) -> Array:
        """(aims,): the miss beyond which each pulls no harder."""
        return np.array([LOST if key in self.lost else FAR for key in self.aims])

    @property
    def free(self) -> Index:
        """Numbers of the dials that may be turned."""
        turned = [k for k, d in enumerate(self.dials) if not d.held and not d.by_choice]
        return np.array(turned, dtype=int)

    @property
    def steps(self) -> Array:
        return np.array([d.adjuster.increment for d in self.dials])

    @property
    def ends(self) -> tuple[Array, Array]:
        """Lowest and highest setting in whole workshop steps."""
        low, high = np.array([d.adjuster.ends for d in self.dials]).T
        steps = self.steps
        return np.ceil(low / steps - 1e-9) * steps, np.floor(high / steps + 1e-9) * steps

    def state(self, settings: Array) -> State:
        corners = set_axle(self.axle, self.dials, settings)
        return state_of(self.axle, self.car, self.dials, settings, corners)

    def scale(self, key: Key) -> float:
        return CLOSE[key[1]] / (1.0 if key in self.asked else KEPT)

    def off(self, state: State) -> Array:
        """How far each value is off its aim, in its scale."""
        return np.array([(state.values[k] - v) / self.scale(k) for k, v in self.aims.items()])

    def slopes(self, state: State) -> Array:
        """Of `off` by the free dials, per workshop step: (aims, free)."""
        rows = [state.slopes[k] / self.scale(k) for k in self.aims]
        return np.array(rows)[:, self.free] * self.steps[self.free]

    def cost(self, settings: Array, state: State) -> float:
        used, off, far = settings / self.steps, np.abs(self.off(state)), self.hardest
        misses = np.where(off <= far, off**2, 2.0 * far * off - far**2)
        return float(np.sum(misses) + FEW**2 * np.sum(used**2))

    def solved(self, start: Array, known: State | None) -> tuple[Array, State]:
        """Settings without workshop steps, from a start, by Gauss and Newton inside the ends."""
        free, steps = self.free, self.steps
        now, state = start, known or self.state(start)
        for _ in range(MOST_ROUNDS if free.size else 0):
            plan = self._plan(now, state)
            move = plan.nearest(np.ones(len(free), dtype=bool)) - now[free] / steps[free]
            if np.abs(move).max(initial=0.0) < SETTLED:
                break
            now, state, moved = self._moved(now, move, state)
            if np.abs(moved).max(initial=0.0) < SETTLED:
                break
        return now, state

    def _moved(self, now: Array, move: Array, state: State) -> tuple[Array, State, Array]:
        """As far along a move as makes it better; half as far until it does."""
        free, steps = self.free, self.steps
        before = self.cost(now, state)
        for _ in range(8):
            there = now.copy()
            there[free] += move * steps[free]
            try:
                found = self.state(there)
                if self.cost(there, found) <= before + 1e-12:
                    return there, found, move
            except CannotAssemble:
                pass
            move = 0.5 * move
        return now, state, np.zeros_like(move)

    def _plan(self, settings: Array, state: State) -> Plan:
        free, steps = self.free, self.steps
        low, high = (end[free] / steps[free] for end in self.ends)
        at = settings[free] / steps[free]
        off = self.off(state)
        # Weights that make the squares fall off as Huber's loss does, from here.
        pull = np.sqrt(np.minimum(1.0, self.hardest / np.maximum(np.abs(off), 1e-12)))
        return Plan(pull[:, None] * self.slopes(state), pull * off, at, low, high)

    def in_steps(self, exact: Array, state: State) -> Array:
        """Workshop steps that read best by the slopes at the exact settings, touching few dials.

        One dial after the other is left alone, the least missed first, as long as that is worth it.
        """
        free, out = self.free, exact.copy()
        if not free.size:
            return out
        plan = self._plan(exact, state)
        used = np.ones(len(free), dtype=bool)
        best = plan.in_steps(used)
        while used.any():
            tried = []
            for k in np.flatnonzero(used):
                fewer = used.copy()
                fewer[k] = False
                tried.append((*plan.in_steps(fewer), k))
            cost, there, k = min(tried, key=lambda t: t[0])
            if cost > best[0] + TOUCHED:
                break
            best = cost, there
            used[k] = False
        out[free] = best[1] * self.steps[free]
        return out


@dataclass(frozen=True, eq=False)
class Plan:
    """What the slopes foretell. slopes (aims, free), off (aims,) where `at` (free,) is set; low,
    high (free,); all settings in workshop steps.
    """

    slopes: Array
    off: Array
    at: Array
    low: Array
    high: Array

    def costs(self, there: Array) -> Array:
        """Of many settings (n, free): (n,)."""
        off = self.off + (there - self.at) @ self.slopes.T
        return np.asarray(np.sum(off**2, axis=-1) + FEW**2 * np.sum(there**2, axis=-1))

    def nearest(self, used: Flags) -> Array:
        """The best settings with only the dials `used` away from 0, without steps, (free,)."""
        out = np.zeros(len(used))
        if not used.any():
            return out
        slopes = np.vstack([self.slopes[:, used], FEW * np.eye(int(used.sum()))])
        base = self.off - self.slopes @ self.at
        goal = np.concatenate([-base, np.zeros(int(used.sum()))])
        # An interval that is a single point is no interval to the solver.
        room = self.low[used] - 1e-9, self.high[used] + 1e-9
        found = lsq_linear(slopes, goal, bounds=room, method="bvls").x
        out[used] = np.clip(found, self.low[used], self.high[used])
        return out

    def in_steps(self, used: Flags) -> tuple[float, Array]:
        """The same in whole steps, and what it costs: of all steps up and down the best."""
        down = np.floor(self.nearest(used) + 1e-6)
        rest = [int(k) for k in np.flatnonzero(used)]
        for k in range(0, len(rest), EXACT_ROUNDING):
            some = rest[k : k + EXACT_ROUNDING]
            ups = np.array(list(product((0.0, 1.0), repeat=len(some))))
            tried = np.repeat(down[None], len(ups), axis=0)
            tried[:, some] = np.clip(down[some] + ups, self.low[some], self.high[some])
            down = tried[np.argmin(self.costs(tried))]
        return float(self.costs(down[None])[0]), down
