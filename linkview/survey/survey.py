"""A survey solved: points with ellipsoids, what is doubted, what is loose, what to measure next."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
from scipy.stats import chi2

from linkview.errors import SurveyRefused
from linkview.geometry import Array, apply_direction, best_fit, frozen, length, mirrored
from linkview.survey.doubts import (
    Doubt,
    longer_than_the_way_round,
    odd_words,
    sifted,
    unit_questions,
    whole_scale_question,
)
from linkview.survey.fit import BENT, SPREAD_95, Fit
from linkview.survey.freedom import axis_words, free_words, misspelt_words, whole_words
from linkview.survey.kind_units import kind_unit_question
from linkview.survey.network import Network
from linkview.survey.next_best import Suggestion, suggestions
from linkview.survey.readings import Kind, spoken_point
from linkview.survey.starts import Found, found_from_all_starts

ONE_PLACE_MM = 0.5  # sigma that two places of one point may always have
SAME_PLACE_MM = 20.0  # points farther apart than this are two, however poorly known
ONE_PLACE = float(chi2.ppf(0.99, 3))
ROUGH_MM = 200.0  # a rough place is no worse than this


@dataclass(frozen=True, eq=False)
class SurveyedPoint:
    """at (3,) mm. sigma_mm (3,) along x, y, z; axes_mm (3,): half axes of the one-sigma ellipsoid,
    longest first; longest (3,): its direction."""

    name: str
    at: Array
    sigma_mm: Array
    axes_mm: Array
    longest: Array
    moved_mm: float

    @property
    def worst_95_mm(self) -> float:
        """The longest half axis of the ellipsoid that holds the point in 95 of 100 surveys."""
        return SPREAD_95 * float(self.axes_mm[0])

    @property
    def way(self) -> str:
        """The direction it is known worst in, '' where all are much alike."""
        return axis_words(self.longest) if self.axes_mm[0] > 1.3 * self.axes_mm[2] else ""


@dataclass(frozen=True, eq=False)
class Survey:
    """points: in the order of the file. fit: without the readings kept out. scaled: ellipsoids
    were enlarged by the fit's factor, for the misfits are larger than the sigmas say."""

    points: tuple[SurveyedPoint, ...]
    fit: Fit
    found: Found
    doubts: tuple[Doubt, ...]
    next_best: tuple[Suggestion, ...]
    scaled: bool
    free_datum: bool
    notes: tuple[str, ...]

    @property
    def enlarged(self) -> float:
        """What the stated sigmas are times in all that is told."""
        return self.fit.factor if self.scaled else 1.0


def solve_survey(network: Network, sigmas: dict[Kind, float], *, free_datum: bool) -> Survey:
    """Points from readings. SurveyRefused where some cannot be told, with their directions.

    sigmas: one sigma of what may be measured besides. free_datum: the whole may shift and turn; it
    is laid onto the rough places.
    """
    if not network.unknowns or not network.readings:
        raise SurveyRefused("survey: nothing to solve; measure a point that is not held")
    question = whole_scale_question(network)
    if question:
        raise SurveyRefused(f"survey: {question}")
    found = found_from_all_starts(network)
    _refuse_loose(found.best, sigmas, free_datum=free_datum)
    question = kind_unit_question(found.best)
    if question:
        raise SurveyRefused(f"survey: {question}")
    cleaned = sifted(found.best)
    asked = unit_questions(cleaned.fit)
    if asked:
        raise SurveyRefused("\n".join(f"survey: contradictory: {line}" for line in asked))
    if cleaned.kept_out:
        found = replace(found, rivals=found_from_all_starts(cleaned.fit.network).rivals)
    fit = _laid(cleaned.fit) if cleaned.fit.whole.shape[1] else cleaned.fit
    scale = fit.factor if fit.too_large else 1.0
    points = []
    for i, name in enumerate(network.points):
        axes, ways = fit.ellipsoid(i)
        sigma = np.sqrt(np.maximum(np.diag(fit.block(i)), 0.0))
        near = network.near[i]
        moved = float(length(fit.places[i] - near)) if np.isfinite(near).all() else np.nan
        points.append(
            SurveyedPoint(
                name, frozen(fit.places[i]), frozen(scale * sigma), frozen(scale * axes),
                frozen(ways[0]), moved,
            )
        )  # fmt: skip
    return Survey(
        tuple(points), fit, found, cleaned.doubts, tuple(suggestions(fit, sigmas)),
        scale != 1.0, bool(fit.whole.shape[1]), tuple(_notes(network, found, fit)),
    )  # fmt: skip


def _refuse_loose(fit: Fit, sigmas: dict[Kind, float], *, free_datum: bool) -> None:
    lines = free_words(fit)
    if lines:
        lines = [f"survey: too few measurements: {line}" for line in lines]
        lines += [f"survey: {line}" for line in misspelt_words(fit)]
        wrong = [f"survey: {line}" for line in longer_than_the_way_round(fit.network)]
        lines = [*wrong, *lines]
        lines += [f"survey: would help: {s.words}" for s in suggestions(fit, sigmas, count=3)]
    whole = whole_words(fit)
    if whole and not free_datum:
        lines.append(
            f"survey: nothing says where the car is: everything together can still {whole}; give "
            "heights, offsets, stations or plumb marks, hold points, or set datum = 'free'"
        )
    if lines:
        raise SurveyRefused("\n".join(lines))


def _laid(fit: Fit) -> Fit:
    """A free network moved onto the rough places, as near as may be; nothing measured changes."""
    net = fit.network
    known = ~np.isnan(net.near).any(axis=1)
    if net.held.any() or known.sum() < 3 or net.setups or fit.whole.shape[1] < 6:
        return fit
    move, _ = best_fit(fit.places[known], net.near[known])
    places = apply_direction(move, fit.places) + move[:3, 3]
    x = net.packed(places, net.arms(fit.x))
    return Fit(net, frozen(x), frozen(net.misfits(x)), fit.settled)


def _notes(network: Network, found: Found, fit: Fit) -> Iterator[str]:
    if found.start_false:
        yield (
            "false minimum: from the rough places given, the numbers settle in a wrong shape; the "
            "one shown here, found from another start, fits far better. Correct the rough places."
        )
    elif found.false:
        count = len(found.false)
        yield (
            f"{count} wrong shape{'s' if count > 1 else ''} (false minima) found from other starts "
            "and set aside: they fit far worse"
        )
    told_apart = [r for r in found.rivals if _is_elsewhere(fit, r)]
    if told_apart:
        many = len(told_apart)
        off = np.max([length(r.places - fit.places) for r in told_apart], axis=0)
        names = [spoken_point(network.points[k]) for k in np.argsort(-off) if off[k] > ROUGH_MM]
        who = f"{', '.join(names[:6])}{' and others' if len(names) > 6 else ''}"
        yield (
            f"{many} other shape{'s fit' if many > 1 else ' fits'} nearly as well: {who} up to "
            f"{off.max():.0f} mm elsewhere. The rough places given tell which is meant: look that "
            "each stands on the side that is shown."
        )
    for rival in found.rivals:
        if rival not in told_apart:
            yield from _rival_words(fit, rival)
    yield from _far_words(network, fit)
    if not fit.settled:
        yield "the solution did not come to rest: take these points for rough ones, measure more"
    yield from _bent_words(fit)
    handless = all(r.kind is Kind.DISTANCE for r in network.readings)
    if handless and np.isnan(network.near).any() and not network.held.any():
        yield "distances alone cannot tell left from right: the mirror image fits as well"
    yield from _one_place_words(fit)
    odd = odd_words(fit)
    if odd and not fit.too_large:
        yield odd
    if fit.too_small:
        yield (
            f"misfits are {fit.factor:.2f} of what the stated uncertainties lead to expect: they "
            "are stated too large, or the readings were not independent"
        )
    if not fit.spare:
        yield "no reading checks another: a slip of the tape would go unseen. Measure more."


def _one_place_words(fit: Fit) -> Iterator[str]:
    """Points that the measuring cannot tell from one; a reading between two says they are two."""
    names = fit.network.points
    between = {frozenset(r.points) for r in fit.network.readings if len(r.points) == 2}
    for k, j in combinations(range(len(names)), 2):
        apart = fit.places[k] - fit.places[j]
        far = float(length(apart))
        if far > SAME_PLACE_MM or frozenset((names[k], names[j])) in between:
            continue
        blocks = [fit.covariance[3 * a : 3 * a + 3, 3 * b : 3 * b + 3]
                  for a, b in ((k, k), (j, j), (k, j), (j, k))]  # fmt: skip
        doubt = blocks[0] + blocks[1] - blocks[2] - blocks[3] + ONE_PLACE_MM**2 * np.eye(3)
        if float(apart @ np.linalg.solve(doubt, apart)) < ONE_PLACE:
            yield (
                f"{spoken_point(names[k])} and {spoken_point(names[j])} come out {far:.1f} mm "
                "apart, which the measuring cannot tell from one place: is it one point named "
                "twice?"
            )


def _is_elsewhere(fit: Fit, rival: Fit) -> bool:
    """Whether the rough places given, all of them, speak against a shape that fits as well."""
    near = fit.network.near
    if np.isnan(near).any() or fit.whole.shape[1]:
        return False
    ours, theirs = (float(length(f.places - near).max()) for f in (fit, rival))
    return theirs > max(4.0 * ours, ROUGH_MM)


def _far_words(network: Network, fit: Fit) -> Iterator[str]:
    off = length(fit.places - network.near)
    far = [k for k in np.argsort(-np.nan_to_num(off, nan=0.0)) if off[k] > ROUGH_MM]
    if far and not fit.whole.shape[1]:
        who = ", ".join(f"{spoken_point(network.points[k])} {off[k]:.0f} mm" for k in far[:4])
        yield (
            f"far from the rough places given or read from the file: {who}. Are two names mixed "
            "up, is a sign wrong, or are the rough places?"
        )


def _bent_words(fit: Fit) -> Iterator[str]:
    share, way = fit.bent()
    if share > BENT:
        most = length(way)
        who = [n for n, m in zip(fit.network.points, most, strict=True) if m > 0.5 * most.max()]
        yield (
            f"{', '.join(spoken_point(n) for n in who[:4])}: known so poorly that the "
            "uncertainties shown are too small; they hold for small errors only. See what to "
            "measure next."
        )


def _rival_words(best: Fit, rival: Fit) -> Iterator[str]:
    move, _ = best_fit(rival.places, best.places)
    places = rival.places
    _, off_mirror = best_fit(mirrored(places), best.places)
    if best.whole.shape[1] and off_mirror.max() < 1.0:
        yield "the mirror image fits as well: the rough places decide which is meant"
        return
    if best.whole.shape[1]:
        places = apply_direction(move, places) + move[:3, 3]
    off = length(places - best.places)
    names = [best.network.points[i] for i in np.argsort(-off) if off[i] > 1.0][:4]
    if not names:
        return
    who = ", ".join(spoken_point(n) for n in names)
    yield (
        f"two shapes fit nearly alike: {who} may stand up to {off.max():.0f} mm elsewhere. The "
        "one nearer to the readings is shown; add a measurement that tells them apart."
    )
