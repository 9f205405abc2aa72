"""Plates of cars that are not the file's: drawn anew from each car's own hard points, as bodies.

A plate stands where its points stand, and its shape follows them too, so its gaps' slopes come from
plates drawn for a coordinate STEP_MM to either side. A found gap lies up to 0.005 mm above the true
one, which leaves the slope to within a hundredth.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np

from linkview.clearance.answers import GapState
from linkview.clearance.bodies import Solid, solids_of
from linkview.clearance.distance import pair_gap
from linkview.clearance.rates import Rebuild
from linkview.errors import PlateRefused
from linkview.geometry import Array, frozen
from linkview.kinematics.follow import Followed
from linkview.model.bodies import Facets
from linkview.model.parts import Axle, Corner
from linkview.model.platebase import CutPlate
from linkview.model.platekinds import SteeringArm
from linkview.plates.bolted import ball_height_mm
from linkview.plates.brackets import blank_plates, desk_for
from linkview.plates.solid import plate_body

STEP_MM = 0.5


def plate_bodies(axle: Axle, corner: Corner, names: Iterable[str]) -> dict[str, tuple[Facets, ...]]:
    """These plates of the file as bodies of this corner, by name; one that cannot be drawn for its
    points is not there."""
    out = {}
    for name in names:
        spec = axle.plates[name]
        assert isinstance(spec, CutPlate)
        try:
            fitted = _fitted(name, spec, corner)
            out[name] = tuple(plate_body(plate) for plate in blank_plates(name, fitted, corner))
        except PlateRefused:
            continue
    return out


def _fitted(name: str, spec: CutPlate, corner: Corner) -> CutPlate:
    """A steering arm's ball stands as high over it as this corner's points say: the arm is flat,
    its bolts stand where the file writes them, and what differs is the seat."""
    if not isinstance(spec, SteeringArm):
        return spec
    height = ball_height_mm(desk_for(name, corner), spec)
    return spec.model_copy(update={"ball_height": height})


def solids_for(axle: Axle, corner: Corner, bodies: set[str], plates: set[str]) -> dict[str, Solid]:
    """Bodies by name, and all that these plates of the file make, of this corner."""
    own = [b for b in corner.bodies if b.name in bodies]
    drawn = plate_bodies(axle, corner, sorted(plates)).values()
    return solids_of([*own, *(body for some in drawn for body in some)])


def stepped_gaps(
    axle: Axle,
    home: Followed,
    corner: Corner,
    rebuild: Rebuild,
    pairs: Sequence[tuple[str, str]],
    plates: set[str],
) -> list[dict[str, Array]]:
    """d(gap k)/d(hard point) (3,) by point, gap k at home's pose k; NaN where its depth is unknown
    or a plate cannot be drawn."""
    names = {name for pair in pairs for name in pair}

    def gaps(point: str, by: Array) -> Array:
        moved = rebuild({point: by})
        poses = home.again(moved).poses
        solids = solids_for(axle, moved, names, plates)
        out = np.full(len(pairs), np.nan)
        for k, pair in enumerate(pairs):
            if solids.keys() >= {*pair}:
                a, b = (solids[name] for name in pair)
                found = pair_gap(a, b, {part: m[k : k + 1] for part, m in poses.items()})
                if found.state[0] == GapState.MEASURED:
                    out[k] = found.gap_mm[0]
        return out

    slopes: list[dict[str, Array]] = [{} for _ in pairs]
    for point in corner.points:
        both = [[gaps(point, s * step) for s in (1.0, -1.0)] for step in STEP_MM * np.eye(3)]
        found = np.array([(more - less) / (2.0 * STEP_MM) for more, less in both])
        for k, by_point in enumerate(slopes):
            by_point[point] = frozen(found[:, k])
    return slopes
