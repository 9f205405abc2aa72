"""What a band is: one number's doubt twice, by exact slopes (linear) and by drawn cars."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Generic, TypeVar

import numpy as np

from linkview.errors import LinkviewError, PlateRefused
from linkview.geometry import Array, frozen
from linkview.model.layout import OTHER_WHEEL_CENTRE
from linkview.model.parts import Axle, Side
from linkview.model.platebase import CutPlate
from linkview.plates.brackets import blank_plates

AGREE = 0.05  # the two bands differ by less: near linear
SHIFT = 0.1  # and the drawn band's middle is off the value by less than this share of its half
TWO_SIDED = 1.96  # sigmas to a 95 % band
ENDS = (0.025, 0.975)  # of the drawn cars
NOTHING = 1e-7  # of any unit: rounding

N = TypeVar("N")


@dataclass(frozen=True, eq=False)
class Band(Generic[N]):
    """The doubt in one number. low, high: 95 % of the drawn cars; drawn, linear: one sigma by
    either way; missing: share of cars that do not reach this pose. shares: hard point -> its share
    of the linear variance, both sides' points apart as (side, point).

    straight: the sigma and the band's middle, both against what the slopes make of these very
    cars, so that few cars tell bending from chance; None where the two ways drew apart.
    """

    number: N
    value: float
    mean: float
    drawn: float
    low: float
    high: float
    linear: float
    missing: float
    shares: Mapping[tuple[Side, str], float]
    straight: tuple[float, float] | None = None

    @property
    def nothing(self) -> bool:
        """Whether the points do not matter to it at all: read by a gauge, or held."""
        return self.drawn < NOTHING and not self.linear >= NOTHING

    @property
    def near_linear(self) -> bool:
        """Whether the linear band may be used: as wide, in the same place, and nothing is lost."""
        if self.nothing:
            return not self.missing
        if self.missing or not self.linear > 0.0:
            return False
        if self.straight is not None:
            ratio, shift = self.straight
            return abs(ratio - 1.0) <= AGREE and abs(shift) <= SHIFT * TWO_SIDED * self.linear
        middle, half = 0.5 * (self.low + self.high), 0.5 * (self.high - self.low)
        same = abs(self.drawn / self.linear - 1.0) <= AGREE
        return same and abs(middle - self.value) <= SHIFT * half


def band_of(
    number: N,
    value: float,
    each: Array,
    variances: Mapping[tuple[Side, str], float],
    told: Array | None = None,
) -> Band[N] | None:
    """each (n,): the drawn cars' numbers, NaN where they have none. variances: by point, to first
    order; empty where they are not known: then `linear` is NaN. told (n,): what the slopes make of
    the same cars. None where no car has the number.
    """
    known = np.isfinite(each)
    fine = each[known]
    if not np.isfinite(value) or not fine.size:
        return None
    total = sum(variances.values())
    low, high = np.quantile(fine, ENDS)
    drawn = float(fine.std(ddof=1)) if fine.size > 1 else 0.0
    straight = None
    if told is not None and fine.size > 1:
        same = told[known]
        spread = float(same.std(ddof=1))
        if spread > NOTHING:
            middle = 0.5 * float(np.sum(np.quantile(same, ENDS)))
            straight = drawn / spread, 0.5 * float(low + high) - middle
    linear = math.sqrt(total) if variances else math.nan
    return Band(
        number, value, float(fine.mean()), drawn, float(low), float(high), linear,
        1.0 - fine.size / len(each),
        {k: v / total for k, v in variances.items()} if total > 0.0 else {},
        straight,
    )  # fmt: skip


def doubts(
    axle: Axle, measured: Mapping[str, Array], cut_mm: float
) -> dict[Side, dict[str, Array]]:
    """One sigma (3,) mm of every hard point. measured: by point. cut_mm: how far a plate's hole may
    be off either way, all places alike (so sigma is a root of three less), added to the points that
    plates hold.
    """
    if not 0.0 <= cut_mm <= 50.0:
        raise LinkviewError(f"a cutting tolerance of {cut_mm:g} mm makes no sense")
    held = held_by_plates(axle) if cut_mm else frozenset()
    out: dict[Side, dict[str, Array]] = {}
    for corner in axle.corners:
        known = [p for p in corner.points if p != OTHER_WHEEL_CENTRE]
        cut = {p: cut_mm / math.sqrt(3.0) if p in held else 0.0 for p in known}
        out[corner.side] = {p: frozen(np.hypot(measured[p], cut[p])) for p in known}
    return out


def held_by_plates(axle: Axle) -> frozenset[str]:
    """Hard points that a plate's hole, bore or slots hold; one that cannot be drawn holds none."""
    found = set()
    for name, spec in axle.plates.items():
        assert isinstance(spec, CutPlate)
        try:
            drawn = blank_plates(name, spec, axle.left)
        except PlateRefused:
            continue
        found |= {pin.joint for plate in drawn for pin in plate.pins}
        found |= {plate.adjusts.point for plate in drawn if plate.adjusts is not None}
    return frozenset(found & {*axle.left.points})


def refuse_if_sure(axle: Axle, sigma: Mapping[Side, Mapping[str, Array]]) -> None:
    """Raises LinkviewError where nothing is in doubt."""
    if not any(np.any(v > 0.0) for by in sigma.values() for v in by.values()):
        raise LinkviewError(
            f"{axle.name} axle: no doubt is given; set one_sigma in [measured], or --cut"
        )
