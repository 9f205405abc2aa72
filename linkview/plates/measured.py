"""Every gap of an axle, with its plates standing among its bodies."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial

from linkview.clearance.compiled import compile_all
from linkview.clearance.distance import Poses
from linkview.clearance.domain import domain_of
from linkview.clearance.gaps import GapSurvey, SurveyedPair, survey
from linkview.clearance.in_roll import RolledGaps, gaps_in_roll
from linkview.kinematics.sweep import AxleSweep
from linkview.limits.readings import limits_of
from linkview.model.parts import Axle, Car, Side
from linkview.model.wording import spoken
from linkview.plates.drawn import DrawnPlate, far_from_plates, with_plates

# (what is being done, done so far, how many in all)
Tell = Callable[[str, int, int], None]


def measured_gaps(
    sweep: AxleSweep,
    car: Car,
    tell: Tell,
    plates: Sequence[DrawnPlate] = (),
    certain: Callable[[Side, SurveyedPair], None] | None = None,
) -> dict[Side, GapSurvey]:
    """Every pair of bodies over the sweep, certified between its poses too, inside the limits.

    The right side only where it is not the mirror. plates: measured where they stand, a body each;
    those that could not be drawn are not there. certain: called with each pair once certified.
    """
    axle = sweep.axle
    out = {}
    compile_all()
    for corner in sweep.corners[:1] if axle.symmetric else sweep.corners:
        side = corner.corner.side

        def heard(done: int, count: int, pair: tuple[str, str], side: Side = side) -> None:
            tell(f"{axle.name} {side.value}: {spoken(pair[0])} to {spoken(pair[1])}", done, count)

        whole = with_plates(corner.corner, plates)
        out[side] = survey(
            whole,
            corner.poses,
            wanted=axle.wanted_gaps,
            left_out={**far_from_plates(whole, corner.poses, axle), **axle.left_out},
            progress=heard,
            domain=domain_of(corner, limits_of(corner.corner, axle, car)),
            heard=None if certain is None else partial(certain, side),
        )
    return out


def rolled_gaps(
    axle: Axle, plates: Sequence[DrawnPlate], car: Car, tell: Tell
) -> RolledGaps | None:
    """A solid axle's gaps with its wheels at different heights; None for any other layout."""
    if not axle.left.layout.level:
        return None
    corners = {corner.side: corner for corner in axle.corners}

    def measured(side: Side, poses: Poses) -> GapSurvey:
        def heard(done: int, count: int, pair: tuple[str, str]) -> None:
            named = f"{spoken(pair[0])} to {spoken(pair[1])}"
            tell(f"{axle.name} {side.value} in roll: {named}", done, count)

        whole = with_plates(corners[side], plates)
        return survey(
            whole,
            poses,
            wanted=axle.wanted_gaps,
            left_out={**far_from_plates(whole, poses, axle), **axle.left_out},
            progress=heard,
        )

    return gaps_in_roll(axle, car, measured)
