"""Design targets: points moved inside boxes until readings reach their aims; several answers.

Every part is made to suit (links as long as the moved points say; wheel, camber and toe at ride
height stay). Each answer moves another choice of points, as the cost in metal is in how many parts
are made new. Bounded least squares on the exact slopes, from where the points are and from drawn
places in the boxes; every answer is solved again by a sweep, its gaps measured anew with the bodies
where the moved points put them, and what it misses is said.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial
from itertools import combinations

import numpy as np
from scipy.optimize import least_squares

from linkview.alignment.quantities import BY_NAME
from linkview.errors import LinkviewError, near_miss
from linkview.geometry import Array, frozen
from linkview.kinematics.assemble import Rebuilder
from linkview.model.aims import AimTable
from linkview.model.parts import Axle, Car
from linkview.tuning.aimed import Aimed, GapAimed, Judged, aimed_of
from linkview.tuning.gap_meter import GapMeter
from linkview.tuning.outcomes import SAME_MM, Answer, read, told
from linkview.tuning.problem import Problem, Variables
from linkview.tuning.slots import slots_of

MOST_TOGETHER = 2  # points moved together, besides all of them
STARTS = 1  # drawn places to start from, besides where the points are
ROUNDS = 4  # times that a gap which proves short is sought again
FEW, MANY = 10, 25  # looks at a car for each start: by readings alone, and where gaps are known
NEAR = 0.2  # every aim met so well that no other start is tried


def reach(
    axle: Axle,
    car: Car,
    rebuilder: Rebuilder | None = None,
    *,
    seed: int = 1,
    heard: Callable[[int, int], None] = lambda done, count: None,
) -> tuple[Answer, ...]:
    """Answers, those that are off least first, then the fewer points and the shorter ways.

    rebuilder: of the car's file and variant; needed where a gap is aimed at.
    heard: choices of points tried and in all; may raise to interrupt.
    Where every aim is met as the axle stands, or nothing brings them nearer, the one answer moves
    nothing.
    An answer is left out where another moves a part of its points and is off no more.
    Raises LinkviewError where there is nothing to aim at or nothing may move.
    """
    _check(axle)
    aimed = aimed_of(axle.aims)
    meter = _meter(axle, car, aimed, rebuilder)
    points = list(axle.may_move)
    choices = [c for n in range(1, MOST_TOGETHER + 1) for c in combinations(points, n)]
    if len(points) > MOST_TOGETHER:
        choices.append(tuple(points))
    before = read(axle, car, aimed, {}, meter)
    if all(one.met(now.value) for one, now in zip(aimed, before, strict=True)):
        stands = told(axle, car, aimed, {}, before, meter)
        return () if stands is None else (stands,)
    found: list[Answer] = []
    for tried, choice in enumerate(choices):
        heard(tried, len(choices))
        if any(a.off == (0.0, 0) and set(a.moves) <= set(choice) for a in found):
            continue
        answer = _answer(axle, car, aimed, choice, before, seed, meter)
        if answer is not None and not any(_better(a, answer) for a in found):
            found.append(answer)
    if not found:
        stands = told(axle, car, aimed, {}, before, meter)
        return () if stands is None else (stands,)
    found.sort(key=lambda a: (*a.off, len(a.moves), a.moved_mm))
    return tuple(found)


def _better(old: Answer, new: Answer) -> bool:
    """Whether an answer found before moves part of the same points and is off no more."""
    some = set(old.moves) <= set(new.moves)
    return some and all(a <= b for a, b in zip(old.off, new.off, strict=True))


def _check(axle: Axle) -> None:
    if not axle.aims:
        raise LinkviewError(f"{axle.name} axle: nothing to aim at; add [[axle.{axle.name}.aims]]")
    if not axle.may_move:
        raise LinkviewError(
            f"{axle.name} axle: nothing may move; add [axle.{axle.name}.may_move.POINT]"
        )
    if axle.left.layout.level or not axle.symmetric:
        raise LinkviewError(f"{axle.name} axle: targets are for axles whose sides are alike")
    slots = slots_of(axle)
    for aim in axle.aims:
        if aim.reading is not None:
            _check_reading(axle, aim)
        if aim.slot is not None and aim.slot not in slots:
            fix = near_miss(aim.slot, slots)
            raise LinkviewError(
                f"{axle.name} axle: no adjuster of kind slot, and no plate with slots that hold a "
                f"hard point, is called '{aim.slot}'; {fix}"
            )
    _check_peace(axle)


def _check_reading(axle: Axle, aim: AimTable) -> None:
    who, corner = f"{axle.name} axle: {aim.reading}", axle.left
    if aim.reading not in BY_NAME:
        fix = near_miss(aim.reading or "", BY_NAME)
        raise LinkviewError(f"{axle.name} axle: no reading '{aim.reading}' to aim at; {fix}")
    if BY_NAME[aim.reading].parts:
        raise LinkviewError(f"{who} is three numbers; aim at one, such as half_track_mm")
    for rack, height in aim.poses:
        if abs(rack) > (corner.rack.stop_mm if corner.rack else 0.0):
            end = f"its stop, {corner.rack.stop_mm:g} mm" if corner.rack else "0: nothing steers"
            raise LinkviewError(f"{who} aimed at with rack {rack:g} mm, which is beyond {end}")
        if not corner.travel.droop_mm <= height <= corner.travel.bump_mm:
            raise LinkviewError(
                f"{who} aimed at with travel {height:g} mm, which is not between droop "
                f"{corner.travel.droop_mm:g} and bump {corner.travel.bump_mm:g}"
            )


def _check_peace(axle: Axle) -> None:
    """Raises where two aims of one reading at one pose leave no value for it."""
    room: dict[tuple[object, ...], tuple[float, float]] = {}
    for aim in axle.aims:
        for pose in aim.poses if aim.reading is not None else ():
            low, high = room.get((aim.reading, aim.change, pose), (-np.inf, np.inf))
            if aim.equals is not None:
                low, high = max(low, aim.equals - aim.within), min(high, aim.equals + aim.within)
            if aim.at_least is not None:
                low = max(low, aim.at_least)
            if aim.at_most is not None:
                high = min(high, aim.at_most)
            room[aim.reading, aim.change, pose] = low, high
            if low > high:
                raise LinkviewError(
                    f"{axle.name} axle: aims fight: {aim.reading} at rack {pose[0]:g}, travel "
                    f"{pose[1]:g} should be {low:g} or more and {high:g} or less; keep one of them"
                )


def _meter(
    axle: Axle, car: Car, aimed: Sequence[Aimed], rebuilder: Rebuilder | None
) -> GapMeter | None:
    gaps = [one for one in aimed if isinstance(one, GapAimed)]
    if rebuilder is None:
        if not gaps:
            return None
        raise LinkviewError(f"{axle.name} axle: gaps are aimed at, so the bodies' file is needed")
    meter = GapMeter.of(axle, car, partial(rebuilder.corner, axle.name, axle.given_side))
    for one in gaps:
        meter.check(one.pair)
    meter.seen({}, [w.pair for w in axle.wanted_gaps])  # a mesh that is no good is told at once
    return meter


def _answer(
    axle: Axle,
    car: Car,
    aimed: Sequence[Aimed],
    points: Sequence[str],
    before: Sequence[Judged],
    seed: int,
    meter: GapMeter | None,
) -> Answer | None:
    """The best answer that moves these points alone; None where it moves nothing.

    Where a gap proves to be short between the poses that steered, it is sought again with the worst
    pose among them.
    """
    box = Variables.of(axle, points)
    random = np.random.default_rng(seed)
    starts = [np.zeros(len(box.low))]
    starts += [random.uniform(box.low, box.high) for _ in range(STARTS)]
    best: Answer | None = None
    for _ in range(1 + ROUNDS):
        x = _nearest(Problem(axle, car, aimed, box, meter), starts)
        if x is None:
            break
        moves = {p: frozen(np.round(v, 1)) for p, v in box.moves(x).items()}
        moves = {p: v for p, v in moves.items() if np.abs(v).max() >= SAME_MM}
        answer = told(axle, car, aimed, moves, before, meter) if moves else None
        if answer is None:
            break
        if best is None or answer.off < best.off:
            best = answer
        short = [o.worst for o in answer.outcomes if o.worst is not None and not o.met]
        if meter is None or not short:
            break
        meter, starts = meter.also_at(short), [x, *starts[1:]]
    return best


def _nearest(problem: Problem, starts: Sequence[Array]) -> Array | None:
    """The shifts that miss least, from the first start that will do; None where none can begin."""
    box, best = problem.box, None
    looks = FEW if problem.meter is None else MANY
    for start in starts:
        if problem.rows(start)[0] is None:
            continue
        inside = np.clip(start, box.low + 1e-6, box.high - 1e-6)
        found = least_squares(
            problem.off, inside, problem.slopes, bounds=(box.low, box.high),
            x_scale=box.high - box.low, xtol=1e-4, ftol=1e-3, max_nfev=looks,
        )  # fmt: skip
        if best is None or found.cost < best.cost * 0.999:
            best = found
        if np.abs(found.fun[: problem.count]).max() < NEAR:
            break
    return None if best is None else np.asarray(best.x)
