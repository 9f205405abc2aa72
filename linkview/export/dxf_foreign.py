"""Anybody's DXF -> single edges in millimetres, every conversion told, what cannot be used refused.

Read as drawn: lines, arcs, circles, 2D polylines. Converted and told: blocks (taken apart), splines
and ellipses (short lines within FLAT_MM, which mending makes arcs of), 3D polylines that lie flat,
other units than millimetres. Refused: what leaves the plane, solids, a drawing without a unit.
"""

from __future__ import annotations

import cmath
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path

import ezdxf
from ezdxf import upright
from ezdxf.document import Drawing
from ezdxf.entities import DXFGraphic
from ezdxf.lldxf.const import DXFError

from linkview.errors import PlateRefused
from linkview.export.dxf_edges import edge_of
from linkview.plates.edges import Arc, Edge, Line, edge
from linkview.plates.mending import Trouble
from linkview.units import MM_PER_UNIT

FLAT_MM = 0.01  # how far short lines may lie from a spline or ellipse
_PLANE = 1e-6  # how far from level counts as flat, drawing units
_UNITS = {1: "in", 4: "mm", 5: "cm", 6: "m"}
_NOT_OUTLINES = {
    "TEXT", "MTEXT", "DIMENSION", "LEADER", "MULTILEADER", "POINT", "HATCH", "ATTRIB", "ATTDEF",
    "XLINE", "RAY", "TOLERANCE", "IMAGE", "VIEWPORT", "SOLID", "TRACE", "WIPEOUT",
}  # fmt: skip
DEEPEST = 8  # blocks within blocks


@dataclass(frozen=True, eq=False)
class ForeignDrawing:
    """Edges in mm; told: conversions, a phrase each; stray: what no machine should cut."""

    path: Path
    unit: str
    pieces: tuple[Edge, ...]
    told: tuple[str, ...]
    stray: tuple[Trouble, ...]


@dataclass
class _Reader:
    """Gathers edges of one drawing; `scale` takes its units to mm."""

    path: Path
    scale: float
    pieces: list[Edge] = field(default_factory=list)
    converted: Counter[str] = field(default_factory=Counter)
    stray: list[Trouble] = field(default_factory=list)
    layers: Counter[str] = field(default_factory=Counter)

    def take(self, entity: DXFGraphic, depth: int) -> None:
        kind = entity.dxftype()
        if kind == "INSERT":
            self._block(entity, depth)
            return
        if kind in _NOT_OUTLINES:
            self._stray(entity, kind)
            return
        upright.upright(entity)
        edges = list(self._edges(entity, kind))
        if not all(cmath.isfinite(end) for e in edges for end in (e.a, e.b)):
            raise self.refuse(
                kind, "a coordinate in it is no number", "draw it again, or take it out"
            )
        self.layers[entity.dxf.layer] += len(edges)
        self.pieces += edges

    def _block(self, entity: DXFGraphic, depth: int) -> None:
        if depth >= DEEPEST:
            raise self.refuse("INSERT", f"blocks lie more than {DEEPEST} deep", "explode them")
        self.converted["INSERT (blocks) taken apart"] += 1
        for part in entity.virtual_entities():
            self.take(part, depth + 1)

    def _stray(self, entity: DXFGraphic, kind: str) -> None:
        named = [k for k in ("insert", "location", "defpoint") if entity.dxf.is_supported(k)]
        at = next((entity.dxf.get(k) for k in named if entity.dxf.hasattr(k)), None)
        spot = complex(at.x, at.y) * self.scale if at is not None else 0j
        self.stray.append(
            Trouble(f"{kind} on layer {entity.dxf.layer}, which nobody can cut", spot)
        )

    def _edges(self, entity: DXFGraphic, kind: str) -> Iterator[Edge]:
        if kind == "LINE":
            self._level(kind, entity.dxf.start.z - entity.dxf.end.z)
            yield self._scaled(edge_of(entity))
        elif kind == "ARC":
            yield self._scaled(edge_of(entity))
        elif kind == "CIRCLE":
            c, r = complex(entity.dxf.center.x, entity.dxf.center.y), float(entity.dxf.radius)
            yield from (self._scaled(edge(c - s * r, c + s * r, 1.0)) for s in (1.0, -1.0))
        elif kind == "LWPOLYLINE":
            yield from self._path([tuple(p) for p in entity.get_points("xyb")], entity.closed)
        elif kind == "POLYLINE":
            yield from self._polyline(entity)
        elif kind in ("SPLINE", "ELLIPSE"):
            yield from self._curve(entity, kind)
        else:
            raise self.refuse(
                kind, "it is no line, arc or curve in a plane", "draw the flat outline instead"
            )

    def _polyline(self, entity: DXFGraphic) -> Iterator[Edge]:
        if entity.is_2d_polyline:
            rows = [(v.dxf.location.x, v.dxf.location.y, v.dxf.bulge) for v in entity.vertices]
        elif entity.is_3d_polyline:
            spots = [v.dxf.location for v in entity.vertices]
            heights = [p.z for p in spots]
            self._level("3D POLYLINE", max(heights) - min(heights))
            self.converted["3D POLYLINE that lies flat taken as 2D"] += 1
            rows = [(p.x, p.y, 0.0) for p in spots]
        else:
            raise self.refuse("POLYLINE", "it is a mesh", "draw the flat outline instead")
        yield from self._path(rows, entity.is_closed)

    def _path(self, rows: list[tuple[float, float, float]], closed: bool) -> Iterator[Edge]:
        after = [*rows[1:], *rows[:1]] if closed else rows[1:]
        for (x, y, bulge), (u, v, _) in zip(rows, after, strict=False):
            yield self._scaled(edge(complex(x, y), complex(u, v), float(bulge)))

    def _curve(self, entity: DXFGraphic, kind: str) -> Iterator[Edge]:
        spots = list(entity.flattening(FLAT_MM / self.scale))
        self._level(kind, max(p.z for p in spots) - min(p.z for p in spots))
        self.converted[f"{kind} turned into short lines within {FLAT_MM:g} mm"] += 1
        places = [complex(p.x, p.y) for p in spots]
        for a, b in pairwise(places):
            yield self._scaled(Line(a, b))

    def _scaled(self, e: Edge) -> Edge:
        s = self.scale
        if isinstance(e, Arc):
            return Arc(e.a * s, e.b * s, e.centre * s, e.radius * s, e.sweep_rad)
        return Line(e.a * s, e.b * s)

    def _level(self, kind: str, rise: float) -> None:
        if abs(rise) > _PLANE:
            raise self.refuse(
                kind, f"it rises by {abs(rise):.3g} out of the plane", "draw the flat outline"
            )

    def refuse(self, kind: str, what: str, fix: str) -> PlateRefused:
        return PlateRefused(f"{self.path}: {kind}: {what}; {fix}")


def read_foreign(path: Path, *, unit: str | None, layer: str | None = None) -> ForeignDrawing:
    """Every edge of the model space, or of one layer. unit: mm, cm, m or in, over the file's own.

    Raises PlateRefused naming the file, what in it cannot be used, and what to do.
    """
    path = Path(path)
    doc = _opened(path)
    own = _UNITS.get(int(doc.header.get("$INSUNITS", 0)))
    if unit is None and own is None:
        raise PlateRefused(
            f"{path}: the drawing does not say its unit ($INSUNITS is "
            f"{doc.header.get('$INSUNITS', 'missing')}); say it with --unit mm, cm, m or in"
        )
    used = unit or own or "mm"
    reader = _Reader(path, MM_PER_UNIT[used])
    if layer is not None and layer not in {e.dxf.layer for e in doc.modelspace()}:
        known = ", ".join(sorted({e.dxf.layer for e in doc.modelspace()}))
        raise PlateRefused(f"{path}: nothing stands on layer '{layer}'; layers used: {known}")
    others: Counter[str] = Counter()
    for entity in doc.modelspace():
        if layer is None or entity.dxf.layer == layer:
            reader.take(entity, 0)
        else:
            others[entity.dxf.layer] += 1
    if not reader.pieces:
        raise PlateRefused(f"{path}: no lines, arcs or curves in its model space; nothing to cut")
    return ForeignDrawing(
        path,
        used,
        tuple(reader.pieces),
        tuple(_told(reader, own, used, others)),
        tuple(reader.stray),
    )


def _opened(path: Path) -> Drawing:
    try:
        return ezdxf.readfile(path)
    except (DXFError, OSError, UnicodeDecodeError, ValueError) as fault:
        raise PlateRefused(
            f"{path}: cannot be read as DXF ({fault}); export it again as DXF R12 or R2010"
        ) from fault


def _told(reader: _Reader, own: str | None, used: str, others: Counter[str]) -> Iterator[str]:
    with reader.path.open("rb") as file:
        if b"Binary DXF" in file.read(22):
            yield "binary DXF read; the mended file is text"
    if own is not None and own != used:
        yield f"the file says {own}; taken as {used}, as told"
    if used != "mm":
        yield f"drawn in {used}: all lengths times {MM_PER_UNIT[used]:g}"
    for what, count in reader.converted.items():
        yield f"{count} {what}"
    if len([k for k, n in reader.layers.items() if n]) > 1:
        names = ", ".join(f"{k} ({n})" for k, n in reader.layers.items() if n)
        yield f"edges on several layers taken together: {names}; choose one with --layer"
    if others:
        names = ", ".join(f"{name} ({count})" for name, count in others.items())
        yield f"left aside, on other layers: {names}"
