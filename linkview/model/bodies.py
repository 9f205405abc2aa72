"""What can touch: the solids that hang on a corner's parts.

Every position is in millimetres, in the car's frame, where the thing stands at ride height, rack
centred; see parts.py.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

from linkview.geometry import Array, Index


@dataclass(frozen=True, eq=False)
class Anchor:
    """A place on a part: `at` (3,) mm in the car's frame, at the reference pose."""

    part: str
    at: Array


@dataclass(frozen=True, eq=False)
class Tube:
    """A round bar or tube with rounded ends through two or more anchors.

    Exact solid: all points within radius_mm of the polyline. The anchors may ride on different
    parts (a spring, a driveshaft): then its length follows them.
    """

    name: str
    part: str
    through: tuple[Anchor, ...]
    radius_mm: float


@dataclass(frozen=True, eq=False)
class Share:
    """Places (k, 3) mm on one part, at the reference pose, each to count weight (k,) times."""

    part: str
    at: Array
    weight: Array


@dataclass(frozen=True, eq=False)
class Wound:
    """A wire that stretches: a coil spring, the folds of a boot. Its outside is all points within
    radius_mm of the line through its places.

    line: each place (k) is the sum of its shares, whose weights add up to 1, so it goes along with
    any rigid move of all parts. hull: the same for a few places, such that in every pose each place
    of the line is one and the same mean, with weights over 0, of those. ends: the middle of its
    two ends. inside_mm: how far the true wire may stand outside. assumed: what the file does not
    say of it, '' for nothing.
    """

    name: str
    part: str
    line: tuple[Share, ...]
    hull: tuple[Share, ...]
    ends: tuple[Anchor, Anchor]
    radius_mm: float
    inside_mm: float = 0.0
    assumed: str = ""


@dataclass(frozen=True, eq=False)
class Profile:
    """A convex polygon (k, 2) of (along the axis mm, radius mm), grown by rounding_mm >= 0."""

    corners: Array
    rounding_mm: float = 0.0


@dataclass(frozen=True, eq=False)
class Revolved:
    """A solid of revolution on one part: tyre, rim, brake disc, flat-ended cylinder.

    centre (3,) mm and axis (3,) unit at the reference pose; for wheels the axis points outboard.
    profiles: the meridian section as a union of convex pieces; radius >= 0.
    """

    name: str
    part: str
    centre: Array
    axis: Array
    profiles: tuple[Profile, ...]


@dataclass(frozen=True, eq=False)
class Box:
    """A box square to the car's axes at the reference pose; lo, hi (3,) mm."""

    name: str
    part: str
    lo: Array
    hi: Array


@dataclass(frozen=True)
class FittedPlace:
    """A place that helped to place a mesh: mark, where it is on the car, and off, how far from
    there the mesh has it, (3,) mm each; as the file shows the part."""

    name: str
    mark: tuple[float, float, float]
    off: tuple[float, float, float]

    @property
    def off_mm(self) -> float:
        return math.hypot(*self.off)


@dataclass(frozen=True, eq=False)
class MeshFile:
    """An imported mesh: placement (4, 4) takes file units x mm_per_unit into the car's frame.

    mirrored: the file shows the other side's part; y changes sign after placement. fitted: the
    matching places that it was placed by, () where the placement was given.
    car_mm: the car's track, to tell a wrong unit by; 0: the size is not asked about.
    """

    name: str
    part: str
    path: Path
    mm_per_unit: float
    placement: Array
    mirrored: bool = False
    fitted: tuple[FittedPlace, ...] = ()
    car_mm: float = 0.0


@dataclass(frozen=True, eq=False)
class Facets:
    """A closed surface made here, such as a plate: vertices (n, 3) mm in the car's frame at the
    reference pose, triangles (m, 3) of their numbers, outward. inside_mm: how far a facet may lie
    inside the true surface.
    """

    name: str
    part: str
    vertices: Array
    triangles: Index
    inside_mm: float = 0.0


Body = Tube | Wound | Revolved | Box | MeshFile | Facets


@dataclass(frozen=True)
class WantedGap:
    """The smallest gap, mm, that the builder wants between two bodies, in any order."""

    pair: frozenset[str]
    at_least_mm: float
