"""Which further measurement would help most, before anybody crawls under the car again.

For a reading with slopes a and sigma s the covariance C becomes C - C a a' C / (s2 + a' C a), so
its gain is known without solving again. Source: the matrix inversion lemma; checked by solving again.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np

from linkview.geometry import Array
from linkview.survey.fit import Fit
from linkview.survey.readings import Kind, Reading

LONGEST_TAPE_MM = 5000.0
_MOST_POINTS = 80


@dataclass(frozen=True)
class Suggestion:
    """A reading to take. rms_mm: one sigma of a coordinate, root mean square over all points, with
    it; rms_now_mm: without. loosens: it takes away a free move (then the rms are NaN)."""

    reading: Reading
    rms_now_mm: float
    rms_mm: float
    loosens: bool = False

    @property
    def words(self) -> str:
        if self.loosens:
            return f"{self.reading.words}: takes away a free move"
        return (
            f"{self.reading.words}: brings one sigma of a coordinate from {self.rms_now_mm:.2f} to "
            f"{self.rms_mm:.2f} mm over all points"
        )


def suggestions(fit: Fit, sigmas: dict[Kind, float], *, count: int = 5) -> list[Suggestion]:
    """The `count` readings that help most, best first. sigmas: one sigma by kind, mm."""
    candidates = _candidates(fit, sigmas)
    if not candidates:
        return []
    trial = replace(fit.network, readings=tuple(candidates))
    # The set-ups' unknowns are not among these readings'.
    x = fit.x[: len(fit.network.free)]
    slopes = trial.derivatives(x)
    if fit.shape_loose.shape[1]:
        pull = np.linalg.norm(slopes @ fit.shape_loose[: len(x)], axis=1) * trial.sigma
        order = np.argsort(-pull)[:count]
        return [Suggestion(candidates[k], np.nan, np.nan, True) for k in order if pull[k] > 1e-6]
    c = fit.covariance[np.ix_(fit.network.free, fit.network.free)]
    size = max(1, c.shape[0])
    now = float(np.trace(c))
    moved = slopes @ c
    gain = np.sum(moved * moved, axis=1) / (1.0 + np.sum(moved * slopes, axis=1))
    out = []
    for k in np.argsort(-gain)[:count]:
        after = max(now - float(gain[k]), 0.0)
        out.append(
            Suggestion(candidates[k], float(np.sqrt(now / size)), float(np.sqrt(after / size)))
        )
    return out


def _candidates(fit: Fit, sigmas: dict[Kind, float]) -> list[Reading]:
    net = fit.network
    there = {(r.kind, frozenset(r.points), r.axis) for r in net.readings}
    moving = [p for p, h in zip(net.points, net.held, strict=True) if not h.all()]
    spread: Array = np.array([np.trace(fit.block(i)) for i in range(len(net.points))])
    names = [net.points[i] for i in np.argsort(-spread)[:_MOST_POINTS]]
    place = dict(zip(net.points, fit.places, strict=True))
    out = []
    for a, b in combinations(names, 2):
        apart = float(np.linalg.norm(place[a] - place[b]))
        if (a not in moving and b not in moving) or not 1.0 < apart < LONGEST_TAPE_MM:
            continue
        out.append(Reading(Kind.DISTANCE, (a, b), 0.0, sigmas[Kind.DISTANCE]))
    if not fit.whole.shape[1]:
        for name in moving:
            for axis in range(3):
                out.append(Reading(Kind.COORDINATE, (name,), 0.0, sigmas[Kind.COORDINATE], axis))
    return [r for r in out if (r.kind, frozenset(r.points), r.axis) not in there]
