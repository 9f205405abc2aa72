"""Steering jacking: how the car rises and how load shifts between its four wheels.

Rigid-body statics over the whole travel: at each rack the wheels' travels and the road's slope are
sought at which all four contact centres lie in one plane and the springs' loads carry the weight:
no force along the road's normal and no moment about its two directions is left over. The weight
is the one that the springs carry as measured, at the place over the road that puts the car at rest
so, at the file's height of the centre of gravity; it leans with the body. The contacts may slide
(no friction) and wander in the body as the wheels steer, which moves load too. No tyre spring; the
unsprung parts' own small changes of height are left out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from linkview.alignment.at_rest import (
    AxleOnSprings,
    Carried,
    measured_contacts_mm,
    on_springs,
    side_names,
)
from linkview.alignment.on_ground import steer_on_ground
from linkview.errors import LinkviewError
from linkview.geometry import Array, dot, unit
from linkview.model.parts import Car, Side
from linkview.units import to_deg

STEPS_MM = (40.0, 10.0)  # of rack between equilibria; shorter where the longer do not do
DIFFERENCE_MM = 1e-3
SLOPE_MM = 1000.0  # a slope counts as the mm it makes over a metre
SAG_MM = 100.0  # forces count as the mm by which that share of the weight presses springs in
MOST_STEPS, LEAST_STEP_MM = 40, 1e-7  # of Newton's, towards one equilibrium
NO_REST = "no equilibrium found within reach"
AT_REST_MM = 1e-6  # of both kinds: a micrometre, or a hundred-millionth of the weight


@dataclass(frozen=True, eq=False)
class Jacking:
    """n racks of one axle. rack_mm (n,). All changes since straight ahead at rest.

    wheels: (axle name, side) in the order of the last axis. pushed_mm (n, 4): how far steering
    pushes each contact centre down in the body, dampers kept. rise_mm (n, 4): of the body over each
    wheel, on its springs, square to the road. travel_mm (n, 4): wheel travels at rest. load_n
    (n, 4): change of each wheel's load. roll_deg: + leans to the right; pitch_deg: + nose down.
    reasons: (n,) texts, "" or why there is no equilibrium to show; the arrays are NaN there.
    """

    rack_mm: Array
    wheels: tuple[tuple[str, Side], ...]
    pushed_mm: Array
    rise_mm: Array
    travel_mm: Array
    load_n: Array
    roll_deg: Array
    pitch_deg: Array
    reasons: tuple[str, ...]

    def of(self, values: Array, axle: str, side: Side) -> Array:
        """One wheel's column (n,)."""
        return np.asarray(values[:, self.wheels.index((axle, side))])

    def shift_n(self, axle: str) -> Array:
        """Load gained by an axle's left wheel over its right one, halved, (n,)."""
        left, right = (self.of(self.load_n, axle, side) for side in Side)
        return np.asarray((left - right) / 2.0)


@dataclass(frozen=True, eq=False)
class _Weighed:
    """The car as weighed: on its springs, standing as measured. cg_mm (3,) in the body."""

    axles: list[AxleOnSprings]
    steered: str
    weight_n: float
    cg_mm: Array

    def carried(self, rack_mm: Array, travel_mm: Array, up: Array) -> list[Carried]:
        """Each axle's, at racks (n,), all wheels' travels (n, 4) and road normals (n, 3)."""
        return [
            a.carried(
                rack_mm if a.axle.name == self.steered else np.zeros(len(rack_mm)),
                travel_mm[:, 2 * k : 2 * k + 2],
                up,
            )
            for k, a in enumerate(self.axles)
        ]

    def left_over_mm(self, rack_mm: Array, guess: Array) -> Array:
        """(n, 6): contacts' heights against the first one's; force and two moments left over."""
        up = _road_up(guess)
        axles = self.carried(rack_mm, guess[:, :4], up)
        at = np.concatenate([a.contact_mm for a in axles], axis=1)
        load = np.concatenate([a.load_n for a in axles], axis=1)
        push = load[:, :, None] * up[:, None]
        moment = np.cross(at - self.cg_mm, push).sum(axis=1)
        height = dot(at, up[:, None])
        force = np.column_stack([load.sum(axis=1) - self.weight_n, moment[:, :2] / SLOPE_MM])
        return np.hstack([height[:, 1:] - height[:, :1], force * (SAG_MM / self.weight_n)])


def _road_up(guess: Array) -> Array:
    return unit(np.column_stack([guess[:, 4:], np.full(len(guess), SLOPE_MM)]))


def _weighed(car: Car, steered: str) -> _Weighed:
    axles = on_springs(car)
    at = np.concatenate([measured_contacts_mm(a.axle) for a in axles])
    slope = np.linalg.lstsq(np.column_stack([at[:, :2], np.ones(4)]), at[:, 2])[0]
    up = unit(np.array([-slope[0], -slope[1], 1.0]))
    unweighed = _Weighed(axles, steered, 1.0, np.zeros(3))
    none = np.zeros((1, 4))
    load = np.concatenate([a.load_n[0] for a in unweighed.carried(none[:, 0], none, up[None])])
    for (name, side), carries in zip(side_names(axles), load, strict=True):
        if not carries > 0.0:
            raise LinkviewError(
                f"{car.path}: axle.{name}: the {side.value} spring carries no load as measured; "
                "check the spring's free_length and length_at_ride_height"
            )
    over = (load @ at) / load.sum()
    return _Weighed(axles, steered, float(load.sum()), over + car.cg_height_mm * up)


def steering_jacking(car: Car, steered: str, rack_mm: ArrayLike) -> Jacking:
    """What steering an axle does to ride height and wheel loads. rack_mm (n,), finite.

    Raises LinkviewError, saying what is missing, unless there are two axles that give their springs
    and every spring carries load as measured; and where the car finds no rest straight ahead.
    """
    if len(car.axles) < 2:
        raise LinkviewError(
            f"{car.path}: how load shifts between four wheels needs both axles; add the other one"
        )
    rack = np.atleast_1d(np.asarray(rack_mm, dtype=float))
    if not np.isfinite(rack).all():
        raise ValueError("rack_mm must be finite")
    weighed = _weighed(car, steered)
    wheels = side_names(weighed.axles)
    start = _at_rest(weighed, 0.0, np.zeros(6))
    if isinstance(start, str):
        raise LinkviewError(f"{car.path}: the car is not at rest straight ahead: {start}")
    pushed = _pushed_mm(car, steered, rack, wheels)
    found: list[Array | str] = [
        _walked(weighed, at, start) if np.isfinite(push).all() else "a wheel is out of reach"
        for at, push in zip(rack.tolist(), pushed, strict=True)
    ]
    reasons = tuple(r if isinstance(r, str) else "" for r in found)
    guesses = np.array([np.full(6, np.nan) if isinstance(r, str) else r for r in found])
    load, heights, up = _stood(weighed, rack, guesses)
    before_load, before_heights, before = _stood(weighed, np.zeros(1), start[None])
    return Jacking(
        rack_mm=rack,
        wheels=wheels,
        pushed_mm=pushed,
        rise_mm=heights - before_heights,
        travel_mm=guesses[:, :4] - start[:4],
        load_n=load - before_load,
        # A road that falls to the body's left is a body that leans to its right.
        roll_deg=_lean_deg(up, 1) - _lean_deg(before, 1),
        pitch_deg=_lean_deg(before, 0) - _lean_deg(up, 0),
        reasons=reasons,
    )


def _lean_deg(up: Array, axis: int) -> Array:
    return to_deg(np.arctan2(up[:, axis], up[:, 2]))


def _pushed_mm(
    car: Car, steered: str, rack_mm: Array, wheels: tuple[tuple[str, Side], ...]
) -> Array:
    ground = steer_on_ground(car, car.axles[steered], rack_mm).contact_mm
    start = steer_on_ground(car, car.axles[steered], 0.0).contact_mm
    pushed = np.zeros((len(rack_mm), len(wheels)))
    for k, (name, side) in enumerate(wheels):
        if name == steered:
            pushed[:, k] = start[side][:, 2] - ground[side][:, 2]
    return pushed


def _walked(weighed: _Weighed, rack_mm: float, start: Array) -> Array | str:
    """The equilibrium (6,) at a rack, followed from straight ahead; or why there is none."""
    met = ""
    for step in STEPS_MM:
        here, before = start, start
        for at in np.linspace(0.0, rack_mm, 1 + max(1, int(np.ceil(abs(rack_mm) / step))))[1:]:
            found = _at_rest(weighed, float(at), 2.0 * here - before)
            if isinstance(found, str):
                met = f"{found}, rack {at:+.1f} mm"
                break
            before, here = here, found
        else:
            return here
    return met


def _at_rest(weighed: _Weighed, rack_mm: float, guess: Array) -> Array | str:
    """The equilibrium near a guess, (6,); or why there is none.

    Newton's steps, halved where they would leave more over. A place and all that its slopes need
    are solved as one batch, which takes as long as the place alone.
    """
    moved = DIFFERENCE_MM * np.vstack([np.zeros((1, 6)), np.eye(6), -np.eye(6)])

    def tried(at: Array) -> Array:
        return weighed.left_over_mm(np.full(len(moved), rack_mm), at + moved)

    at, found = guess, tried(guess)
    if not np.isfinite(found).all():
        return "a wheel is out of reach"
    for _ in range(MOST_STEPS):
        if _size(found) < AT_REST_MM:
            return _stopped(weighed, rack_mm, at) or at
        # For the steps only; the equilibrium itself is judged by what is left over.
        slope = (found[1:7] - found[7:]).T / (2.0 * DIFFERENCE_MM)
        step = np.linalg.lstsq(slope, -found[0])[0]
        nearer = found
        while _size(nearer) >= _size(found):
            if not np.abs(step).max() > LEAST_STEP_MM:
                return NO_REST
            nearer, reached, step = tried(at + step), at + step, step / 2.0
        at, found = reached, nearer
    return NO_REST


def _size(found: Array) -> float:
    """The most of what a tried place leaves over; infinite where it or a neighbour is no pose."""
    return float(np.abs(found[0]).max()) if np.isfinite(found).all() else np.inf


def _stopped(weighed: _Weighed, rack_mm: float, at: Array) -> str:
    """Which stop would carry load that no spring does; "" where none."""
    stood = weighed.carried(np.array([rack_mm]), at[None, :4], _road_up(at[None]))
    for axle, carried in zip(weighed.axles, stood, strict=True):
        for k, (side, spring) in enumerate(zip(Side, axle.springs, strict=True)):
            damper, length = axle.axle.corners[k].damper, carried.damper_mm[0, k]
            who = f"{axle.axle.name} {side.value}"
            if carried.spring_mm[0, k] < spring.solid_length_mm:
                return f"the {who} spring is coil bound"
            if damper and not damper.min_length_mm <= length <= damper.max_length_mm:
                return f"the {who} damper is at its end"
    return ""


def _stood(weighed: _Weighed, rack_mm: Array, found: Array) -> tuple[Array, Array, Array]:
    """Loads (n, 4), heights (n, 4) of the body over the wheels as measured, normals (n, 3)."""
    feet = np.concatenate([measured_contacts_mm(a.axle) for a in weighed.axles])
    load, height = np.full((2, len(found), 4), np.nan)
    up = np.full((len(found), 3), np.nan)
    good = np.flatnonzero(np.isfinite(found).all(axis=1))
    if good.size:
        up[good] = _road_up(found[good])
        axles = weighed.carried(rack_mm[good], found[good, :4], up[good])
        load[good] = np.concatenate([a.load_n for a in axles], axis=1)
        height[good] = dot(feet - axles[0].contact_mm[:, :1], up[good, None])
    return load, height, up
