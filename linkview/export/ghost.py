"""Another state of the axle, as found or pinned, drawn pale over a picture of the shown one."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from linkview.export.overlay import Pixels
from linkview.export.window import Window
from linkview.geometry import Array, Flags
from linkview.scene.colours import Paint
from linkview.scene.stage import Stage


class GhostTheatre(Window):
    """Draws another state of the axle as a pale line drawing over a picture of the shown one.

    Each prop is drawn in a flat grey of its own; where two greys meet there is a line. Lines over
    the shown car are fainter than beside it, and only beside it is the ghost filled.
    """

    def __init__(self, stage: Stage, size: tuple[int, int], *, finer: float = 1) -> None:
        super().__init__(size, finer)
        self._plotter.set_background("black")
        self._actors = []
        for k, prop in enumerate(stage.props):
            grey = (40 + (k * 83) % 200) / 255.0
            actor = self._plotter.add_mesh(
                prop.mesh, color=(grey, grey, grey), lighting=False, reset_camera=False
            )
            self._solid.append((actor, prop.mesh))
            self._actors.append(actor)

    def over(self, pixels: Pixels, placings: Array, covered: Flags) -> Pixels:
        """The picture with the ghost on it; covered (height, width): where the shown car is."""
        for actor, placing in zip(self._actors, placings, strict=True):
            actor.user_matrix = placing
        greys = self._render()[..., 0]
        line = np.zeros(greys.shape, dtype=bool)
        line[:, 1:] |= greys[:, 1:] != greys[:, :-1]
        line[1:] |= greys[1:] != greys[:-1]
        at = np.flatnonzero(self._reduced(line | (greys > 0)))
        lines = self._reduced(line).ravel()[at]
        fill = self._reduced(greys > 0).ravel()[at]
        there = covered.ravel()[at]
        ink = np.minimum(1.7 * lines, 1.0) * np.where(there, 0.45, 0.95)
        cover = np.maximum(ink, np.where(there, 0.0, 0.24) * fill)[:, None]
        out = pixels.copy()
        flat = out.reshape(-1, 3)
        flat[at] = (flat[at] + (np.array(Paint.GHOST.rgb) - flat[at]) * cover + 0.5).astype(
            np.uint8
        )
        return out

    def _reduced(self, mask: Flags) -> NDArray[np.float32]:
        """A mask at the picture's own size, 0 to 1."""
        if self.finer == 1:
            return mask.astype(np.float32)
        image = Image.fromarray(mask.astype(np.uint8) * 255)
        return np.asarray(image.resize(self.size, Image.Resampling.BOX), dtype=np.float32) / 255.0
