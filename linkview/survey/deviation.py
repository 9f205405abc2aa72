"""As built against the design: how far each re-measured point is from where it should be."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum

from linkview.geometry import Array, frozen, length
from linkview.survey.survey import Survey, SurveyedPoint

SURE_SIGMAS = 2.0


class Held(Enum):
    """Whether a point is within the tolerance."""

    WITHIN = "within"
    BEYOND = "beyond"
    NOT_SURE = "not sure"


@dataclass(frozen=True, eq=False)
class Deviation:
    """point: as measured. off: (3,) measured less designed, mm. held: against the tolerance, with
    two sigma of the measuring (along the ellipsoid's longest axis) to either side."""

    point: SurveyedPoint
    designed: Array
    off: Array
    held: Held

    @property
    def size_mm(self) -> float:
        return float(length(self.off))


def deviations(
    survey: Survey, designed: Mapping[str, Array], tolerance_mm: float
) -> list[Deviation]:
    """Every measured hard point that the design has, in the order it was measured."""
    out = []
    for point in survey.points:
        if point.name not in designed:
            continue
        off = frozen(point.at - designed[point.name])
        size, doubt = float(length(off)), SURE_SIGMAS * float(point.axes_mm[0])
        held = Held.NOT_SURE
        if size + doubt <= tolerance_mm:
            held = Held.WITHIN
        elif size - doubt > tolerance_mm:
            held = Held.BEYOND
        out.append(Deviation(point, frozen(designed[point.name]), off, held))
    return out
