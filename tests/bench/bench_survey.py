"""Surveys: seconds for a 40-point network with 120 distances: python tests/bench/bench_survey.py

The aim is under 0.5 s for everything a builder gets: several starts, slips, ellipsoids, what is
loose, what to measure next. Also, on request, sums of squares over thousands of simulated surveys.
"""

from __future__ import annotations

import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
from scipy.stats import chi2, kstest

sys.path.insert(0, str(Path(__file__).parents[2]))

from linkview.survey.fit import fitted
from linkview.survey.network import Network
from linkview.survey.readings import Kind, Reading
from linkview.survey.survey import solve_survey

USUAL = {Kind.DISTANCE: 1.5, Kind.COORDINATE: 1.0}
POINTS, TAPES, SURVEYS = 40, 120, 3000


def network_of(rng: np.random.Generator) -> tuple[Network, np.ndarray]:
    """Forty points in the size of a car, each taped to at least four others."""
    at = rng.uniform(-1, 1, (POINTS, 3)) * (1300, 800, 400)
    near = np.argsort(np.linalg.norm(at[:, None] - at[None], axis=-1), axis=1)[:, 1:]
    tied = [(i, int(j)) for i in range(POINTS) for j in rng.permutation(near[i])[:3]]
    pairs = {(min(p), max(p)) for p in tied}
    rest = [(i, j) for j in range(POINTS) for i in range(j) if (i, j) not in pairs]
    for k in rng.permutation(len(rest))[: TAPES - len(pairs)]:
        pairs.add(rest[k])
    pairs = sorted(pairs)[:TAPES]
    rows = [
        Reading(Kind.DISTANCE, (f"p{i}", f"p{j}"), float(np.linalg.norm(at[i] - at[j])), 1.0)
        for i, j in pairs
    ]
    rows = [replace(r, value=r.value + rng.normal()) for r in rows]
    rough = at + rng.normal(size=at.shape) * 20.0
    names = tuple(f"p{i}" for i in range(POINTS))
    return Network(names, rough, np.zeros((POINTS, 3), dtype=bool), tuple(rows)), at


def main() -> None:
    rng = np.random.default_rng(5)
    for _ in range(5):
        network, _ = network_of(rng)
        wall, cpu = time.perf_counter(), time.process_time()
        try:
            survey = solve_survey(network, USUAL, free_datum=True)
            what = f"{survey.fit.rank} needed, factor {survey.fit.factor:.2f}"
        except Exception as fault:
            what = f"refused: {str(fault).splitlines()[0]}"
        wall, cpu = time.perf_counter() - wall, time.process_time() - cpu
        size = f"{POINTS} points, {len(network.readings)} distances"
        print(f"{size}: {wall:.2f} s, {cpu:.2f} s CPU; {what}")
    if "--many" in sys.argv:
        many(rng)


def many(rng: np.random.Generator) -> None:
    """Sums of squares of thousands of simulated surveys against chi-square."""
    at = rng.uniform(-1, 1, (7, 3)) * (1300, 800, 400)
    at[:3] = [[-1200.0, -700, 0], [1200, -650, 50], [100, 700, -100]]
    held = np.zeros((7, 3), dtype=bool)
    held[0], held[1, 1:], held[2, 2] = True, True, True
    names = tuple(f"p{i}" for i in range(7))
    exact = [
        Reading(Kind.DISTANCE, (names[i], names[j]), float(np.linalg.norm(at[i] - at[j])), 1.5)
        for j in range(7)
        for i in range(j)
    ]
    costs, inside = [], 0
    for _ in range(SURVEYS):
        rows = tuple(replace(r, value=r.value + 1.5 * rng.normal()) for r in exact)
        network = Network(names, at, held, rows)
        fit = fitted(network, network.packed(at, np.zeros((0, 6))))
        costs.append(fit.cost)
        off = fit.places[4] - at[4]
        inside += bool(off @ np.linalg.solve(fit.block(4), off) < chi2.ppf(0.95, 3))
    spare = fit.spare
    print(
        f"{SURVEYS} surveys: mean sum of squares {np.mean(costs):.3f} for {spare} expected, "
        f"Kolmogorov-Smirnov p {kstest(costs, chi2(spare).cdf).pvalue:.2f}; ellipsoids for 95 % "
        f"hold {100 * inside / SURVEYS:.1f} %"
    )


if __name__ == "__main__":
    main()
