"""What any set of one corner's poses can be asked: where its parts and points are."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from linkview.geometry import Array, apply, apply_direction
from linkview.model.layout import BODY, KNUCKLE, WHEEL_CENTRE
from linkview.model.parts import Corner


class Standing:
    """Poses (...) of one corner: rigid moves from the reference pose, by part, (..., 4, 4).

    A base of the classes that hold such poses, each with more to say of them.
    """

    corner: Corner
    poses: Mapping[str, Array]

    def pose(self, part: str) -> Array:
        """A part's moves (..., 4, 4); the body's are the identity."""
        if part == BODY:
            return np.broadcast_to(np.eye(4), self.poses[KNUCKLE].shape)
        return self.poses[part]

    def point(self, name: str) -> Array:
        """Where a hard point goes, (..., 3) mm."""
        return apply(self.pose(self.corner.layout.owner(name)), self.corner.points[name])

    @property
    def wheel_centre(self) -> Array:
        """(..., 3) mm."""
        return apply(self.poses[KNUCKLE], self.corner.points[WHEEL_CENTRE])

    @property
    def spin_axis(self) -> Array:
        """(..., 3) unit, to the car's left."""
        return apply_direction(self.poses[KNUCKLE], self.corner.wheel.spin_axis)
