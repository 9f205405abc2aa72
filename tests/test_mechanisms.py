"""Published mechanisms through the free layout: over-held by count, movable by rank.

Both are put in as parts and joints of a layout, the way a file of one's own lists them; nothing of
them is known to the solver.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from conftest import rear_corner
from scipy.spatial.transform import Rotation

from linkview.geometry import apply, frozen
from linkview.kinematics.closure import GROUND, Direction, Height, Linkage, Place
from linkview.kinematics.corner import held_joints, linkage_of, origin_of
from linkview.kinematics.mobility import mobility_of
from linkview.kinematics.part_poses import fit_errors_mm, part_poses
from linkview.kinematics.solve import Problem, Target, trace
from linkview.kinematics.sweep import sweep_corner
from linkview.model.layout import KNUCKLE, Hinge, Layout
from linkview.model.parts import Corner, Hold, Travel


def corner_with(layout: Layout, points: dict[str, np.ndarray]) -> Corner:
    """A mechanism as a corner; `wheel_centre` is one of its points."""
    placed = {name: frozen(p) for name, p in points.items()}
    return replace(
        rear_corner(),
        layout=layout,
        points=placed,
        rack=None,
        travel=Travel(-10.0, 10.0),
        damper=None,
        driveshaft=None,
    )


# --- Bennett ----------------------------------------------------------------------------------


def test_bennett_linkage_through_the_free_layout():
    """Four skew hinges: 20 rows on 18 unknowns, and yet one way to move.

    Source: G. T. Bennett, Engineering 76 (1903), closure from memory, exact: tan(th/2) tan(ph/2) =
    sin((be+al)/2) / sin((be-al)/2); alpha 30, beta 90 deg, a 1, b 2.
    """
    alpha, beta, a, b = np.pi / 6, np.pi / 2, 100.0, 200.0
    ratio = np.sin((beta + alpha) / 2) / np.sin((beta - alpha) / 2)
    theta = np.radians(60.0)
    phi = 2.0 * np.arctan(ratio / np.tan(theta / 2))
    assert np.degrees(phi) == pytest.approx(143.1301, abs=1e-4)

    def frames(sense: float) -> list[np.ndarray]:
        f, out = np.eye(4), [np.eye(4)]
        for turn, size, twist in zip(
            (theta, sense * phi, -theta, -sense * phi),
            (a, b, a, b),
            (alpha, beta, alpha, beta),
            strict=True,
        ):
            spin = Rotation.from_rotvec([0.0, 0.0, turn])
            step = np.eye(4)
            step[:3, :3] = (spin * Rotation.from_rotvec([twist, 0.0, 0.0])).as_matrix()
            step[:3, 3] = spin.apply([size, 0.0, 0.0])
            f = f @ step
            out.append(f)
        return out

    at = min((frames(s) for s in (1.0, -1.0)), key=lambda f: np.abs(f[-1] - np.eye(4)).max())
    points = {"wheel_centre": at[2][:3, 3] + np.array([10.0, 60.0, 35.0])}
    for k in range(4):
        points[f"pin_{k}"] = at[k][:3, 3]
        points[f"pin_{k}_end"] = at[k][:3, 3] + 50.0 * at[k][:3, 2]

    def pins(k: int) -> tuple[str, str]:
        return f"pin_{k}", f"pin_{k}_end"

    layout = Layout(
        name="free",
        title="Bennett",
        fixed=(*pins(0), *pins(3)),
        on_knuckle=pins(2),
        carried={"crank": pins(1), "rocker": ()},
        hinges={
            "hinge_0": Hinge("crank", pins(0)),
            "hinge_1": Hinge(KNUCKLE, pins(1)),
            "hinge_2": Hinge("rocker", pins(2)),
            "hinge_3": Hinge("rocker", pins(3)),
        },
    )
    corner = corner_with(layout, points)
    built = linkage_of(corner)
    rows = [i for i, n in enumerate(built.linkage.row_names) if n != "wheel height"]
    found = mobility_of(built.linkage, rows, built.parts, {})
    assert (found.rows, found.freedom) == (20, 1)
    assert len(found.independent) == 17
    assert len(found.spare) > 0
    sweep = sweep_corner(corner, np.zeros(1), np.linspace(-12.0, 12.0, 13), Hold.WHEEL_HEIGHT)
    assert sweep.solved.all()
    assert sweep.residual_mm.max() < 1e-8  # mm: the rows left out close as well
    crank, knuckle = (sweep.pose(p)[0, :, :3, :3] for p in ("crank", KNUCKLE))
    turned = np.arctan2(crank[:, 1, 0], crank[:, 0, 0])  # about z, the first pin
    now = theta + turned
    # The second joint's angle: of the coupler against the crank, about the second pin.
    pin, mark = at[1][:3, 2], at[1][:3, 0]
    side = np.cross(pin, mark)
    against = np.einsum("nji,njk->nik", crank, knuckle) @ mark
    other = np.arctan2(against @ side, against @ mark)
    sign = np.sign(np.sin(phi)) * (1.0 if np.allclose(at[2], frames(1.0)[2]) else -1.0)
    second = sign * phi + other
    product = np.tan(now / 2) * np.tan(sign * second / 2)
    assert np.ptp(turned) > np.radians(2.0)
    assert np.abs(product - ratio).max() < 1e-9


# --- the squeezing mechanism --------------------------------------------------------------------

# Source: E. Hairer and G. Wanner, Solving ODEs II; Test Set for IVP Solvers, "Andrews' squeezing
# mechanism"; metres there, millimetres here.
A, B = np.array([-69.34, -2.27]), np.array([-36.35, 32.73])
D, E_, RR, SS, U, ZF, ZT = 28.0, 20.0, 7.0, 35.0, 40.0, 20.0, 40.0
AT_0 = {
    "beta": -0.0617138900142764496,
    "theta": 0.0,
    "gamma": 0.455279819163070380,
    "phi": 0.222668390165885885,
    "delta": 0.487364979543842550,
    "omega": -0.222668390165885885,
    "epsilon": 1.23054744454982119,
}
AT_03 = {
    "beta": 15.81077119629904,
    "theta": -15.75637105984298,
    "gamma": 0.04082224013073101,
    "phi": -0.5347301163226948,
    "delta": 0.5244099658805304,
    "omega": 0.5347301163226948,
    "epsilon": 1.048080741042637,
}


def plane_points(q: dict[str, float]) -> dict[str, np.ndarray]:
    """Joints of the mechanism in its plane, each the end of a chain from a fixed point."""

    def way(size: float, angle: float) -> np.ndarray:
        return size * np.array([np.cos(angle), np.sin(angle)])

    f = way(RR, q["beta"])
    quarter = np.pi / 2
    return {
        "O": np.zeros(2),
        "A": A,
        "B": B,
        "F": f,
        "E": f - way(D, q["beta"] + q["theta"]),
        "G": A + way(ZT, q["delta"]),
        "H": A + way(U, q["epsilon"] - quarter),
    }


def test_the_published_angles_close_the_mechanism():
    """The chains from B, G and H meet at E: geometry read from the source's equations."""
    for q, tight in ((AT_0, 1e-12), (AT_03, 1e-9)):
        p = plane_points(q)
        for point, size in (("B", SS), ("G", E_), ("H", ZF), ("F", D)):
            assert np.linalg.norm(p["E"] - p[point]) == pytest.approx(size, abs=1e3 * tight)


def squeezer() -> Corner:
    """Seven bars, ten hinges square to the plane: 50 rows on 42 unknowns."""
    flat = plane_points(AT_0)
    points = {}
    for name, xy in flat.items():
        points[f"{name}_low"] = np.array([*xy, 0.0])
        points[f"{name}_high"] = np.array([*xy, 10.0])
    points["wheel_centre"] = np.array([*flat["F"], 4.0])

    def pins(name: str) -> tuple[str, str]:
        return f"{name}_low", f"{name}_high"

    layout = Layout(
        name="free",
        title="squeezing mechanism",
        fixed=(*pins("O"), *pins("A"), *pins("B")),
        on_knuckle=pins("F"),
        carried={
            "fe": pins("E"),
            "be": (),
            "ge": pins("G"),
            "ga": (),
            "he": pins("H"),
            "ha": (),
        },
        hinges={
            "O": Hinge(KNUCKLE, pins("O")),
            "F": Hinge("fe", pins("F")),
            "B": Hinge("be", pins("B")),
            "E_be": Hinge("be", pins("E")),
            "E_ge": Hinge("ge", pins("E")),
            "E_he": Hinge("he", pins("E")),
            "G": Hinge("ga", pins("G")),
            "A_ga": Hinge("ga", pins("A")),
            "H": Hinge("ha", pins("H")),
            "A_ha": Hinge("ha", pins("A")),
        },
    )
    return corner_with(layout, points)


def test_the_squeezing_mechanism_goes_round_to_its_published_pose():
    """Two and a half turns of the crank, to the pose published for t = 0.03.

    What turns the crank there is a torque; where the other bars then stand is geometry alone. The
    crank is driven by its pin's x or y in turn, whichever has grip.
    """
    corner = squeezer()
    linkage, sound = driven_crank(corner)
    beta, goal = AT_0["beta"], AT_03["beta"]
    state = linkage.reference()
    steps = 160
    for k in range(steps):
        b0, b1 = (beta + (goal - beta) * (k + s) / steps for s in (0, 1))
        axis = 0 if abs(np.sin((b0 + b1) / 2)) > 0.7 else 1
        row = linkage.row_names.index("crank x" if axis == 0 else "crank y")
        value = [RR * (np.cos(x), np.sin(x))[axis] for x in (b0, b1)]
        problem = Problem(linkage, row, np.array([*sound, row]))
        none = np.zeros(1)
        found = trace(
            problem, state, Target(none, np.array(value[:1])), Target(none, np.array(value[1:]))
        )
        assert found.arrived.all()
        state = found.state
    poses = part_poses(corner, state, np.zeros(1))
    assert max(float(e.max()) for e in fit_errors_mm(corner, poses).values()) < 1e-8
    want = plane_points(AT_03)
    for name, part in (("F", KNUCKLE), ("E", "fe"), ("G", "ge"), ("H", "he")):
        here = apply(poses[part], corner.points[f"{name}_low"])[0]
        assert here[:2] == pytest.approx(want[name], abs=1e-7)  # mm; published to 1e-15 m or so
        assert here[2] == pytest.approx(0.0, abs=1e-9)


def driven_crank(corner: Corner) -> tuple[Linkage, list[int]]:
    """The layout's own rows, by rank, with the crank pin's x and y to drive."""
    joints = [j for j in held_joints(corner, corner) if j.name != "wheel height"]
    pin = corner.points["F_low"]
    zero = frozen(np.zeros(3))
    for name, axis in (("crank x", [1.0, 0.0, 0.0]), ("crank y", [0.0, 1.0, 0.0])):
        along = Direction(GROUND, np.array(axis))
        joints.append(Height(name, Place(GROUND, zero), Place(0, pin), along, 0.0))
    parts = corner.layout.solved
    linkage = Linkage([origin_of(corner, part) for part in parts], joints)
    rows = [i for i, n in enumerate(linkage.row_names) if not n.startswith("crank")]
    found = mobility_of(linkage, rows, parts, {})
    assert (found.rows, found.freedom) == (50, 1)
    return linkage, list(found.independent)
