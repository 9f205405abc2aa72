"""`linkview outline`: a drawing the builder already has, held against a shop's rules and mended."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from linkview.errors import PlateRefused
from linkview.export.dxf import write_outlines_dxf
from linkview.export.dxf_foreign import ForeignDrawing, read_foreign
from linkview.export.outline_picture import Remark, remarks_of, write_picture
from linkview.model.wording import counted
from linkview.plates.foreign import plates_of
from linkview.plates.mending import Mended, mended, troubles
from linkview.plates.plate import Plate
from linkview.plates.plate_faults import plate_faults
from linkview.plates.profiles import ShopProfile
from linkview.plates.shop import verdicts
from linkview.plates.verdicts import Level, Verdict


@dataclass(frozen=True, eq=False)
class OutlineCheck:
    """What was read, what is wrong with it as drawn, and the parts it holds once mended.

    remarks: faults as drawn, then what the shop's rules say of the mended parts.
    """

    drawing: ForeignDrawing
    mended: Mended
    plates: tuple[Plate, ...]
    remarks: tuple[Remark, ...]

    @property
    def clean(self) -> bool:
        """Whether the file as it is would pass: nothing red."""
        return not any(r.refused for r in self.remarks)

    @property
    def words(self) -> Iterator[str]:
        edges = counted(len(self.drawing.pieces), "edge")
        yield f"{self.drawing.path}: {edges}, unit {self.drawing.unit}"
        yield from (f"  converted: {text}" for text in self.drawing.told)
        for i, remark in enumerate(self.remarks, start=1):
            at = "" if remark.at is None else f" at ({remark.at.real:.2f}, {remark.at.imag:.2f})"
            yield f"  {i} {'REFUSED' if remark.refused else 'warning'}: {remark.what}{at}"
        yield from (f"  can be mended: {text}" for text in self.mended.done)
        for plate in self.plates:
            wide, tall = plate.size_mm
            yield (
                f"  part {plate.name}: {wide:.2f} x {tall:.2f} mm, "
                f"{counted(len(plate.holes), 'round hole')}, "
                f"{counted(len(plate.slots), 'opening')}, net area {plate.net_area_mm2:.1f} mm2, "
                f"cut {plate.cut_length_mm:.1f} mm"
            )
        if not any(hole.bolted for plate in self.plates for hole in plate.holes):
            yield "  not judged: bolt holes' distances; give their diameters (--bolt-hole)"
        if self.clean:
            yield "  passes this profile; judged from the drawing alone, not for strength"


def check_outline(
    path: Path,
    profile: ShopProfile,
    *,
    thickness_mm: float,
    unit: str | None,
    layer: str | None,
    join_mm: float,
    arcs_mm: float,
    bolts_mm: Sequence[float] = (),
) -> OutlineCheck:
    """Reads, lists faults, mends a copy, and judges the mended parts."""
    drawing = read_foreign(path, unit=unit, layer=layer)
    result = mended(drawing.pieces, join_mm=join_mm, arcs_mm=arcs_mm)
    plates = plates_of(
        result.contours,
        name=path.stem,
        thickness_mm=thickness_mm,
        material="as ordered",
        round_mm=max(arcs_mm, 1e-6),
        bolts_mm=bolts_mm,
    )
    remarks = [*remarks_of(troubles(drawing.pieces)), *remarks_of(drawing.stray)]
    for plate in plates:
        remarks += _judged(plate, profile)
    return OutlineCheck(drawing, result, plates, tuple(remarks))


def _judged(plate: Plate, profile: ShopProfile) -> Iterator[Remark]:
    found = plate_faults(plate)
    yield from (Remark(f"{plate.name}: {text}", None, True) for text in found)
    if not found:
        for v in verdicts(plate, profile):
            if v.level is not Level.PASS:
                yield Remark(f"{plate.name}: {v}", _spot(v), v.level is Level.REFUSAL)


def _spot(v: Verdict) -> complex | None:
    return None if v.at is None else complex(*v.at)


def write_mended(check: OutlineCheck, path: Path, profile: ShopProfile) -> str:
    """The mended drawing as a new file, read back; the words for the screen.

    Raises PlateRefused where contours are still open, or the file would overwrite the drawing.
    """
    if path.resolve() == check.drawing.path.resolve():
        raise PlateRefused(f"{path}: that is the drawing itself; give --mend another name")
    if check.mended.open_chains:
        gaps = [abs(chain[-1].b - chain[0].a) for chain in check.mended.open_chains]
        raise PlateRefused(
            f"{check.drawing.path}: {len(gaps)} contours are still open, the least gap is "
            f"{min(gaps):.3g} mm; close them in the drawing, or raise --join if that is meant"
        )
    bad = [f"{p.name}: {text}" for p in check.plates for text in plate_faults(p)]
    if bad:
        raise PlateRefused("\n".join(f"{check.drawing.path}: {text}; not written" for text in bad))
    receipt = write_outlines_dxf(check.plates, path, style=profile.dxf)
    left = len(check.drawing.stray)
    left_out = (
        [f"{counted(left, 'entity', 'entities')} that nobody can cut left out"] if left else []
    )
    done = "; ".join([*check.mended.done, *left_out]) or "nothing had to be mended"
    return f"{path}: {done}. Read back: {'; '.join(receipt.compared)}"


def draw_faults(check: OutlineCheck, path: Path) -> None:
    """The picture of the drawing with its faults."""
    write_picture(check.drawing.pieces, check.remarks, path, title=check.drawing.path.name)
