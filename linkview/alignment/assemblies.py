"""The other way the same parts go together: the tie rod on the far side of the steering axis.

With the dampers' length kept, the knuckle can only turn about its steering axis, and the tie rod's
length is met at two angles: the one in which the car was measured, and one past the toggle.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from linkview.geometry import Array, apply, dot, frozen, rotation_from_vector, turn_about, unit
from linkview.model.parts import Corner
from linkview.units import to_deg


@dataclass(frozen=True, eq=False)
class OtherAssembly:
    """turn_deg: from the measured pose, about the steering axis upward, in (-180, 180].

    tie_rod_outer: where the tie rod's outer joint would be, (3,) mm, to measure or to give.
    """

    turn_deg: float
    tie_rod_outer: Array

    @property
    def words(self) -> str:
        """For `linkview check`."""
        x, y, z = self.tie_rod_outer
        way = "left" if self.turn_deg > 0.0 else "right"
        return (
            f"the same parts also go together with the wheel turned {abs(self.turn_deg):.0f} deg "
            f"to the {way}, tie rod over centre; taken is the way the points show (for the other, "
            f"give the points as they stand there, its tie_rod_outer near "
            f"[{x:.0f}, {y:.0f}, {z:.0f}])"
        )


def other_assembly(corner: Corner) -> OtherAssembly | None:
    """None for a corner without a drawn steering axis and a tie rod, or at the toggle itself."""
    layout, points = corner.layout, corner.points
    if layout.steering_axis is None or layout.tie_rod is None:
        return None
    low, high = (points[p] for p in layout.steering_axis)
    rod = layout.rods[layout.tie_rod]
    axis = unit(high - low)
    axis = axis if axis[2] > 0.0 else -axis
    outer, inner = points[rod.outer] - low, points[rod.inner] - low
    arm, way = (v - dot(v, axis) * axis for v in (outer, inner))
    # |outer - inner| stays as it is where the angle between arm and way does, to either side.
    between = np.arctan2(dot(axis, np.cross(arm, way)), dot(arm, way))
    turn = float(2.0 * between)
    turn = (turn + np.pi) % (2.0 * np.pi) - np.pi
    if abs(turn) < 1e-6:
        return None
    move = turn_about(rotation_from_vector(turn * axis), low, low)
    return OtherAssembly(float(to_deg(turn)), frozen(apply(move, points[rod.outer])))
