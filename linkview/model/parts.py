"""The car as linkview holds it: frozen, in millimetres and the car's frame.

Frame (ISO 8855:2011 directions): x forward, y left, z up; origin as the file says. Every position
here is where the thing stands at ride height, rack centred: the *reference pose*. A part's pose in
a sweep is the rigid move from there, so it is the identity at the reference.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from enum import Enum
from pathlib import Path

import numpy as np

from linkview.errors import UnknownName, near_miss
from linkview.geometry import Array
from linkview.model.adjusters import AdjusterTable, WantedTable
from linkview.model.aims import AimTable, MoveTable
from linkview.model.bodies import Anchor, Body, WantedGap
from linkview.model.layout import WHEEL_CENTRE, Layout


class Side(Enum):
    """Which side of the car, as the driver sees it."""

    LEFT = "left"
    RIGHT = "right"

    @property
    def outboard(self) -> float:
        """The sign of y away from the car: +1 left, -1 right."""
        return 1.0 if self is Side.LEFT else -1.0


class Hold(Enum):
    """What stays put while the rack moves."""

    WHEEL_HEIGHT = "wheel_height"
    DAMPER_LENGTH = "damper_length"
    TYRES_ON_GROUND = "tyres_on_ground"

    @property
    def words(self) -> str:
        """For outputs: 'wheel-centre height held while steering'."""
        return {
            Hold.WHEEL_HEIGHT: "wheel-centre height held while steering",
            Hold.DAMPER_LENGTH: "damper length held while steering",
            Hold.TYRES_ON_GROUND: "tyres on the ground, damper lengths held while steering",
        }[self]

    @property
    def keeps_damper(self) -> bool:
        """Whether the damper keeps its length: in the body, tyres on the ground move like that."""
        return self is not Hold.WHEEL_HEIGHT


# --- the wheel ----------------------------------------------------------------------------


@dataclass(frozen=True)
class Tyre:
    """Section of a tyre as a solid ring, mm. code: the size code it came from, or ''."""

    outer_radius_mm: float
    inner_radius_mm: float
    half_width_mm: float
    shoulder_radius_mm: float
    code: str = ""


@dataclass(frozen=True)
class Rim:
    """Rim size: width_in and diameter_in in inches as stamped; offset_mm + outboard (ET).

    spokes: (outboard of the rim centre plane, radius) along a spoke's middle, from the hub outward;
    empty: a solid disc. spoke_mm: how thick.
    """

    width_in: float
    diameter_in: float
    offset_mm: float
    spacer_mm: float = 0.0
    spokes: tuple[tuple[float, float], ...] = ()
    spoke_mm: float = 18.0


@dataclass(frozen=True, eq=False)
class Wheel:
    """centre (3,) mm; spin_axis (3,) unit, pointing to the car's LEFT on both sides.

    on_floor: the file gives no loaded radius, so it is what brings the contact centre down to
    z = 0 at ride height, and goes with the centre's height. Of many corners at once centre is
    (n, 3) and the radius (n, 1).
    """

    centre: Array
    spin_axis: Array
    loaded_radius_mm: float
    tyre: Tyre
    rim: Rim
    on_floor: bool = False

    def at(self, centre: Array) -> Wheel:
        """The wheel with its centre measured elsewhere."""
        if not self.on_floor:
            return replace(self, centre=centre)
        radius = floor_radius_mm(centre, self.spin_axis)
        one = float(radius[0]) if centre.ndim == 1 else radius
        return replace(self, centre=centre, loaded_radius_mm=one)  # type: ignore[arg-type]


def floor_radius_mm(centre: Array, spin_axis: Array) -> Array:
    """Wheel centre to z = 0 along the wheel plane's steepest line: (..., 3), (3,) -> (..., 1)."""
    return np.asarray(centre[..., 2:] / np.sqrt(1.0 - spin_axis[2] ** 2))


# --- joints and their limits ----------------------------------------------------------------


class JointKind(Enum):
    """How a joint's angle is measured; see limits.py."""

    ROD_END = "rod end"
    INNER_JOINT = "inner joint"
    BALL_STUD = "ball stud"
    BEARING = "bearing"


@dataclass(frozen=True, eq=False)
class JointLimit:
    """How far one joint may swing. axis (3,) unit at the reference pose, on `axis_part`.

    ROD_END: bolt axis; the rod may tilt max_deg out of square to it.
    INNER_JOINT, BALL_STUD, BEARING: the moving member may swing max_deg away from the axis.
    housing (3,): a ball stud's only, where the housing on the member points at the reference pose;
    None: along the stud. Parts that were kept while the corner changed bring an angle with them.
    """

    point: str
    kind: JointKind
    axis: Array
    axis_part: str
    member: str
    max_deg: float
    housing: Array | None = None

    @property
    def housing_axis(self) -> Array:
        """Where a ball stud's housing points at the reference pose, (3,) unit."""
        return self.axis if self.housing is None else self.housing


@dataclass(frozen=True)
class Spring:
    """Coil spring on the damper: N/mm and mm. ride_length_mm None: from the corner's load."""

    rate_n_per_mm: float
    free_length_mm: float
    solid_length_mm: float
    ride_length_mm: float | None = None
    outer_radius_mm: float | None = None


@dataclass(frozen=True)
class Damper:
    """Shortest and longest eye-to-eye (or top-to-lower-point) length, mm, and its spring."""

    min_length_mm: float
    max_length_mm: float
    spring: Spring | None = None


@dataclass(frozen=True, eq=False)
class Driveshaft:
    """CV angles and plunge. inner_axis (3,) unit: the gearbox output's spin axis, on the body.

    nominal_length_mm: between the joints' centres with the plunge centred; None: as at ride height.
    """

    inner_axis: Array
    max_inner_deg: float
    max_outer_deg: float
    plunge_each_way_mm: float
    nominal_length_mm: float | None


@dataclass(frozen=True)
class ColumnJoint:
    """A universal joint between steering wheel and pinion.

    angle_deg: between its shafts. phase_deg: of its driving fork, straight ahead; 0 where that
    fork's pin lies in the plane of the two shafts.
    """

    angle_deg: float
    phase_deg: float = 0.0


@dataclass(frozen=True, eq=False)
class Rack:
    """axis (3,) unit, + toward the car's left; stop and working range each way, mm.

    mm_per_turn: of the pinion, None where not given. column: joints from the steering wheel down.
    """

    axis: Array
    stop_mm: float
    working_mm: float
    mm_per_turn: float | None = None
    column: tuple[ColumnJoint, ...] = ()


@dataclass(frozen=True, eq=False)
class Hose:
    """A hose, cable or strap: its two ends, and the longest distance they may be apart, mm."""

    name: str
    ends: tuple[Anchor, Anchor]
    free_length_mm: float


@dataclass(frozen=True)
class Travel:
    """Wheel travel from ride height, mm: droop <= 0 <= bump."""

    droop_mm: float
    bump_mm: float


# --- the car --------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class Corner:
    """One wheel's linkage at the reference pose.

    points: hard point name -> (3,) mm, `wheel_centre` among them (on a beam axle also
    `other_wheel_centre`). bar_rate_n_mm_per_deg: of the whole anti-roll bar, None where not given.
    carried: what the file places by coordinates -> its move (4, 4) since they were written.
    """

    axle: str
    side: Side
    layout: Layout
    points: Mapping[str, Array]
    wheel: Wheel
    rack: Rack | None
    travel: Travel
    joints: tuple[JointLimit, ...]
    damper: Damper | None
    driveshaft: Driveshaft | None
    bodies: tuple[Body, ...]
    carried: Mapping[str, Array] = field(default_factory=dict)
    hoses: tuple[Hose, ...] = ()
    bar_rate_n_mm_per_deg: float | None = None

    def distance_mm(self, a: str, b: str) -> float:
        """Distance between two hard points at the reference pose."""
        return float(np.linalg.norm(self.points[b] - self.points[a]))

    def measured_at(self, points: Mapping[str, Array]) -> Corner:
        """The corner with its hard points elsewhere and every part as long as they then say.

        points: all of them, (3,), or (n, 3) of many corners at once.
        """
        wheel = self.wheel.at(points[WHEEL_CENTRE])
        return replace(self, points=points, wheel=wheel)


@dataclass(frozen=True, eq=False)
class Axle:
    """Both corners of one end of the car.

    symmetric: the right side is the mirror of the left (the file gives one side only, and no point
    belongs to the axle as a whole).
    unsprung_kg: per corner. driven: its driveshafts carry drive.
    plates: the plate descriptions of the file (`model/schema.py`), left side.
    adjusters: those of the file (`model/adjusters.py`), as `given_side` has them; wanted: what they
    are to reach, or None. may_move, aims: what a design may move and is to reach (`model/aims.py`).
    """

    name: str
    left: Corner
    right: Corner
    symmetric: bool
    hold: Hold
    min_toggle_deg: float | None
    wanted_gaps: tuple[WantedGap, ...]
    unsprung_kg: float
    driven: bool
    plates: Mapping[str, object] = field(default_factory=dict)
    left_out: Mapping[frozenset[str], str] = field(default_factory=dict)
    adjusters: Mapping[str, AdjusterTable] = field(default_factory=dict)
    wanted: WantedTable | None = None
    given_side: Side = Side.LEFT
    may_move: Mapping[str, MoveTable] = field(default_factory=dict)
    aims: tuple[AimTable, ...] = ()

    @property
    def corners(self) -> tuple[Corner, Corner]:
        return self.left, self.right


@dataclass(frozen=True, eq=False)
class Car:
    """The whole file, or one variant of it."""

    name: str
    path: Path
    variant: str
    variant_title: str
    wheelbase_mm: float
    mass_kg: float
    cg_height_mm: float
    front_weight_fraction: float
    front_brake_fraction: float
    measured_state: str
    axles: Mapping[str, Axle]
    notes: tuple[str, ...] = ()

    def axle_named(self, name: str) -> Axle:
        """The axle of that name. UnknownName, with the nearest names, where there is none."""
        if name not in self.axles:
            raise UnknownName(f"no axle '{name}'; {near_miss(name, self.axles)}")
        return self.axles[name]
