"""The whole answer for one car: every axle moved, read, limited, measured and its plates drawn.

The one place that strings the steps together; it writes nothing and prints nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from functools import partial

import numpy as np

from linkview.alignment.axle import AxleAlignment, align
from linkview.clearance.advice import GapAdvice, advise
from linkview.clearance.bodies import solids_of
from linkview.clearance.compiled import compile_all
from linkview.clearance.contacts import touching_poses
from linkview.clearance.distance import GapState
from linkview.clearance.domain import domain_of
from linkview.clearance.envelope import SweptVolume, sweep_volume
from linkview.clearance.gaps import GapSurvey, SurveyedPair
from linkview.clearance.in_roll import RolledGaps
from linkview.errors import EnvelopeRefused, UnknownName, near_miss
from linkview.kinematics.assemble import Rebuilder
from linkview.kinematics.sweep import AxleSweep, grid_of, sweep_axle
from linkview.limits.readings import limits_of, readings
from linkview.limits.regions import RegionMap, region_map
from linkview.limits.report import FirstStops, limit_shortfalls
from linkview.limits.stops import first_stop
from linkview.model.bodies import MeshFile
from linkview.model.parts import Axle, Car, Side
from linkview.model.wording import spoken
from linkview.plates.drawn import DrawnPlate, drawn_plates
from linkview.plates.measured import Tell as Tell
from linkview.plates.measured import measured_gaps, rolled_gaps
from linkview.plates.plate import Plate
from linkview.plates.profiles import ShopProfile

RACK_COUNT, TRAVEL_COUNT = 21, 41
FINE_RACK, FINE_TRAVEL = 151, 131


@dataclass(frozen=True, eq=False)
class AxleStudy:
    """One axle's results.

    gaps: by side; a symmetric axle is measured on the left only; empty where not asked for.
    advice: what to do about them, and how sure they and the limits are, by side. rolled: gaps of a
    solid axle over both wheels' travels, None for other layouts and where not asked for.
    """

    axle: Axle
    sweep: AxleSweep
    alignment: AxleAlignment
    stops: FirstStops
    gaps: Mapping[Side, GapSurvey]
    plates: tuple[DrawnPlate, ...]
    advice: Mapping[Side, GapAdvice] = field(default_factory=dict)
    rolled: RolledGaps | None = None

    @property
    def plates_by_side(self) -> dict[Side, list[Plate]]:
        """Every plate that could be drawn, by side."""
        return {side: [p.sides[side] for p in self.plates if p.sides] for side in Side}

    def worst_pairs(self, count: int) -> list[tuple[Side, SurveyedPair]]:
        """The pairs to look at first, over both sides."""
        both = [(side, pair) for side, found in self.gaps.items() for pair in found.pairs]
        return sorted(both, key=lambda item: item[1].badness)[:count]


@dataclass(frozen=True, eq=False)
class CarStudy:
    """All axles of one variant."""

    car: Car
    axles: Mapping[str, AxleStudy]
    shop: ShopProfile

    @property
    def shortfalls(self) -> tuple[str, ...]:
        """Everything that falls short, one line each: gaps, limits, refused plates."""
        return tuple(
            line
            for study in self.axles.values()
            for line in (
                *gap_shortfalls(study),
                *limit_shortfalls(study.axle, study.stops),
                *(f"plate {p.name} refused" for p in study.plates if p.refused),
            )
        )

    @property
    def judged(self) -> str:
        """Among what `shortfalls` were looked for; says where no gap was measured at all."""
        bare = [n for n, a in self.axles.items() if not any(g.pairs for g in a.gaps.values())]
        if not bare:
            return "gaps, limits and plates"
        if len(bare) == len(self.axles):
            return "limits and plates (gaps not measured)"
        return f"gaps, limits and plates (gaps not measured on the {' and '.join(bare)} axle)"


def swept(axle: Axle) -> AxleSweep:
    """Both corners over the usual grid: rack stop to stop, full droop to full bump."""
    return sweep_axle(axle, *grid_of(axle, rack_count=RACK_COUNT, travel_count=TRAVEL_COUNT))


def study_car(
    car: Car, shop: ShopProfile, tell: Tell, rebuilder: Rebuilder | None = None
) -> CarStudy:
    """Every step for every axle. tell: called as work goes on; may raise to interrupt.

    rebuilder: of the same variant; with it the gaps come with advice and error bands.
    """
    return study_with_gaps(study_without_gaps(car, shop, tell), tell, rebuilder)


def study_with_gaps(
    moved: CarStudy,
    tell: Tell,
    rebuilder: Rebuilder | None = None,
    *,
    measured: Callable[[CarStudy, str], None] | None = None,
) -> CarStudy:
    """A study without gaps, with them; see `study_car`.

    measured: called as soon as an axle's gaps are known, with the car so far and that axle's name.
    """
    axles = dict(moved.axles)
    for name in _quickest_first(moved.car):
        study = axles[name]
        study = replace(
            study,
            gaps=measured_gaps(study.sweep, moved.car, tell, study.plates),
            rolled=rolled_gaps(study.axle, study.plates, moved.car, tell),
        )
        if measured is not None:
            measured(replace(moved, axles={**axles, name: study}), name)
        if rebuilder is not None:
            tell(f"{name} axle: what opens each gap, and how sure it is", 0, 1)
            study = advised(study, moved.car, rebuilder)
        axles[name] = study
    return replace(moved, axles=axles)


def _quickest_first(car: Car) -> list[str]:
    """Names of axles: what hears of one that is done has the sooner something to do."""

    def meshes(name: str) -> int:
        return sum(isinstance(body, MeshFile) for body in car.axles[name].left.bodies)

    return sorted(car.axles, key=meshes)


def advised(study: AxleStudy, car: Car, rebuilder: Rebuilder) -> AxleStudy:
    """The study with what to do about its gaps, and the doubt in gaps and limits."""
    name, advice = study.axle.name, {}
    for sweep in study.sweep.corners:
        side = sweep.corner.side
        if side not in study.gaps:
            continue
        certain = [p.certain for p in study.gaps[side].pairs if p.certain is not None]
        if certain:
            advice[side] = advise(
                sweep,
                certain,
                lambda corner: limits_of(corner, study.axle, car),
                partial(rebuilder.corner, name, side),
                rebuilder.doubt(name, sweep.corner.points),
            )
    return replace(study, advice=advice)


def study_without_gaps(
    car: Car,
    shop: ShopProfile,
    tell: Tell,
    *,
    moved: Callable[[CarStudy, str], None] | None = None,
) -> CarStudy:
    """Positions, alignment, limits and plates; nothing is measured, so no gap is claimed.

    moved: called as soon as an axle is done, with the car so far and that axle's name.
    """
    axles: dict[str, AxleStudy] = {}
    for name in _quickest_first(car):
        axle = car.axles[name]
        tell(f"{name} axle: moving", 0, 1)
        sweep = swept(axle)
        plates = drawn_plates(axle, shop)
        axles[name] = AxleStudy(axle, sweep, align(sweep, car), first_stop(sweep, car), {}, plates)
        if moved is not None:
            moved(CarStudy(car, dict(axles), shop), name)
    return CarStudy(car, {name: axles[name] for name in car.axles}, shop)


def swept_volume(car: Car, axle: str, body: str, besides_mm: float, tell: Tell) -> SweptVolume:
    """The volume that a body of the left corner sweeps inside the limits.

    UnknownName for an axle or body that is not there, MeshFault for a file that cannot be used.
    """
    corner = car.axle_named(axle).left
    chosen = [b for b in corner.bodies if b.name == body]
    if not chosen:
        raise UnknownName(f"no body '{body}'; {near_miss(body, [b.name for b in corner.bodies])}")
    compile_all()
    sweep = swept(car.axles[axle]).left
    domain = domain_of(sweep, limits_of(corner, car.axles[axle], car))
    if domain is None:
        raise EnvelopeRefused(
            f"axle '{axle}' ({corner.layout.title}): its envelope cannot be bounded between poses; "
            "`linkview check` says whether it stands near a dead point"
        )

    def heard(done: int, count: int) -> None:
        tell(f"{axle} {spoken(body)}: envelope", done, count)

    return sweep_volume(domain, solids_of(chosen)[body], besides_mm, heard)


def gap_shortfalls(study: AxleStudy) -> list[str]:
    """Pairs that touch, that are under their wanted gap, or that could not be measured."""
    every = [("", *found) for found in study.worst_pairs(10_000)]
    if study.rolled is not None:
        every += [(" in roll", *found) for found in study.rolled.worst(10_000)]
    out = []
    for how, side, pair in every:
        words = _shortfall(pair)
        if words:
            who = f"{spoken(pair.pair[0])} to {spoken(pair.pair[1])}"
            wanted = "" if pair.wanted_mm is None else f", {pair.wanted_mm:g} mm wanted"
            out.append(f"{study.axle.name} {side.value}{how}: {who} {words}{wanted}")
    return out


def _shortfall(pair: SurveyedPair) -> str:
    """What is wrong with a pair, '' for nothing."""
    least = pair.least
    if pair.certain is not None:
        return pair.certain.shortfall
    if least.state is GapState.UNKNOWN:
        return "unknown"
    if least.state is GapState.CONTACT or least.gap_mm <= 0.0:
        return "touch"
    return f"{least.gap_mm:.1f} mm" if pair.margin_mm < 0.0 else ""


def along_travel(axle: Axle, car: Car) -> AxleAlignment:
    """Alignment over travel in fine steps, rack centred: for curves."""
    travel = grid_of(axle, travel_count=FINE_TRAVEL)[1]
    return align(sweep_axle(axle, np.zeros(1), travel), car)


def along_rack(axle: Axle, car: Car) -> AxleAlignment:
    """Alignment over the rack in fine steps, at ride height: for curves."""
    rack = grid_of(axle, rack_count=FINE_RACK)[0]
    return align(sweep_axle(axle, rack, np.zeros(1)), car)


def limit_regions(axle: Axle, car: Car, gaps: Mapping[Side, GapSurvey]) -> RegionMap:
    """The rack x travel map: on a fine grid, or where gaps were measured on theirs, with contact.

    gaps: as in `AxleStudy`; a symmetric axle's one side stands for both.
    """
    if not gaps:
        sweep = sweep_axle(axle, *grid_of(axle, rack_count=FINE_RACK, travel_count=FINE_TRAVEL))
        return region_map(sweep, readings(sweep, car), None)
    sweep = swept(axle)
    return region_map(sweep, readings(sweep, car), touching_poses(axle, gaps))


def first_contacts(study: AxleStudy) -> dict[tuple[int, Side], tuple[float, str]]:
    """By travel index and lock: the grid's rack nearest the middle at which something touches, and
    what. Between two racks of the grid contact can begin earlier."""
    out: dict[tuple[int, Side], tuple[float, str]] = {}
    rack = study.sweep.left.rack_mm
    touching = touching_poses(study.axle, study.gaps)
    for lock in study.alignment.locks:
        way = np.sign(lock.rack_mm)
        order = [i for i in np.argsort(np.abs(rack), kind="stable") if rack[i] * way >= 0.0]
        for j in range(len(study.sweep.left.travel_mm)):
            met = [(i, words) for i in order for words, at in touching.items() if at[i, j]]
            if met:
                out[j, lock.toward] = float(rack[met[0][0]]), met[0][1]
    return out
