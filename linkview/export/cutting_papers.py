"""The papers that go with the files: cut list, order text, placing sheets, static check."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

from linkview.export.dxf_back import DxfReceipt
from linkview.export.files import write_whole
from linkview.export.tables import write_table
from linkview.model.parts import Side
from linkview.plates.legs import bend_lines
from linkview.plates.nest import Piece, Sheet
from linkview.plates.placing import Placing
from linkview.plates.plate import CAUTIONS, Plate, mass_kg
from linkview.plates.profiles import DxfVersion, ShopProfile
from linkview.plates.strength import LABEL, StaticCheck


def write_cut_list(path: Path, pieces: Sequence[Piece]) -> None:
    """One row per kind of piece: what a shop prices by."""
    header = ["piece", "material", "thickness (mm)", "quantity", "width (mm)", "height (mm)"]
    header += ["net area (mm2)", "mass each (kg)", "cut length each (mm)", "pierces each"]
    header += ["mass in all (kg)", "cut length in all (m)", "revision", "bends"]

    def rows() -> Iterator[list[object]]:
        for piece in pieces:
            p, n = piece.plate, piece.count
            wide, tall = p.size_mm
            yield [
                piece.name,
                p.material,
                p.thickness_mm,
                n,
                round(wide, 2),
                round(tall, 2),
                round(p.net_area_mm2, 1),
                round(mass_kg(p), 4),
                round(p.cut_length_mm, 1),
                1 + len(p.inner_loops),
                round(n * mass_kg(p), 3),
                round(n * p.cut_length_mm / 1000.0, 3),
                p.revision,
                len(p.bends),
            ]

    write_table(path, header, rows())


def order_text(pieces: Sequence[Piece], profile: ShopProfile, sheets: Sequence[Sheet]) -> str:
    """What to paste into the mail to the shop, in plain words."""
    version = profile.dxf.version
    unit = (
        "R12 DXF carries no unit: all is in MILLIMETRES, please check the sizes below"
        if version is DxfVersion.R12
        else f"{version.value} DXF in millimetres; please check the sizes below all the same"
    )
    lines = [
        f"Please quote for {profile.process}, files attached, one DXF per part.",
        f"{unit}.",
        f"Layers: {profile.dxf.cut_layer} is cut"
        + (
            f", {profile.dxf.mark_layer} is marked or left off, never cut"
            if profile.dxf.marking
            else ""
        )
        + f"; {profile.dxf.bend_layer} shows bend lines and is never cut.",
        "Drawn nominal: you offset the kerf. Lines and true arcs, closed single contours.",
        "",
    ]
    for piece in pieces:
        lines += [*_ordered(piece, profile), ""]
    if sheets:
        used = ", ".join(
            f"{s.name} {s.size_mm[0]:g} x {s.size_mm[1]:g} mm {100.0 * s.use:.0f} % used"
            for s in sheets
        )
        lines += [f"Nested as a proposal, {profile.part_gap_mm:g} mm between parts: {used}.", ""]
    lines += [
        "For all: material certificate EN 10204 3.1; deburr the face away from the marking, break "
        "all edges; no tabs left on edges that are named as bolt holes; ask before changing "
        "thickness, grade or any hole.",
    ]
    return "\n".join(lines) + "\n"


def _ordered(piece: Piece, profile: ShopProfile) -> Iterator[str]:
    p = piece.plate
    turned = " (the mirrored pieces; good face up as drawn)" if _is_mirrored(piece) else ""
    yield f"{piece.name}.dxf{turned}: {piece.count} off, {p.thickness_mm:g} mm {p.material}"
    wide, tall = p.size_mm
    yield f"  check size {wide:.1f} x {tall:.1f} mm over all; revision {p.revision}"
    yield f"  good face as drawn; tolerance {profile.tolerance_words}"
    if profile.ream_mm:
        told = [
            f"{h.diameter_mm:g} cut {h.diameter_mm - profile.ream_mm:g}"
            for h in p.holes
            if h.bolted
        ]
        if told:
            yield f"  holes to ream, cut smaller: {', '.join(dict.fromkeys(told))} mm"
    yield from (f"  {note}; grain across the bend line please, as nested" for note in bend_lines(p))
    if p.bends:
        yield "  the DXF is the flat blank"


def _is_mirrored(piece: Piece) -> bool:
    return piece.name.endswith("_mirrored")


def placing_text(
    placings: Mapping[str, Mapping[Side, Sequence[Placing]]], plates: Mapping[str, Plate]
) -> str:
    """How to hold every welded plate where it was computed, both sides."""
    lines = [
        "PLACING SHEET: where welded plates are held before tacking",
        "Put a pointed plug in the hole; the tape runs from the named point's middle to the point",
        "on the face that is named. Body at ride height, level, as it was measured. Tack, measure",
        "again, then weld. Points are bolt or joint centres: use a plug there too.",
        "",
    ]
    for name, sides in placings.items():
        for side, held in sides.items():
            for i, placing in enumerate(held, start=1):
                many = f", piece {i} of {len(held)}" if len(held) > 1 else ""
                hole = plates[name].holes[0]
                lines.append(f"{name}, {side.value} side{many}: {hole.use}")
                lines += [f"  {line}" for line in placing.words]
                x, y, z = placing.spot
                lines.append(f"  (hole at x {x:.1f}, y {y:.1f}, z {z:.1f})")
                lines.append("")
    lines += [f"CAUTION: {text}" for text in CAUTIONS]
    return "\n".join(lines) + "\n"


def static_text(checks: Mapping[str, StaticCheck]) -> str:
    """Every check, its label first and last."""
    lines = [LABEL, ""]
    for name, check in checks.items():
        lines += [f"{name}:", *(f"  {line}" for line in check.words[1:]), ""]
    return "\n".join([*lines, LABEL]) + "\n"


def read_back_text(receipts: Sequence[DxfReceipt]) -> str:
    """What was measured in every DXF after it was written and opened again."""
    lines = ["READ BACK: every DXF was opened again and held against its plate before it counted"]
    for r in receipts:
        wide, tall = r.size_mm
        lines += [
            "",
            f"{r.path.name}: {r.version.value}, {wide:.3f} x {tall:.3f} mm, {r.hole_count} holes, "
            f"{r.slot_count} slots, net area {r.net_area_mm2:.2f} mm2, "
            f"cut {r.cut_length_mm:.2f} mm",
            *(f"  equal: {text}" for text in r.compared),
        ]
    return "\n".join(lines) + "\n"


def write_text(path: Path, text: str) -> None:
    """One of these papers, whole."""
    write_whole(path, text)
