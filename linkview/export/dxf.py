"""Plates -> DXF in millimetres, read back and compared before the file counts as written.

    CUT    one closed polyline with bulges per contour, one circle per round hole, nothing else
    MARK   centre crosses and lettering: the plate's mark and its overall size

R2010 also carries the order data and the cautions as properties of the drawing.
R12 has closed POLYLINEs and carries no unit, so there the size on MARK is the only guard against
a drawing taken for inches. The same plate gives the same bytes on every run.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import combinations
from pathlib import Path

import ezdxf
import numpy as np
from ezdxf.document import Drawing
from ezdxf.entities import DXFGraphic
from ezdxf.enums import TextEntityAlignment
from ezdxf.lldxf.const import DXFStructureError

from linkview.errors import CannotWrite, PlateRefused
from linkview.export.files import written_beside
from linkview.geometry import frozen
from linkview.plates.outline import Contour, area_mm2, bounding_box, circle, faults, length_mm
from linkview.plates.plate import CAUTIONS, Plate, plate_faults
from linkview.plates.shop import DxfVersion

CUT, MARK = "CUT", "MARK"
_RED, _WHITE = 1, 7  # colour numbers of the DXF palette: white shows black on paper
_MILLIMETRES = 4  # $INSUNITS, DXF reference
_METRIC = 1  # $MEASUREMENT, DXF reference

# What a number may lose on its way through the file's 16 digits.
SAME_COORDINATE_MM = 1e-9
SAME_FIGURE = 1e-6


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
    """One loop of the CUT layer as a file holds it; kind is the DXF entity's type."""

    kind: str
    loop: Contour


def write_dxf(plate: Plate, path: Path, *, version: DxfVersion = DxfVersion.R2010) -> DxfReceipt:
    """Draw one plate, read the file back, compare, and only then give it its name.

    Raises PlateRefused for a plate that cannot be cut, CannotWrite where the file could not be
    written or does not say what the plate says; then nothing is left at path.
    """
    path = Path(path)
    if found := plate_faults(plate):
        raise PlateRefused("\n".join(f"plates.{plate.name}: {fault}; not drawn" for fault in found))
    with written_beside(path) as beside:
        with _same_bytes_each_time():
            _drawing(plate, version).saveas(beside)
        return _compared(plate, path, beside, version)


@contextmanager
def _same_bytes_each_time() -> Iterator[None]:
    """ezdxf stamps time and random ids into a file unless told not to; put back afterwards."""
    before = ezdxf.options.write_fixed_meta_data_for_testing
    ezdxf.options.write_fixed_meta_data_for_testing = True
    try:
        yield
    finally:
        ezdxf.options.write_fixed_meta_data_for_testing = before


# --- writing ----------------------------------------------------------------------------------


def _drawing(plate: Plate, version: DxfVersion) -> Drawing:
    doc = Drawing.new(version.value)
    if version is not DxfVersion.R12:
        doc.units = _MILLIMETRES
        doc.header["$MEASUREMENT"] = _METRIC
        for key, value in _order_data(plate):
            doc.header.custom_vars.append(key, value)
    doc.layers.add(CUT, color=_WHITE)
    doc.layers.add(MARK, color=_RED)
    space = doc.modelspace()
    left, low, right, high = bounding_box(plate.outline)
    space.reset_extents((left, low, 0.0), (right, high, 0.0))
    space.reset_limits((left, low), (right, high))
    for loop in (plate.outline, *(slot.loop for slot in plate.slots)):
        vertices = [(*point, bulge) for point, bulge in zip(loop.points, loop.bulges, strict=True)]
        attribs = {"layer": CUT}
        if version is DxfVersion.R12:
            space.add_polyline2d(vertices, format="xyb", close=True, dxfattribs=attribs)
        else:
            space.add_lwpolyline(vertices, format="xyb", close=True, dxfattribs=attribs)
    for hole in plate.holes:
        space.add_circle(tuple(hole.centre), hole.diameter_mm / 2.0, dxfattribs={"layer": CUT})
    _draw_marks(doc, plate)
    return doc


def _order_data(plate: Plate) -> tuple[tuple[str, str], ...]:
    """What the order says, as properties of the drawing: no machine cuts them."""
    return (
        ("Plate", plate.name),
        ("Material", plate.material),
        ("Thickness mm", f"{plate.thickness_mm:g}"),
        ("Quantity", f"{plate.quantity}, of which mirrored {plate.mirrored}"),
        ("Size mm", "{:.1f} x {:.1f}".format(*plate.size_mm)),
        ("Kerf", "drawn nominal; the shop offsets"),
        *((f"Note {i}", text) for i, text in enumerate(plate.notes, start=1)),
        *((f"Caution {i}", text) for i, text in enumerate(CAUTIONS, start=1)),
    )


def _draw_marks(doc: Drawing, plate: Plate) -> None:
    space, attribs = doc.modelspace(), {"layer": MARK}
    for cross in plate.crosses:
        for arm in np.eye(2) * cross.size_mm / 2.0:
            space.add_line(tuple(cross.at - arm), tuple(cross.at + arm), dxfattribs=attribs)
    for mark in plate.texts:
        text = space.add_text(mark.text, height=mark.height_mm, dxfattribs=attribs)
        text.set_placement(tuple(mark.at), align=TextEntityAlignment.MIDDLE_CENTER)


# --- reading back -----------------------------------------------------------------------------


def read_cut_loops(path: Path) -> tuple[CutLoop, ...]:
    """Every loop on the CUT layer of a DXF file, in the file's order.

    Raises CannotWrite for anything there that a cutting machine should not find.
    """
    return _cut_loops(_read(path, path), path)


def _read(where: Path, path: Path) -> Drawing:
    try:
        return ezdxf.readfile(where)
    except (DXFStructureError, OSError) as fault:
        raise CannotWrite(f"{path}: cannot be read back as DXF: {fault}") from fault


def _cut_loops(doc: Drawing, path: Path) -> tuple[CutLoop, ...]:
    on_cut = (entity for entity in doc.modelspace() if entity.dxf.layer == CUT)
    return tuple(_cut_loop(entity, path) for entity in on_cut)


def _cut_loop(entity: DXFGraphic, path: Path) -> CutLoop:
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
        raise CannotWrite(f"{path}: a {kind} stands on layer {CUT}, which takes closed loops only")
    if not closed:
        raise CannotWrite(f"{path}: an open {kind} stands on layer {CUT}")
    table = np.array(rows, dtype=float).reshape(-1, 3)
    return CutLoop(kind, Contour(frozen(table[:, :2]), frozen(table[:, 2])))


# --- comparing --------------------------------------------------------------------------------


def _compared(plate: Plate, path: Path, where: Path, version: DxfVersion) -> DxfReceipt:
    """Compare the file at `where` with the plate; errors name the final path."""
    doc = _read(where, path)
    wanted = [("outline", plate.outline)]
    wanted += [("slot", slot.loop) for slot in plate.slots]
    wanted += [("hole", hole.loop) for hole in plate.holes]
    found = _cut_loops(doc, path)
    differences = [
        *_file_differences(doc, plate, version),
        *_count_differences(found, wanted),
        *(text for got, want in zip(found, wanted, strict=False) for text in _unlike(got, *want)),
        *_doubled(found),
    ]
    if differences:
        told = "; ".join(differences)
        raise CannotWrite(f"{path}: read back, it is not the plate '{plate.name}': {told}")
    records = tuple(
        LoopRecord(what, abs(area_mm2(got.loop)), length_mm(got.loop))
        for got, (what, _) in zip(found, wanted, strict=True)
    )
    left, low, right, high = bounding_box(found[0].loop)
    return DxfReceipt(
        path=path,
        version=version,
        loops=records,
        hole_count=sum(record.what == "hole" for record in records),
        slot_count=sum(record.what == "slot" for record in records),
        net_area_mm2=records[0].area_mm2 - sum(record.area_mm2 for record in records[1:]),
        cut_length_mm=sum(record.length_mm for record in records),
        size_mm=(right - left, high - low),
        compared=(
            f"{len(records)} closed loops on {CUT}, none doubled, crossing or without length",
            f"every vertex and bulge within {SAME_COORDINATE_MM:g}",
            f"area and length of every loop within {SAME_FIGURE:g} of its own",
            f"lettering and crosses on {MARK} only",
            "no unit in R12: check the marked size" if version is DxfVersion.R12 else "unit mm",
        ),
    )


def _file_differences(doc: Drawing, plate: Plate, version: DxfVersion) -> Iterator[str]:
    unit = doc.header.get("$INSUNITS", 0)
    if version is not DxfVersion.R12 and unit != _MILLIMETRES:
        yield f"$INSUNITS is {unit}, not {_MILLIMETRES} (mm)"
    if version is not DxfVersion.R12 and tuple(doc.header.custom_vars) != _order_data(plate):
        yield "the order data differ"
    if doc.acad_release != version.value:
        yield f"the file's version is {doc.acad_release}, not {version.value}"
    others = [entity for entity in doc.modelspace() if entity.dxf.layer != CUT]
    strays = sorted({e.dxftype() for e in others if e.dxf.layer != MARK})
    if strays:
        yield f"{', '.join(strays)} on another layer than {CUT} and {MARK}"
    lines = sum(e.dxftype() == "LINE" for e in others)
    texts = [e.dxf.text for e in others if e.dxftype() == "TEXT"]
    if lines != 2 * len(plate.crosses) or texts != [mark.text for mark in plate.texts]:
        yield f"{MARK} holds {lines} lines and the texts {texts}"
    if len(others) != lines + len(texts):
        yield f"{MARK} holds something other than lines and texts"


def _count_differences(
    found: tuple[CutLoop, ...], wanted: list[tuple[str, Contour]]
) -> Iterator[str]:
    if len(found) != len(wanted):
        yield f"{len(found)} loops on {CUT}, {len(wanted)} drawn"


def _unlike(got: CutLoop, what: str, want: Contour) -> Iterator[str]:
    """Differences of one loop: its vertices, then its area and length, then its own faults."""
    if (got.kind == "CIRCLE") != (what == "hole") or got.loop.points.shape != want.points.shape:
        yield f"the {what} came back as a {got.kind} of {len(got.loop.points)} vertices"
        return
    off = max(
        float(np.abs(got.loop.points - want.points).max()),
        float(np.abs(got.loop.bulges - want.bulges).max()),
    )
    if not off <= SAME_COORDINATE_MM:
        yield f"the {what} moved by {off:.3g} mm"
    for figure, measure in (("area", area_mm2), ("length", length_mm)):
        a, b = measure(got.loop), measure(want)
        if not abs(a - b) <= SAME_FIGURE * abs(b):
            yield f"the {what}'s {figure} is {a:.6f}, drawn {b:.6f}"
    yield from (f"the {what} {fault}" for fault in faults(got.loop))


def _doubled(found: tuple[CutLoop, ...]) -> Iterator[str]:
    for one, other in combinations(found, 2):
        boxes = np.array([bounding_box(one.loop), bounding_box(other.loop)])
        if np.abs(boxes[0] - boxes[1]).max() <= SAME_FIGURE:
            yield f"two loops lie on each other in the box {boxes[0].round(3).tolist()}"
