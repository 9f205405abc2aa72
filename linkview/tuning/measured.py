"""How far a measured car's readings may be off: the survey's own doubt carried through, linear.

Points of one survey are not independent, so all of its covariance C counts: a reading with slopes g
by every coordinate has the variance g' C g. What was not measured brings no doubt here: it was
taken as designed, and the sheet says so.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from linkview.alignment.sensitivity import sensitivities
from linkview.geometry import Array, frozen
from linkview.kinematics.sensitivity import Sizes
from linkview.model.parts import Axle, Car
from linkview.survey.survey import Survey
from linkview.tuning.spread import Key


def point_sigmas(survey: Survey) -> dict[str, Array]:
    """One sigma (3,) mm along x, y, z of every surveyed point, by name."""
    return {p.name: frozen(p.sigma_mm) for p in survey.points}


def reading_sigmas(axle: Axle, car: Car, survey: Survey) -> dict[Key, float]:
    """One sigma of every reading at ride height, in its unit. Raises LinkageLocked."""
    number = {name: 3 * i for i, name in enumerate(survey.fit.network.points)}
    slopes: dict[Key, Array] = {}
    for table in sensitivities(replace(axle, symmetric=False), car, 0.0, 0.0, Sizes.FOLLOW):
        assert table.side is not None
        where = [number.get(f"{axle.name}.{table.side.value}.{c.point}") for c in table.coordinates]
        for key, by in table.slopes.items():
            if by.ndim != 1:
                continue
            whole = slopes.setdefault(key, np.zeros(3 * len(number)))
            for at, c, slope in zip(where, table.coordinates, by, strict=True):
                if at is not None:
                    whole[at + c.axis] += slope
    spread = survey.fit.covariance
    return {
        key: survey.enlarged * float(np.sqrt(max(float(by @ spread @ by), 0.0)))
        for key, by in slopes.items()
    }
