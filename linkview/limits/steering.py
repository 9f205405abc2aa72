"""What limits the steering itself: the tie rod's toggle, the rack's or the steering box's stop."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np

from linkview.alignment.posed import has_damper, ride_moment_arm_mm, toggle_deg
from linkview.geometry import Array, cross, dot, length, magnitude, unit
from linkview.kinematics.cell_motion import Motion
from linkview.kinematics.nearby import Posed
from linkview.limits.limit import Limit, spoken
from linkview.model.layout import RACK
from linkview.model.parts import Axle, Corner
from linkview.units import to_deg


def toggle_limits(corner: Corner, axle: Axle) -> Iterator[Limit]:
    """How near the tie rod is to lining up with the steering axis."""
    layout = corner.layout
    drawn = layout.steering_axis is not None or has_damper(corner)
    if corner.rack is None or layout.tie_rod is None or not drawn:
        return
    arm, least = ride_moment_arm_mm(corner), axle.min_toggle_deg or 0.0
    outer = layout.rods[layout.tie_rod].outer
    name = f"{spoken(layout.tie_rod)} toggle angle"
    yield Limit(
        corner.side,
        name,
        outer,
        "deg",
        least,
        True,
        90.0 - least,
        lambda p: toggle_deg(p, arm),
        drift=_toggle_drift(corner) if layout.steering_axis is not None else None,
    )


def _toggle_drift(corner: Corner) -> Callable[[Motion], Array]:
    """How far the toggle angle can change in a cell where the steering axis is drawn.

    It is an angle between two directions after both are projected along the axis. Seen from the
    axis (which turns by its own swing) each turns by no more than its swing and the axis'. For the
    arm that is the sight from the lower joint. Projected, a direction at angle t from the axis
    shows a turn d as at most asin(sin d / sin t) (a cap of radius d seen from the pole), or as
    anything where t <= d.
    """
    layout = corner.layout
    lower, upper = layout.steering_axis or ("", "")
    rod = layout.rods[layout.tie_rod or ""]

    def drift(cell: Motion) -> Array:
        axis = cell.swing_of(lower, upper)
        along = unit(cell.point(upper).now[:, 0] - cell.point(lower).now[:, 0])
        total = np.zeros(len(axis))
        for start, end in ((lower, rod.outer), (rod.outer, rod.inner)):
            way = cell.point(end).now[:, 0] - cell.point(start).now[:, 0]
            turn = np.minimum(axis + cell.swing_of(start, end), np.pi / 2.0)
            off = np.arctan2(length(cross(along, way)), np.abs(dot(along, way)))
            known = off > turn
            share = np.sin(turn) / np.where(known, np.sin(off), 1.0)
            total += np.where(known, np.arcsin(np.minimum(share, 1.0)), np.inf)
        return to_deg(total)

    return drift


def rack_limits(corner: Corner) -> Iterator[Limit]:
    """How far the rack, or the pitman arm's stud, has gone of what it can."""
    rack, layout = corner.rack, corner.layout
    if rack is None or not layout.steers:
        return
    start = corner.points.get(layout.steered or "", np.zeros(3))

    def way(posed: Posed) -> Array:
        if layout.steered is not None:
            gone = posed.point(layout.steered) - start
        else:
            gone = posed.pose(RACK)[..., :3, 3]
        return magnitude(dot(gone, unit(rack.axis)))

    name = "steering box stop" if layout.steered else "rack stop"
    stop = rack.stop_mm
    yield Limit(
        corner.side,
        name,
        "",
        "mm",
        stop,
        False,
        stop,
        way,
        drift=lambda cell: cell.inputs.half_rack_mm,
        differentiable=False,
    )
