"""Everything that leaves for the cutting shop or the welding bench, in a folder `plates`."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from linkview.app.folder import Written
from linkview.export.cutting_papers import (
    order_text,
    placing_text,
    read_back_text,
    static_text,
    write_cut_list,
    write_text,
)
from linkview.export.drawings import write_drawing
from linkview.export.dxf import write_dxf, write_sheet_dxf
from linkview.export.dxf_back import DxfReceipt
from linkview.export.placing_sheets import write_placing_sheets
from linkview.export.stl import write_stl
from linkview.export.svg import write_svg
from linkview.export.templates import Paper, write_template
from linkview.model.parts import Side
from linkview.plates.drawn import DrawnPlate
from linkview.plates.nest import Piece, nested, pieces_of
from linkview.plates.plate import Plate
from linkview.plates.strength import static_check
from linkview.study import CarStudy


@dataclass(frozen=True, eq=False)
class PlateFiles:
    """What was written, what was read back of every DXF, and figures for the screen."""

    written: tuple[Written, ...]
    receipts: tuple[DxfReceipt, ...]
    words: tuple[str, ...]


# Writes one plate as a solid model; returns its volume, mm3.
SolidWriter = Callable[[Plate, Path], float]


def write_plate_files(
    study: CarStudy, folder: Path, *, paper: Paper = Paper.A4, step: SolidWriter | None = None
) -> PlateFiles:
    """All files of all plates; a refused one gets its drawing alone, with the reasons on it.

    step: writes STEP where that extra is installed and asked for.
    """
    drawn = [p for axle in study.axles.values() for p in axle.plates if p.sides]
    if not drawn:
        return PlateFiles((), (), ())
    place = folder / "plates"
    place.mkdir(exist_ok=True)
    written: list[Written] = []
    for plate in drawn:
        written.append(_drawing(plate, study, place))
    passed = [p for p in drawn if p.refused is None]
    pieces = pieces_of([p.sides[Side.LEFT] for p in passed])
    receipts = []
    for piece in pieces:
        receipt, file = _piece_files(piece, study, place, paper, step)
        receipts.append(receipt)
        written.append(file)
    words: list[str] = []
    if pieces:
        written += _sheets(passed, pieces, study, place, receipts, words)
    written += _sheets_to_hold(drawn, place)
    if receipts:
        write_text(place / "read_back.txt", read_back_text(receipts))
        written.append(Written("plates/read_back.txt", "what every DXF held when reopened"))
    return PlateFiles(tuple(written), tuple(receipts), tuple(words))


def write_cut_files(study: CarStudy, folder: Path) -> list[Written]:
    """The DXF of every plate that was not refused, each read back; nothing on paper."""
    passed = [p for axle in study.axles.values() for p in axle.plates if p.refused is None]
    if not any(p.sides for p in passed):
        return []
    place = folder / "plates"
    place.mkdir(exist_ok=True)
    written, receipts = [], []
    for piece in pieces_of([p.sides[Side.LEFT] for p in passed]):
        receipts.append(write_dxf(piece.plate, place / f"{piece.name}.dxf", style=study.shop.dxf))
        words = (
            f"cut {piece.count}, {piece.plate.thickness_mm:g} mm {piece.plate.material}, "
            "read back equal"
        )
        written.append(Written(f"plates/{piece.name}.dxf", words))
    write_text(place / "read_back.txt", read_back_text(receipts))
    return [*written, Written("plates/read_back.txt", "what every DXF held when reopened")]


def _drawing(drawn: DrawnPlate, study: CarStudy, place: Path) -> Written:
    plate = drawn.sides[Side.LEFT]
    notes = [drawn.miss_words] if drawn.miss_words else []
    notes += [drawn.slots.words] if drawn.slots else []
    write_drawing(
        plate,
        place / f"{drawn.name}_drawing.pdf",
        profile=study.shop,
        verdicts=drawn.verdicts,
        extra_notes=notes,
    )
    refused = ", REFUSED: see the rings" if drawn.refused else ""
    return Written(f"plates/{drawn.name}_drawing.pdf", f"dimensioned drawing{refused}")


def _piece_files(
    piece: Piece, study: CarStudy, place: Path, paper: Paper, step: SolidWriter | None
) -> tuple[DxfReceipt, Written]:
    """The DXF and what stands beside it under the same name: one entry for all."""
    name, plate = piece.name, piece.plate
    receipt = write_dxf(plate, place / f"{name}.dxf", style=study.shop.dxf)
    pages = write_template(plate, place / f"{name}_1to1.pdf", paper=paper)
    write_svg(plate, place / f"{name}.svg")
    write_stl(plate, place / f"{name}.stl")
    if step is not None:
        step(plate, place / f"{name}.step")
    bent, flat = (" as bent", " (flat blank)") if plate.bends else ("", "")
    solids = f".stl{bent}{f', .step{flat}' if step else ''}"
    words = (
        f"cut {piece.count}, {plate.thickness_mm:g} mm {plate.material}, read back equal; beside "
        f"it _1to1.pdf ({pages} page{'s'[: pages > 1]}), .svg, {solids}"
    )
    return receipt, Written(f"plates/{name}.dxf", words)


def _sheets(
    passed: list[DrawnPlate],
    pieces: tuple[Piece, ...],
    study: CarStudy,
    place: Path,
    receipts: list[DxfReceipt],
    words: list[str],
) -> Iterator[Written]:
    sheets = nested([p.sides[Side.LEFT] for p in passed], study.shop)
    for sheet in sheets:
        receipts.append(write_sheet_dxf(sheet, place / f"{sheet.name}.dxf", style=study.shop.dxf))
        told = (
            f"{len(sheet.laid)} pieces on {sheet.size_mm[0]:g} x {sheet.size_mm[1]:g} mm, "
            f"{100.0 * sheet.use:.0f} % of it used; {sheet.used_mm:.0f} mm of its length taken, "
            f"area alone would take {sheet.least_mm:.0f}; least gap {sheet.gap_mm:.1f} mm"
        )
        words.append(f"{sheet.name}: {told}")
        yield Written(f"plates/{sheet.name}.dxf", told)
    write_cut_list(place / "cut_list.csv", pieces)
    yield Written("plates/cut_list.csv", "area, mass, cut length, pierces and quantity")
    write_text(place / "order.txt", order_text(pieces, study.shop, sheets))
    yield Written("plates/order.txt", "text to paste into the mail to the shop")


def _sheets_to_hold(drawn: list[DrawnPlate], place: Path) -> Iterator[Written]:
    held = {p.name: p.placings for p in drawn if p.placings}
    if held:
        plates = {p.name: p.sides[Side.LEFT] for p in drawn}
        write_text(place / "placing.txt", placing_text(held, plates))
        count = write_placing_sheets(held, plates, place / "placing.pdf")
        yield Written("plates/placing.pdf", f"the same drawn, {count} pages")
        yield Written("plates/placing.txt", "tapes, height and angle to hold every welded plate")
    checks = {
        p.name: check for p in drawn if (check := static_check(p.sides[Side.LEFT])) is not None
    }
    if checks:
        write_text(place / "static_check.txt", static_text(checks))
        yield Written("plates/static_check.txt", "EN 1993-1-8 figures: no proof, see its head")
