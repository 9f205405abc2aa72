"""linkview: from one hard-point file to where every joint goes, what touches, and what to cut.

    file = linkview.read_file("car.toml")            # every fault at once, or the tables
    car = linkview.build_car(file, "planned")        # as found, or a variant put together
    axle = car.axles["front"]
    sweep = linkview.sweep_axle(axle, *linkview.grid_of(axle))   # poses, NaN beyond reach
    sweep.left.point("tie_rod_outer")                # (S, T, 3) mm
    linkview.align(sweep, car).left.camber_deg       # (S, T) degrees
    linkview.first_stop(sweep, car).words            # what stops it first
    linkview.survey(axle.left, sweep.left.poses).worst(5)        # least gaps
    linkview.draw_plate("ear", axle.plates["ear"], axle.left)    # then linkview.write_dxf(...)

Millimetres and degrees; x forward, y left, z up. Names load when first used, so that
`import linkview` costs nothing by itself.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

__version__ = "0.1.0"

if TYPE_CHECKING:
    from linkview.alignment.axle import align as align
    from linkview.clearance.gaps import survey as survey
    from linkview.errors import LinkviewError as LinkviewError
    from linkview.export.dxf import write_dxf as write_dxf
    from linkview.kinematics.assemble import build_car as build_car
    from linkview.kinematics.sweep import grid_of as grid_of
    from linkview.kinematics.sweep import pose_at as pose_at
    from linkview.kinematics.sweep import sweep_axle as sweep_axle
    from linkview.kinematics.sweep import sweep_corner as sweep_corner
    from linkview.limits.readings import readings as readings
    from linkview.limits.stops import first_stop as first_stop
    from linkview.model.parts import Hold as Hold
    from linkview.model.read import read_file as read_file
    from linkview.plates.brackets import draw_plate as draw_plate
    from linkview.plates.shop import require_cuttable as require_cuttable
    from linkview.study import study_car as study_car

_HOME = {
    "Hold": "linkview.model.parts",
    "LinkviewError": "linkview.errors",
    "align": "linkview.alignment.axle",
    "build_car": "linkview.kinematics.assemble",
    "draw_plate": "linkview.plates.brackets",
    "first_stop": "linkview.limits.stops",
    "grid_of": "linkview.kinematics.sweep",
    "pose_at": "linkview.kinematics.sweep",
    "read_file": "linkview.model.read",
    "readings": "linkview.limits.readings",
    "require_cuttable": "linkview.plates.shop",
    "study_car": "linkview.study",
    "survey": "linkview.clearance.gaps",
    "sweep_axle": "linkview.kinematics.sweep",
    "sweep_corner": "linkview.kinematics.sweep",
    "write_dxf": "linkview.export.dxf",
}
__all__ = sorted(_HOME)


def __getattr__(name: str) -> object:
    if name not in _HOME:
        raise AttributeError(f"module 'linkview' has no attribute '{name}'; it has {__all__}")
    return getattr(import_module(_HOME[name]), name)


def __dir__() -> list[str]:
    return [*__all__, "__version__"]
