"""Which further measurement would help most, before anybody crawls under the car again.

For a reading with slopes a and sigma s the covariance C becomes C - C a a' C / (s2 + a' C a), so
its gain is known at once. Source: the matrix inversion lemma; checked by solving again.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np

from linkview.geometry import Array
from linkview.survey.fit import Fit
from linkview.survey.readings import Kind, Reading

HOW = ("plumb mark", "plumb mark", "tape from the floor")
LONGEST_TAPE_MM = 5000.0
_MOST_POINTS = 80
NOTHING_MM = 0.005  # less than this is no help


@dataclass(frozen=True)
class Suggestion:
    """A reading to take. rms_mm: one sigma of a coordinate, root mean square over all points, with
    it and those named before it; rms_now_mm: without it. loosens: it takes away a free move, and
    the rms are NaN."""

    reading: Reading
    rms_now_mm: float
    rms_mm: float
    loosens: bool = False

    @property
    def words(self) -> str:
        what = self.reading.words
        if self.reading.kind is Kind.COORDINATE:
            what = f"{what} ({HOW[self.reading.axis]})"
        if self.loosens:
            return f"{what}: takes away a free move"
        return f"{what}: a coordinate's sigma {self.rms_now_mm:.2f} to {self.rms_mm:.2f} mm"


def suggestions(fit: Fit, sigmas: dict[Kind, float], *, count: int = 5) -> list[Suggestion]:
    """The `count` readings that help most, each given those before it. sigmas: by kind, mm."""
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
    c = fit.covariance[np.ix_(fit.network.free, fit.network.free)].copy()
    size, out = max(1, c.shape[0]), []
    for _ in range(min(count, len(candidates))):
        now = float(np.trace(c))
        moved = slopes @ c
        own = 1.0 + np.sum(moved * slopes, axis=1)
        k = int(np.argmax(np.sum(moved * moved, axis=1) / own))
        c -= np.outer(moved[k], moved[k]) / own[k]
        before, after = (float(np.sqrt(max(t, 0.0) / size)) for t in (now, float(np.trace(c))))
        if before - after < NOTHING_MM:
            break
        out.append(Suggestion(candidates[k], before, after))
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
