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

from linkview.alignment.at_rest import measured_contacts_mm, side_names
from linkview.alignment.on_ground import steer_on_ground
from linkview.alignment.weighed import Weighed, loads_and_heights, road_up, weighed
from linkview.errors import LinkviewError, NoRest
from linkview.geometry import Array, arctan2
from linkview.model.parts import Car, Side
from linkview.units import to_deg

STEPS_MM = (40.0, 10.0)  # of rack between equilibria; shorter where the longer do not do
DIFFERENCE_MM = 1e-3
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
    springs = weighed(car, steered)
    wheels = side_names(springs.axles)
    start = rest_straight_ahead(car, springs)
    pushed = _pushed_mm(car, steered, rack, wheels)
    found: list[Array | str] = [
        walked(springs, at, start) if np.isfinite(push).all() else "a wheel is out of reach"
        for at, push in zip(rack.tolist(), pushed, strict=True)
    ]
    reasons = tuple(r if isinstance(r, str) else "" for r in found)
    guesses = np.array([np.full(6, np.nan) if isinstance(r, str) else r for r in found])
    load, heights, up = _stood(springs, rack, guesses)
    before_load, before_heights, before = _stood(springs, np.zeros(1), start[None])
    return Jacking(
        rack_mm=rack,
        wheels=wheels,
        pushed_mm=pushed,
        rise_mm=heights - before_heights,
        travel_mm=guesses[:, :4] - start[:4],
        load_n=load - before_load,
        # A road that falls to the body's left is a body that leans to its right.
        roll_deg=lean_deg(up, 1) - lean_deg(before, 1),
        pitch_deg=lean_deg(before, 0) - lean_deg(up, 0),
        reasons=reasons,
    )


def rest_straight_ahead(car: Car, springs: Weighed) -> Array:
    """The equilibrium (6,) before steering: wheel travels and the road's slope. Raises NoRest."""
    start = at_rest(springs, 0.0, np.zeros(6))
    if isinstance(start, str):
        raise NoRest(car.path, f"the car is not at rest straight ahead: {start}")
    return start


def lean_deg(up: Array, axis: int) -> Array:
    """How far normals (n, 3) lean along x (axis 0) or y (1)."""
    return to_deg(arctan2(up[:, axis], up[:, 2]))


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


def walked(springs: Weighed, rack_mm: float, start: Array) -> Array | str:
    """The equilibrium (6,) at a rack, followed from straight ahead; or why there is none."""
    met = ""
    for step in STEPS_MM:
        here, before = start, start
        for at in np.linspace(0.0, rack_mm, 1 + max(1, int(np.ceil(abs(rack_mm) / step))))[1:]:
            found = at_rest(springs, float(at), 2.0 * here - before)
            if isinstance(found, str):
                met = f"{found}, rack {at:+.1f} mm"
                break
            before, here = here, found
        else:
            return here
    return met


def at_rest(springs: Weighed, rack_mm: float, guess: Array) -> Array | str:
    """The equilibrium near a guess, (6,); or why there is none.

    Newton's steps, halved where they would leave more over. A place and all that its slopes need
    are solved as one batch, which takes as long as the place alone.
    """
    moved = DIFFERENCE_MM * np.vstack([np.zeros((1, 6)), np.eye(6), -np.eye(6)])

    def tried(at: Array) -> Array:
        return springs.left_over_mm(np.full(len(moved), rack_mm), at + moved)

    at, found = guess, tried(guess)
    if not np.isfinite(found).all():
        return "a wheel is out of reach"
    for _ in range(MOST_STEPS):
        if _size(found) < AT_REST_MM:
            return _stopped(springs, rack_mm, at) or at
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


def _stopped(springs: Weighed, rack_mm: float, at: Array) -> str:
    """Which stop would carry load that no spring does; "" where none."""
    stood = springs.carried(np.array([rack_mm]), at[None, :4], road_up(at[None]))
    for axle, carried in zip(springs.axles, stood, strict=True):
        for k, (side, spring) in enumerate(zip(Side, axle.springs, strict=True)):
            damper, length = axle.axle.corners[k].damper, carried.damper_mm[0, k]
            who = f"{axle.axle.name} {side.value}"
            if carried.spring_mm[0, k] < spring.solid_length_mm:
                return f"the {who} spring is coil bound"
            if damper and not damper.min_length_mm <= length <= damper.max_length_mm:
                return f"the {who} damper is at its end"
    return ""


def _stood(springs: Weighed, rack_mm: Array, found: Array) -> tuple[Array, Array, Array]:
    """Loads (n, 4), heights (n, 4) of the body over the wheels as measured, normals (n, 3)."""
    feet = np.concatenate([measured_contacts_mm(a.axle) for a in springs.axles])
    load, height = np.full((2, len(found), 4), np.nan)
    up = np.full((len(found), 3), np.nan)
    good = np.flatnonzero(np.isfinite(found).all(axis=1))
    if good.size:
        up[good] = road_up(found[good])
        axles = springs.carried(rack_mm[good], found[good, :4], up[good])
        load[good], height[good] = loads_and_heights(axles, feet, up[good])
    return load, height, up
