"""Where the eye stands, and where on the picture a place of the car is seen; no window needed.

Pixels are (x to the right, y downward) from the picture's upper left corner. A frame is
(left, top, right, bottom) in pixels.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from linkview.geometry import Array, Z, dot, frozen, unit
from linkview.units import to_rad

Frame = tuple[float, float, float, float]


@dataclass(frozen=True, eq=False)
class Camera:
    """eye (3,) mm and look (3,) unit in the car's frame; z stays upright in the picture.

    size: width and height, pixels. view_angle_deg: from the picture's lower to its upper edge.
    """

    eye: Array
    look: Array
    size: tuple[int, int]
    view_angle_deg: float

    @property
    def right(self) -> Array:
        return unit(np.cross(self.look, Z))

    @property
    def up(self) -> Array:
        return np.cross(self.right, self.look)

    @property
    def pixels_per_slope(self) -> float:
        """Pixels from the middle of the picture per unit of sideways over forward."""
        return self.size[1] / 2.0 / float(np.tan(to_rad(self.view_angle_deg) / 2.0))

    def pixels(self, places: Array) -> Array:
        """Places (..., 3) mm -> pixels (..., 2); NaN for what lies behind the eye."""
        away = np.asarray(places, dtype=float) - self.eye
        depth = dot(away, self.look)
        depth = np.where(depth > 0.0, depth, np.nan)
        across, upward = dot(away, self.right) / depth, dot(away, self.up) / depth
        width, height = self.size
        scale = self.pixels_per_slope
        return np.stack([width / 2.0 + scale * across, height / 2.0 - scale * upward], axis=-1)

    def mm_per_pixel(self, place: Array) -> float:
        """How many mm one pixel covers at a place, square to the view."""
        return float(dot(np.asarray(place) - self.eye, self.look)) / self.pixels_per_slope


def fitted(
    places: Array,
    looking_from: Array,
    *,
    size: tuple[int, int],
    inside: Frame,
    view_angle_deg: float,
) -> Camera:
    """The nearest eye, in a given direction, that sees all places (n, 3) inside a frame.

    looking_from (3,): from the car toward the eye. Each side of the frame is a plane through the
    eye; two opposite planes touching the places give the distance, and the eye is centred in the
    direction that has room to spare.
    """
    look = -unit(looking_from)
    aim = Camera(np.zeros(3), look, size, view_angle_deg)
    x, y, depth = dot(places, aim.right), dot(places, aim.up), dot(places, look)
    left, top, right, bottom = inside
    scale, (width, height) = aim.pixels_per_slope, size
    spans = (
        (x, (left - width / 2.0) / scale, (right - width / 2.0) / scale),
        (y, (height / 2.0 - bottom) / scale, (height / 2.0 - top) / scale),
    )
    back = min(
        -(float(np.max(v - high * depth)) + float(np.max(low * depth - v))) / (high - low)
        for v, low, high in spans
    )
    sideways = [
        0.5
        * (
            float(np.max(v - high * depth))
            + high * back
            + low * back
            - float(np.max(low * depth - v))
        )
        for v, low, high in spans
    ]
    eye = sideways[0] * aim.right + sideways[1] * aim.up + back * look
    return Camera(frozen(eye), frozen(look), size, view_angle_deg)
