"""The layouts a corner can have, each only parts and joints.

A layout says which hard points belong to which part and how the parts are joined. It holds no
equations: `kinematics/closure.py` turns every joint into rows by its type. To add a layout, add a
`Layout` here and its name to `LAYOUTS`; nothing else changes.

Parts that every layout has without saying so:
    body    the car's shell and subframe; does not move
    rack    the steering rack's bar; slides along its axis, + toward the car's left
    wheel   rim and tyre; moves with the knuckle (its spin is not modelled)
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

BODY, RACK, KNUCKLE, WHEEL = "body", "rack", "knuckle", "wheel"


@dataclass(frozen=True)
class Rod:
    """A link with a ball at each end: holds one distance."""

    inner: str
    outer: str


@dataclass(frozen=True)
class Arm:
    """An arm hinged on two pivots that carries one ball: holds two distances."""

    pivots: tuple[str, str]
    ball: str


@dataclass(frozen=True)
class Strut:
    """A damper that slides in its tube: the tube's axis, on the knuckle, runs through the top.

    lower and top are hard points on that axis; the top mount is a ball on the body.
    """

    lower: str
    top: str


@dataclass(frozen=True)
class Layout:
    """Parts and joints of one corner.

    fixed, on_rack, on_knuckle: which part owns each hard point.
    rods, arms, struts: the carried parts, by name.
    spans: parts whose length is free (damper body and shaft, driveshaft): each stands at its inner
    point and looks at its outer one; left out where the file gives no such points.
    damper: the two points whose distance is the damper's length; None where there is none.
    steering_axis: two hard points on the drawn steering axis, lower first, or None (unsteered).
    tie_rod: the name of the rod that the rack moves, or None.
    optional: points a file may leave out.
    """

    name: str
    title: str
    fixed: tuple[str, ...]
    on_knuckle: tuple[str, ...]
    on_rack: tuple[str, ...] = ()
    rods: Mapping[str, Rod] = field(default_factory=dict)
    arms: Mapping[str, Arm] = field(default_factory=dict)
    struts: Mapping[str, Strut] = field(default_factory=dict)
    spans: Mapping[str, Rod] = field(default_factory=dict)
    damper: tuple[str, str] | None = None
    steering_axis: tuple[str, str] | None = None
    tie_rod: str | None = None
    optional: tuple[str, ...] = ()

    @property
    def points(self) -> tuple[str, ...]:
        """Every hard point the layout knows."""
        return (*self.fixed, *self.on_rack, *self.on_knuckle)

    @property
    def parts(self) -> tuple[str, ...]:
        """Every part, the moving ones after the body and rack."""
        rack = (RACK,) if self.on_rack else ()
        return (BODY, *rack, KNUCKLE, WHEEL, *self.arms, *self.rods, *self.struts, *self.spans)

    def owner(self, point: str) -> str:
        """The part that carries a hard point, whatever else is joined there."""
        if point in self.on_knuckle or point == "wheel_centre":
            return KNUCKLE
        return RACK if point in self.on_rack else BODY

    def member_at(self, point: str) -> str | None:
        """The carried part that is joined to its neighbour at this hard point, if any."""
        for name, rod in self.rods.items():
            if point in (rod.inner, rod.outer):
                return name
        for name, arm in self.arms.items():
            if point in (*arm.pivots, arm.ball):
                return name
        return next((n for n, s in self.struts.items() if point == s.top), None)

    def joined_at(self, part: str) -> dict[str, str]:
        """Joints of one part: hard point -> the part on the other side."""
        joints: dict[str, str] = {}
        for name, rod in {**self.rods, **self.spans}.items():
            for end in (rod.inner, rod.outer):
                _note(joints, part, end, name, self.owner(end))
        for name, arm in self.arms.items():
            for end in (*arm.pivots, arm.ball):
                _note(joints, part, end, name, self.owner(end))
        for name, strut in self.struts.items():
            _note(joints, part, strut.top, name, BODY)
            _note(joints, part, strut.lower, name, KNUCKLE)
        return joints


def _note(joints: dict[str, str], part: str, point: str, a: str, b: str) -> None:
    if part == a:
        joints[point] = b
    elif part == b:
        joints[point] = a


STRUT = Layout(
    name="strut",
    title="strut with one lower arm",
    fixed=("strut_top", "lower_arm_rear_pivot", "lower_arm_front_pivot"),
    on_rack=("tie_rod_inner",),
    on_knuckle=("strut_lower", "lower_ball_joint", "tie_rod_outer"),
    arms={
        "lower_arm": Arm(
            pivots=("lower_arm_rear_pivot", "lower_arm_front_pivot"), ball="lower_ball_joint"
        )
    },
    rods={"tie_rod": Rod("tie_rod_inner", "tie_rod_outer")},
    struts={"strut": Strut(lower="strut_lower", top="strut_top")},
    damper=("strut_lower", "strut_top"),
    steering_axis=("lower_ball_joint", "strut_top"),
    tie_rod="tie_rod",
)

FIVE_LINK = Layout(
    name="five_link",
    title="five separate links",
    fixed=(
        "lower_lateral_inner",
        "lower_front_inner",
        "toe_link_inner",
        "upper_rear_inner",
        "upper_front_inner",
        "damper_upper",
        "cv_inner",
    ),
    on_knuckle=(
        "lower_lateral_outer",
        "lower_front_outer",
        "toe_link_outer",
        "upper_rear_outer",
        "upper_front_outer",
        "damper_lower",
        "cv_outer",
    ),
    rods={
        name: Rod(f"{name}_inner", f"{name}_outer")
        for name in ("lower_lateral", "lower_front", "toe_link", "upper_rear", "upper_front")
    },
    spans={
        "damper": Rod("damper_lower", "damper_upper"),
        "damper_shaft": Rod("damper_upper", "damper_lower"),
        "driveshaft": Rod("cv_inner", "cv_outer"),
    },
    damper=("damper_lower", "damper_upper"),
    optional=("damper_lower", "damper_upper", "cv_inner", "cv_outer"),
)

LAYOUTS: Mapping[str, Layout] = {layout.name: layout for layout in (STRUT, FIVE_LINK)}
