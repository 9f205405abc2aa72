"""Where to begin: rough places from distances alone, and other places that might fit as well.

A network of distances can settle in a wrong shape (a false minimum), and can have two shapes that
fit alike (a point on either side of the plane of those it was measured from). So it is solved from
several starts, and what is found besides the best is told.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import islice

import numpy as np
from scipy.sparse import csr_array
from scipy.sparse.csgraph import shortest_path

from linkview.geometry import Array, best_fit, length, rotation_from_vector
from linkview.survey.fit import Fit, fitted, robustly_fitted
from linkview.survey.network import ARM_LENGTH_MM, Network
from linkview.survey.readings import Kind

SCATTERED = 6  # random starts beside the made ones
SAME_MM = 0.05  # two answers nearer than this everywhere are one
ALIKE = 1e-3  # sums of squares no more apart than this are one
RIVAL = 25.0  # an answer whose sum of squares is this near the best cannot be told from it
_SEED = 20_240_229
_USUAL_SIZE_MM = 2000.0
_FLIPS, _HOPELESS = 4, 400.0  # shapes solved anew; sum of squares of one point alone
ENOUGH_SPARE, EASED = 4, 3
FEW_STARTS = 2
_NO_ARM = np.zeros(6)


@dataclass(frozen=True, eq=False)
class Found:
    """All that the starts led to.

    best: the least sum of squares. rivals: other shapes that fit nearly as well. false: sums of
    squares of other places where the solver stays. start_false: the rough places given lead there.
    """

    best: Fit
    rivals: tuple[Fit, ...]
    false: tuple[float, ...]
    start_false: bool


def found_from_all_starts(network: Network) -> Found:
    """Solves from the rough places given, from the distances alone, from scattered places."""
    fits: list[Fit] = []
    given = not np.isnan(network.near).any()
    for places in _starts(network):
        for arms in _arm_starts(network, places):
            fits.append(fitted(network, network.packed(places, arms)))
        best = min(fits, key=_cost)
        # What fits within its sigmas with enough readings to spare is no false minimum.
        if best.spare >= ENOUGH_SPARE and not best.too_large:
            break
    if best.too_large:  # a wrong reading may have led all of them astray
        for start in sorted(fits, key=_cost)[:EASED]:
            fits.append(fitted(network, robustly_fitted(network, start.x).x))
    start_cost = fits[0].cost
    fits += _flipped(network, min(fits, key=_cost))
    best = min(fits, key=_cost)
    if given and start_cost < best.cost + ALIKE:  # two shapes fit alike: the one that was meant
        best = fits[0]
    free = bool(best.whole.shape[1])
    other = [f for f in fits if f.settled and not _same(f, best, free)]
    rivals: list[Fit] = []
    for fit in sorted(other, key=_cost):
        if fit.cost < best.cost + RIVAL and not any(_same(fit, r, free) for r in rivals):
            rivals.append(fit)
    worse = {round(f.cost, 1) for f in other if f.cost >= best.cost + RIVAL}
    away = given and start_cost >= best.cost + RIVAL
    return Found(best, tuple(rivals), tuple(sorted(worse)), away)


def quickly_fitted(network: Network) -> Fit:
    """From the likeliest places alone: enough to compare, not to be told."""
    fits = [
        fitted(network, network.packed(places, arms))
        for places in islice(_starts(network), FEW_STARTS)
        for arms in _arm_starts(network, places)
    ]
    return min(fits, key=_cost)


def _cost(fit: Fit) -> float:
    return fit.cost


def _same(one: Fit, other: Fit, free: bool) -> bool:
    """The same places, or the same shape where the whole can be shifted and turned."""
    a, b = one.places, other.places
    if float(length(a - b).max()) < SAME_MM:
        return True
    if not free or len(a) < 3:
        return False
    _, off = best_fit(a, b)
    return bool(off.max() < SAME_MM)


# --- places to begin from -------------------------------------------------------------------------


def _starts(network: Network) -> Iterator[Array]:
    """(n, 3) places, the likeliest first; held coordinates as they are held."""
    rng = np.random.default_rng(_SEED)
    near = network.near
    known = ~np.isnan(near)
    if known.all():
        yield near
    for made in _from_distances(network):
        yield np.where(network.held, near, made)
        if known.any() and not known.all():
            yield np.where(known, near, made)
    size = _size(network)
    middle = np.where(known, near, 0.0).sum(axis=0) / np.maximum(known.sum(axis=0), 1)
    for _ in range(SCATTERED):
        cloud = middle + size * rng.normal(size=near.shape)
        yield np.where(network.held, near, cloud)


def _size(network: Network) -> float:
    spans = [r.value for r in network.readings if r.kind is Kind.DISTANCE]
    known = network.near[~np.isnan(network.near).any(axis=1)]
    if len(known) > 1:
        spans.append(float(length(known - known.mean(axis=0)).max()))
    return 0.5 * max(spans, default=_USUAL_SIZE_MM)


def _from_distances(network: Network) -> list[Array]:
    """Places from distances, missing ones by the shortest way round, and their mirror image.

    Classical scaling (W. S. Torgerson, Psychometrika 17 (1952) 401, from memory), laid onto what
    is known of the places; single coordinates that were read are put in.
    """
    count = len(network.points)
    far = ways_round(network)
    if not np.isfinite(far).all() or count < 3:
        return []
    inner = np.eye(count) - 1.0 / count
    values, axes = np.linalg.eigh(-0.5 * inner @ far**2 @ inner)
    shape = axes[:, -3:] * np.sqrt(np.maximum(values[-3:], 0.0))
    marks = places_read(network)
    out = []
    for turned in (shape, shape * np.array([1.0, 1.0, -1.0])):
        laid = _laid_on(turned, marks)
        out.append(np.where(np.isnan(marks), laid, marks))
    return out


def ways_round(network: Network) -> Array:
    """(n, n) mm: the shortest way from point to point over what was taped or is held."""
    count, number = len(network.points), {p: i for i, p in enumerate(network.points)}
    graph = np.zeros((count, count))
    for r in network.readings:
        if r.kind is Kind.DISTANCE:
            i, j = (number[p] for p in r.points)
            graph[i, j] = graph[j, i] = max(r.value, 1e-6)
    _add_known_lengths(network, graph)
    return np.asarray(shortest_path(csr_array(graph), directed=False))


def _add_known_lengths(network: Network, graph: Array) -> None:
    places = np.where(network.held, network.near, np.nan)
    sure = np.flatnonzero(~np.isnan(places).any(axis=1))
    for k, i in enumerate(sure):
        for j in sure[k + 1 :]:
            graph[i, j] = graph[j, i] = max(float(length(places[i] - places[j])), 1e-6)


def places_read(network: Network) -> Array:
    """(n, 3): near, with every coordinate that was held or read in its place; NaN elsewhere."""
    number, out = {p: i for i, p in enumerate(network.points)}, network.near.copy()
    for r in network.readings:
        if r.kind is Kind.COORDINATE and not network.held[number[r.points[0]], r.axis]:
            out[number[r.points[0]], r.axis] = r.value
    return out


def _laid_on(shape: Array, marks: Array) -> Array:
    """The shape moved onto the marks that are known; coordinates that are not count nothing."""
    known = ~np.isnan(marks)
    whole = known.all(axis=1)
    if whole.sum() >= 3:
        move, _ = best_fit(shape[whole], marks[whole])
        return np.asarray(shape @ move[:3, :3].T + move[:3, 3])
    if not known.any():
        return shape
    laid = shape
    for _ in range(50):  # unknown coordinates follow the shape until they rest
        filled = np.where(known, marks, laid)
        move, _ = best_fit(shape, filled)
        laid = np.asarray(shape @ move[:3, :3].T + move[:3, 3])
    return laid


def _arm_starts(network: Network, places: Array) -> list[Array]:
    """(s, 6): each set-up laid by the points it shares, or in a few ways where there are none."""
    if not network.setups:
        return [np.zeros((0, 6))]
    out = []
    for turn in (np.zeros(3), np.array([0.0, 0.0, np.pi / 2]), np.array([0.0, 0.0, 3.0]),
                 np.array([0.0, 0.0, -np.pi / 2])):  # fmt: skip
        out.append(np.array([_arm_start(network, places, s, turn) for s in network.setups]))
    return out


def _arm_start(network: Network, places: Array, setup: str, turn: Array) -> Array:
    number = {p: i for i, p in enumerate(network.points)}
    seen: dict[int, Array] = {}
    for r in network.readings:
        if r.setup == setup:
            seen.setdefault(number[r.points[0]], np.full(3, np.nan))[r.axis] = r.value
    whole = {i: v for i, v in seen.items() if not np.isnan(v).any()}
    if not whole:
        return _NO_ARM
    here, there = places[list(whole)], np.array(list(whole.values()))
    rotation = rotation_from_vector(turn)
    return np.concatenate([turn * ARM_LENGTH_MM, (there - here @ rotation.T).mean(axis=0)])


# --- the other side of a plane --------------------------------------------------------------------


def _flipped(network: Network, best: Fit) -> list[Fit]:
    """Solved anew with one point at a time put across the plane of those it was measured from."""
    number = {p: i for i, p in enumerate(network.points)}
    rows: dict[int, list[int]] = {}
    for k, r in enumerate(network.readings):
        for p in r.points:
            rows.setdefault(number[p], []).append(k)
    trials = []
    for i, mine in rows.items():
        if network.held[i].any() or any(network.readings[k].kind is Kind.ARM for k in mine):
            continue
        other = sorted({number[p] for k in mine for p in network.readings[k].points} - {i})
        across = _across(best.places, i, other) if len(other) >= 3 else None
        if across is None:
            continue
        alone = _alone(network, best.places, across, i, other, mine)
        if length(alone.places[0] - best.places[i]) > SAME_MM:
            trials.append((alone.cost, i, alone.places[0]))
    out = []
    for cost, i, place in sorted(trials, key=lambda t: t[0])[:_FLIPS]:
        if cost < _HOPELESS:
            places = best.places.copy()
            places[i] = place
            out.append(fitted(network, network.packed(places, network.arms(best.x))))
    return out


def _alone(
    network: Network, places: Array, at: Array, i: int, other: list[int], mine: list[int]
) -> Fit:
    """One point solved from `at` with all others held where they are."""
    few = [i, *other]
    near, held = places[few].copy(), np.ones((len(few), 3), dtype=bool)
    near[0], held[0] = at, network.held[i]
    names = tuple(network.points[k] for k in few)
    part = Network(names, near, held, tuple(network.readings[k] for k in mine))
    return fitted(part, part.packed(near, np.zeros((0, 6))))


def _across(places: Array, i: int, other: list[int]) -> Array | None:
    """The mirror image of a point in the plane nearest to the others; None if it lies in it."""
    around = places[other]
    middle = around.mean(axis=0)
    normal = np.linalg.svd(around - middle)[2][-1]
    off = float((places[i] - middle) @ normal)
    return None if abs(off) < 1.0 else np.asarray(places[i] - 2.0 * off * normal)
