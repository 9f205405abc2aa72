"""Points and readings as equations: what each should be, and how it changes with the points.

Unknowns, in this order: the coordinates that are not held (point by point), then for every set-up
of an arm its rotation vector (radians, times ARM_LENGTH_MM so that all unknowns are mm) and the
shift (mm) that take the car's frame to the arm's.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from linkview.geometry import Array, Flags, Index, length, rotation_from_vector, skew
from linkview.survey.readings import Kind, Reading

ARM_LENGTH_MM = 1000.0  # a turn counts by what it moves a point this far away
_NO_LENGTH_MM = 1e-9


@dataclass(frozen=True, eq=False)
class Network:
    """points: names. near: (n, 3) mm, roughly where each is, NaN where nobody said.

    held: (n, 3) coordinates that are laid down: they stay where `near` has them.
    """

    points: tuple[str, ...]
    near: Array
    held: Flags
    readings: tuple[Reading, ...]

    @cached_property
    def setups(self) -> tuple[str, ...]:
        return tuple(dict.fromkeys(r.setup for r in self.readings if r.setup))

    @cached_property
    def free(self) -> Index:
        """Which of the 3 n coordinates are unknowns."""
        return np.flatnonzero(~self.held.ravel())

    @property
    def unknowns(self) -> int:
        return len(self.free) + 6 * len(self.setups)

    @cached_property
    def sigma(self) -> Array:
        return np.array([r.sigma for r in self.readings])

    @cached_property
    def value(self) -> Array:
        return np.array([r.value for r in self.readings])

    @cached_property
    def _rows(self) -> Mapping[Kind, Index]:
        kinds = [r.kind for r in self.readings]
        return {k: np.array([i for i, q in enumerate(kinds) if q is k], dtype=int) for k in Kind}

    @cached_property
    def _ends(self) -> Index:
        """(m, 2): each reading's first and last point."""
        number = {p: i for i, p in enumerate(self.points)}
        ends = [[number[r.points[0]], number[r.points[-1]]] for r in self.readings]
        return np.array(ends, dtype=int).reshape(-1, 2)

    @cached_property
    def _axis(self) -> Index:
        return np.array([r.axis for r in self.readings], dtype=int)

    @cached_property
    def _setup(self) -> Index:
        number = {s: i for i, s in enumerate(self.setups)}
        return np.array([number.get(r.setup, -1) for r in self.readings], dtype=int)

    def without(self, rows: Sequence[int]) -> Network:
        """The same points with some readings left out."""
        gone = set(rows)
        kept = tuple(r for i, r in enumerate(self.readings) if i not in gone)
        return Network(self.points, self.near, self.held, kept)

    # -- unknowns and places ------------------------------------------------------------------

    def packed(self, places: Array, arms: Array) -> Array:
        """The vector of unknowns from places (n, 3) and arms (s, 6)."""
        return np.concatenate([places.ravel()[self.free], arms.ravel()])

    def places(self, x: Array) -> Array:
        """(n, 3) mm from the unknowns; held coordinates as they are held."""
        out = np.where(self.held, self.near, 0.0).ravel()
        out[self.free] = x[: len(self.free)]
        return out.reshape(-1, 3)

    def arms(self, x: Array) -> Array:
        return x[len(self.free) :].reshape(-1, 6)

    # -- equations ----------------------------------------------------------------------------

    def predicted(self, x: Array) -> Array:
        """(m,): what each reading would be, mm or radians."""
        p, out = self.places(x), np.empty(len(self.readings))
        line = p[self._ends[:, 1]] - p[self._ends[:, 0]]
        rows = self._rows
        at = rows[Kind.DISTANCE]
        out[at] = length(line[at])
        at = rows[Kind.COORDINATE]
        out[at] = p[self._ends[at, 0], self._axis[at]]
        at = rows[Kind.RISE]
        out[at] = line[at, 2]
        at = rows[Kind.LEVEL]
        out[at] = np.arctan2(line[at, 2], length(line[at, :2]))
        at = rows[Kind.ARM]
        if at.size:
            arms = self.arms(x)[self._setup[at]]
            turn = rotation_from_vector(arms[:, :3] / ARM_LENGTH_MM)
            there = np.einsum("kij,kj->ki", turn, p[self._ends[at, 0]]) + arms[:, 3:]
            out[at] = there[np.arange(len(at)), self._axis[at]]
        return out

    def misfits(self, x: Array) -> Array:
        """(m,): predicted minus measured, in sigmas."""
        return (self.predicted(x) - self.value) / self.sigma

    def derivatives(self, x: Array) -> Array:
        """(m, unknowns): of `misfits`."""
        p, count = self.places(x), len(self.points)
        full = np.zeros((len(self.readings), 3 * count + 6 * len(self.setups)))
        line = p[self._ends[:, 1]] - p[self._ends[:, 0]]
        rows, ends = self._rows, self._ends
        for kind, slope in (
            (Kind.DISTANCE, _distance_slope),
            (Kind.RISE, _rise_slope),
            (Kind.LEVEL, _level_slope),
        ):
            at = rows[kind]
            d = slope(line[at])
            for k in range(3):
                full[at, 3 * ends[at, 1] + k] += d[:, k]
                full[at, 3 * ends[at, 0] + k] -= d[:, k]
        at = rows[Kind.COORDINATE]
        full[at, 3 * ends[at, 0] + self._axis[at]] = 1.0
        self._arm_derivatives(full, p, x)
        keep = np.concatenate([self.free, np.arange(3 * count, full.shape[1])])
        return np.asarray(full[:, keep] / self.sigma[:, None])

    def _arm_derivatives(self, full: Array, p: Array, x: Array) -> None:
        at = self._rows[Kind.ARM]
        if not at.size:
            return
        arms = self.arms(x)[self._setup[at]]
        w = arms[:, :3] / ARM_LENGTH_MM
        turn, here = rotation_from_vector(w), p[self._ends[at, 0]]
        axis, pick = self._axis[at], np.arange(len(at))
        turned = np.einsum("kij,kj->ki", turn, here)
        by_turn = -skew(turned) @ _left_jacobian(w) / ARM_LENGTH_MM
        base = 3 * len(self.points) + 6 * self._setup[at]
        for k in range(3):
            full[at, 3 * self._ends[at, 0] + k] = turn[pick, axis, k]
            full[at, base + k] = by_turn[pick, axis, k]
        full[at, base + 3 + axis] = 1.0

    # -- moves of the whole -------------------------------------------------------------------

    def whole_moves(self, x: Array) -> Array:
        """(unknowns, 6): moving everything along x, y, z and turning it about them, mm.

        Rows of held coordinates fall away: a move that needs them is none of the network's.
        """
        p = self.places(x)
        middle = p.mean(axis=0)
        moves = np.zeros((6, len(self.points), 3))
        for k in range(3):
            moves[k, :, k] = 1.0
            moves[3 + k] = np.cross(np.eye(3)[k], p - middle) / ARM_LENGTH_MM
        out = np.zeros((self.unknowns, 6))
        out[: len(self.free)] = moves.reshape(6, -1).T[self.free]
        for s, arm in enumerate(self.arms(x)):
            w = arm[:3] / ARM_LENGTH_MM
            turn, base = rotation_from_vector(w), len(self.free) + 6 * s
            # The arm stays: R' (p + d) + t' = R p + t for every p.
            inv = np.linalg.inv(_left_jacobian(w[None])[0])
            for k in range(3):
                out[base + 3 : base + 6, k] = -turn[:, k]
                axis = turn[:, k]
                out[base : base + 3, 3 + k] = inv @ -axis
                shift = turn @ np.cross(np.eye(3)[k], middle) / ARM_LENGTH_MM
                out[base + 3 : base + 6, 3 + k] = shift
        touched = np.abs(moves.reshape(6, -1)[:, self.held.ravel()]).max(axis=1, initial=0.0)
        out[:, touched > _NO_LENGTH_MM] = 0.0
        return out


def _distance_slope(line: Array) -> Array:
    return np.asarray(line / np.maximum(length(line), _NO_LENGTH_MM)[:, None])


def _rise_slope(line: Array) -> Array:
    return np.broadcast_to(np.array([0.0, 0.0, 1.0]), line.shape)


def _level_slope(line: Array) -> Array:
    flat = np.maximum(length(line[:, :2]), _NO_LENGTH_MM)
    whole = flat**2 + line[:, 2] ** 2
    along = -line[:, 2] / (flat * whole)
    return np.stack([along * line[:, 0], along * line[:, 1], flat / whole], axis=-1)


def _left_jacobian(w: Array) -> Array:
    """(k, 3, 3): the small turn that a change of a rotation vector (k, 3) adds on the left.

    Source: integral of Rodrigues' formula along the vector; checked by finite differences.
    """
    angle2 = np.sum(w * w, axis=-1)
    small = angle2 < 1e-8
    angle = np.sqrt(np.where(small, 1.0, angle2))
    a = np.where(small, 0.5 - angle2 / 24.0, (1.0 - np.cos(angle)) / angle**2)
    b = np.where(small, 1.0 / 6.0 - angle2 / 120.0, (angle - np.sin(angle)) / angle**3)
    k = skew(w)
    return np.asarray(np.eye(3) + a[:, None, None] * k + b[:, None, None] * (k @ k))
