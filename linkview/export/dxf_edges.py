"""DXF lines and arcs as edges."""

from __future__ import annotations

import cmath
import math

from ezdxf.entities import DXFGraphic

from linkview.plates.edges import Arc, Edge, Line


def edge_of(entity: DXFGraphic) -> Edge:
    """A LINE or ARC in the plane z = 0; a DXF arc runs counter-clockwise."""
    if entity.dxftype() == "LINE":
        a, b = entity.dxf.start, entity.dxf.end
        return Line(complex(a.x, a.y), complex(b.x, b.y))
    centre, r = complex(entity.dxf.center.x, entity.dxf.center.y), float(entity.dxf.radius)
    start, end = (math.radians(v) for v in (entity.dxf.start_angle, entity.dxf.end_angle))
    sweep = (end - start) % math.tau or math.tau
    a, b = (centre + r * cmath.exp(1j * angle) for angle in (start, end))
    return Arc(a, b, centre, r, sweep)
