"""Where an axle's cars are at their worst: first stops, least margins of limits, least gaps.

Every car is built anew from its own hard points, bodies too, and swept by itself. The poses are the
same for all: those that the file's own car reaches inside its limits, for the stops on the metal
are set once. So a gap that is least at a limit is not taken for larger where a car's limit comes
sooner. What a car cannot reach, or a gap that cannot be told, is not a number.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from enum import Enum
from functools import cached_property

import numpy as np

from linkview.clearance.answers import GapState
from linkview.clearance.compiled import compile_all
from linkview.clearance.distance import pair_gap
from linkview.errors import CannotAssemble, MeshFault, ModelFaults
from linkview.geometry import Array, Flags
from linkview.kinematics.assemble import Rebuilder
from linkview.kinematics.sweep import CornerSweep, sweep_axle
from linkview.limits.limit import Stops
from linkview.limits.readings import limits_of
from linkview.limits.report import FirstStops, Stop
from linkview.limits.stops import first_stop
from linkview.model.parts import Axle, Car, Corner, Side
from linkview.tuning.draws import drawn_shifts
from linkview.tuning.in_roll import InRoll, read_in_roll
from linkview.tuning.own_plates import solids_for
from linkview.tuning.slot_ends import SlotEnd, readings_at
from linkview.tuning.spread import Key, Spread

NOTHING = "nothing in the range"


class Kind(Enum):
    """What is at its worst."""

    STOP = "first stop"
    MARGIN = "least margin"
    GAP = "least gap"
    SLOT = "slot end"
    ROLL = "in roll"


@dataclass(frozen=True)
class Extreme:
    """One such number, and where the file's car has it. side: None for the axle's.

    stop: of a stop, what stops the file's car. wanted_mm: of a gap; None where none is asked for.
    slot: where a plate's slots are set, and which of what they give is read. roll: of a solid axle.
    """

    kind: Kind
    side: Side | None
    name: str
    unit: str
    rack_mm: float
    travel_mm: float
    stop: Stop | None = None
    pair: tuple[str, str] | None = None
    wanted_mm: float | None = None
    slot: tuple[SlotEnd, int] | None = None
    roll: InRoll | None = None

    @property
    def key(self) -> Key:
        return self.side, f"{self.kind.value}, {self.name}"

    @property
    def by(self) -> Key:
        """Of a stop: which limit it is, as a number in `Plan.names`."""
        return self.side, f"{self.kind.value}, {self.name}, by"


@dataclass(frozen=True)
class Bare:
    """A number that has no band, and why; value: None where it is not known either."""

    kind: Kind
    side: Side | None
    name: str
    unit: str
    value: float | None
    why: str


@dataclass(frozen=True, eq=False)
class Plan:
    """What is read of every car. rack (S,), travel (T,); used (S, T): inside the working rack.

    extremes: all numbers, with the file's own `values`. beside: by a gap's key, the poses (S, T)
    among which it can be least. names: of all limits. plates: bodies that are plates -> the plate
    in the file. bare: what is reported without a band. already: limits that the file's car exceeds
    at ride height, left out of the stops.
    """

    axle: Axle
    car: Car
    rack: Array
    travel: Array
    used: Flags
    extremes: tuple[Extreme, ...]
    values: Mapping[Key, float]
    beside: Mapping[Key, Flags]
    names: tuple[str, ...]
    plates: Mapping[str, str]
    bare: tuple[Bare, ...]
    already: frozenset[str]

    def of(self, *kinds: Kind) -> list[Extreme]:
        return [e for e in self.extremes if e.kind in kinds]

    @cached_property
    def lean_deg(self) -> float:
        """The lean of the body at which a solid axle is read in roll; 0 where it is not."""
        return max((abs(e.roll.lean_deg) for e in self.extremes if e.roll), default=0.0)

    def plates_of(self, bodies: set[str]) -> set[str]:
        """The file's plates among these bodies."""
        return {self.plates[name] for name in bodies if name in self.plates}

    @cached_property
    def sides(self) -> tuple[Side, ...]:
        """Whose limits and gaps are told; of a symmetric axle the left's stand for both."""
        return (Side.LEFT,) if self.axle.symmetric else tuple(Side)


@dataclass(frozen=True, eq=False)
class Drawn:
    """A batch of cars to be built and read; `seed` and `number` name them."""

    rebuilder: Rebuilder
    plan: Plan
    sigma: Mapping[Side, Mapping[str, Array]]
    seed: int
    number: int
    count: int

    def decided_by(self) -> str:
        p = self.plan
        corners = [sorted((n, v.tolist()) for n, v in c.points.items()) for c in p.axle.corners]
        sigma = [(s.value, sorted((n, v.tolist()) for n, v in by.items())) for s, by in
                 self.sigma.items()]  # fmt: skip
        table = self.rebuilder.axles.tables[p.axle.name]
        rest = self.seed, p.rack.tolist(), p.travel.tolist(), sorted(p.values.items(), key=repr)
        return repr(("extremes", corners, sigma, table, p.car.mass_kg, rest))

    def work(self) -> Spread:
        compile_all()
        plan = self.plan
        keys = [e.key for e in plan.extremes] + [e.by for e in plan.of(Kind.STOP)]
        each = {key: np.full((self.count, 1, 1), np.nan) for key in keys}
        shifts = {
            c.side: drawn_shifts(c, self.sigma, (self.seed, self.number), self.count)
            for c in plan.axle.corners
        }
        for k in range(self.count):
            mine = {s: {p: by[k] for p, by in off.items()} for s, off in shifts.items()}
            for key, value in self._read(mine).items():
                each[key][k] = value
        nominal = {key: np.full((1, 1), plan.values.get(key, np.nan)) for key in keys}
        return Spread(self.count, nominal, {}, {}, {}, each)

    def _read(self, shifts: Mapping[Side, Mapping[str, Array]]) -> Mapping[Key, float]:
        name = self.plan.axle.name
        try:
            left, right = (self.rebuilder.corner(name, side, shifts[side]) for side in Side)
            moved = replace(self.plan.axle, left=left, right=right, symmetric=False)
            return read(moved, self.plan)
        except (CannotAssemble, ModelFaults, MeshFault):
            return {}


def read(axle: Axle, plan: Plan) -> dict[Key, float]:
    """Every number of a plan of one axle like the plan's own. Raises CannotAssemble."""
    sweep = sweep_axle(axle, plan.rack, plan.travel)
    out = dict(_stops(axle, plan))
    for corner in sweep.corners:
        if corner.corner.side in plan.sides:
            out |= _margins(corner, axle, plan)
            out |= _gaps(corner, plan)
            out |= _slot_ends(corner.corner, plan)
    return out | dict(_in_roll(axle, plan))


# --- what stops it --------------------------------------------------------------------------------


def stops_of(axle: Axle, car: Car, rack: Array, travel: Array) -> tuple[FirstStops, FirstStops]:
    """Along the rack at ride height, and along travel with the rack centred."""
    zero = np.zeros(1)
    return (
        first_stop(sweep_axle(axle, rack, zero), car),
        first_stop(sweep_axle(axle, zero, travel), car),
    )


def stops_told(
    axle: Axle, steering: FirstStops, moving: FirstStops
) -> Iterator[tuple[str, str, Stop | None]]:
    """Each stop's name, its unit, and what it is."""
    if steering.ride is not None and axle.left.rack is not None:
        yield "rack at left lock", "mm", steering.ride.left
        yield "rack at right lock", "mm", steering.ride.right
    yield "travel in bump", "mm", moving.bump
    yield "travel in droop", "mm", moving.droop


def place_of(name: str, stop: Stop | None, plan_axle: Axle, to_left: float) -> float:
    """Where a stop is, mm of rack or travel; where nothing stops, the end of the range."""
    corner = plan_axle.left
    if name.startswith("travel"):
        end = corner.travel.bump_mm if name.endswith("bump") else corner.travel.droop_mm
        return stop.travel_mm if stop else end
    if stop:
        return stop.rack_mm
    assert corner.rack is not None
    return to_left * corner.rack.stop_mm * (1.0 if "left" in name else -1.0)


def _stops(axle: Axle, plan: Plan) -> Iterator[tuple[Key, float]]:
    steering, moving = stops_of(axle, plan.car, plan.rack, plan.travel)
    by_name = {e.name: e for e in plan.of(Kind.STOP)}
    past = {s.name for s in moving.already} - plan.already
    left = by_name.get("rack at left lock")
    to_left = -1.0 if left is not None and left.rack_mm < 0.0 else 1.0
    for name, _, stop in stops_told(axle, steering, moving):
        who = stop.name if stop else NOTHING
        at = place_of(name, stop, plan.axle, to_left)
        if past:  # it stands beyond a limit before it has moved at all
            who, at = sorted(past)[0], 0.0
        yield by_name[name].key, at
        yield by_name[name].by, float(plan.names.index(who))


# --- margins and gaps -----------------------------------------------------------------------------


def margins(corner: CornerSweep, axle: Axle, car: Car) -> dict[str, tuple[str, Array]]:
    """By limit: its unit, and its margin (S, T)."""
    return {
        limit.name: (limit.unit, limit.margin(limit.measure(corner)))
        for limit in limits_of(corner.corner, axle, car)
        if limit.stops is not Stops.NOTHING
    }


def _margins(corner: CornerSweep, axle: Axle, plan: Plan) -> Iterator[tuple[Key, float]]:
    found = margins(corner, axle, plan.car)
    for e in plan.of(Kind.MARGIN):
        if e.side is corner.corner.side and e.name in found:
            yield e.key, float(found[e.name][1][plan.used].min())


def _gaps(corner: CornerSweep, plan: Plan) -> Iterator[tuple[Key, float]]:
    mine = [e for e in plan.of(Kind.GAP) if e.side is corner.corner.side]
    if not mine:
        return
    names = {n for e in mine if e.pair for n in e.pair}
    solids = solids_for(plan.axle, corner.corner, names, plan.plates_of(names))
    for e in mine:
        assert e.pair is not None
        if not solids.keys() >= {*e.pair}:  # a plate that cannot be drawn for this car's points
            yield e.key, float("nan")
            continue
        some = plan.beside[e.key]
        poses = {part: move[some] for part, move in corner.poses.items()}
        found = pair_gap(solids[e.pair[0]], solids[e.pair[1]], poses)
        if (found.state == GapState.UNKNOWN).any():
            yield e.key, float("nan")
        else:  # contact of unknown depth counts as 0
            yield e.key, float(np.nan_to_num(found.gap_mm, nan=0.0).min())


def _slot_ends(corner: Corner, plan: Plan) -> Iterator[tuple[Key, float]]:
    known: dict[SlotEnd, Array] = {}
    for e in plan.of(Kind.SLOT):
        if e.slot is not None and e.side is corner.side:
            end, which = e.slot
            if end not in known:
                known[end] = readings_at(corner, end)
            yield e.key, float(known[end][which])


def _in_roll(axle: Axle, plan: Plan) -> Iterator[tuple[Key, float]]:
    by_name = {(e.side, e.name): e.key for e in plan.of(Kind.ROLL)}
    for number, value in read_in_roll(axle, plan.car, plan.lean_deg) if by_name else ():
        if (number.side, number.name) in by_name:
            yield by_name[number.side, number.name], value
