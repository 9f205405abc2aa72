"""Which millimetre shifts load: steering jacking's slopes by hard-point coordinate.

The car at rest solves F(z, p) = 0: z the four wheels' travels and the road's slope, F the heights,
force and moments left over (`Weighed.left_over_mm`), p the hard points. So dz/dp = -F_z^-1 F_p, and
a load L(z, p) goes on by L_p + L_z dz/dp: the implicit function theorem. Both halves come from one
set of poses with complex points and complex travels; the car's weight and the place of its centre
of gravity follow the points too, for they are what the springs carry as measured.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from linkview.alignment.at_rest import side_names, springs_at
from linkview.alignment.jacking import (
    lean_deg,
    rest_straight_ahead,
    walked,
)
from linkview.alignment.on_ground import road_under
from linkview.alignment.posed import contact
from linkview.alignment.weighed import (
    Weighed,
    loads_and_heights,
    road_as_measured,
    road_up,
    weighed,
    weighed_by,
)
from linkview.errors import LinkviewError, NoRest
from linkview.geometry import Array, frozen
from linkview.kinematics.factored import Factored, factored, factored_on_axle
from linkview.kinematics.held import held_at
from linkview.kinematics.sensitivity import (
    Coordinate,
    H,
    Inputs,
    Perturbed,
    Sizes,
    perturbed_with,
    shares,
)
from linkview.model.parts import Axle, Car, Corner, Hold, Side

UNKNOWNS = 6  # wheel travels in the order of the wheels, then the road's slope


@dataclass(frozen=True, eq=False)
class Moving:
    """Whose points are moved: an axle's, of one side or (None) of both alike, as mirror images."""

    axle: str
    side: Side | None
    coordinates: Sequence[Coordinate]
    sizes: Sizes


@dataclass(frozen=True, eq=False)
class JackingSlopes:
    """At one rack, by K coordinates; the columns are the wheels, in the order of `wheels`.

    rise_mm, load_n, travel_mm, pushed_mm (4,) as in `Jacking`, with their slopes (K, 4) per mm;
    lean_deg (2,): roll and pitch, their slopes (K, 2).
    """

    moving: Moving
    rack_mm: float
    wheels: tuple[tuple[str, Side], ...]
    rise_mm: Array
    load_n: Array
    travel_mm: Array
    lean_deg: Array
    pushed_mm: Array
    rise_slopes: Array
    load_slopes: Array
    travel_slopes: Array
    lean_slopes: Array
    pushed_slopes: Array

    def shift_slopes(self, axle: str) -> Array:
        """Of the load that an axle's left wheel gains over its right one, halved, (K,), N/mm."""
        left, right = (self.wheels.index((axle, side)) for side in Side)
        return np.asarray((self.load_slopes[:, left] - self.load_slopes[:, right]) / 2.0)


def jacking_slopes(car: Car, steered: str, rack_mm: float, moving: Moving) -> JackingSlopes:
    """Raises LinkviewError as `steering_jacking` does, and where there is no rest at this rack."""
    if len(car.axles) < 2:
        raise LinkviewError(f"{car.path}: how load shifts between four wheels needs both axles")
    plain = weighed(car, steered)
    start = rest_straight_ahead(car, plain)
    found = walked(plain, rack_mm, start)
    if isinstance(found, str):
        raise NoRest(car.path, f"no steering jacking at rack {rack_mm:+.1f} mm: {found}")
    moved = _MovedCar(car, steered, moving)
    springs, feet = moved.weighed()
    here, before = moved.at(springs, feet, rack_mm, found), moved.at(springs, feet, 0.0, start)
    change = [now - then for now, then in zip(here, before, strict=True)]
    change.append(moved.pushed(feet, rack_mm))
    load, rise, lean, travel, pushed = ((x[0].real, x.imag / H) for x in change)
    return JackingSlopes(
        moving,
        rack_mm,
        side_names(plain.axles),
        *(frozen(one[0]) for one in (rise, load, travel, lean, pushed)),
        *(frozen(one[1]) for one in (rise, load, travel, lean, pushed)),
    )


@dataclass(frozen=True, eq=False)
class _MovedCar:
    """The car K + 6 times over: each with one coordinate, or one unknown of its rest, moved."""

    car: Car
    steered: str
    moving: Moving

    def weighed(self) -> tuple[Weighed, Array]:
        """As measured; and the contact centres then, (K + 6, 4, 3)."""
        axles, pairs, feet = [], [], []
        for axle in self.car.axles.values():
            ride = [self._posed(axle, factored(c, 0.0, 0.0)) for c in axle.corners]
            axles.append(springs_at(self.car, axle, (ride[0], ride[1])))
            feet += [contact(p) for p in ride]
            left, right = factored_on_axle(axle, 0.0, np.zeros(2))
            pairs.append((self._posed(axle, left), self._posed(axle, right)))
        measured = np.stack(feet, axis=1)
        up = road_as_measured(measured)
        stood = [a.carried_by(pair, up) for a, pair in zip(axles, pairs, strict=True)]
        return weighed_by(axles, self.steered, stood, up, self.car.cg_height_mm), measured

    def at(self, springs: Weighed, feet: Array, rack_mm: float, rest: Array) -> tuple[Array, ...]:
        """Loads, heights (K, 4), lean (K, 2) and travels (K, 4), by each coordinate, at rest."""
        many = len(self.moving.coordinates)
        guess = np.repeat(rest[None].astype(complex), many + UNKNOWNS, axis=0)
        guess[many:] += 1j * H * np.eye(UNKNOWNS)
        up, axles = road_up(guess), []
        for a, on in enumerate(springs.axles):
            rack = rack_mm if on.axle.name == self.steered else 0.0
            own = many + 2 * a + np.arange(2)
            left, right = factored_on_axle(on.axle, rack, rest[2 * a : 2 * a + 2])
            pair = self._posed(on.axle, left, *own), self._posed(on.axle, right, *own[::-1])
            axles.append(on.carried_by(pair, up))
        left_over = springs.left_over_by(axles, up).imag / H
        unknowns = -np.linalg.solve(left_over[many:].T, left_over[:many].T).T
        load, height = loads_and_heights(axles, feet, up)
        # A road that falls to the body's left is a body that leans to its right.
        lean = np.stack([lean_deg(up, 1), -lean_deg(up, 0)], axis=-1)
        out = []
        for value in (load, height, lean, guess[:, :4]):
            slopes = value.imag / H
            out.append(value[:1].real + 1j * H * (slopes[:many] + unknowns @ slopes[many:]))
        return tuple(out)

    def pushed(self, feet: Array, rack_mm: float) -> Array:
        """How far steering pushes each contact centre down, dampers kept, (K, 4)."""
        many, names = len(self.moving.coordinates), list(self.car.axles)
        axle = self.car.axles[self.steered]
        other = next(k for k, name in enumerate(names) if name != self.steered)
        line = feet[:many, 2 * other : 2 * other + 2].mean(axis=1)
        height = []
        for rack in (0.0, rack_mm):
            pair = []
            for corner in axle.corners:
                at = held_at(corner, rack, 0.0, Hold.DAMPER_LENGTH)
                coordinates, weights = _shares(axle, corner, self.moving)
                pair.append(at.perturbed(coordinates, self.moving.sizes, weights=weights))
            radii = [p.corner.wheel.loaded_radius_mm for p in pair]
            _, at_road = road_under([(p.wheel_centre, p.spin_axis) for p in pair], radii, line)
            height.append(np.stack([foot[:, 2] for foot in at_road], axis=-1))
        out = np.zeros((many, 2 * len(names)), dtype=complex)
        mine = 2 * names.index(self.steered)
        out[:, mine : mine + 2] = height[0] - height[1]
        return out

    def _posed(self, axle: Axle, at: Factored, own: int = -1, other: int = -1) -> Perturbed:
        """A pose of one wheel; own, other: which of the changes are its and the other's travel."""
        m, corner = self.moving, at.built.corner
        many = len(m.coordinates) + UNKNOWNS
        numbered = np.arange(many)
        by_held, by_rack = (numbered == own).astype(float), (numbered == other).astype(float)
        inputs = Inputs(by_rack * at.beam, by_held)
        coordinates, weights = _shares(axle, corner, m)
        none = (coordinates[0],) * UNKNOWNS
        return perturbed_with(
            at, (*coordinates, *none), m.sizes, inputs, weights=(*weights, *(0.0,) * UNKNOWNS)
        )


def _shares(axle: Axle, corner: Corner, m: Moving) -> tuple[list[Coordinate], list[float]]:
    if axle.name == m.axle:
        return shares(corner, m.coordinates, m.side)
    somewhere = Coordinate(next(iter(corner.points)), 0)
    return [somewhere] * len(m.coordinates), [0.0] * len(m.coordinates)
