"""The layouts a corner can have, each only parts and joints (see `layout.py`).

To add one, write a `Layout` here and put it in `LAYOUTS`; nothing else changes. A file can also
list parts and joints of its own: `free_layout.py`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from linkview.model.layout import BODY as BODY
from linkview.model.layout import KNUCKLE as KNUCKLE
from linkview.model.layout import OTHER_WHEEL_CENTRE as OTHER_WHEEL_CENTRE
from linkview.model.layout import RACK as RACK
from linkview.model.layout import WHEEL as WHEEL
from linkview.model.layout import WHEEL_CENTRE as WHEEL_CENTRE
from linkview.model.layout import Arm, Ball, Hinge, OnLine, Rod, Strut
from linkview.model.layout import Layout as Layout


def damper_spans(lower: str, upper: str) -> dict[str, Rod]:
    """A damper's body and shaft, each standing at its own end and looking at the other."""
    return {"damper": Rod(lower, upper), "damper_shaft": Rod(upper, lower)}


_DAMPER_SPANS = damper_spans("damper_lower", "damper_upper")
_DRIVESHAFT = {"driveshaft": Rod("cv_inner", "cv_outer")}
_TIE_ROD = {"tie_rod": Rod("tie_rod_inner", "tie_rod_outer")}


def _links(*names: str) -> dict[str, Rod]:
    return {name: Rod(f"{name}_inner", f"{name}_outer") for name in names}


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
    rods=_TIE_ROD,
    struts={"strut": Strut(lower="strut_lower", top="strut_top")},
    damper=("strut_lower", "strut_top"),
    steering_axis=("lower_ball_joint", "strut_top"),
    tie_rod="tie_rod",
)

# No steering axis is drawn: it is the instantaneous screw axis with the damper's length held.
TWIN_LINK_STRUT = Layout(
    name="twin_link_strut",
    title="strut with two separate lower links",
    fixed=("strut_top", "lower_lateral_inner", "lower_drag_inner"),
    on_rack=("tie_rod_inner",),
    on_knuckle=("strut_lower", "lower_lateral_outer", "lower_drag_outer", "tie_rod_outer"),
    rods={**_links("lower_lateral", "lower_drag"), **_TIE_ROD},
    struts={"strut": Strut(lower="strut_lower", top="strut_top")},
    damper=("strut_lower", "strut_top"),
    tie_rod="tie_rod",
)

# The lower arm carries the damper, so it is solved for; the upper one only holds its ball.
DOUBLE_WISHBONE = Layout(
    name="double_wishbone",
    title="double wishbone, damper on the lower arm",
    fixed=(
        "lower_arm_rear_pivot",
        "lower_arm_front_pivot",
        "upper_arm_rear_pivot",
        "upper_arm_front_pivot",
        "damper_upper",
    ),
    on_rack=("tie_rod_inner",),
    on_knuckle=("lower_ball_joint", "upper_ball_joint", "tie_rod_outer"),
    carried={"lower_arm": ("damper_lower",)},
    hinges={
        "lower_arm_pivots": Hinge("lower_arm", ("lower_arm_rear_pivot", "lower_arm_front_pivot"))
    },
    balls={"lower_ball_joint": Ball("lower_arm", "lower_ball_joint")},
    arms={
        "upper_arm": Arm(
            pivots=("upper_arm_rear_pivot", "upper_arm_front_pivot"), ball="upper_ball_joint"
        )
    },
    rods=_TIE_ROD,
    spans=_DAMPER_SPANS,
    damper=("damper_lower", "damper_upper"),
    steering_axis=("lower_ball_joint", "upper_ball_joint"),
    tie_rod="tie_rod",
)

_ROCKER_FIXED = ("rocker_rear_pivot", "rocker_front_pivot", "damper_body")
_ROCKER_HINGE = {"rocker_pivots": Hinge("rocker", ("rocker_rear_pivot", "rocker_front_pivot"))}
_ROCKER_SPANS = damper_spans("damper_rocker", "damper_body")
_WISHBONE_PIVOTS = tuple(p for p in DOUBLE_WISHBONE.fixed if p != "damper_upper")

PUSH_ROD = replace(
    DOUBLE_WISHBONE,
    name="push_rod",
    title="double wishbone, push-rod from the lower arm to a rocker",
    fixed=(*_WISHBONE_PIVOTS, *_ROCKER_FIXED),
    carried={"lower_arm": ("push_rod_outer",), "rocker": ("push_rod_inner", "damper_rocker")},
    hinges={**DOUBLE_WISHBONE.hinges, **_ROCKER_HINGE},
    rods={**_TIE_ROD, **_links("push_rod")},
    spans=_ROCKER_SPANS,
    damper=("damper_rocker", "damper_body"),
)

PULL_ROD = replace(
    DOUBLE_WISHBONE,
    name="pull_rod",
    title="double wishbone, pull-rod from the upper arm to a rocker",
    fixed=(*_WISHBONE_PIVOTS, *_ROCKER_FIXED),
    carried={"upper_arm": ("pull_rod_outer",), "rocker": ("pull_rod_inner", "damper_rocker")},
    hinges={
        "upper_arm_pivots": Hinge("upper_arm", ("upper_arm_rear_pivot", "upper_arm_front_pivot")),
        **_ROCKER_HINGE,
    },
    balls={"upper_ball_joint": Ball("upper_arm", "upper_ball_joint")},
    arms={
        "lower_arm": Arm(
            pivots=("lower_arm_rear_pivot", "lower_arm_front_pivot"), ball="lower_ball_joint"
        )
    },
    rods={**_TIE_ROD, **_links("pull_rod")},
    spans=_ROCKER_SPANS,
    damper=("damper_rocker", "damper_body"),
)

# Pitman and idler arms turn about their shafts; the centre link is pinned to the idler arm and
# runs in the pitman arm's stud, so that nothing is held twice. All of it belongs to the axle.
STEERING_BOX = replace(
    DOUBLE_WISHBONE,
    name="steering_box",
    title="double wishbone, steering box with pitman arm, idler and centre link",
    fixed=(
        *DOUBLE_WISHBONE.fixed,
        "pitman_shaft_lower",
        "pitman_shaft_upper",
        "idler_shaft_lower",
        "idler_shaft_upper",
    ),
    on_rack=(),
    carried={
        **DOUBLE_WISHBONE.carried,
        "pitman_arm": ("pitman_stud_lower", "pitman_stud_upper"),
        "idler_arm": ("idler_stud_lower", "idler_stud_upper"),
        "centre_link": ("centre_link_pitman", "tie_rod_inner"),
    },
    hinges={
        **DOUBLE_WISHBONE.hinges,
        "pitman_shaft": Hinge("pitman_arm", ("pitman_shaft_lower", "pitman_shaft_upper")),
        "idler_shaft": Hinge("idler_arm", ("idler_shaft_lower", "idler_shaft_upper")),
        "idler_stud": Hinge("centre_link", ("idler_stud_lower", "idler_stud_upper")),
    },
    lines={"pitman_stud": OnLine("centre_link_pitman", ("pitman_stud_lower", "pitman_stud_upper"))},
    steered="centre_link_pitman",
    shared=(
        "pitman_shaft_lower",
        "pitman_shaft_upper",
        "idler_shaft_lower",
        "idler_shaft_upper",
        "pitman_stud_lower",
        "pitman_stud_upper",
        "idler_stud_lower",
        "idler_stud_upper",
        "centre_link_pitman",
    ),
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
    rods=_links("lower_lateral", "lower_front", "toe_link", "upper_rear", "upper_front"),
    spans={**_DAMPER_SPANS, **_DRIVESHAFT},
    damper=("damper_lower", "damper_upper"),
    optional=("damper_lower", "damper_upper", "cv_inner", "cv_outer"),
)

SEMI_TRAILING_ARM = Layout(
    name="semi_trailing_arm",
    title="semi-trailing arm, its hinge askew to the car",
    fixed=("arm_inner_pivot", "arm_outer_pivot", "damper_upper", "cv_inner"),
    on_knuckle=("damper_lower", "cv_outer"),
    hinges={"arm_pivots": Hinge(KNUCKLE, ("arm_inner_pivot", "arm_outer_pivot"))},
    spans={**_DAMPER_SPANS, **_DRIVESHAFT},
    damper=("damper_lower", "damper_upper"),
    optional=("damper_lower", "damper_upper", "cv_inner", "cv_outer"),
)

TRAILING_ARM = replace(
    SEMI_TRAILING_ARM, name="trailing_arm", title="trailing arm, its hinge square to the car"
)

# Beam axles: both wheels ride on one part, so one corner's linkage is the whole axle's. Link
# points belong to the axle and are given for both sides; the dampers are each side's own.
_FOUR_LINKS = _links("lower_left", "lower_right", "upper_left", "upper_right")

FOUR_LINK_AXLE = Layout(
    name="four_link_axle",
    title="solid axle on four links",
    fixed=(*(r.inner for r in _FOUR_LINKS.values()), "damper_upper"),
    on_knuckle=(*(r.outer for r in _FOUR_LINKS.values()), "damper_lower"),
    rods=_FOUR_LINKS,
    spans=_DAMPER_SPANS,
    damper=("damper_lower", "damper_upper"),
    level=True,
    shared=tuple(p for r in _FOUR_LINKS.values() for p in (r.inner, r.outer)),
    optional=("damper_lower", "damper_upper"),
)

_THREE_LINKS = _links("lower_left", "lower_right", "upper", "lateral_rod")

THREE_LINK_AXLE = replace(
    FOUR_LINK_AXLE,
    name="three_link_axle",
    title="solid axle on three links and a lateral rod",
    fixed=(*(r.inner for r in _THREE_LINKS.values()), "damper_upper"),
    on_knuckle=(*(r.outer for r in _THREE_LINKS.values()), "damper_lower"),
    rods=_THREE_LINKS,
    shared=tuple(p for r in _THREE_LINKS.values() for p in (r.inner, r.outer)),
)

BAR_LEVER = "bar_lever"
BAR_PARTS = (BAR_LEVER, "drop_link")
BAR_JOINTS = ("bar_bushes", "drop_link")
BAR_POINTS = ("bar_inner", "bar_outer", "drop_link_inner", "drop_link_outer")

LAYOUTS: Mapping[str, Layout] = {
    layout.name: layout
    for layout in (
        STRUT,
        TWIN_LINK_STRUT,
        DOUBLE_WISHBONE,
        PUSH_ROD,
        PULL_ROD,
        STEERING_BOX,
        FIVE_LINK,
        SEMI_TRAILING_ARM,
        TRAILING_ARM,
        FOUR_LINK_AXLE,
        THREE_LINK_AXLE,
    )
}


def with_anti_roll_bar(layout: Layout, on: str) -> Layout:
    """The layout with this side's lever of an anti-roll bar, its drop link to the part `on`.

    The lever turns about the bar's axis on the body; the bar's twist is what the two sides'
    levers turn against each other.
    """
    link_foot = ("drop_link_outer",)
    carried = {part: (*p, *(link_foot if part == on else ())) for part, p in layout.carried.items()}
    return replace(
        layout,
        fixed=(*layout.fixed, "bar_inner", "bar_outer", *(link_foot if on == BODY else ())),
        on_knuckle=(*layout.on_knuckle, *(link_foot if on == KNUCKLE else ())),
        carried={**carried, BAR_LEVER: ("drop_link_inner",)},
        hinges={**layout.hinges, "bar_bushes": Hinge(BAR_LEVER, ("bar_inner", "bar_outer"))},
        rods={**layout.rods, **_links("drop_link")},
    )
