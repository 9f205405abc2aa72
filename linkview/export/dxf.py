"""Plates -> DXF in millimetres, read back and compared before the file counts as written.

    cut layer    one closed polyline with bulges per contour (or lines and arcs end to end), one
                 circle per round hole, nothing else
    mark layer   centre crosses and lettering: the plate's mark, material and overall size
    bend layer   middle lines of bends

R2010 also carries the order data and the cautions as properties of the drawing.
R12 has closed POLYLINEs and carries no unit, so there the size on the mark layer is the only guard
against a drawing taken for inches. The same plate gives the same bytes on every run.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import ezdxf
import numpy as np
from ezdxf.document import Drawing
from ezdxf.enums import TextEntityAlignment

from linkview.errors import PlateRefused
from linkview.export.dxf_back import DxfReceipt, Wanted, WantedLoop, compared, read_cut_loops
from linkview.export.files import written_beside
from linkview.plates.edges import Arc
from linkview.plates.nest import Laid, Sheet
from linkview.plates.outline import Contour, bounding_box, circle, edges, polygon
from linkview.plates.plate import CAUTIONS, Plate
from linkview.plates.plate_faults import plate_faults
from linkview.plates.profiles import Contours, DxfStyle, DxfVersion
from linkview.units import to_deg

__all__ = ["CUT", "MARK", "read_cut_loops", "write_dxf", "write_outlines_dxf", "write_sheet_dxf"]

CUT, MARK = "CUT", "MARK"
SHEET = "SHEET"
_RED, _WHITE, _BLUE, _GREY = 1, 7, 5, 8  # DXF palette: white shows black on paper
_MILLIMETRES = 4  # $INSUNITS, DXF reference
_METRIC = 1  # $MEASUREMENT, DXF reference
USUAL = DxfStyle()


def write_dxf(plate: Plate, path: Path, *, style: DxfStyle = USUAL) -> DxfReceipt:
    """Draw one plate, read the file back, compare, and only then give it its name.

    Raises PlateRefused for a plate that cannot be cut, CannotWrite where the file could not be
    written or does not say what the plate says; then nothing is left at path.
    """
    _cuttable([plate])
    loop = plate.outline
    return _written([Laid(plate)], Path(path), style, plate.name, _order_data(plate), loop, None)


def write_sheet_dxf(sheet: Sheet, path: Path, *, style: DxfStyle = USUAL) -> DxfReceipt:
    """The same for a nested sheet; the sheet's edge stands on a layer of its own."""
    _cuttable([laid.plate for laid in sheet.laid])
    long, wide = sheet.size_mm
    edge = polygon([[0.0, 0.0], [long, 0.0], [long, wide], [0.0, wide]])
    first = sheet.laid[0].plate
    data = (
        ("Sheet", sheet.name),
        ("Material", first.material),
        ("Thickness mm", f"{first.thickness_mm:g}"),
        ("Pieces", f"{len(sheet.laid)}"),
        *((f"Caution {i}", text) for i, text in enumerate(CAUTIONS, start=1)),
    )
    return _written(sheet.laid, Path(path), style, sheet.name, data, edge, edge)


def write_outlines_dxf(
    plates: Sequence[Plate], path: Path, *, style: DxfStyle = USUAL
) -> DxfReceipt:
    """Plates where they lie, without lettering: a mended drawing."""
    _cuttable(plates)
    laid = [Laid(plate) for plate in plates]
    data = tuple((f"Caution {i}", text) for i, text in enumerate(CAUTIONS, start=1))
    name = plates[0].name
    return _written(laid, Path(path), style, name, data, plates[0].outline, None)


def _cuttable(plates: Sequence[Plate]) -> None:
    for plate in {id(p): p for p in plates}.values():
        if found := plate_faults(plate):
            lines = (f"plates.{plate.name}: {fault}; not drawn" for fault in found)
            raise PlateRefused("\n".join(lines))


def _written(
    laid: Sequence[Laid],
    path: Path,
    style: DxfStyle,
    name: str,
    data: tuple[tuple[str, str], ...],
    extent: Contour,
    sheet: Contour | None,
) -> DxfReceipt:
    wanted = Wanted(
        name=name,
        loops=tuple(loop for piece in laid for loop in _loops(piece)),
        texts=tuple(t.text for p in laid for t in p.plate.texts) if style.marking else (),
        mark_lines=2 * sum(len(p.plate.crosses) for p in laid) if style.marking else 0,
        bend_lines=sum(len(p.plate.bends) for p in laid),
        data=data,
        style=style,
        sheet=sheet,
    )
    with written_beside(path) as beside:
        with _same_bytes_each_time():
            doc = _drawing(laid, wanted, extent)
            # Which classes a file declares comes out of a set; declared here, their order is kept.
            for kind in sorted(doc.entitydb.dxf_types_in_use()):
                doc.classes.add_class(kind)
            doc.saveas(beside)
        return compared(wanted, path, beside)


def _loops(laid: Laid) -> Iterator[WantedLoop]:
    plate = laid.plate
    yield WantedLoop("outline", laid.loop(plate.outline))
    yield from (WantedLoop("slot", laid.loop(slot.loop)) for slot in plate.slots)
    for hole in plate.holes:
        yield WantedLoop("hole", circle(laid.place(hole.centre), hole.diameter_mm / 2.0))


@contextmanager
def _same_bytes_each_time() -> Iterator[None]:
    """ezdxf stamps time and random ids into a file unless told not to; put back afterwards."""
    before = ezdxf.options.write_fixed_meta_data_for_testing
    ezdxf.options.write_fixed_meta_data_for_testing = True
    try:
        yield
    finally:
        ezdxf.options.write_fixed_meta_data_for_testing = before


def _drawing(laid: Sequence[Laid], wanted: Wanted, extent: Contour) -> Drawing:
    style = wanted.style
    doc = Drawing.new(style.version.value)
    if style.version is not DxfVersion.R12:
        doc.units = _MILLIMETRES
        doc.header["$MEASUREMENT"] = _METRIC
        for key, value in wanted.data:
            doc.header.custom_vars.append(key, value)
    _layer(doc, style.cut_layer, _WHITE)
    if style.marking:
        _layer(doc, style.mark_layer, _RED)
    if wanted.bend_lines:
        _layer(doc, style.bend_layer, _BLUE)
    space = doc.modelspace()
    left, low, right, high = bounding_box(extent)
    space.reset_extents((left, low, 0.0), (right, high, 0.0))
    space.reset_limits((left, low), (right, high))
    if wanted.sheet is not None:
        _layer(doc, SHEET, _GREY)
        _draw_closed(doc, wanted.sheet, SHEET, style)
    for piece in laid:
        _draw_piece(doc, piece, style)
    return doc


def _layer(doc: Drawing, name: str, colour: int) -> None:
    """A layer of this name; '0' and the like are there from the start."""
    if name in doc.layers:
        doc.layers.get(name).color = colour
    else:
        doc.layers.add(name, color=colour)


def _draw_piece(doc: Drawing, laid: Laid, style: DxfStyle) -> None:
    space, plate = doc.modelspace(), laid.plate
    for loop in (plate.outline, *(slot.loop for slot in plate.slots)):
        if style.contours is Contours.LOOSE:
            _draw_loose(doc, laid.loop(loop), style.cut_layer)
        else:
            _draw_closed(doc, laid.loop(loop), style.cut_layer, style)
    for hole in plate.holes:
        attribs = {"layer": style.cut_layer}
        space.add_circle(laid.place(hole.centre), hole.diameter_mm / 2.0, dxfattribs=attribs)
    for bend in plate.bends:
        ends = laid.place(bend.start), laid.place(bend.end)
        space.add_line(*ends, dxfattribs={"layer": style.bend_layer})
    if style.marking:
        _draw_marks(doc, laid, style.mark_layer)


def _draw_closed(doc: Drawing, loop: Contour, layer: str, style: DxfStyle) -> None:
    vertices = [(*point, bulge) for point, bulge in zip(loop.points, loop.bulges, strict=True)]
    space, attribs = doc.modelspace(), {"layer": layer}
    if style.version is DxfVersion.R12:
        space.add_polyline2d(vertices, format="xyb", close=True, dxfattribs=attribs)
    else:
        space.add_lwpolyline(vertices, format="xyb", close=True, dxfattribs=attribs)


def _draw_loose(doc: Drawing, loop: Contour, layer: str) -> None:
    space, attribs = doc.modelspace(), {"layer": layer}
    for e in edges(loop):
        if isinstance(e, Arc):
            ends = [float(to_deg(np.angle(p - e.centre))) for p in (e.a, e.b)]
            start, end = ends if e.sweep_rad > 0.0 else ends[::-1]
            centre = (e.centre.real, e.centre.imag)
            space.add_arc(centre, e.radius, start, end, dxfattribs=attribs)
        else:
            ends_at = (e.a.real, e.a.imag), (e.b.real, e.b.imag)
            space.add_line(*ends_at, dxfattribs=attribs)


def _order_data(plate: Plate) -> tuple[tuple[str, str], ...]:
    """What the order says, as properties of the drawing: no machine cuts them."""
    return (
        ("Plate", plate.name),
        ("Material", plate.material),
        ("Thickness mm", f"{plate.thickness_mm:g}"),
        ("Quantity", f"{plate.quantity}, of which mirrored {plate.mirrored}"),
        ("Size mm", "{:.1f} x {:.1f}".format(*plate.size_mm)),
        ("Revision", plate.revision),
        ("Kerf", "drawn nominal; the shop offsets"),
        *((f"Bend {i}", bend.words) for i, bend in enumerate(plate.bends, start=1)),
        *((f"Note {i}", text) for i, text in enumerate(plate.notes, start=1)),
        *((f"Caution {i}", text) for i, text in enumerate(CAUTIONS, start=1)),
    )


def _draw_marks(doc: Drawing, laid: Laid, layer: str) -> None:
    space, attribs = doc.modelspace(), {"layer": layer}
    for cross in laid.plate.crosses:
        for arm in np.eye(2) * cross.size_mm / 2.0:
            ends = laid.place(cross.at - arm), laid.place(cross.at + arm)
            space.add_line(*ends, dxfattribs=attribs)
    for mark in laid.plate.texts:
        text = space.add_text(mark.text, height=mark.height_mm, dxfattribs=attribs)
        text.dxf.rotation = float(to_deg(laid.angle_rad))
        text.set_placement(laid.place(mark.at), align=TextEntityAlignment.MIDDLE_CENTER)
