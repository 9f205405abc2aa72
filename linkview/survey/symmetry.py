"""Left against right: the best mirror plane of a measured car, and parts that are not twins.

A point r mirrored in the plane n . p = d is r - 2 (n . r - d) n. With middles m and differences e
of the pairs, the sum of squared misses is least for d = n . mean(m) and n the eigenvector of
4 sum (m - mean)(m - mean)' - sum e e' with the smallest value; checked against scipy's minimiser.
From there the misses are weighed by what the survey says of each pair, by Gauss and Newton.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np

from linkview.errors import SurveyRefused
from linkview.geometry import Array, dot, frozen, length
from linkview.model.layout import BODY, KNUCKLE, Layout
from linkview.survey.fit import Fit
from linkview.survey.readings import Kind, spoken_point
from linkview.units import to_deg

SURE_SIGMAS = 3.0
FLOOR_MM = 0.1  # a place that was laid down is not known better
ROUNDS, HALVINGS, SETTLED = 12, 20, 1e-9
LEAST_MM = 1.0  # smaller differences between two sides are nobody's concern


@dataclass(frozen=True, eq=False)
class MirrorPlane:
    """normal (3,) unit, toward the car's left. at_mm: the plane is normal . p = at_mm.

    off: (n, 3) each right point less the mirror image of its left one, mm. off_sigma (n,): one
    sigma of its length from the measuring, along the worst direction. sigma (3,): of the plane:
    of at_mm, and radians in plan and of its rise. unlike_mm: how far the sides
    truly differ, one sigma of a coordinate, 0 where measuring explains all. Sigmas are NaN where
    no covariance was given.
    """

    normal: Array
    at_mm: float
    off: Array
    off_sigma: Array
    sigma: Array
    unlike_mm: float

    @property
    def words(self) -> str:
        """Where the plane lies against the frame's own centre plane."""
        turn = float(to_deg(np.arctan2(-self.normal[0], self.normal[1])))
        lean = float(to_deg(np.arcsin(np.clip(self.normal[2], -1.0, 1.0))))
        known = np.isfinite(self.sigma).all()
        mm, plan, rise = self.sigma
        at, turns, leans = (
            (f" +- {mm:.1f}", f" +- {to_deg(plan):.2f}", f" +- {to_deg(rise):.2f}")
            if known
            else ("", "", "")
        )
        return (
            f"best mirror plane: {self.at_mm:+.1f}{at} mm from the centre line at the origin (+ "
            f"left), turned {turn:+.2f}{turns} deg in plan (+ to the left), its normal rising "
            f"{lean:+.2f}{leans} deg to the left{self._weighing if known else ''}"
        )

    @property
    def _weighing(self) -> str:
        if self.unlike_mm < FLOOR_MM:
            return "; +- one sigma; as a whole, measuring explains how the sides differ"
        return (
            f"; +- one sigma; beyond what measuring explains the sides differ by "
            f"{self.unlike_mm:.1f} mm (one sigma of a coordinate)"
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
    return _plane(left, right, normal, float(normal @ middle.mean(axis=0)))


def weighed_mirror(left: Array, right: Array, covariance: Array) -> MirrorPlane:
    """The same with each pair's misses weighed by what the measuring leaves open.

    covariance (n, 6, 6) mm2: of each pair, left then right. A car is no perfect mirror either: how
    far its sides truly differ is added to every pair alike, as much as makes the misses what they
    are said to be; else a point known to 0.1 mm on a part bent by 10 would drag the plane along.
    """
    plane = best_mirror(left, right)
    spare = 3 * len(left) - 3
    if spare < 1:
        return plane
    low, high = 0.0, float(np.sqrt((plane.off**2).sum() / spare)) + FLOOR_MM
    best, cost, spread = _weighed(plane, left, right, covariance, 0.0)
    if cost > spare:
        for _ in range(HALVINGS):
            middle = 0.5 * (low + high)
            best, cost, spread = _weighed(best, left, right, covariance, middle)
            low, high = (middle, high) if cost > spare else (low, middle)
    turn = best.normal
    flat = max(float(np.hypot(turn[0], turn[1])), 1e-9)
    by_plan = np.array([-turn[1], turn[0], 0.0]) / flat**2
    by_rise = np.array([0.0, 0.0, 1.0 / flat])
    ways = np.zeros((3, 4))
    ways[0, 3], ways[1, :3], ways[2, :3] = 1.0, by_plan, by_rise
    sigma = np.sqrt(np.maximum(np.diag(ways @ spread @ ways.T), 0.0))
    misses = [np.linalg.eigvalsh(c)[-1] for c in _miss_covariance(best, covariance)]
    off_sigma = np.sqrt(np.maximum(misses, 0.0))
    return replace(
        best, sigma=frozen(sigma), off_sigma=frozen(off_sigma), unlike_mm=high if low else 0.0
    )


def mirror_of(fit: Fit, pairs: Sequence[tuple[str, str]], *, enlarged: float = 1.0) -> MirrorPlane:
    """Of points found on both sides, by name; enlarged: what the survey's sigmas are times."""
    number = {p: i for i, p in enumerate(fit.network.points)}
    left, right = (fit.places[[number[pair[k]] for pair in pairs]] for k in range(2))
    rows = [[3 * number[name] + axis for name in pair for axis in range(3)] for pair in pairs]
    covariance = np.array([fit.covariance[np.ix_(row, row)] for row in rows])
    return weighed_mirror(left, right, enlarged**2 * covariance)


def _plane(left: Array, right: Array, normal: Array, at_mm: float) -> MirrorPlane:
    nothing = frozen(np.full(len(left), np.nan))
    plane = MirrorPlane(frozen(normal), at_mm, right, nothing, nothing[:3], np.nan)
    return replace(plane, off=frozen(right - plane.mirrored(left)))


def _miss_covariance(plane: MirrorPlane, covariance: Array) -> Array:
    """(n, 3, 3): of each right point less the left one's image."""
    both = np.hstack([2.0 * np.outer(plane.normal, plane.normal) - np.eye(3), np.eye(3)])
    return np.asarray(both @ covariance @ both.T)


def _weighed(
    plane: MirrorPlane, left: Array, right: Array, covariance: Array, unlike_mm: float
) -> tuple[MirrorPlane, float, Array]:
    """The plane of least weighed misses, their sum of squares, and its covariance: of the normal
    and of at_mm (4, 4).
    """
    for _ in range(ROUNDS):
        own = _miss_covariance(plane, covariance)
        weight = np.linalg.inv(own + (unlike_mm**2 + FLOOR_MM**2) * np.eye(3))
        n = plane.normal
        _, _, ways = np.linalg.svd(n[None])
        along = ways[1:].T  # two directions that the normal can go
        far = left @ n - plane.at_mm
        by = np.empty((len(left), 3, 3))
        by[:, :, :2] = 2.0 * ((left @ along)[:, None, :] * n[:, None] + far[:, None, None] * along)
        by[:, :, 2] = -2.0 * n
        square = np.einsum("nij,nik,nkl->jl", by, weight, by)
        pull = np.einsum("nij,nik,nk->j", by, weight, plane.off)
        inverse = np.linalg.pinv(square, hermitian=True)
        step = -inverse @ pull
        moved = n + along @ step[:2]
        size = float(np.linalg.norm(moved))
        plane = _plane(left, right, moved / size, (plane.at_mm + float(step[2])) / size)
        if np.abs(step).max() < SETTLED:
            break
    cost = float(np.einsum("ni,nij,nj->", plane.off, weight, plane.off))
    whole = np.zeros((4, 3))
    whole[:3, :2], whole[3, 2] = along, 1.0
    return plane, cost, np.asarray(whole @ inverse @ whole.T)


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
