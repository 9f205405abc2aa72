"""Corners and plate descriptions that the plate tests share; every number is invented."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from linkview.geometry import frozen
from linkview.model.layouts import FIVE_LINK, STRUT, Layout
from linkview.model.parts import Corner, Rim, Side, Travel, Tyre, Wheel
from linkview.model.platelist import FreePlate
from linkview.model.platespec import TopMountBase, WeldOnEar
from linkview.plates.brackets import draw_plate
from linkview.plates.plate import Plate

POINTS: Mapping[str, ArrayLike] = {
    "lower_lateral_inner": [-2632.0, 350.0, 250.0],
    "strut_top": [-67.8, 541.0, 830.0],
    "strut_lower": [-20.0, 612.0, 380.0],
    "lower_ball_joint": [12.0, 715.0, 180.0],
}
# The tube's centre line runs 72 mm above the joint.
EAR: Mapping[str, Any] = {
    "kind": "weld_on_ear",
    "joint": "lower_lateral_inner",
    "bolt_axis": [1.0, 0.0, 0.0],
    "hole": 14.2,
    "hole_use": "M14 pivot bolt",
    "edge_margin": 18.9,
    "tube_diameter": 60.3,
    "tube_from": [-2750.0, 350.0, 322.0],
    "tube_to": [-2500.0, 350.0, 322.0],
    "foot_width": 76.0,
    "foot_past": 18.15,
    "thickness": 6.0,
    "material": "S355J2",
    "quantity": 4,
    "mark": "LLI-6 S355",
}
TOP: Mapping[str, Any] = {
    "kind": "top_mount_base",
    "top": "strut_top",
    "lower": "strut_lower",
    "opening": 40.0,
    "slot_width": 8.5,
    "slot_each_way": 12.0,
    "slots_across": 76.0,
    "slots_along": 50.0,
    "stud_circle": 150.0,
    "stud_hole": 8.5,
    "stud_use": "M8 stud",
    "first_stud_angle": 90.0,
    "edge_margin": 13.0,
    "thickness": 8.0,
    "material": "S355J2",
    "quantity": 2,
    "mirrored": 1,
    "mark": "TMB-8 S355",
}


def corner(layout: Layout, points: Mapping[str, ArrayLike], *, side: Side = Side.LEFT) -> Corner:
    """A corner with these hard points; wheel and travel are place holders no plate looks at."""
    wheel = Wheel(
        frozen([0.0, 780.0, 310.0]),
        frozen([0.0, 1.0, 0.0]),
        310.0,
        Tyre(317.0, 205.0, 112.0, 28.0),
        Rim(8.5, 17.0, 30.0),
    )
    return Corner(
        axle="front",
        side=side,
        layout=layout,
        points={name: frozen(point) for name, point in points.items()},
        wheel=wheel,
        rack=None,
        travel=Travel(-70.0, 60.0),
        joints=(),
        damper=None,
        driveshaft=None,
        bodies=(),
    )


def rear(**moved: ArrayLike) -> Corner:
    """The five-link corner, some points moved."""
    return corner(FIVE_LINK, {**POINTS, **moved})


def front(**moved: ArrayLike) -> Corner:
    """The strut corner, some points moved."""
    return corner(STRUT, {**POINTS, **moved})


def ear(**changed: Any) -> WeldOnEar:
    return WeldOnEar.model_validate({**EAR, **changed})


def top_mount(**changed: Any) -> TopMountBase:
    return TopMountBase.model_validate({**TOP, **changed})


def shifted(name: str, by: ArrayLike) -> np.ndarray:
    """A shared hard point moved by (3,) mm."""
    return np.asarray(POINTS[name], dtype=float) + np.asarray(by, dtype=float)


STRIP_MM = 30.0, 3.0  # width and thickness of the strip that bends are tried on
STRIP: Mapping[str, Any] = {
    "kind": "free",
    "origin": [0.0, 0.0, 0.0],
    "normal": [0.0, 0.0, 1.0],
    "x_direction": [1.0, 0.0, 0.0],
    "corners": [{"at": p} for p in ([-20.0, 0.0], [60.0, 0.0], [60.0, 30.0], [-20.0, 30.0])],
    "thickness": STRIP_MM[1],
    "edge_margin": 6.0,
    "material": "S235JR",
    "mark": "B",
}


def bent(*bends: tuple[float, ...], at: Corner | None = None, **changed: Any) -> Plate:
    """The strip with bends given as (x, angle, radius, k) of lines square across it."""
    told = [
        {"from": [x, -5.0], "to": [x, STRIP_MM[0] + 5.0], "angle": a, "radius": r, "k_factor": k}
        for x, a, r, k in bends
    ]
    spec = FreePlate.model_validate({**STRIP, "bends": told, **changed})
    return draw_plate("bracket", spec, at or corner(FIVE_LINK, {}))
