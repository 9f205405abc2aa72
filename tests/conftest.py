"""The invented demo car and a browser, as the tests' common ground."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import pytest

from linkview.geometry import frozen, mirrored
from linkview.model.layouts import FIVE_LINK, STRUT
from linkview.model.parts import (
    Axle,
    Corner,
    Damper,
    Driveshaft,
    Hold,
    Rack,
    Rim,
    Side,
    Spring,
    Travel,
    Tyre,
    Wheel,
)
from tests.published_checkers import BROWSER, browser_path

FRONT = {
    "lower_ball_joint": [12, 715, 180],
    "strut_top": [-67.8, 541, 830],
    "strut_lower": [-20, 612, 380],
    "lower_arm_rear_pivot": [-8, 350, 196],
    "lower_arm_front_pivot": [330, 380, 206],
    "tie_rod_outer": [-77, 716, 196],
    "tie_rod_inner": [-100, 352, 208],
    "wheel_centre": [0, 780, 310],
}
REAR = {
    "lower_lateral_inner": [-2632, 350, 250],
    "lower_lateral_outer": [-2660, 705, 205],
    "lower_front_inner": [-2250, 480, 236],
    "lower_front_outer": [-2600, 700, 205],
    "toe_link_inner": [-2790, 350, 268.0],
    "toe_link_outer": [-2790, 700, 226],
    "upper_rear_inner": [-2665, 400, 473.0],
    "upper_rear_outer": [-2655, 672, 462],
    "upper_front_inner": [-2450, 455, 453.0],
    "upper_front_outer": [-2600, 668, 452],
    "cv_inner": [-2640, 165, 335],
    "cv_outer": [-2650.209, 690.028, 309.906],
    "damper_lower": [-2712, 640, 232],
    "damper_upper": [-2722, 548, 655],
    "wheel_centre": [-2650, 770, 312],
}


def spin_axis(side: Side, *, camber_deg: float, toe_in_deg: float) -> np.ndarray:
    """Toward the car's left; camber + top outboard, toe-in + front toward the car."""
    out = side.outboard
    c, steer = np.radians(camber_deg), np.radians(-out * toe_in_deg)
    return np.array([-np.sin(steer) * np.cos(c), np.cos(steer) * np.cos(c), -out * np.sin(c)])


def front_corner(side: Side = Side.LEFT, **moved) -> Corner:
    """The planned front corner; keyword points replace the demo's (given for the left side)."""
    points = {k: frozen(v) for k, v in {**FRONT, **moved}.items()}
    if side is Side.RIGHT:
        points = {k: frozen(mirrored(v)) for k, v in points.items()}
    wheel = Wheel(
        points["wheel_centre"],
        frozen(spin_axis(side, camber_deg=-4.0, toe_in_deg=0.0)),
        310.8,
        Tyre(317, 205, 112, 28, "225/45R17"),
        Rim(8.5, 17, 30),
    )
    damper = Damper(398, 524, Spring(85, 180, 88))
    rack = Rack(frozen([0, 1, 0]), 75, 70)
    return Corner("front", side, STRUT, points, wheel, rack, Travel(-70, 60), (), damper, None, ())


def rear_corner(side: Side = Side.LEFT, **moved) -> Corner:
    points = {k: frozen(v) for k, v in {**REAR, **moved}.items()}
    if side is Side.RIGHT:
        points = {k: frozen(mirrored(v)) for k, v in points.items()}
    wheel = Wheel(
        points["wheel_centre"],
        frozen(spin_axis(side, camber_deg=-1.5, toe_in_deg=0.15)),
        313,
        Tyre(320, 208, 128, 30, "255/40R17"),
        Rim(10, 17, 22),
    )
    inner = points["cv_inner"]
    shaft = Driveshaft(
        frozen([0, 1, 0]), 20, 20, 22, float(np.linalg.norm(points["cv_outer"] - inner))
    )
    damper = Damper(330, 555, Spring(60, 200, 90))
    return Corner(
        "rear", side, FIVE_LINK, points, wheel, None, Travel(-110, 80), (), damper, shaft, ()
    )


def axle_of(corner, name: str, **settings) -> Axle:
    given = {
        "symmetric": True,
        "hold": Hold.WHEEL_HEIGHT,
        "min_toggle_deg": 25.0,
        "wanted_gaps": (),
        "unsprung_kg": 42.0,
        "driven": name == "rear",
        **settings,
    }
    return Axle(name, corner(Side.LEFT), corner(Side.RIGHT), **given)


@pytest.fixture(scope="session")
def front() -> Corner:
    return front_corner()


@pytest.fixture(scope="session")
def rear() -> Corner:
    return rear_corner()


@pytest.fixture(scope="session")
def front_axle() -> Axle:
    return axle_of(front_corner, "front")


@pytest.fixture(scope="session")
def rear_axle() -> Axle:
    return axle_of(rear_corner, "rear")


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    """A real one, drawing in software, as on a machine without a graphics card."""
    path = browser_path()
    if path is None:
        pytest.skip("no browser: chromium is not installed")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as play:
        launched = play.chromium.launch(executable_path=path, args=[*BROWSER])
        yield launched
        launched.close()
