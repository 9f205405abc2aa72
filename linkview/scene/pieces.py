"""A piece of the scene: one mesh, built at the reference pose, its paint and what moves it."""

from __future__ import annotations

from dataclasses import dataclass

import pyvista as pv

from linkview.scene.colours import Paint
from linkview.scene.riding import Ride, Span


@dataclass(frozen=True, eq=False)
class Piece:
    """name: for its label, '' for none. measured: whether gaps are measured to it."""

    name: str
    mesh: pv.PolyData
    paint: Paint
    move: Ride | Span
    measured: bool = False
