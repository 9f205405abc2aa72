"""The adjusters of an axle, side by side, and what each does to every alignment value.

A *dial* is one adjuster of one side, or one that serves both. Its setting counts from how the car
stands in the file. Values are read at ride height, rack centred, against the body; the dampers keep
their length (the springs carry the same load) unless a spring's seat is moved.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from linkview.alignment import travel
from linkview.alignment.assumed import Assumed, assumed_for
from linkview.alignment.posed import at_ride_height, contact, has_damper, steering_axis
from linkview.alignment.quantities import QUANTITIES, Quantity
from linkview.alignment.readings import contact_point_rate, read_corner, ride_from
from linkview.alignment.steering import caster_rad, drawn_axis
from linkview.alignment.wheel import contact_centre
from linkview.errors import LinkviewError
from linkview.geometry import Array, frozen, mirrored
from linkview.kinematics.adjusted import Answers, Change, adjusted, answers, together
from linkview.kinematics.sensitivity import H, Perturbed
from linkview.model.adjusters import AdjusterTable, Effect, Holes
from linkview.model.parts import Axle, Car, Corner, Side
from linkview.model.reference import wheel_angles_deg
from linkview.units import to_deg

RIDE_HEIGHT = "ride_height_mm"
# Where the spring carries the same load at a new ride height these cannot change or mean nothing.
LEFT_OUT = ("contact_centre_mm", "spring_length_mm", "spring_force_n", "bar_lever_deg")
_HEIGHT_DECIMALS = 1
Key = tuple[Side | None, str]


@dataclass(frozen=True, eq=False)
class Dial:
    """One adjuster where it sits. side: None where it serves both. written_for: the side whose
    directions the file gives; the other's are mirrored.
    """

    name: str
    side: Side | None
    adjuster: AdjusterTable
    held: bool
    written_for: Side

    @property
    def words(self) -> str:
        """'tie rod end, left'."""
        whose = "both sides" if self.side is None else self.side.value
        return f"{self.name.replace('_', ' ')}, {whose}"

    @property
    def label(self) -> str:
        """How it is named on a command line: 'tie_rod_end_left', or the bare name for both."""
        return self.name if self.side is None else f"{self.name}_{self.side.value}"

    @property
    def by_choice(self) -> bool:
        """Whether it is set by choosing, not by turning."""
        return isinstance(self.adjuster, Holes)


def dials_of(axle: Axle, held: Sequence[str] = ()) -> tuple[Dial, ...]:
    """Every dial of an axle, the left side first. held: names or labels left as they are."""
    out = []
    for name, adjuster in axle.adjusters.items():
        for side in (None,) if adjuster.shared else tuple(Side):
            dial = Dial(name, side, adjuster, adjuster.fixed, axle.given_side)
            kept = adjuster.fixed or dial.name in held or dial.label in held
            out.append(replace(dial, held=kept))
    return tuple(out)


def change_of(axle: Axle, corner: Corner, effect: Effect) -> Change:
    """An effect, written for the file's side, on one corner."""
    flip = corner.side is not axle.given_side
    shifts = {
        p: frozen(mirrored(v) if flip and p not in corner.layout.shared else v)
        for p, v in effect.shifts.items()
    }
    longer = {}
    if effect.longer is not None:
        part, between, mm = effect.longer
        rod = corner.layout.rods.get(part)
        longer = {(rod.inner, rod.outer) if rod else (between[0], between[1]): mm}
    return Change(shifts, longer, effect.damper_mm)


def set_axle(axle: Axle, dials: Sequence[Dial], settings: Array) -> tuple[Corner, Corner]:
    """Both corners with the dials so set, settings (K,). Raises CannotAssemble."""
    left, right = (
        adjusted(
            corner,
            together(
                [
                    change_of(axle, corner, d.adjuster.effect(float(s)))
                    for d, s in zip(dials, settings, strict=True)
                    if s and d.side in (None, corner.side)
                ]
            ),
        )
        for corner in axle.corners
    )
    return left, right


@dataclass(frozen=True, eq=False)
class State:
    """An axle as set. values: (side, or None for the axle; name) -> reading. slopes: by each dial
    per unit, (K,).
    """

    values: Mapping[Key, float]
    slopes: Mapping[Key, Array]


def state_of(
    axle: Axle, car: Car, dials: Sequence[Dial], settings: Array, corners: Sequence[Corner]
) -> State:
    """Every reading of both corners as they are set, and its slope by every dial."""
    assumed = assumed_for(axle, car)
    values: dict[Key, Array] = {}
    both: list[Answers] = []
    for corner in corners:
        changes = [
            change_of(axle, corner, d.adjuster.slope(float(s)))
            if d.side in (None, corner.side)
            else Change()
            for d, s in zip(dials, settings, strict=True)
        ]
        both.append(answers(corner, changes))
        values.update(_corner(axle, corner, both[-1].posed, assumed))
    left, right = (b.posed for b in both)
    one: dict[Key, float] = {}
    slopes: dict[Key, Array] = {}
    for key, value in values.items():
        mine = both[0] if key[0] is Side.LEFT else both[1]
        along = value.imag / H
        one[key] = float(value[0].real)
        slopes[key] = frozen(along[:-1] + mine.height * along[-1])
    for key, (by_left, by_right) in _axle(left, right).items():
        one[key] = float(by_left[0].real)
        parts = [(v.imag / H, b.height) for v, b in ((by_left, both[0]), (by_right, both[1]))]
        slopes[key] = frozen(sum(v[:-1] + h * v[-1] for v, h in parts))
    return State(one, slopes)


def _corner(axle: Axle, corner: Corner, posed: Perturbed, assumed: Assumed) -> dict[Key, Array]:
    readings, _ = read_corner(posed, posed.bends, ride_from(posed), assumed)
    side = corner.side
    out: dict[Key, Array] = {
        (side, n): v for n, v in readings.items() if n not in LEFT_OUT and v.ndim == 1
    }
    found = axle.left if side is Side.LEFT else axle.right
    out[side, RIDE_HEIGHT] = _ground(found) - contact(posed)[..., 2]
    return {k: np.broadcast_to(v, posed.rack_mm.shape) for k, v in out.items()}


def _axle(left: Perturbed, right: Perturbed) -> dict[Key, tuple[Array, Array]]:
    """Readings of the axle, twice: with the derivatives by the left corner, and by the right."""

    def track(a: Array, b: Array) -> Array:
        return np.asarray(a[..., 1] - b[..., 1])

    at = contact(left), contact(right)
    rates = [contact_point_rate(c, c.travel_twist) for c in (left, right)]
    still = [v[..., :].real for v in (*at, *rates)]
    by_left = at[0], rates[0], still[1], still[3]
    by_right = still[0], still[2], at[1], rates[1]
    heights = [travel.roll_centre(*some)[1] for some in (by_left, by_right)]
    out: dict[Key, tuple[Array, Array]] = {
        (None, "track_mm"): (track(at[0], still[1]), track(still[0], at[1]))
    }
    if all(np.isfinite(h).all() for h in heights):
        out[None, "roll_centre_height_mm"] = heights[0], heights[1]
    return out


def stance(axle: Axle, corners: Sequence[Corner]) -> dict[Key, float]:
    """Camber, toe, caster and ride height of both corners as they are set; quick, no slopes."""
    out: dict[Key, float] = {}
    for corner, found in zip(corners, axle.corners, strict=True):
        side = corner.side
        camber, toe_in = wheel_angles_deg(side, corner.wheel.spin_axis)
        out |= {(side, "camber_deg"): camber, (side, "toe_in_deg"): toe_in}
        out[side, RIDE_HEIGHT] = _ground(found) - _ground(corner)
        if corner.rack is None:  # caster of an unsteered wheel means nothing
            continue
        drawn = corner.layout.steering_axis
        if drawn is not None:
            axis = drawn_axis(*(corner.points[p] for p in drawn))
        elif has_damper(corner):
            axis = steering_axis(at_ride_height(corner))
        else:
            continue
        out[side, "caster_deg"] = float(np.ravel(to_deg(caster_rad(axis)))[0])
    return out


def _ground(corner: Corner) -> float:
    """The contact centre's height in the body, mm."""
    wheel = corner.wheel
    return float(contact_centre(wheel.centre, wheel.spin_axis, wheel.loaded_radius_mm)[2])


def quantity(name: str) -> Quantity:
    """The words of a reading, the ride height among them."""
    if name == RIDE_HEIGHT:
        some = QUANTITIES[0]
        return Quantity(
            name,
            "ride height",
            "mm",
            _HEIGHT_DECIMALS,
            some.of,
            "body over the ground at this wheel, + higher than in the file",
            "contact centre's height in the body, in the file less now",
        )
    return next(q for q in QUANTITIES if q.name == name)


@dataclass(frozen=True, eq=False)
class DialTable:
    """What every dial does, from the present setting.

    present: the axle as it stands. by_choice: dial's number -> by each other hole, the change of
    every reading (None where the parts do not go together there).
    """

    axle: Axle
    dials: tuple[Dial, ...]
    present: State
    by_choice: Mapping[int, tuple[Mapping[Key, float] | None, ...]]

    def idle(self, k: int) -> bool:
        """Whether a dial changes nothing that is read."""
        if k in self.by_choice:
            found = [c for c in self.by_choice[k] if c is not None]
            return all(abs(v) < 1e-9 for change in found for v in change.values())
        return all(abs(s[k]) < 1e-9 or not np.isfinite(s[k]) for s in self.present.slopes.values())


def dial_table(axle: Axle, car: Car, held: Sequence[str] = ()) -> DialTable:
    """The table of all effects of an axle's adjusters, exact slopes at the present setting."""
    dials = dials_of(axle, held)
    none = np.zeros(len(dials))
    present = state_of(axle, car, dials, none, axle.corners)
    chosen: dict[int, tuple[Mapping[Key, float] | None, ...]] = {}
    for k, dial in enumerate(dials):
        if dial.by_choice:
            holes = range(1, int(dial.adjuster.ends[1]) + 1)
            chosen[k] = tuple(_at_hole(axle, car, dials, k, hole, present) for hole in holes)
    return DialTable(axle, dials, present, chosen)


def _at_hole(
    axle: Axle, car: Car, dials: Sequence[Dial], k: int, hole: int, present: State
) -> Mapping[Key, float] | None:
    settings = np.zeros(len(dials))
    settings[k] = hole
    try:
        there = state_of(axle, car, dials, settings, set_axle(axle, dials, settings))
    except LinkviewError:
        return None
    return {
        key: v - present.values[key] for key, v in there.values.items() if key in present.values
    }
