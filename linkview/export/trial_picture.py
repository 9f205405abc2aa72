"""A ball drawn off screen and its pixels read back: the least that every picture needs.

Run as a script, its exit code says whether the picture came out. Never run this in a process that
must live on: without a usable OpenGL library the drawing library ends it (a segmentation fault).
"""

from __future__ import annotations

from vtkmodules import vtkRenderingOpenGL2  # noqa: F401  (loading it gives the window its driver)
from vtkmodules.vtkFiltersSources import vtkSphereSource
from vtkmodules.vtkRenderingCore import (
    vtkActor,
    vtkPolyDataMapper,
    vtkRenderer,
    vtkRenderWindow,
    vtkWindowToImageFilter,
)

BLANK = 3  # exit code


def comes_out() -> bool:
    """Whether the ball can be told from its background."""
    ball, mapper, actor = vtkSphereSource(), vtkPolyDataMapper(), vtkActor()
    mapper.SetInputConnection(ball.GetOutputPort())
    actor.SetMapper(mapper)
    stage, window, grab = vtkRenderer(), vtkRenderWindow(), vtkWindowToImageFilter()
    stage.AddActor(actor)
    window.SetOffScreenRendering(1)
    window.SetMultiSamples(0)
    window.SetSize(32, 32)
    window.AddRenderer(stage)
    window.Render()
    grab.SetInput(window)
    grab.Update()
    low, high = grab.GetOutput().GetPointData().GetScalars().GetRange(0)
    return bool(high > low)


if __name__ == "__main__":
    raise SystemExit(0 if comes_out() else BLANK)
