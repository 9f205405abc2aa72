"""What the search minimises: misses of all aims, and their slopes, as functions of the shifts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from linkview.alignment.assumed import assumed_for
from linkview.alignment.quantities import BY_NAME
from linkview.alignment.sensitivity import corner_sensitivity, of_axle, sensitivities
from linkview.clearance.answers import GapState
from linkview.errors import CannotAssemble, LinkageLocked, LinkviewError, ModelFaults
from linkview.geometry import Array, Flags, frozen, mirrored
from linkview.kinematics.sensitivity import Coordinate, Sizes
from linkview.kinematics.sweep import CornerSweep
from linkview.model.parts import Axle, Car, Corner, Hold, Side
from linkview.tuning.aimed import LOST, Aimed, GapAimed, ReadingAimed, SlotAimed
from linkview.tuning.gap_meter import SLACK, SPARE_MM, GapMeter
from linkview.tuning.slots import room_mm, room_slope

SHORT_WAY = 0.02  # what a whole box costs against a miss of one `within`
SPARE = 0.3  # limits are aimed at this much inside, in `within`: moves are rounded to 0.1 mm


@dataclass(frozen=True, eq=False)
class Variables:
    """Coordinates that move, on the file's side, with their boxes (K,)."""

    coordinates: tuple[Coordinate, ...]
    low: Array
    high: Array

    @staticmethod
    def of(axle: Axle, points: Sequence[str]) -> Variables:
        rows = [
            (Coordinate(p, k), *ends)
            for p in points
            for k, ends in enumerate(axle.may_move[p].ranges)
            if ends[1] > ends[0]
        ]
        return Variables(
            tuple(r[0] for r in rows), frozen([r[1] for r in rows]), frozen([r[2] for r in rows])
        )

    def moves(self, x: Array) -> dict[str, Array]:
        out: dict[str, Array] = {}
        for c, v in zip(self.coordinates, x, strict=True):
            out.setdefault(c.point, np.zeros(3))[c.axis] = v
        return out


def moved(axle: Axle, moves: Mapping[str, Array]) -> Axle:
    """The axle with hard points moved on both sides; every part is as long as they then say."""

    def of(corner: Corner) -> Corner:
        flip = corner.side is not axle.given_side
        by = {
            p: mirrored(v) if flip and p not in corner.layout.shared else v
            for p, v in moves.items()
        }
        points = {n: frozen(p + by[n]) if n in by else p for n, p in corner.points.items()}
        return corner.measured_at(points)

    return replace(axle, left=of(axle.left), right=of(axle.right))


class Problem:
    """Misses and their slopes as functions of the coordinates' shifts, each pose solved once.

    A reading and a slot have a row each, a gap one for every pose that it is sampled at. meter:
    needed where a gap is aimed at.
    """

    def __init__(
        self,
        axle: Axle,
        car: Car,
        aimed: Sequence[Aimed],
        box: Variables,
        meter: GapMeter | None = None,
    ) -> None:
        self.axle, self.car, self.aimed, self.box, self.meter = axle, car, aimed, box, meter
        per_gap = meter.count if meter is not None else 0
        self.count = sum(per_gap if isinstance(one, GapAimed) else 1 for one in aimed)
        self._poses: Flags | None = None
        self._at: Array | None = None
        self._known: tuple[Array | None, Array] = None, np.zeros(0)

    def rows(self, x: Array) -> tuple[Array | None, Array]:
        """Misses (A,) and slopes (A, K) at shifts x; None where a pose is out of reach."""
        if self._at is None or not np.array_equal(self._at, x):
            self._at = np.array(x)
            try:
                self._known = self._solved(x)
            except (LinkageLocked, CannotAssemble, ModelFaults):
                self._known = None, np.zeros((self.count, len(x)))
        return self._known

    def _solved(self, x: Array) -> tuple[Array, Array]:
        there = moved(self.axle, self.box.moves(x))
        read = _Readings(there, self.car, self.box)
        swept: CornerSweep | None = None
        miss, slopes = [], []
        for one in self.aimed:
            if isinstance(one, GapAimed):
                assert self.meter is not None
                swept = swept or self.meter.swept(self.box.moves(x))
                off, slope = self._gap_rows(self.meter, swept, one, x)
            else:
                off, slope = self._row(one, read, x)
            miss.append(off)
            slopes.append(slope)
        return np.concatenate(miss), np.concatenate(slopes)

    def _row(self, one: Aimed, read: _Readings, x: Array) -> tuple[Array, Array]:
        """Of a reading or a slot: (1,), (1, K)."""
        if isinstance(one, SlotAimed):
            moves = self.box.moves(x)
            value = room_mm(self.axle, one.slot, moves)
            slope = room_slope(self.axle, one.slot, moves, self.box.coordinates)
        else:
            assert isinstance(one, ReadingAimed)
            value, slope = read.of(one)
        off = one.miss(value, SPARE)
        if one.aim.equals is None and off == 0.0:
            slope = np.zeros(len(x))
        return np.array([off]), np.array([slope / one.aim.within])

    def _gap_rows(
        self, meter: GapMeter, swept: CornerSweep, one: GapAimed, x: Array
    ) -> tuple[Array, Array]:
        """(n,), (n, K). A gap that is unknown steers nothing here; it is not met in the end.

        The poses that count are those inside the limits where the search begins, so that none comes
        or goes by a step.
        """
        found = meter.sampled(swept, one.pair, SLACK)
        if self._poses is None:
            self._poses = found.allowed
        counts = self._poses & (found.state != GapState.UNKNOWN)
        spare = max(SPARE, SPARE_MM / one.aim.within)
        gap = np.nan_to_num(found.gap_mm, nan=0.0)
        off = np.array([one.miss(g, spare) if c else 0.0 for g, c in zip(gap, counts, strict=True)])

        def shifted(c: Coordinate, by: float) -> Mapping[str, Array]:
            return self.box.moves(x + by * np.eye(len(x))[self.box.coordinates.index(c)])

        slopes = meter.slopes(found, off != 0.0, one.pair, shifted, self.box.coordinates)
        return off, slopes / one.aim.within

    def off(self, x: Array) -> Array:
        miss, _ = self.rows(x)
        if miss is None:
            miss = np.full(self.count, LOST)
        return np.concatenate([miss, SHORT_WAY * x / (self.box.high - self.box.low)])

    def slopes(self, x: Array) -> Array:
        way = np.diag(SHORT_WAY / (self.box.high - self.box.low))
        return np.vstack([self.rows(x)[1], way])


class _Readings:
    """Readings of one axle and their slopes by the box's moves, each pose solved once."""

    def __init__(self, there: Axle, car: Car, box: Variables) -> None:
        self.there, self.car, self.box = there, car, box
        self._known: dict[tuple[float, float, bool], tuple[dict[str, Array], dict[str, Array]]] = {}

    def of(self, one: ReadingAimed) -> tuple[float, Array]:
        """Value and slopes (K,), or those of its change from ride height."""
        value, slope = self._read(one.reading, one.rack_mm, one.travel_mm)
        if one.aim.change:
            ride, ride_slope = self._read(one.reading, 0.0, 0.0)
            value, slope = value - ride, slope - ride_slope
        return value, slope

    def _read(self, name: str, rack: float, travel: float) -> tuple[float, Array]:
        key = rack, travel, of_axle(name)
        if key not in self._known:
            self._known[key] = self._solved(*key)
        values, slopes = self._known[key]
        if name not in values:
            raise LinkviewError(
                f"{self.there.name} axle: {BY_NAME[name].label} cannot be aimed at here (rack "
                f"{rack:g}, travel {travel:g} mm)"
            )
        return float(values[name]), slopes[name]

    def _solved(
        self, rack: float, travel: float, whole: bool
    ) -> tuple[dict[str, Array], dict[str, Array]]:
        """The axle's readings, or the left corner's alone, and their slopes by the box's moves."""
        there, box, left = self.there, self.box.coordinates, self.there.left
        flip = [-1.0 if c.axis == 1 and there.given_side is Side.RIGHT else 1.0 for c in box]
        if not whole:
            assumed = assumed_for(there, self.car)
            at = left, assumed, rack, travel, box, Sizes.FOLLOW
            values, slopes = corner_sensitivity(*at)
            return values, {n: v * flip for n, v in slopes.items() if v.ndim == 1}
        held = replace(there, hold=Hold.WHEEL_HEIGHT)  # as each corner's own readings are
        table = sensitivities(held, self.car, rack, travel, Sizes.FOLLOW)[0]
        which = [table.coordinates.index(c) for c in box]
        mine = [n for s, n in table.values if s is None]
        return (
            {n: table.values[None, n] for n in mine},
            {n: table.slopes[None, n][which] * flip for n in mine},
        )
