"""The same corners in MuJoCo, and in SciPy from equations written anew.

MuJoCo (Todorov, Erez, Tassa, IROS 2012; open source) knows nothing of linkview: the corner is
given to it as a mechanism of bodies, hinges, slides, balls and tendons, built here from the hard
points alone. Simulated, its constraints are soft, so its own constraint rows (data.efc_pos and
data.efc_J) are driven to zero by Gauss-Newton, from the hard points' own pose outward. What is
compared: the places of wheel centre and joints on the knuckle, in mm, over a grid of rack and
travel. Lengths go to MuJoCo in metres.
"""

from __future__ import annotations

import mujoco
import numpy as np
import pytest
from scipy.optimize import root
from scipy.spatial.transform import Rotation

from linkview.kinematics.sweep import pose_at, sweep_corner
from linkview.model.parts import Corner, Hold

M = 1e-3
AGREE_MM = 1e-9


def vec(v: np.ndarray) -> str:
    return " ".join(f"{x * M:.17g}" for x in v)


def unit_vec(v: np.ndarray) -> str:
    return " ".join(f"{x:.17g}" for x in v / np.linalg.norm(v))


def body(name: str, at: np.ndarray, joints: str, sites: dict[str, np.ndarray]) -> str:
    """A body at a point, with joints there and named sites given in the car's frame."""
    inside = "".join(f'<site name="{k}" pos="{vec(v - at)}"/>' for k, v in sites.items())
    return (
        f'<body name="{name}" pos="{vec(at)}">{joints}'
        f'<inertial pos="0 0 0" mass="1" diaginertia="1 1 1"/>{inside}</body>'
    )


FREE = '<joint type="ball"/>'
SLIDES = "".join(f'<joint type="slide" axis="{a}"/>' for a in ("1 0 0", "0 1 0", "0 0 1"))


def model(bodies: list[str], equalities: list[str], tendons: list[str]) -> mujoco.MjModel:
    """rack and height are the only inputs: both as equality rows whose target can be set."""
    text = (
        '<mujoco><option gravity="0 0 0"><flag contact="disable"/></option>'
        f"<worldbody>{''.join(bodies)}</worldbody>"
        f"<tendon>{''.join(tendons)}</tendon><equality>{''.join(equalities)}</equality></mujoco>"
    )
    return mujoco.MjModel.from_xml_string(text)


def tendon(name: str, a: str, b: str) -> str:
    return f'<spatial name="{name}"><site site="{a}"/><site site="{b}"/></spatial>'


def fixed_length(name: str) -> str:
    return f'<tendon name="hold_{name}" tendon1="{name}"/>'


def connected(a: str, b: str) -> str:
    return f'<connect site1="{a}" site2="{b}"/>'


def strut_model(corner: Corner) -> mujoco.MjModel:
    """Lower arm hinged on its pivots, ball to the knuckle; tie rod a body with a ball on the rack
    and one on the knuckle; strut a ball at the top mount with a slide along it that carries the
    knuckle's foot, on which the knuckle is a hinge about the strut's own axis."""
    p = corner.points
    rear, front = p["lower_arm_rear_pivot"], p["lower_arm_front_pivot"]
    arm = body(
        "arm",
        rear,
        f'<joint type="hinge" axis="{unit_vec(front - rear)}"/>',
        {"arm_ball": p["lower_ball_joint"]},
    )
    inner = p["tie_rod_inner"]
    rod = body("rod", inner, FREE, {"rod_outer": p["tie_rod_outer"]})
    rack = (
        f'<body name="rack" pos="{vec(inner)}"><joint name="rack" type="slide" axis="0 1 0"/>'
        '<inertial pos="0 0 0" mass="1" diaginertia="1 1 1"/>'
        + rod.replace(f'pos="{vec(inner)}"', 'pos="0 0 0"', 1)
        + "</body>"
    )
    top, foot = p["strut_top"], p["strut_lower"]
    axis = unit_vec(foot - top)
    knuckle = body(
        "knuckle",
        foot,
        f'<joint type="slide" axis="{axis}"/>',
        {k: p[k] for k in ("lower_ball_joint", "tie_rod_outer", "wheel_centre", "strut_lower")},
    ).replace(f'pos="{vec(foot)}"', f'pos="{vec(foot - top)}"', 1)
    strut = (
        f'<body name="strut" pos="{vec(top)}">{FREE}'
        f'<inertial pos="0 0 0" mass="1" diaginertia="1 1 1"/>{knuckle}</body>'
    )
    equalities = [
        connected("arm_ball", "lower_ball_joint"),
        connected("rod_outer", "tie_rod_outer"),
        '<joint name="rack_input" joint1="rack"/>',
    ]
    return model([arm, rack, strut], equalities, [])


def five_link_model(corner: Corner) -> mujoco.MjModel:
    """A free knuckle on five tendons of fixed length."""
    p = corner.points
    links = ("lower_lateral", "lower_front", "toe_link", "upper_rear", "upper_front")
    centre = p["wheel_centre"]
    outer = {f"{n}_outer": p[f"{n}_outer"] for n in links} | {"wheel_centre": centre}
    fixed = "".join(f'<site name="{n}_inner" pos="{vec(p[f"{n}_inner"])}"/>' for n in links)
    knuckle = body("knuckle", centre, SLIDES + FREE, outer)
    tendons = [tendon(n, f"{n}_inner", f"{n}_outer") for n in links]
    return model([fixed, knuckle], [fixed_length(n) for n in links], tendons)


class Engine:
    """Gauss-Newton on MuJoCo's own constraint rows, plus one row for the wheel centre's height."""

    def __init__(self, made: mujoco.MjModel, height_mm: float) -> None:
        self.model, self.data = made, mujoco.MjData(made)
        self.centre = made.site("wheel_centre").id
        self.height = height_mm * M
        self.equalities = {made.equality(i).name: i for i in range(made.neq)}

    def rows(self, travel_mm: float) -> tuple[np.ndarray, np.ndarray]:
        mujoco.mj_fwdPosition(self.model, self.data)
        n = self.data.nefc
        slope = np.zeros((n + 1, self.model.nv))
        slope[:n] = self.data.efc_J.reshape(n, -1)
        place = np.zeros((3, self.model.nv))
        mujoco.mj_jacSite(self.model, self.data, place, None, self.centre)
        slope[n] = place[2]
        high = self.data.site_xpos[self.centre][2] - self.height - travel_mm * M
        return np.append(self.data.efc_pos, high), slope

    def go(self, rack_mm: float, travel_mm: float) -> float:
        """Closes the linkage from where it is; returns the largest row left, mm."""
        if "rack_input" in self.equalities:
            self.model.eq_data[self.equalities["rack_input"], 0] = rack_mm * M
        for _ in range(30):
            value, slope = self.rows(travel_mm)
            step = -np.linalg.lstsq(slope, value, rcond=1e-12)[0]
            mujoco.mj_integratePos(self.model, self.data.qpos, step, 1.0)
            if np.abs(step).max() < 1e-14:
                break
        return float(np.abs(self.rows(travel_mm)[0]).max() / M)

    def place(self, name: str) -> np.ndarray:
        return self.data.site_xpos[self.model.site(name).id] / M


def worst_difference(corner: Corner, made: mujoco.MjModel, names, rack, travel) -> float:
    sweep = sweep_corner(corner, rack, travel, Hold.WHEEL_HEIGHT)
    assert sweep.solved.all()
    worst = 0.0
    for j, t in enumerate(travel):
        for way in (1.0, -1.0):
            engine = Engine(made, corner.points["wheel_centre"][2])
            for part in np.linspace(0.0, 1.0, 5):
                engine.go(0.0, t * part)
            for i in np.argsort(np.abs(rack)):
                if rack[i] * way < 0.0:
                    continue
                assert engine.go(rack[i], t) < 1e-9  # mm: MuJoCo's own rows are closed
                for name in names:
                    ours = sweep.point(name)[i, j]
                    worst = max(worst, float(np.abs(engine.place(name) - ours).max()))
    return worst


def test_strut_corner_agrees_with_mujoco(front):
    names = ("wheel_centre", "lower_ball_joint", "tie_rod_outer", "strut_lower")
    rack, travel = np.linspace(-70.0, 70.0, 15), np.array([-70.0, -30.0, 0.0, 25.0, 60.0])
    assert worst_difference(front, strut_model(front), names, rack, travel) < AGREE_MM


def test_five_link_corner_agrees_with_mujoco(rear):
    names = ("wheel_centre", "lower_lateral_outer", "toe_link_outer", "upper_front_outer")
    travel = np.linspace(-110.0, 80.0, 20)
    assert worst_difference(rear, five_link_model(rear), names, np.zeros(1), travel) < AGREE_MM


def test_mujoco_would_notice_a_point_one_micron_out(front):
    """The comparison can fail: a hard point 0.001 mm off shows."""
    moved = dict(front.points)
    moved["tie_rod_outer"] = moved["tie_rod_outer"] + np.array([0.0, 0.001, 0.0])
    other = Corner(**{**vars(front), "points": moved})
    rack, travel = np.array([0.0, 40.0]), np.array([0.0])
    worst = worst_difference(
        front, strut_model(other), ("wheel_centre", "tie_rod_outer"), rack, travel
    )
    assert worst > 1e-4


# --- SciPy on plain equations --------------------------------------------------------------------


def strut_equations(x: np.ndarray, corner: Corner, rack_mm: float, travel_mm: float) -> np.ndarray:
    """Misfits in mm of the strut corner at knuckle turn x[:3] (rotation vector, rad) and shift
    x[3:] (in 100 mm): lengths less what they were, the strut's line through the top mount."""
    p = corner.points
    turn = Rotation.from_rotvec(x[:3])

    def now(name: str) -> np.ndarray:
        return turn.apply(p[name] - p["wheel_centre"]) + p["wheel_centre"] + 100.0 * x[3:]

    def grown(a, b, was: float) -> float:
        return float(np.linalg.norm(a - b) - was)

    rack = p["tie_rod_inner"] + np.array([0.0, rack_mm, 0.0])
    ball, outer, foot = now("lower_ball_joint"), now("tie_rod_outer"), now("strut_lower")
    across = np.cross([0.0, 0.0, 1.0], p["strut_top"] - p["strut_lower"])
    other = np.cross(across, p["strut_top"] - p["strut_lower"])
    off = p["strut_top"] - foot
    return np.array(
        [
            grown(ball, p[k], corner.distance_mm("lower_ball_joint", k))
            for k in ("lower_arm_rear_pivot", "lower_arm_front_pivot")
        ]
        + [grown(outer, rack, corner.distance_mm("tie_rod_outer", "tie_rod_inner"))]
        + [off @ turn.apply(a / np.linalg.norm(a)) for a in (across, other)]
        + [now("wheel_centre")[2] - p["wheel_centre"][2] - travel_mm]
    )


@pytest.mark.parametrize("travel", [-70.0, -35.0, 0.0, 30.0, 60.0])
def test_scipy_root_on_plain_equations_gives_the_same_poses(front, travel):
    centre = front.points["wheel_centre"]
    for way in (-1.0, 1.0):
        x = np.zeros(6)
        for part in np.linspace(0.2, 1.0, 5):
            x = root(strut_equations, x, (front, 0.0, travel * part), tol=1e-13).x
        for rack in way * np.linspace(0.0, 70.0, 11):
            # Started at 1e-17 SciPy never moves, so it starts a little off.
            x = root(strut_equations, x + 1e-3, (front, rack, travel), tol=1e-13).x
            # A solver's word is not enough: it can report success and never have moved.
            assert np.abs(strut_equations(x, front, rack, travel)).max() < 1e-10
            pose = pose_at(front, rack, travel, Hold.WHEEL_HEIGHT).poses["knuckle"][0, 0]
            theirs = Rotation.from_rotvec(x[:3]).as_matrix()
            for point in front.points.values():
                ours = pose[:3, :3] @ point + pose[:3, 3]
                other = theirs @ (point - centre) + centre + 100.0 * x[3:]
                assert np.abs(ours - other).max() < 1e-8
