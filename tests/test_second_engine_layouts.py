"""Double wishbone, push-rod, twin-link strut, trailing arm, beam axle and steering box in MuJoCo.

The engine, and how its constraint rows are driven to zero, are those of test_second_engine.py; the
mechanisms are built here anew, from the hard points alone: hinges and balls where the car has them,
links as tendons of fixed length.
"""

from __future__ import annotations

import mujoco
import numpy as np
import pytest
from shipped import axle_of_model
from test_second_engine import (
    AGREE_MM,
    FREE,
    SLIDES,
    Engine,
    body,
    connected,
    fixed_length,
    model,
    tendon,
    unit_vec,
    vec,
    worst_difference,
)

from linkview.kinematics.sweep import sweep_corner
from linkview.model.parts import Corner, Hold


def site(name: str, at: np.ndarray) -> str:
    return f'<site name="{name}" pos="{vec(at)}"/>'


def hinged(name: str, p: dict, pivots: tuple[str, str], sites: dict[str, np.ndarray]) -> str:
    """A body on a hinge through two points."""
    a, b = (p[k] for k in pivots)
    return body(name, a, f'<joint type="hinge" axis="{unit_vec(b - a)}"/>', sites)


def rack_body(p: dict) -> str:
    inner = p["tie_rod_inner"]
    joint = '<joint name="rack" type="slide" axis="0 1 0"/>'
    return body("rack", inner, joint, {"tie_rod_inner": inner})


RACK_INPUT = '<joint name="rack_input" joint1="rack"/>'


def wishbones(corner: Corner) -> tuple[list[str], list[str], list[str]]:
    """Both arms as bodies on hinges, the knuckle free, balls between, the tie rod a tendon."""
    p = corner.points
    arms = [
        hinged(
            which,
            p,
            (f"{which}_rear_pivot", f"{which}_front_pivot"),
            {f"{which}_ball": p[f"{which[:5]}_ball_joint"]},
        )
        for which in ("lower_arm", "upper_arm")
    ]
    names = ("lower_ball_joint", "upper_ball_joint", "tie_rod_outer", "wheel_centre")
    knuckle = body("knuckle", p["wheel_centre"], SLIDES + FREE, {k: p[k] for k in names})
    equalities = [
        connected("lower_arm_ball", "lower_ball_joint"),
        connected("upper_arm_ball", "upper_ball_joint"),
        fixed_length("tie_rod"),
    ]
    return [*arms, knuckle], equalities, [tendon("tie_rod", "tie_rod_inner", "tie_rod_outer")]


def double_wishbone(corner: Corner) -> mujoco.MjModel:
    bodies, equalities, tendons = wishbones(corner)
    return model([*bodies, rack_body(corner.points)], [*equalities, RACK_INPUT], tendons)


def push_rod(corner: Corner) -> mujoco.MjModel:
    """The push-rod's foot rides on the lower arm's body; the rocker is a body on its own hinge."""
    p = corner.points
    bodies, equalities, tendons = wishbones(corner)
    foot = site("push_rod_outer", p["push_rod_outer"] - p["lower_arm_rear_pivot"])
    bodies[0] = bodies[0].replace("</body>", f"{foot}</body>")
    names = ("push_rod_inner", "damper_rocker")
    pivots = ("rocker_rear_pivot", "rocker_front_pivot")
    rocker = hinged("rocker", p, pivots, {k: p[k] for k in names})
    return model(
        [*bodies, rocker, rack_body(p)],
        [*equalities, fixed_length("push_rod"), RACK_INPUT],
        [*tendons, tendon("push_rod", "push_rod_inner", "push_rod_outer")],
    )


def twin_link_strut(corner: Corner) -> mujoco.MjModel:
    """Strut: a ball at the top, a slide along it, the knuckle free to turn on its foot about the
    strut's own axis (a ball at the top gives that); both links and the tie rod are tendons."""
    p = corner.points
    top, foot = p["strut_top"], p["strut_lower"]
    axis = unit_vec(foot - top)
    names = ("lower_lateral_outer", "lower_drag_outer", "tie_rod_outer", "wheel_centre")
    slide = f'<joint type="slide" axis="{axis}"/>'
    knuckle = body("knuckle", foot, slide, {k: p[k] for k in names})
    knuckle = knuckle.replace(f'pos="{vec(foot)}"', f'pos="{vec(foot - top)}"', 1)
    strut = (
        f'<body name="strut" pos="{vec(top)}">{FREE}'
        f'<inertial pos="0 0 0" mass="1" diaginertia="1 1 1"/>{knuckle}</body>'
    )
    fixed = "".join(site(k, p[k]) for k in ("lower_lateral_inner", "lower_drag_inner"))
    links = ("lower_lateral", "lower_drag", "tie_rod")
    return model(
        [fixed, strut, rack_body(p)],
        [*(fixed_length(n) for n in links), RACK_INPUT],
        [tendon(n, f"{n}_inner", f"{n}_outer") for n in links],
    )


def semi_trailing_arm(corner: Corner) -> mujoco.MjModel:
    """The arm as a free body tied to the car at both bushes (one row too many, which least squares
    bears)."""
    p = corner.points
    pivots = ("arm_inner_pivot", "arm_outer_pivot")
    fixed = "".join(site(f"car_{k}", p[k]) for k in pivots)
    sites = {k: p[k] for k in (*pivots, "wheel_centre", "damper_lower")}
    arm = body("arm", p["wheel_centre"], SLIDES + FREE, sites)
    return model([fixed, arm], [connected(f"car_{k}", k) for k in pivots], [])


def three_link_axle(corner: Corner) -> mujoco.MjModel:
    """One free body on four tendons; that it stays level is asked of its two wheels' sites."""
    p = corner.points
    links = ("lower_left", "lower_right", "upper", "lateral_rod")
    fixed = "".join(site(f"{n}_inner", p[f"{n}_inner"]) for n in links)
    sites = {f"{n}_outer": p[f"{n}_outer"] for n in links}
    sites |= {k: p[k] for k in ("wheel_centre", "other_wheel_centre", "damper_lower")}
    axle = body("axle", p["wheel_centre"], SLIDES + FREE, sites)
    tendons = [tendon(n, f"{n}_inner", f"{n}_outer") for n in links]
    return model([fixed, axle], [fixed_length(n) for n in links], tendons)


def lever_axle(corner: Corner) -> mujoco.MjModel:
    """Three links as tendons; the lever a free body pinned to the axle at two places (one row too
    many, which MuJoCo's least squares bears), its rods tendons from its ends to the car."""
    p = corner.points
    links, rods = ("lower_left", "lower_right", "upper"), {"left_rod": "lever_top"}
    rods["right_rod"] = "lever_foot"
    at_car = [*(f"{n}_inner" for n in links), *(f"{n}_body" for n in rods)]
    pins = ("lever_pin_front", "lever_pin_rear")
    sites = {k: p[k] for k in ("wheel_centre", "other_wheel_centre", "damper_lower")}
    sites |= {f"{n}_outer": p[f"{n}_outer"] for n in links} | {f"on_{k}": p[k] for k in pins}
    axle = body("axle", p["wheel_centre"], SLIDES + FREE, sites)
    own = {k: p[k] for k in (*pins, *rods.values())}
    lever = body("lever", p["lever_pin_front"], SLIDES + FREE, own)
    tendons = [tendon(n, f"{n}_inner", f"{n}_outer") for n in links]
    tendons += [tendon(n, f"{n}_body", end) for n, end in rods.items()]
    held = [*(fixed_length(n) for n in (*links, *rods)), *(connected(f"on_{k}", k) for k in pins)]
    return model(["".join(site(k, p[k]) for k in at_car), axle, lever], held, tendons)


class LevelEngine(Engine):
    """The same with one row more: the other wheel's centre stands as high as this one's."""

    def rows(self, travel_mm: float) -> tuple[np.ndarray, np.ndarray]:
        value, slope = super().rows(travel_mm)
        other = self.model.site("other_wheel_centre").id
        place = np.zeros((3, self.model.nv))
        mujoco.mj_jacSite(self.model, self.data, place, None, other)
        high = self.data.site_xpos[other][2] - self.data.site_xpos[self.centre][2]
        return np.append(value, high), np.vstack([slope, place[2] - slope[-1]])


def steering_box(corner: Corner) -> mujoco.MjModel:
    """Pitman and idler arms on hinges; the centre link a free body, pinned to the idler arm at two
    places and to the pitman arm at one (one row too many, which MuJoCo's least squares bears). The
    input is the angle of the pitman arm, so racks are compared by where the stud has gone."""
    p = corner.points
    bodies, equalities, tendons = wishbones(corner)
    pitman = hinged(
        "pitman",
        p,
        ("pitman_shaft_lower", "pitman_shaft_upper"),
        {"on_pitman": p["centre_link_pitman"]},
    ).replace('type="hinge"', 'name="rack" type="hinge"')
    studs = ("idler_stud_lower", "idler_stud_upper")
    idler = hinged(
        "idler",
        p,
        ("idler_shaft_lower", "idler_shaft_upper"),
        {f"on_{k}": p[k] for k in studs},
    )
    own = {k: p[k] for k in (*studs, "centre_link_pitman", "tie_rod_inner")}
    link = body("centre_link", p["centre_link_pitman"], SLIDES + FREE, own)
    pins = [connected(f"on_{k}", k) for k in studs]
    return model(
        [*bodies, pitman, idler, link],
        [*equalities, *pins, connected("on_pitman", "centre_link_pitman"), RACK_INPUT],
        tendons,
    )


RACK, TRAVEL = np.linspace(-60.0, 60.0, 9), np.array([-55.0, -20.0, 0.0, 25.0, 50.0])


@pytest.mark.parametrize(
    ("name", "made", "points"),
    [
        ("double_wishbone", double_wishbone, ("wheel_centre", "tie_rod_outer", "lower_ball_joint")),
        ("push_rod", push_rod, ("wheel_centre", "push_rod_inner", "damper_rocker")),
        ("twin_link_strut", twin_link_strut, ("wheel_centre", "lower_drag_outer", "tie_rod_outer")),
    ],
)
def test_steered_layouts_agree_with_mujoco(name, made, points):
    corner = axle_of_model(name).left
    assert worst_difference(corner, made(corner), points, RACK, TRAVEL) < AGREE_MM


def test_semi_trailing_arm_agrees_with_mujoco():
    corner = axle_of_model("semi_trailing_arm").left
    made = semi_trailing_arm(corner)
    points = ("wheel_centre", "damper_lower")
    assert worst_difference(corner, made, points, np.zeros(1), np.linspace(-80, 70, 9)) < AGREE_MM


@pytest.mark.parametrize(
    ("name", "made", "own"),
    [
        ("three_link_axle", three_link_axle, ("lateral_rod_outer",)),
        ("lever_axle", lever_axle, ("lever_top", "lever_foot")),
    ],
)
def test_beam_axles_agree_with_mujoco(name, made, own, monkeypatch):
    monkeypatch.setattr("test_second_engine.Engine", LevelEngine)
    corner = axle_of_model(name).left
    made = made(corner)
    points = ("wheel_centre", "other_wheel_centre", "damper_lower", *own)
    assert worst_difference(corner, made, points, np.zeros(1), np.linspace(-80, 70, 9)) < AGREE_MM


def test_steering_box_agrees_with_mujoco():
    """The pitman's angle is MuJoCo's input: asked for so that its stud goes as far across."""
    corner = axle_of_model("steering_box").left
    made = steering_box(corner)
    arm = corner.points["centre_link_pitman"] - corner.points["pitman_shaft_lower"]
    reach = float(np.hypot(arm[0], arm[1]))
    rack = np.linspace(-55.0, 55.0, 7)
    sweep = sweep_corner(corner, rack, TRAVEL, Hold.WHEEL_HEIGHT)
    names = ("wheel_centre", "tie_rod_inner", "tie_rod_outer", "upper_ball_joint")
    worst = 0.0
    for j, travel in enumerate(TRAVEL):
        for i, way in enumerate(rack):
            engine = Engine(made, corner.points["wheel_centre"][2])
            angle = np.arcsin(way / reach)
            for part in np.linspace(0.1, 1.0, 10):
                left = engine.go(1000.0 * angle * part, travel * part)
            assert left < 1e-9
            for name in names:
                off = engine.place(name) - sweep.point(name)[i, j]
                worst = max(worst, float(np.abs(off).max()))
    assert worst < AGREE_MM
