"""Design targets: points moved inside boxes until readings reach their aims; several answers.

Every part is made to suit (links as long as the moved points say; wheel, camber and toe at ride
height stay). Each answer moves another choice of points, as the cost in metal is in how many parts
are made new. Bounded least squares on the exact slopes, from where the points are and from drawn
places in the boxes; every answer is solved again by a sweep, and what it misses is said.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
from scipy.optimize import least_squares

from linkview.alignment.assumed import assumed_for
from linkview.alignment.axle import align
from linkview.alignment.quantities import BY_NAME
from linkview.alignment.sensitivity import corner_sensitivity, of_axle, sensitivities
from linkview.errors import CannotAssemble, LinkageLocked, LinkviewError, near_miss
from linkview.geometry import Array, frozen, mirrored
from linkview.kinematics.sensitivity import Coordinate, Sizes
from linkview.kinematics.sweep import sweep_axle
from linkview.model.aims import AimTable
from linkview.model.parts import Axle, Car, Corner, Hold, Side

MOST_TOGETHER = 2  # points moved together, besides all of them
STARTS = 1  # drawn places to start from, besides where the points are
SHORT_WAY = 0.02  # what a whole box costs against a miss of one `within`
LOST = 1e3  # a reading that is not there counts as this many `within`
NEAR = 0.2  # every aim met so well that no other start is tried
SPARE = 0.3  # limits are aimed at this much inside, in `within`: moves are rounded to 0.1 mm
SAME_MM = 0.05  # answers nearer than this are one


@dataclass(frozen=True)
class Aimed:
    """One aim at one pose."""

    aim: AimTable
    rack_mm: float
    travel_mm: float

    def miss(self, value: float, spare: float = 0.0) -> float:
        """How far off, in `within`, signed; 0 where a limit is kept, by `spare` times `within`."""
        if not np.isfinite(value):
            return LOST
        if self.aim.equals is not None:
            return (value - self.aim.equals) / self.aim.within
        if self.aim.at_least is not None:
            return min((value - self.aim.at_least) / self.aim.within - spare, 0.0)
        assert self.aim.at_most is not None
        return max((value - self.aim.at_most) / self.aim.within + spare, 0.0)


@dataclass(frozen=True, eq=False)
class Outcome:
    """What an aim reads before and after, from sweeps. met: within its `within`; a limit kept."""

    aimed: Aimed
    before: float
    after: float
    met: bool


@dataclass(frozen=True, eq=False)
class Answer:
    """One way to reach the aims. moves: point -> (3,) mm on the file's side. sizes: links and arm
    legs that come out another length -> mm. costs: reading at ride height -> before, after.
    """

    moves: Mapping[str, Array]
    outcomes: tuple[Outcome, ...]
    sizes: Mapping[str, float]
    costs: Mapping[str, tuple[float, float]]

    @property
    def missed(self) -> int:
        """How many aims, pose by pose, are not met."""
        return sum(not o.met for o in self.outcomes)

    @property
    def moved_mm(self) -> float:
        """All moves added up."""
        return float(sum(np.linalg.norm(v) for v in self.moves.values()))


def reach(
    axle: Axle,
    car: Car,
    *,
    seed: int = 1,
    heard: Callable[[int, int], None] = lambda done, count: None,
) -> tuple[Answer, ...]:
    """Answers, those that miss least first, then the fewer points and the shorter ways.

    heard: choices of points tried and in all; may raise to interrupt.
    An answer is left out where another moves a part of its points and misses no more.
    Raises LinkviewError where there is nothing to aim at or nothing may move.
    """
    _check(axle)
    aimed = [Aimed(aim, r, t) for aim in axle.aims for r, t in aim.poses]
    points = list(axle.may_move)
    choices = [c for n in range(1, MOST_TOGETHER + 1) for c in combinations(points, n)]
    if len(points) > MOST_TOGETHER:
        choices.append(tuple(points))
    before = _read(axle, car, aimed)
    found: list[Answer] = []
    for tried, choice in enumerate(choices):
        heard(tried, len(choices))
        if any(a.missed == 0 and set(a.moves) <= set(choice) for a in found):
            continue
        answer = _answer(axle, car, aimed, choice, before, seed)
        if answer is not None and not any(_better(a, answer) for a in found):
            found.append(answer)
    found.sort(key=lambda a: (a.missed, len(a.moves), a.moved_mm))
    return tuple(found)


def _better(old: Answer, new: Answer) -> bool:
    """Whether an answer found before moves part of the same points and misses no more."""
    return set(old.moves) <= set(new.moves) and old.missed <= new.missed


def _check(axle: Axle) -> None:
    if not axle.aims:
        raise LinkviewError(f"{axle.name} axle: nothing to aim at; add [[axle.{axle.name}.aims]]")
    if not axle.may_move:
        raise LinkviewError(
            f"{axle.name} axle: nothing may move; add [axle.{axle.name}.may_move.POINT]"
        )
    if axle.left.layout.level or not axle.symmetric:
        raise LinkviewError(f"{axle.name} axle: targets are for axles whose sides are alike")
    for aim in axle.aims:
        if aim.reading not in BY_NAME:
            fix = near_miss(aim.reading, BY_NAME)
            raise LinkviewError(f"{axle.name} axle: no reading '{aim.reading}' to aim at; {fix}")


@dataclass(frozen=True, eq=False)
class _Variables:
    """Coordinates that move, on the file's side, with their boxes (K,)."""

    coordinates: tuple[Coordinate, ...]
    low: Array
    high: Array

    @staticmethod
    def of(axle: Axle, points: Sequence[str]) -> _Variables:
        rows = [
            (Coordinate(p, k), *ends)
            for p in points
            for k, ends in enumerate(axle.may_move[p].ranges)
            if ends[1] > ends[0]
        ]
        return _Variables(
            tuple(r[0] for r in rows), frozen([r[1] for r in rows]), frozen([r[2] for r in rows])
        )

    def moves(self, x: Array) -> dict[str, Array]:
        out: dict[str, Array] = {}
        for c, v in zip(self.coordinates, x, strict=True):
            out.setdefault(c.point, np.zeros(3))[c.axis] = v
        return out


def moved(axle: Axle, moves: Mapping[str, Array]) -> Axle:
    """The axle with hard points moved on both sides; every part is as long as they then say."""

    def of(corner: Corner) -> Corner:
        flip = corner.side is not axle.given_side
        by = {
            p: mirrored(v) if flip and p not in corner.layout.shared else v
            for p, v in moves.items()
        }
        points = {n: frozen(p + by[n]) if n in by else p for n, p in corner.points.items()}
        return replace(corner, points=points)

    return replace(axle, left=of(axle.left), right=of(axle.right))


def _answer(
    axle: Axle,
    car: Car,
    aimed: Sequence[Aimed],
    points: Sequence[str],
    before: Sequence[float],
    seed: int,
) -> Answer | None:
    """The best answer that moves these points alone; None where it moves nothing."""
    box = _Variables.of(axle, points)
    random = np.random.default_rng(seed)
    starts = [np.zeros(len(box.low))]
    starts += [random.uniform(box.low, box.high) for _ in range(STARTS)]
    best = None
    for start in starts:
        problem = _Problem(axle, car, aimed, box)
        if problem.rows(start)[0] is None:
            continue
        inside = np.clip(start, box.low + 1e-6, box.high - 1e-6)
        found = least_squares(
            problem.off, inside, problem.slopes, bounds=(box.low, box.high),
            x_scale=box.high - box.low, xtol=1e-4, ftol=1e-3, max_nfev=10,
        )  # fmt: skip
        if best is None or found.cost < best.cost * 0.999:
            best = found
        if np.abs(found.fun[: len(aimed)]).max() < NEAR:
            break
    if best is None:
        return None
    moves = {p: frozen(np.round(v, 1)) for p, v in box.moves(best.x).items()}
    moves = {p: v for p, v in moves.items() if np.abs(v).max() >= SAME_MM}
    if not moves:
        return None
    return _told(axle, car, aimed, moves, before)


class _Problem:
    """Misses and their slopes as functions of the coordinates' shifts, each pose solved once."""

    def __init__(self, axle: Axle, car: Car, aimed: Sequence[Aimed], box: _Variables) -> None:
        self.axle, self.car, self.aimed, self.box = axle, car, aimed, box
        self._at: Array | None = None
        self._known: tuple[Array | None, Array] = None, np.zeros(0)

    def rows(self, x: Array) -> tuple[Array | None, Array]:
        """Misses (A,) and slopes (A, K) at shifts x; None where a pose is out of reach."""
        if self._at is None or not np.array_equal(self._at, x):
            self._at = np.array(x)
            try:
                self._known = self._solved(x)
            except (LinkageLocked, CannotAssemble):
                self._known = None, np.zeros((len(self.aimed), len(x)))
        return self._known

    def _solved(self, x: Array) -> tuple[Array, Array]:
        there = moved(self.axle, self.box.moves(x))
        known: dict[tuple[float, float, bool], tuple[dict[str, Array], dict[str, Array]]] = {}

        def read(name: str, rack: float, travel: float) -> tuple[float, Array]:
            key = rack, travel, of_axle(name)
            if key not in known:
                known[key] = self._readings(there, *key)
            values, slopes = known[key]
            if name not in values:
                raise LinkviewError(
                    f"{self.axle.name} axle: {BY_NAME[name].label} cannot be aimed at here (rack "
                    f"{rack:g}, travel {travel:g} mm)"
                )
            return float(values[name]), slopes[name]

        miss, slopes = [], []
        for one in self.aimed:
            value, slope = read(one.aim.reading, one.rack_mm, one.travel_mm)
            if one.aim.change:
                ride, ride_slope = read(one.aim.reading, 0.0, 0.0)
                value, slope = value - ride, slope - ride_slope
            off = one.miss(value, SPARE)
            active = one.aim.equals is not None or off != 0.0
            miss.append(off)
            slopes.append(slope / one.aim.within if active else np.zeros(len(x)))
        return np.array(miss), np.array(slopes)

    def _readings(
        self, there: Axle, rack: float, travel: float, whole: bool
    ) -> tuple[dict[str, Array], dict[str, Array]]:
        """The axle's readings, or the left corner's alone, and their slopes by the box's moves."""
        box, left = self.box.coordinates, there.left
        flip = [-1.0 if c.axis == 1 and there.given_side is Side.RIGHT else 1.0 for c in box]
        if not whole:
            assumed = assumed_for(there, self.car)
            at = left, assumed, rack, travel, box, Sizes.FOLLOW
            values, slopes = corner_sensitivity(*at)
            return values, {n: v * flip for n, v in slopes.items() if v.ndim == 1}
        table = sensitivities(there, self.car, rack, travel, Sizes.FOLLOW)[0]
        which = [table.coordinates.index(c) for c in box]
        mine = [n for s, n in table.values if s is None]
        return (
            {n: table.values[None, n] for n in mine},
            {n: table.slopes[None, n][which] * flip for n in mine},
        )

    def off(self, x: Array) -> Array:
        miss, _ = self.rows(x)
        if miss is None:
            miss = np.full(len(self.aimed), LOST)
        return np.concatenate([miss, SHORT_WAY * x / (self.box.high - self.box.low)])

    def slopes(self, x: Array) -> Array:
        way = np.diag(SHORT_WAY / (self.box.high - self.box.low))
        return np.vstack([self.rows(x)[1], way])


# --- solved again, by sweeps ----------------------------------------------------------------------

COSTS = ("caster_deg", "steering_axis_inclination_deg", "trail_mm", "scrub_radius_mm",
         "bump_steer_deg_per_mm", "camber_gain_deg_per_mm", "steer_rate_deg_per_mm",
         "motion_ratio", "wheel_rate_n_per_mm", "roll_centre_height_mm")  # fmt: skip


def _value(axle: Axle, car: Car, name: str, rack_mm: float, travel_mm: float) -> float:
    """A reading by a sweep, the wheel's height held as the slopes hold it; NaN out of reach."""
    sweep = sweep_axle(axle, np.array([rack_mm]), np.array([travel_mm]))
    if not all(corner.solved.all() for corner in sweep.corners):
        return float("nan")
    read = align(sweep, car)
    values = getattr(read, name, None)
    return float((getattr(read.left, name) if values is None else values)[0, 0])


def _read(axle: Axle, car: Car, aimed: Sequence[Aimed]) -> list[float]:
    held = _wheel_height(axle)
    out = []
    for one in aimed:
        value = _value(held, car, one.aim.reading, one.rack_mm, one.travel_mm)
        if one.aim.change:
            value -= _value(held, car, one.aim.reading, 0.0, 0.0)
        out.append(value)
    return out


def _wheel_height(axle: Axle) -> Axle:
    """Held as the slopes hold it."""
    return replace(axle, hold=Hold.WHEEL_HEIGHT)


def _told(
    axle: Axle,
    car: Car,
    aimed: Sequence[Aimed],
    moves: Mapping[str, Array],
    before: Sequence[float],
) -> Answer | None:
    there = moved(axle, moves)
    try:
        after = _read(there, car, aimed)
        costs = {
            name: tuple(_value(_wheel_height(a), car, name, 0.0, 0.0) for a in (axle, there))
            for name in COSTS
        }
    except LinkviewError:
        return None
    outcomes = tuple(
        Outcome(one, old, new, abs(one.miss(new)) <= (1.0 if one.aim.equals is not None else 1e-6))
        for one, old, new in zip(aimed, before, after, strict=True)
    )
    layout = axle.left.layout
    pairs = {name.replace("_", " "): (rod.inner, rod.outer) for name, rod in layout.rods.items()}
    for name, arm in layout.arms.items():
        for pivot in arm.pivots:
            pairs[f"{name} ({pivot})".replace("_", " ")] = (pivot, arm.ball)
    sizes = {
        name: there.left.distance_mm(*pair) - axle.left.distance_mm(*pair)
        for name, pair in pairs.items()
    }
    return Answer(
        moves,
        outcomes,
        {n: v for n, v in sizes.items() if abs(v) > SAME_MM},
        {n: (v[0], v[1]) for n, v in costs.items() if np.isfinite(v).all()},
    )
