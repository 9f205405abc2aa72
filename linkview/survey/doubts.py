"""Readings that do not go with the rest: named, sized, and kept out where it is sure which it is.

The test: with good readings, one survey in a hundred has any standardised misfit beyond the bound
(Bonferroni's over all readings). The largest is taken out first, judged where it pulls little. A
second test asks the readings themselves how good they are: where sigmas are stated larger than they
need be, a slip hides under the first. Source of that one, the externally studentised misfit with
Student's distribution: R. D. Cook and S. Weisberg, Residuals and Influence in Regression (1982),
from memory; checked by simulation.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.stats import norm, t

from linkview.geometry import Array
from linkview.survey.fit import Fit, fitted, robustly_fitted
from linkview.survey.network import Network
from linkview.survey.readings import Kind, Reading, spoken_point
from linkview.survey.starts import found_from_all_starts, places_read, ways_round
from linkview.units import MM_PER_INCH

FALSE_ALARM = 0.01
OWN_ALARM = 0.002  # the same of the second test, which rests on fewer numbers
LEAST_MISFIT = 2.0  # stated sigmas: less is no slip, however alike the others are
FEWEST_SPARE = 4
ODD = 3.0  # sigmas from which a reading that is kept is worth another look
ALIKE = 0.97  # two readings whose blunders look this much the same cannot be told apart
NEAR_FACTOR = 0.03
FEWEST = 3  # ratios, to speak of most
FACTORS = {
    1.0 / MM_PER_INCH: "was it read in inches? add unit = 'in'",
    0.1: "was it read in cm? add unit = 'cm'",
    0.001: "was it read in metres? add unit = 'm'",
    MM_PER_INCH: "was it millimetres turned into millimetres again, 25.4 times too large?",
    10.0: "is there a nought too many?",
    1000.0: "is it a thousand times too large? values are mm",
}
ROUGHLY = 0.15  # of what places given roughly make of a distance
FAR_OUT_MM = 100.0  # a coordinate nearer the origin may have any ratio to its rough place
LEVEL_ROUGH_RAD = 0.09  # 5 degrees: what rough places make of a level
VERTICAL = "was it read from the vertical?"
UNCHECKED = 0.1  # of a slip that the others would show
UNITS = (1.0 / MM_PER_INCH, MM_PER_INCH, 0.001, 1000.0)  # cm and a nought may be rough places


@dataclass(frozen=True)
class Doubt:
    """A reading that does not go with the rest.

    off: measured minus what the rest says, mm or radians. alike: others that may be the wrong one
    instead; then nothing was kept out. question: what may have happened, '' for no idea.
    """

    reading: Reading
    off: float
    alike: tuple[Reading, ...] = ()
    question: str = ""

    @property
    def words(self) -> str:
        r = self.reading
        if self.alike:
            group = ", or ".join(f"{a.words} ({a.key})" for a in (r, *self.alike))
            return (
                f"contradictory, and which one is wrong cannot be told: {group}; "
                f"{r.shown(abs(self.off))} apart. Measure them again, or add another that checks "
                "them."
            )
        who = spoken_point(r.points[0]) if r.kind is Kind.COORDINATE else r.words
        what = f", its {r.words.split(', ')[-1]}" if r.kind is Kind.COORDINATE else ""
        way = "more" if self.off > 0.0 else "less"
        asked = f" {self.question[:1].upper()}{self.question[1:]}" if self.question else ""
        return (
            f"re-measure {who}{what} ({r.key}): {r.shown(r.value)} is "
            f"{r.shown(abs(self.off))} {way} than the rest says.{asked}"
        )


@dataclass(frozen=True, eq=False)
class Sifted:
    """A fit without the readings that were sure to be wrong, and all that is doubted."""

    fit: Fit
    doubts: tuple[Doubt, ...]

    @property
    def kept_out(self) -> tuple[Doubt, ...]:
        return tuple(d for d in self.doubts if not d.alike)


def sifted(first: Fit) -> Sifted:
    """Takes out one reading at a time, as long as one is beyond the bound.

    One that others may explain as well is set aside while the rest is looked through, and put back.
    """
    fit, gone, unsure = first, [], []
    for _ in range(max(0, min(first.spare - 1, len(first.misfit) // 3))):
        judged = _judged(fit)
        row = _worst(judged)
        if row is None:
            break
        twins = np.flatnonzero(judged.alike(row) > ALIKE)
        twins = twins[(twins != row) & (np.abs(judged.standardised[twins]) > 0.0)]
        reading = fit.network.readings[row]
        if twins.size:
            unsure.append((reading, tuple(fit.network.readings[k] for k in twins)))
        else:
            gone.append(reading)
        rest = fit.network.without([row])
        # A gross slip may have drawn the whole into a wrong shape: begin anew without it.
        fit = found_from_all_starts(rest).best if fit.too_large else fitted(rest, fit.x)
    doubts = [_measured_against(fit, r) for r in gone]
    groups = [replace(_measured_against(fit, r), alike=others) for r, others in unsure]
    if unsure:
        rows = [k for k, r in enumerate(first.network.readings) if r in gone]
        fit = fitted(first.network.without(rows), fit.x)
    elif fit.spare == 1 and (row := _worst(fit)) is not None:
        others = [r for k, r in enumerate(fit.network.readings)
                  if k != row and fit.redundancy[k] > 1e-6]  # fmt: skip
        groups = [_doubt(fit, row, others)]
    return Sifted(fit, (*doubts, *groups))


def _judged(fit: Fit) -> Fit:
    """The fit as it is where taking out its worst reading mends all, else one pulled less."""
    if not fit.too_large:
        return fit
    row = _worst(fit)
    if row is not None:
        rest = fitted(fit.network.without([row]), fit.x)
        if not rest.too_large and _worst(rest) is None:
            return fit
    return robustly_fitted(fit.network, fit.x)


def _worst(fit: Fit) -> int | None:
    count = len(fit.misfit)
    if not count or not fit.spare:
        return None
    bound = float(norm.ppf(1.0 - FALSE_ALARM / (2.0 * count)))
    row = int(np.argmax(np.abs(fit.standardised)))
    most = abs(float(fit.standardised[row]))
    return row if most > bound or _beyond_its_own(fit, most) else None


def _beyond_its_own(fit: Fit, most: float) -> bool:
    """Whether the largest misfit is too large for how well the other readings go together."""
    if fit.spare < FEWEST_SPARE or most < LEAST_MISFIT:
        return False
    others = max(fit.cost - most**2, 0.0) / (fit.spare - 1)
    bound = float(t.ppf(1.0 - OWN_ALARM / (2.0 * len(fit.misfit)), fit.spare - 1))
    return most > bound * float(np.sqrt(others))


def odd_words(fit: Fit) -> str:
    """The reading farthest off the rest, where it is worth another look but no slip for certain;
    '' where none is."""
    if not fit.spare or not len(fit.misfit):
        return ""
    row = int(np.argmax(np.abs(fit.standardised)))
    most, off = abs(float(fit.standardised[row])), fit.off_the_rest(row)
    if most < ODD or not np.isfinite(off):
        return ""
    r, count = fit.network.readings[row], len(fit.misfit)
    often = 1.0 - float(norm.cdf(most) - norm.cdf(-most)) ** count
    return (
        f"farthest off the rest, and kept: {r.words} ({r.key}), {r.shown(abs(off))} "
        f"{'more' if off > 0.0 else 'less'} than the others say; {100.0 * often:.0f} of 100 good "
        "surveys have one as far off. Measure that one again first"
    )


def _doubt(fit: Fit, row: int, others: list[Reading]) -> Doubt:
    return Doubt(fit.network.readings[row], fit.off_the_rest(row), tuple(others))


def _measured_against(fit: Fit, reading: Reading) -> Doubt:
    """A reading that was kept out against the places found without it."""
    net = fit.network
    alone = type(net)(net.points, net.near, net.held, (*net.readings, reading))
    says = float(alone.predicted(fit.x)[-1])
    return Doubt(reading, reading.value - says, question=_question(reading, says))


def _question(reading: Reading, says: float) -> str:
    if reading.is_angle:
        return VERTICAL if _from_vertical(reading.value, says) else ""
    if abs(says) < 5.0:
        return ""
    ratio = reading.value / says
    for factor, words in FACTORS.items():
        if abs(ratio / factor - 1.0) < NEAR_FACTOR:
            return words
    if abs(ratio + 1.0) < NEAR_FACTOR:
        return "is its sign the wrong way round? + is forward, left and up"
    return ""


def whole_scale_question(network: Network) -> str:
    """Asks where the distances together are off the places by a unit's factor; '' where not.

    Places: roughly as given, or where the coordinates that were read put them.
    """
    places = places_read(network)
    number, ratios = {p: i for i, p in enumerate(network.points)}, []
    for r in network.readings:
        if r.kind is Kind.DISTANCE:
            a, b = (places[number[p]] for p in r.points)
            rough = float(np.linalg.norm(a - b))
            if np.isfinite(rough) and rough > 20.0:
                ratios.append(r.value / rough)
    if len(ratios) < FEWEST:
        return ""
    middle = float(np.median(ratios))
    for factor, words in FACTORS.items():
        if abs(middle / factor - 1.0) < ROUGHLY:
            return (
                f"most distances are about {factor:.3g} times those between the places given or "
                f"read: {words}, or correct the places"
            )
    return ""


def unit_questions(fit: Fit) -> list[str]:
    """Distances and coordinates that are off the places given or read by the factor of a unit,
    where readings do not go together, or no other checks this one. Else it was kept out and asked
    about before.
    """
    net = fit.network
    places = places_read(net)
    number, out = {p: i for i, p in enumerate(net.points)}, []
    ratios: dict[str, list[tuple[Reading, float]]] = {}
    for r, checked in zip(net.readings, fit.redundancy, strict=True):
        if not (fit.too_large or checked < UNCHECKED):
            continue
        if r.kind is Kind.DISTANCE:
            a, b = (places[number[p]] for p in r.points)
            rough = float(np.linalg.norm(a - b))
            if np.isfinite(rough) and rough > 20.0:
                ratios.setdefault(r.key, []).append((r, r.value / rough))
        elif r.kind is Kind.LEVEL:
            out += _plumb_question(r, *(net.near[number[p]] for p in r.points))
        elif r.kind is Kind.COORDINATE:
            rough = float(net.near[number[r.points[0]], r.axis])
            if abs(rough) > FAR_OUT_MM:
                ratios.setdefault(r.key, []).append((r, r.value / rough))
    for several in ratios.values():
        r = several[0][0]
        for factor in UNITS:
            if all(abs(ratio / factor - 1.0) < ROUGHLY for _, ratio in several):
                out.append(
                    f"{r.words} ({r.key}) is {r.shown(r.value)}, about {factor:.3g} times what "
                    f"the places given or read make it: {FACTORS[factor]}, or correct the places"
                )
    return out


def _from_vertical(value: float, says: float) -> bool:
    """Whether a level (rad) reads what is left to 90 degrees of what it should."""
    left = np.pi / 2.0 - abs(says)
    return left - abs(says) > 4.0 * LEVEL_ROUGH_RAD and abs(abs(value) - left) < LEVEL_ROUGH_RAD


def _plumb_question(r: Reading, a: Array, b: Array) -> list[str]:
    """Asks about a level that was read from the vertical, as the rough places a, b have it."""
    line = b - a
    rough = float(np.arctan2(line[2], np.hypot(line[0], line[1])))
    if not _from_vertical(r.value, rough):
        return []
    return [
        f"{r.words} ({r.key}) is {r.shown(r.value)}, but about {r.shown(rough)} between the places "
        f"given: {VERTICAL}, or correct the places"
    ]


def longer_than_the_way_round(network: Network) -> list[str]:
    """Distances that cannot be: a way over other points is shorter by more than errors explain."""
    number = {p: i for i, p in enumerate(network.points)}
    far = ways_round(network)
    out = []
    for r in network.readings:
        if r.kind is Kind.DISTANCE:
            i, j = (number[p] for p in r.points)
            if far[i, j] < r.value - max(20.0 * r.sigma, 0.02 * r.value):
                out.append(
                    f"contradictory: {r.words} ({r.key}) is {r.shown(r.value)}, but by way of "
                    f"other points it is at most {far[i, j]:.1f} mm; measure it again"
                )
    return out
