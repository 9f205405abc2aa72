"""Left against right: the best mirror plane of a measured car, and parts that are not twins.

A point r mirrored in the plane n . p = d is r - 2 (n . r - d) n. With middles m and differences e
of the pairs, the sum of squared misses is least for d = n . mean(m) and n the eigenvector of
4 sum (m - mean)(m - mean)' - sum e e' with the smallest value; checked against scipy's minimiser.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from linkview.errors import SurveyRefused
from linkview.geometry import Array, dot, frozen, length
from linkview.model.layout import BODY, KNUCKLE, Layout
from linkview.survey.fit import Fit
from linkview.survey.readings import Kind, spoken_point
from linkview.units import to_deg

SURE_SIGMAS = 3.0
LEAST_MM = 1.0  # smaller differences between two sides are nobody's concern


@dataclass(frozen=True, eq=False)
class MirrorPlane:
    """normal (3,) unit, toward the car's left. at_mm: the plane is normal . p = at_mm.

    off: (n, 3) each right point less the mirror image of its left one, mm.
    """

    normal: Array
    at_mm: float
    off: Array

    @property
    def words(self) -> str:
        """Where the plane lies against the frame's own centre plane."""
        turn = float(to_deg(np.arctan2(-self.normal[0], self.normal[1])))
        lean = float(to_deg(np.arcsin(np.clip(self.normal[2], -1.0, 1.0))))
        return (
            f"best mirror plane: {self.at_mm:+.1f} mm from the centre line at the origin (+ left), "
            f"turned {turn:+.2f} deg in plan (+ to the left), its normal rising {lean:+.2f} deg to "
            "the left"
        )

    def mirrored(self, points: Array) -> Array:
        """Points (..., 3) mirrored in the plane."""
        return np.asarray(points - 2.0 * (dot(points, self.normal) - self.at_mm)[..., None]
                          * self.normal)  # fmt: skip


@dataclass(frozen=True)
class Unlike:
    """A distance within one part that differs between the sides. sigma_mm: of the difference."""

    part: str
    points: tuple[str, str]
    left_mm: float
    right_mm: float
    sigma_mm: float

    @property
    def words(self) -> str:
        a, b = (spoken_point(p) for p in self.points)
        off = self.right_mm - self.left_mm
        way = "longer" if off > 0.0 else "shorter"
        return (
            f"{spoken_point(self.part)}: {a} to {b} is {self.left_mm:.1f} mm left, "
            f"{self.right_mm:.1f} mm right: {abs(off):.1f} mm {way} on the right, one sigma "
            f"{self.sigma_mm:.1f}; a bent or twisted part, or two that were never twins"
        )


def best_mirror(left: Array, right: Array) -> MirrorPlane:
    """The plane in which left (n, 3) mirrors nearest onto right (n, 3), least squares, n >= 2."""
    left, right = np.asarray(left, dtype=float), np.asarray(right, dtype=float)
    if len(left) < 2:
        raise SurveyRefused("left against right needs two points or more measured on both sides")
    middle, apart = 0.5 * (left + right), left - right
    centred = middle - middle.mean(axis=0)
    _, ways = np.linalg.eigh(4.0 * centred.T @ centred - apart.T @ apart)
    normal = ways[:, 0] * (1.0 if ways[1, 0] >= 0.0 else -1.0)
    plane = MirrorPlane(frozen(normal), float(normal @ middle.mean(axis=0)), right)
    return MirrorPlane(plane.normal, plane.at_mm, frozen(right - plane.mirrored(left)))


def twins(points: Iterable[str]) -> list[tuple[str, str]]:
    """Names of points that were found on both sides: (left, right)."""
    there = dict.fromkeys(points)
    pairs = ((p, p.replace(".left.", ".right.")) for p in there if ".left." in p)
    return [(a, b) for a, b in pairs if b in there]


def unlike_parts(fit: Fit, layouts: Mapping[str, Layout]) -> list[Unlike]:
    """Distances within one part that surely differ between the sides, the surest first.

    layouts: by axle; without one, the distances that were taped on both sides are compared.
    """
    number = {p: i for i, p in enumerate(fit.network.points)}
    out = []
    for axle in dict.fromkeys(p.split(".")[0] for p, _ in twins(number)):
        both = {a.rsplit(".", 1)[1] for a, _ in twins(number) if a.startswith(f"{axle}.")}
        layout = layouts.get(axle)
        pairs = _part_pairs(layout, both) if layout else _taped_pairs(fit, axle)
        for (a, b), part in pairs.items():
            if {a, b} <= both:
                ends = [[number[f"{axle}.{s}.{p}"] for p in (a, b)] for s in ("left", "right")]
                found = _compared(fit, f"{axle} {part}", (a, b), ends)
                off = abs(found.right_mm - found.left_mm)
                if off > max(SURE_SIGMAS * found.sigma_mm, LEAST_MM):
                    out.append(found)
    return sorted(out, key=lambda u: -abs(u.right_mm - u.left_mm) / max(u.sigma_mm, 1e-9))


def _part_pairs(layout: Layout, names: set[str]) -> dict[tuple[str, str], str]:
    """Pairs of points that one part holds apart -> the part. Links first, then whole parts."""
    sliding = {tuple(sorted((s.inner, s.outer))) for s in layout.spans.values()}
    if layout.damper:
        sliding.add(tuple(sorted(layout.damper)))
    out: dict[tuple[str, str], str] = {}
    for part, a, b in layout.ends():
        pair = (a, b) if a < b else (b, a)
        if pair not in sliding:
            out.setdefault(pair, part)
    for part in (KNUCKLE, BODY, *layout.carried):
        owned = sorted(n for n in names if layout.owner(n) == part)
        for a, b in combinations(owned, 2):
            out.setdefault((a, b), part)
    return out


def _taped_pairs(fit: Fit, axle: str) -> dict[tuple[str, str], str]:
    out: dict[tuple[str, str], str] = {}
    for r in fit.network.readings:
        if r.kind is Kind.DISTANCE and all(p.startswith(f"{axle}.left.") for p in r.points):
            a, b = sorted(p.rsplit(".", 1)[1] for p in r.points)
            out[a, b] = "as taped"
    return out


def _compared(fit: Fit, part: str, names: tuple[str, str], ends: list[list[int]]) -> Unlike:
    slope = np.zeros(3 * len(fit.network.points))
    sizes: list[float] = []
    for sign, (i, j) in zip((-1.0, 1.0), ends, strict=True):
        line = fit.places[j] - fit.places[i]
        far = float(length(line))
        sizes.append(far)
        slope[3 * j : 3 * j + 3] += sign * line / max(far, 1e-9)
        slope[3 * i : 3 * i + 3] -= sign * line / max(far, 1e-9)
    sigma = float(np.sqrt(max(float(slope @ fit.covariance @ slope), 0.0)))
    return Unlike(part, names, sizes[0], sizes[1], sigma)
