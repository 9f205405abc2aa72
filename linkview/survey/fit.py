"""Least squares on a network: places, ellipsoids, and the share each reading has in its own check.

Source for redundancy numbers, standardised misfits and blunder sizes: W. Baarda, "A Testing
Procedure for Use in Geodetic Networks" (Delft, 1968), from memory; checked by simulation.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from scipy.optimize import least_squares
from scipy.stats import chi2

from linkview.geometry import Array, frozen
from linkview.survey.network import Network

LOOSE = 1e-7  # a singular value this much under the largest one is a free move
SPREAD_95 = float(np.sqrt(chi2.ppf(0.95, 3)))  # an ellipsoid's axes for 95 % in space
BENT = 0.1  # found by simulation: see tests/test_survey.py
DOUBT = 0.005  # each tail of the check on the sum of squares
_TRIES = 150
_HUGE_MM = 1e7


@dataclass(frozen=True, eq=False)
class Fit:
    """A network at its least sum of squares. x: unknowns. misfit (m,): in sigmas."""

    network: Network
    x: Array
    misfit: Array
    settled: bool

    @property
    def cost(self) -> float:
        """Sum of squared misfits, no unit."""
        return float(self.misfit @ self.misfit)

    @cached_property
    def places(self) -> Array:
        """(n, 3) mm."""
        return frozen(self.network.places(self.x))

    @cached_property
    def _parts(self) -> tuple[Array, Array, Array]:
        slopes = self.network.derivatives(self.x)
        few = slopes.shape[0] < slopes.shape[1]  # then the null space is asked for too
        u, s, vt = np.linalg.svd(slopes, full_matrices=few)
        return u, s, vt

    @cached_property
    def rank(self) -> int:
        s = self._parts[1]
        return int((s > LOOSE * s.max(initial=0.0)).sum()) if s.size else 0

    @cached_property
    def loose(self) -> Array:
        """(unknowns, k): small moves that change no reading, orthonormal, mm."""
        return np.asarray(self._parts[2][self.rank :].T)

    @cached_property
    def whole(self) -> Array:
        """(unknowns, j): those of `loose` that move everything together."""
        moves = self.network.whole_moves(self.x)
        size = np.linalg.norm(moves, axis=0)
        moves = moves[:, size > 0.0] / size[size > 0.0]
        if not self.loose.shape[1] or not moves.shape[1]:
            return np.zeros((self.network.unknowns, 0))
        u, s, _ = np.linalg.svd(_still(self.network, self.x, moves), full_matrices=False)
        return np.asarray(u[:, s > 1e-6])

    @property
    def shape_loose(self) -> Array:
        """(unknowns, i): moves that change no reading though the points move among themselves."""
        rest = self.loose - self.whole @ (self.whole.T @ self.loose)
        if not rest.shape[1]:
            return np.asarray(rest)
        u, s, _ = np.linalg.svd(rest, full_matrices=False)
        return np.asarray(u[:, s > 1e-4])

    @property
    def spare(self) -> int:
        """Readings more than needed."""
        return len(self.misfit) - self.rank

    @property
    def factor(self) -> float:
        """Misfits against the stated sigmas; 1 is as stated; NaN without spare readings."""
        return float(np.sqrt(self.cost / self.spare)) if self.spare else np.nan

    @property
    def too_large(self) -> bool:
        """Misfits that the stated sigmas give in under one survey of 200."""
        return bool(self.spare and self.cost > chi2.ppf(1.0 - DOUBT, self.spare))

    @property
    def too_small(self) -> bool:
        return bool(self.spare and self.cost < chi2.ppf(DOUBT, self.spare))

    @cached_property
    def covariance(self) -> Array:
        """(3 n, 3 n) mm2 of all coordinates, from the stated sigmas; held ones are sure.

        Where the whole can be shifted or turned: the least one, as seen from all points together.
        """
        net, (_, s, vt) = self.network, self._parts
        part = (vt[: self.rank].T / s[: self.rank])[: len(net.free)]
        out = np.zeros((3 * len(net.points),) * 2)
        out[np.ix_(net.free, net.free)] = part @ part.T
        return frozen(out)

    def block(self, point: int) -> Array:
        """(3, 3) mm2 of one point."""
        return np.asarray(self.covariance[3 * point : 3 * point + 3, 3 * point : 3 * point + 3])

    def ellipsoid(self, point: int) -> tuple[Array, Array]:
        """One-sigma half axes (3,) mm, the longest first, and their directions as rows (3, 3)."""
        values, axes = np.linalg.eigh(self.block(point))
        return np.sqrt(np.maximum(values[::-1], 0.0)), np.asarray(axes.T[::-1])

    def bent(self) -> tuple[float, Array]:
        """How far from straight the equations are over two sigma, and where.

        The share by which second-order terms move the answer on the way of two sigma along the
        least known direction, and that direction as (n, 3), size 1. Above about BENT an ellipsoid
        holds fewer points than it says. After D. M. Bates and D. G. Watts, Nonlinear Regression
        Analysis (1988), chapter 7, from memory: their parameter-effects curvature.
        """
        net, (u, s, vt) = self.network, self._parts
        if not self.rank:
            return 0.0, np.zeros((len(net.points), 3))
        last = self.rank - 1
        step = 2.0 * vt[last] / s[last]
        both = net.misfits(self.x + step) + net.misfits(self.x - step)
        bow = u[:, : self.rank].T @ (0.5 * both - net.misfits(self.x))
        moved = np.linalg.norm(vt[: self.rank].T @ (bow / s[: self.rank]))
        way = np.zeros(3 * len(net.points))
        way[net.free] = vt[last][: len(net.free)]
        return float(moved / np.linalg.norm(step)), way.reshape(-1, 3)

    @cached_property
    def redundancy(self) -> Array:
        """(m,) from 0 (nothing checks it) to 1 (it adds nothing)."""
        u = self._parts[0][:, : self.rank]
        return np.asarray(np.clip(1.0 - np.sum(u * u, axis=1), 0.0, 1.0))

    @cached_property
    def standardised(self) -> Array:
        """(m,) misfit over its own sigma; 0 where nothing checks the reading."""
        share = np.sqrt(self.redundancy)
        known = self.redundancy > 1e-6
        return np.where(known, self.misfit / np.where(known, share, 1.0), 0.0)

    def alike(self, row: int) -> Array:
        """(m,) how nearly a slip in each other reading would look like one in this row, 0 to 1."""
        u = self._parts[0][:, : self.rank]
        cross = -(u @ u[row])
        cross[row] += 1.0
        share = np.sqrt(np.maximum(self.redundancy * self.redundancy[row], 1e-18))
        return np.asarray(np.where(self.redundancy > 1e-6, np.abs(cross) / share, 0.0))

    def off_the_rest(self, row: int) -> float:
        """Measured minus what all others say, mm or radians; NaN where nothing else does."""
        share = float(self.redundancy[row])
        if share < 1e-6:
            return np.nan
        return float(-self.misfit[row] * self.network.sigma[row] / share)


def _still(network: Network, x: Array, moves: Array) -> Array:
    """The combinations of moves (unknowns, j) that change no reading."""
    change = network.derivatives(x) @ moves
    _, s, vt = np.linalg.svd(change, full_matrices=change.shape[0] < change.shape[1])
    scale = 1.0 / float(network.sigma.max())
    rank = int((s > 1e-6 * scale).sum())
    return np.asarray(moves @ vt[rank:].T)


def fitted(network: Network, x: Array, *, tries: int = _TRIES) -> Fit:
    """The least sum of squares next to unknowns x; analytic derivatives, scipy's `lm`."""
    short = max(0, network.unknowns - len(network.readings))
    empty = np.zeros((short, network.unknowns))

    def misfits(at: Array) -> Array:
        return np.concatenate([network.misfits(at), np.zeros(short)])

    def derivatives(at: Array) -> Array:
        return np.concatenate([network.derivatives(at), empty])

    if not network.unknowns:
        return Fit(network, frozen(x), frozen(network.misfits(x)), True)
    found = least_squares(
        misfits, x, jac=derivatives, method="lm", xtol=1e-12, ftol=1e-12, gtol=1e-12,
        max_nfev=tries,
    )  # fmt: skip
    sound = bool(np.isfinite(found.x).all() and np.abs(found.x).max() < _HUGE_MM)
    here = found.x if sound else x
    settled = sound and found.status > 0
    return Fit(network, frozen(here), frozen(network.misfits(here)), settled)


def robustly_fitted(network: Network, x: Array, *, rounds: int = 6, keen: float = 2.0) -> Fit:
    """The same with readings far off the rest counted less, so that a few blunders pull little.

    Each round divides the weight of a reading by its misfit over `keen` sigmas. Source: P. J.
    Huber, Robust Statistics (1981), from memory. The Fit returned is of the given sigmas.
    """
    for _ in range(rounds):
        far = np.maximum(1.0, np.abs(network.misfits(x)) / keen)
        eased = [replace(r, sigma=r.sigma * f) for r, f in zip(network.readings, far, strict=True)]
        x = fitted(replace(network, readings=tuple(eased)), x, tries=_TRIES // 5).x
    return Fit(network, frozen(x), frozen(network.misfits(x)), True)
