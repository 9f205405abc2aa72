"""Every alignment quantity once: its name in the code, label, unit, decimals, meaning, formula.

Tables, screens and reports take their words from here. `of` says whose field it is: one corner's
(`CornerAlignment`) or the axle's (`AxleAlignment`).
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum


class Of(Enum):
    """Whose quantity it is."""

    CORNER = "corner"
    AXLE = "axle"


@dataclass(frozen=True)
class Quantity:
    """name: field name. parts: labels of the last axis where a reading is a vector, else ()."""

    name: str
    label: str
    unit: str
    decimals: int
    of: Of
    meaning: str
    formula: str
    parts: tuple[str, ...] = ()


def _corner(
    name: str, label: str, unit: str, decimals: int, meaning: str, formula: str
) -> Quantity:
    parts = ("x", "y", "z") if name == "contact_centre_mm" else ()
    return Quantity(name, label, unit, decimals, Of.CORNER, meaning, formula, parts)


def _axle(name: str, label: str, unit: str, decimals: int, meaning: str, formula: str) -> Quantity:
    return Quantity(name, label, unit, decimals, Of.AXLE, meaning, formula)


QUANTITIES: tuple[Quantity, ...] = (
    _corner("steer_deg", "steer angle", "deg", 2, "+ turned left", "atan2(t.y, t.x) of heading t"),
    _corner(
        "toe_in_deg",
        "toe-in",
        "deg",
        3,
        "+ front of the wheel toward the car; one wheel",
        "-steer on the left, +steer on the right",
    ),
    _corner(
        "camber_deg",
        "camber",
        "deg",
        2,
        "+ top outboard; square to the wheel's own heading, as a level on the rim reads",
        "-asin(n.z) on the left, +asin(n.z) on the right, n the spin axis",
    ),
    _corner(
        "camber_car_axis_deg",
        "camber about the car's x axis",
        "deg",
        2,
        "+ top outboard; differs from camber once the wheel is steered",
        "-atan2(n.z, n.y) on the left, + on the right",
    ),
    _corner(
        "contact_centre_mm",
        "contact centre",
        "mm",
        1,
        "where the wheel stands, relative to the body",
        "wheel centre - loaded radius x the wheel plane's steepest upward line",
    ),
    _corner(
        "half_track_mm",
        "half track",
        "mm",
        1,
        "contact centre from the car's middle plane",
        "contact centre's y, outboard",
    ),
    _corner(
        "steer_rate_deg_per_mm",
        "steer per rack",
        "deg/mm",
        3,
        "steer angle gained per mm of rack, + rack to the left",
        "d(steer)/d(rack) from the exact velocities",
    ),
    _corner("caster_deg", "caster", "deg", 2, "side view, + top rearward", "atan2(-a.x, a.z)"),
    _corner(
        "steering_axis_inclination_deg",
        "steering-axis inclination",
        "deg",
        2,
        "front view, + top inboard",
        "atan2(-outboard a.y, a.z), a the steering axis",
    ),
    _corner(
        "trail_mm",
        "trail",
        "mm",
        1,
        "+ steering axis meets the ground ahead of the contact centre",
        "(axis at the ground - contact centre) along the heading",
    ),
    _corner(
        "scrub_radius_mm",
        "scrub radius",
        "mm",
        1,
        "+ contact centre outboard of the steering axis at the ground",
        "(contact centre - axis at the ground) along the lateral",
    ),
    _corner(
        "toggle_deg",
        "toggle angle",
        "deg",
        1,
        "0 = tie rod in line with the steering axis, 90 = most leverage, negative = over centre",
        "t between tie rod and steering arm, projected along the axis; min(t, 180 - t)",
    ),
    _corner(
        "gauge_caster_deg",
        "gauge caster",
        "deg",
        2,
        "what a caster gauge reads at this travel; not the axis' caster",
        "[camber(+20 deg) - camber(-20 deg)] / (2 sin 20 deg), opposite sign on the right",
    ),
    _corner(
        "bump_steer_deg_per_mm",
        "bump steer",
        "deg/mm",
        4,
        "toe-in gained per mm of wheel travel, rack still",
        "d(toe-in)/d(wheel-centre height)",
    ),
    _corner(
        "camber_gain_deg_per_mm",
        "camber gain",
        "deg/mm",
        4,
        "camber gained per mm of wheel travel, rack still",
        "d(camber)/d(wheel-centre height)",
    ),
    _corner(
        "half_track_change_mm_per_mm",
        "half-track change",
        "mm/mm",
        4,
        "contact centre's way outboard per mm of wheel travel",
        "d(half track)/d(wheel-centre height)",
    ),
    _corner(
        "wheelbase_change_mm_per_mm",
        "wheelbase change",
        "mm/mm",
        4,
        "wheelbase gained on this side per mm of wheel travel",
        "d(contact centre's x)/d(wheel-centre height), opposite sign at the rear",
    ),
    _corner(
        "side_view_swing_arm_mm",
        "side-view swing arm",
        "mm",
        0,
        "wheel centre to its side-view instant centre, level; + centre ahead",
        "v.z / w.y of the knuckle per wheel travel; not shown beyond 10 deg of steer",
    ),
    _corner(
        "anti_dive_percent",
        "anti-dive",
        "%",
        1,
        "front, braking, outboard brake",
        "brake share x (dx/dz of the knuckle-fixed contact point) x wheelbase / CG height x 100",
    ),
    _corner(
        "anti_lift_percent",
        "anti-lift",
        "%",
        1,
        "rear, braking, outboard brake",
        "-brake share x (dx/dz of the knuckle-fixed contact point) x wheelbase / CG height x 100",
    ),
    _corner(
        "anti_squat_percent",
        "anti-squat",
        "%",
        1,
        "rear, halfshaft drive",
        "-drive share x (dx/dz of the wheel centre) x wheelbase / CG height x 100",
    ),
    _corner(
        "motion_ratio",
        "motion ratio",
        "mm/mm",
        4,
        "spring compression per vertical travel of the contact centre",
        "MR = -d(spring length)/dz",
    ),
    _corner(
        "motion_ratio_change_per_mm",
        "motion ratio change",
        "1/mm",
        6,
        "+ the spring gains leverage in bump",
        "dMR/dz, from exact second derivatives of the linkage",
    ),
    _corner(
        "steer_jacking_mm_per_mm",
        "steering jacking",
        "mm/mm",
        4,
        "contact centre's rise in the body per mm of rack, damper length kept; - lifts the car",
        "d(contact centre's z)/d(rack) from the exact velocities, damper held",
    ),
    _corner(
        "rack_force_n_per_n",
        "rack force per side force",
        "N/N",
        4,
        "what holds the rack, + to the left, against 1 N of tyre side force to the car's left; "
        "where it changes sign the wheel stops centring itself",
        "-(velocity, along the wheel's lateral, of the knuckle-fixed contact point per rack), "
        "virtual work, damper held, no friction",
    ),
    _corner(
        "bar_lever_deg",
        "anti-roll bar lever",
        "deg",
        2,
        "turn of this side's lever since ride height, about the bar's axis to the car's left",
        "angle of the solved lever",
    ),
    _corner(
        "bar_ratio_deg_per_mm",
        "anti-roll bar ratio",
        "deg/mm",
        4,
        "lever's turn per mm of wheel travel, rack still",
        "d(lever)/d(wheel-centre height)",
    ),
    _corner(
        "spring_length_mm",
        "spring length",
        "mm",
        1,
        "between its seats",
        "length at ride height + change of the damper's length",
    ),
    _corner(
        "spring_force_n",
        "spring force",
        "N",
        0,
        "compression +; 0 where loose, none given where coil bound",
        "rate x (free length - length)",
    ),
    _corner(
        "wheel_rate_n_per_mm",
        "wheel rate",
        "N/mm",
        2,
        "spring alone, at the contact centre, tyre not included",
        "k MR^2 + F dMR/dz",
    ),
    _corner(
        "ride_frequency_hz",
        "ride frequency",
        "Hz",
        2,
        "the corner's sprung mass on its wheel rate, tyre not included",
        "sqrt(wheel rate / sprung mass) / 2 pi",
    ),
    _axle(
        "track_mm",
        "track",
        "mm",
        1,
        "between contact centres",
        "left half track + right half track",
    ),
    _axle(
        "track_change_mm_per_mm",
        "track change",
        "mm/mm",
        4,
        "track gained per mm of travel of both wheels together",
        "d(track)/d(wheel-centre height)",
    ),
    _axle(
        "roll_centre_height_mm",
        "roll centre height",
        "mm",
        1,
        "over the line through both contact centres, both wheels at this travel",
        "where the normals to both knuckle-fixed contact points' velocities meet in front view; "
        "none where parallel, not shown beyond 10 deg of steer",
    ),
    _axle(
        "roll_centre_y_mm",
        "roll centre sideways",
        "mm",
        1,
        "+ toward the car's left",
        "the same point's y",
    ),
    _axle(
        "inner_steer_deg",
        "inner wheel's steer",
        "deg",
        2,
        "magnitude; the wheel on the side steered to",
        "|steer|",
    ),
    _axle("outer_steer_deg", "outer wheel's steer", "deg", 2, "magnitude", "|steer|"),
    _axle(
        "ackermann_inner_deg",
        "inner wheel's steer by Ackermann",
        "deg",
        2,
        "what the inner wheel would need for the Ackermann condition",
        "acot(cot(outer) - distance between steering axes at the ground / wheelbase)",
    ),
    _axle(
        "percent_ackermann",
        "percent Ackermann",
        "%",
        1,
        "0 = parallel, 100 = Ackermann condition met, negative = inner wheel turns less",
        "(inner - outer) / (inner by Ackermann - outer) x 100; none under 1 deg",
    ),
)

BY_NAME = {quantity.name: quantity for quantity in QUANTITIES}
