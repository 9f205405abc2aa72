"""What is certain about a pair of bodies over all of rack x travel inside the limits."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

import numpy as np
from numpy.typing import NDArray

from linkview.clearance.bodies import Solid
from linkview.geometry import Array, Index

CLOSE_MM = 0.5
# A pair for which the builder asks for no gap is looked at as closely as if he had asked for this.
UNASKED_MM = 5.0


class Certainty(Enum):
    """What is certain about a pair."""

    CLEAR = "clear"  # nowhere under lower_mm, which is over twice the wanted gap
    BRACKETED = "bracketed"  # the least gap is between lower_mm and upper_mm
    CONTACT = "contact"  # they touch at a pose inside the limits
    UNDECIDED = "undecided"


class Patch(Enum):
    """What is known of one cell of a pair's map."""

    CLEAR = 0  # every gap in it is over the wanted one
    SHORT = 1  # the gap at its middle is under the wanted one, or they touch
    OPEN = 2  # not known to be clear
    BEYOND = 3  # outside the limits


@dataclass(frozen=True, eq=False)
class Region:
    """A map of rack x held value in cells: boxes (n, 4) rack from, to, travel from, to; kind (n,).

    gap_mm (n,): measured at the middle, NaN where it was not.
    """

    boxes: Array
    kind: Index
    gap_mm: Array


@dataclass(frozen=True, eq=False)
class Certified:
    """One pair. rack_mm, travel_mm: where upper_mm was measured, on_a, on_b (3,) there.

    lower_mm: -inf where nothing is certain. strip: the share of the domain that is left open at
    the edge of reach. measured: at how many poses the gap was measured.
    """

    pair: tuple[str, str]
    verdict: Certainty
    lower_mm: float
    upper_mm: float
    rack_mm: float
    travel_mm: float
    on_a: Array
    on_b: Array
    wanted_mm: float | None
    strip: float
    reason: str
    measured: int
    region: Region

    @property
    def shortfall(self) -> str:
        """What is wrong with the pair, "" for nothing; what cannot be told is wrong too."""
        if self.verdict is Certainty.CONTACT:
            return "touch"
        if self.verdict is Certainty.UNDECIDED:
            return f"undecided ({self.reason})"
        wanted = self.wanted_mm or 0.0
        if self.upper_mm < wanted:
            return f"{self.upper_mm:.1f} mm"
        if self.lower_mm < wanted:
            return f"between {self.lower_mm:.1f} and {self.upper_mm:.1f} mm"
        return ""


@dataclass(frozen=True, eq=False)
class Task:
    """One pair to look at. wanted_mm: the gap asked for, or None. gap_mm, state (S, T): what the
    sweep's grid poses have shown."""

    a: Solid
    b: Solid
    wanted_mm: float | None
    gap_mm: Array
    state: NDArray[np.int8]
