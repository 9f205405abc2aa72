"""A DXF file read back and held against what was drawn: only then does it count as written."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import ezdxf
import numpy as np
from ezdxf.document import Drawing
from ezdxf.entities import DXFGraphic
from ezdxf.lldxf.const import DXFStructureError

from linkview.errors import CannotWrite
from linkview.export.dxf_edges import edge_of
from linkview.geometry import frozen
from linkview.model.wording import counted
from linkview.plates.edges import Arc, Edge
from linkview.plates.joining import joined
from linkview.plates.outline import (
    Contour,
    area_mm2,
    bounding_box,
    circle,
    faults,
    length_mm,
    near_pairs,
)
from linkview.plates.plate import CAUTIONS
from linkview.plates.profiles import Contours, DxfStyle, DxfVersion

_MILLIMETRES = 4  # $INSUNITS, DXF reference
# What a number may lose on its way through the file's 16 digits.
SAME_COORDINATE_MM = 1e-9
SAME_FIGURE = 1e-6
# Loose arcs are held by centre, radius and angles: their ends come back by sine and cosine.
SAME_END_MM = 1e-7


@dataclass(frozen=True)
class LoopRecord:
    """One cut loop as read back: 'outline', 'hole' or 'slot', exact area and length."""

    what: str
    area_mm2: float
    length_mm: float


@dataclass(frozen=True)
class DxfReceipt:
    """What stands in the file, measured from the file itself.

    loops: outline first.  net_area_mm2: of one face.  size_mm: overall width and height, the
    check dimension.  compared: what was found equal to the plate, one phrase each.
    cautions: to be shown wherever the file is handed on.
    """

    path: Path
    version: DxfVersion
    loops: tuple[LoopRecord, ...]
    hole_count: int
    slot_count: int
    net_area_mm2: float
    cut_length_mm: float
    size_mm: tuple[float, float]
    compared: tuple[str, ...]
    cautions: tuple[str, ...] = CAUTIONS


@dataclass(frozen=True)
class CutLoop:
    """One loop of the cut layer as a file holds it; kind is the DXF entity's type, or LOOSE."""

    kind: str
    loop: Contour


@dataclass(frozen=True, eq=False)
class WantedLoop:
    """One loop that has to stand in the file: 'outline', 'slot' or 'hole'."""

    what: str
    loop: Contour


@dataclass(frozen=True, eq=False)
class Wanted:
    """All that a file has to hold, and nothing else. sheet: the sheet's edge where nested."""

    name: str
    loops: tuple[WantedLoop, ...]
    texts: tuple[str, ...]
    mark_lines: int
    bend_lines: int
    data: tuple[tuple[str, str], ...]
    style: DxfStyle
    sheet: Contour | None


def read_cut_loops(
    path: Path, *, layer: str = "CUT", contours: Contours = Contours.POLYLINES
) -> tuple[CutLoop, ...]:
    """Every loop on the cut layer of a DXF file, in the file's order.

    Raises CannotWrite for anything there that a cutting machine should not find.
    """
    return _cut_loops(_read(path, path), path, layer, contours)


def _read(where: Path, path: Path) -> Drawing:
    try:
        return ezdxf.readfile(where)
    except (DXFStructureError, OSError) as fault:
        raise CannotWrite(f"{path}: cannot be read back as DXF: {fault}") from fault


def _cut_loops(doc: Drawing, path: Path, layer: str, contours: Contours) -> tuple[CutLoop, ...]:
    out: list[CutLoop] = []
    loose: list[Edge] = []
    for entity in doc.modelspace():
        if entity.dxf.layer != layer:
            continue
        if entity.dxftype() in ("LINE", "ARC"):
            loose.append(edge_of(entity))
        else:
            out.append(_cut_loop(entity, path, layer))
    if not loose:
        return tuple(out)
    if contours is Contours.POLYLINES:
        kind = "ARC" if isinstance(loose[0], Arc) else "LINE"
        raise CannotWrite(
            f"{path}: a {kind} stands on layer {layer}, which takes closed loops only"
        )
    found = joined(loose, within_mm=SAME_END_MM)
    if found.open_chains:
        end = found.open_chains[0][-1].b
        raise CannotWrite(
            f"{path}: {len(found.open_chains)} open contours of lines and arcs stand on layer "
            f"{layer}, the first ends at ({end.real:.3f}, {end.imag:.3f})"
        )
    return (*(CutLoop("LOOSE", loop) for loop in found.closed), *out)


def _cut_loop(entity: DXFGraphic, path: Path, layer: str) -> CutLoop:
    kind = entity.dxftype()
    if kind == "CIRCLE":
        centre, radius = entity.dxf.center, entity.dxf.radius
        return CutLoop(kind, circle([centre.x, centre.y], radius))
    if kind == "LWPOLYLINE":
        rows, closed = entity.get_points("xyb"), entity.closed
    elif kind == "POLYLINE" and entity.is_2d_polyline:
        rows = [(v.dxf.location.x, v.dxf.location.y, v.dxf.bulge) for v in entity.vertices]
        closed = entity.is_closed
    else:
        raise CannotWrite(
            f"{path}: a {kind} stands on layer {layer}, which takes closed loops only"
        )
    if not closed:
        raise CannotWrite(f"{path}: an open {kind} stands on layer {layer}")
    table = np.array(rows, dtype=float).reshape(-1, 3)
    return CutLoop(kind, Contour(frozen(table[:, :2]), frozen(table[:, 2])))


# --- comparing --------------------------------------------------------------------------------


def compared(wanted: Wanted, path: Path, where: Path) -> DxfReceipt:
    """Compare the file at `where` with what was drawn; errors name the final path.

    Raises CannotWrite with every difference.
    """
    doc = _read(where, path)
    style = wanted.style
    found = _in_order(_cut_loops(doc, path, style.cut_layer, style.contours), wanted)
    differences = [
        *_file_differences(doc, wanted),
        *_count_differences(found, wanted),
        *(
            text
            for got, want in zip(found, wanted.loops, strict=False)
            for text in _unlike(got, want, style)
        ),
        *_doubled(found),
    ]
    if differences:
        told = "; ".join(differences)
        raise CannotWrite(f"{path}: read back, it is not the plate '{wanted.name}': {told}")
    records = tuple(
        LoopRecord(want.what, abs(area_mm2(got.loop)), length_mm(got.loop))
        for got, want in zip(found, wanted.loops, strict=True)
    )
    extent = wanted.sheet or found[0].loop
    left, low, right, high = bounding_box(extent)
    net = sum(r.area_mm2 if r.what == "outline" else -r.area_mm2 for r in records)
    return DxfReceipt(
        path=path,
        version=style.version,
        loops=records,
        hole_count=sum(record.what == "hole" for record in records),
        slot_count=sum(record.what == "slot" for record in records),
        net_area_mm2=net,
        cut_length_mm=sum(record.length_mm for record in records),
        size_mm=(right - left, high - low),
        compared=_told(len(records), style),
    )


def _told(count: int, style: DxfStyle) -> tuple[str, ...]:
    loose = style.contours is Contours.LOOSE
    return (
        f"{counted(count, 'closed loop')} on {style.cut_layer}, none doubled, crossing or without "
        "length",
        "every end of a line or arc within 1e-07 mm of the next"
        if loose
        else f"every vertex and bulge within {SAME_COORDINATE_MM:g} mm",
        f"area and length of every loop within {SAME_FIGURE:g} of its own",
        f"lettering and crosses on {style.mark_layer} only"
        if style.marking
        else "no lettering, as the shop profile says",
        _unit_told(style),
    )


def _unit_told(style: DxfStyle) -> str:
    if style.version is not DxfVersion.R12:
        return "unit mm"
    if style.marking:
        return "no unit in R12: check the marked size"
    return "no unit in R12 and no marking: the shop has to check the sizes in the order text"


def _in_order(found: Sequence[CutLoop], wanted: Wanted) -> tuple[CutLoop, ...]:
    """Loose contours begin anywhere and stand before the circles: brought into drawn order."""
    if wanted.style.contours is not Contours.LOOSE or len(found) != len(wanted.loops):
        return tuple(found)
    left = list(found)
    out = []
    for want in wanted.loops:
        box = np.array(bounding_box(want.loop))
        miss = [float(np.abs(np.array(bounding_box(got.loop)) - box).max()) for got in left]
        out.append(left.pop(int(np.argmin(miss))))
    return tuple(out)


def _file_differences(doc: Drawing, wanted: Wanted) -> Iterator[str]:
    style = wanted.style
    unit = doc.header.get("$INSUNITS", 0)
    if style.version is not DxfVersion.R12 and unit != _MILLIMETRES:
        yield f"$INSUNITS is {unit}, not {_MILLIMETRES} (mm)"
    if style.version is not DxfVersion.R12 and tuple(doc.header.custom_vars) != wanted.data:
        yield "the order data differ"
    if doc.acad_release != style.version.value:
        yield f"the file's version is {doc.acad_release}, not {style.version.value}"
    others = [entity for entity in doc.modelspace() if entity.dxf.layer != style.cut_layer]
    allowed = {style.mark_layer, style.bend_layer, *(["SHEET"] if wanted.sheet else [])}
    strays = sorted({e.dxftype() for e in others if e.dxf.layer not in allowed})
    if strays:
        known = f"{style.cut_layer} and {style.mark_layer}"
        yield f"{', '.join(strays)} on another layer than {known}"
    marks = [e for e in others if e.dxf.layer == style.mark_layer]
    lines = sum(e.dxftype() == "LINE" for e in marks)
    texts = tuple(e.dxf.text for e in marks if e.dxftype() == "TEXT")
    if lines != wanted.mark_lines or texts != wanted.texts:
        yield f"{style.mark_layer} holds {lines} lines and the texts {list(texts)}"
    if len(marks) != lines + len(texts):
        yield f"{style.mark_layer} holds something other than lines and texts"
    bends = [e.dxftype() for e in others if e.dxf.layer == style.bend_layer]
    if bends != ["LINE"] * wanted.bend_lines:
        yield f"{style.bend_layer} holds {len(bends)} entities, {wanted.bend_lines} bends drawn"


def _count_differences(found: Sequence[CutLoop], wanted: Wanted) -> Iterator[str]:
    if len(found) != len(wanted.loops):
        yield f"{len(found)} loops on {wanted.style.cut_layer}, {len(wanted.loops)} drawn"


def _unlike(got: CutLoop, wanted: WantedLoop, style: DxfStyle) -> Iterator[str]:
    """Differences of one loop: its vertices, then its area and length, then its own faults."""
    what, want = wanted.what, wanted.loop
    if (got.kind == "CIRCLE") != (what == "hole") or got.loop.points.shape != want.points.shape:
        yield f"the {what} came back as a {got.kind} of {len(got.loop.points)} vertices"
        return
    if style.contours is Contours.POLYLINES or got.kind == "CIRCLE":
        off = max(
            float(np.abs(got.loop.points - want.points).max()),
            float(np.abs(got.loop.bulges - want.bulges).max()),
        )
    else:
        apart = np.linalg.norm(got.loop.points[:, None] - want.points[None], axis=-1)
        off = max(float(apart.min(axis=0).max()), float(apart.min(axis=1).max()))
        off = off if off > SAME_END_MM else 0.0
    if not off <= SAME_COORDINATE_MM:
        yield f"the {what} moved by {off:.3g} mm"
    for figure, measure in (("area", area_mm2), ("length", length_mm)):
        a, b = abs(measure(got.loop)), abs(measure(want))
        if not abs(a - b) <= SAME_FIGURE * b:
            yield f"the {what}'s {figure} is {a:.6f}, drawn {b:.6f}"
    yield from (f"the {what} {fault}" for fault in faults(got.loop))


def _doubled(found: Sequence[CutLoop]) -> Iterator[str]:
    loops = [one.loop for one in found]
    boxes = [np.array(bounding_box(loop)) for loop in loops]
    for i, j in near_pairs(loops, SAME_FIGURE):
        if np.abs(boxes[i] - boxes[j]).max() <= SAME_FIGURE:
            yield f"two loops lie on each other in the box {boxes[i].round(3).tolist()}"
