"""How far the hard points of cars drawn at random are off: by seed, batch and side alone."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from linkview.geometry import Array
from linkview.model.layout import OTHER_WHEEL_CENTRE, WHEEL_CENTRE
from linkview.model.parts import Corner, Side


def drawn_shifts(
    corner: Corner, sigma: Mapping[Side, Mapping[str, Array]], cars: tuple[int, int], count: int
) -> dict[str, Array]:
    """How far each hard point of so many cars is off, (n, 3) mm. cars: seed and batch.

    A point of the whole axle is off alike for both sides, and so is the other wheel's centre.
    """

    def drawn(side: Side) -> dict[str, Array]:
        random = np.random.default_rng([*cars, list(Side).index(side)])
        return {
            name: random.standard_normal((count, 3)) * sigma[side].get(name, np.zeros(3))
            for name in sorted(corner.points)
        }

    out, whole = drawn(corner.side), corner.layout.shared
    if whole and corner.side is not Side.LEFT:
        left = drawn(Side.LEFT)
        out |= {name: left[name] for name in whole if name in left}
    if OTHER_WHEEL_CENTRE in out:
        other = Side.RIGHT if corner.side is Side.LEFT else Side.LEFT
        out[OTHER_WHEEL_CENTRE] = drawn(other)[WHEEL_CENTRE]
    return out
