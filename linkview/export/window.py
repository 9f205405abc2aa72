"""The off-screen window that pictures and films are drawn in.

Only make one after `graphics.require_graphics()`: without OpenGL the drawing library ends the
process. Measured on two cores without a graphics card, a front axle of 65,000 triangles at
1280 x 720: 26 ms a frame; the library's own edge smoothing took ten times as long on the busy
machine (570-680 ms against 67) and its default multisampling several times more, so neither is
used.
"""

from __future__ import annotations

from types import TracebackType
from typing import Self

import pyvista as pv
from vtkmodules.vtkCommonCore import vtkLogger

from linkview.export.overlay import Pixels
from linkview.scene.camera import Camera


def load_window() -> None:
    """Loads the part of the drawing library that windows need: half a second, once a process."""
    pv.Plotter  # noqa: B018  (the library loads it when first named)


class Window:
    """An off-screen window that renders from a camera; close it, or use it in a `with`."""

    def __init__(self, size: tuple[int, int], finer: float) -> None:
        vtkLogger.SetStderrVerbosity(vtkLogger.VERBOSITY_ERROR)
        self.size, self.finer = size, finer
        self._solid: list[tuple[pv.Actor, pv.PolyData]] = []
        self._plotter = pv.Plotter(
            off_screen=True, window_size=[round(s * finer) for s in size], lighting="none"
        )
        self._plotter.ren_win.SetMultiSamples(0)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        fault: BaseException | None,
        at: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        self._plotter.close()

    def skip_insides(self) -> None:
        """Insides of closed bodies can never be seen: a film need not draw them (26 ms a frame,
        not 33). To find out takes 2 ms a mesh, more than a still would gain.
        """
        for actor, mesh in self._solid:
            if _closed_outward(mesh):
                actor.prop.culling = "back"

    def look(self, camera: Camera) -> None:
        view = self._plotter.camera
        view.position = camera.eye
        view.focal_point = camera.eye + 1000.0 * camera.look
        view.up = (0.0, 0.0, 1.0)
        view.view_angle = camera.view_angle_deg

    def _render(self) -> Pixels:
        """Rendered afresh: a bare screenshot would hand out the picture before."""
        self._plotter.renderer.ResetCameraClippingRange()
        self._plotter.render()
        pixels: Pixels = self._plotter.screenshot(None, return_img=True)
        return pixels[..., :3]


def _closed_outward(mesh: pv.PolyData) -> bool:
    """Whether it encloses a volume, its faces outward."""
    whole = mesh.clean()
    return bool(whole.n_open_edges == 0 and whole.volume > 0.0)
