"""Shop profiles: one cutting shop's or process's rules, file habits and sheets, from a TOML file.

Those in `shops/` come with linkview as common practice; a builder copies one, edits it and names
the file. ISO 9013 limit deviations are READ from a secondary copy of the standard.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum
from importlib import resources
from pathlib import Path

from linkview.errors import Fault, ModelFaults, UnknownName, near_miss
from linkview.model.shopfile import shop_table


class DxfVersion(Enum):
    """What the shop's machine reads; R12 carries no unit, so the size is marked on the plate."""

    R12 = "R12"
    R2010 = "R2010"


class Contours(Enum):
    """How a DXF holds a contour: one closed polyline, or single lines and arcs end to end."""

    POLYLINES = "polylines"
    LOOSE = "loose"


class Tolerance(Enum):
    """What the shop keeps to; see `deviation_mm`."""

    ISO_9013_1 = "iso_9013_1"
    ISO_9013_2 = "iso_9013_2"
    ISO_2768_M = "iso_2768_m"
    AGREED = "agreed"


@dataclass(frozen=True)
class DxfStyle:
    """Version, form of contours, layer names and whether anything is marked at all."""

    version: DxfVersion = DxfVersion.R2010
    contours: Contours = Contours.POLYLINES
    cut_layer: str = "CUT"
    mark_layer: str = "MARK"
    bend_layer: str = "BEND"
    marking: bool = True


@dataclass(frozen=True)
class ShopProfile:
    """One shop's or process's rules; a limit is the larger of its two figures.

    hole_, slot_, web_per_thickness: times the sheet's thickness.
    end_per_hole, edge_per_hole: wanted from a bolt hole's centre to the edge, times its width.
    ream_mm: how much smaller to cut a round hole, then ream it to size; 0 where it stays as cut.
    sheets_mm: (length, width) of each; part_gap_mm: between parts and to the sheet's edge.
    """

    name: str
    process: str
    hole_per_thickness: float
    hole_mm: float
    slot_per_thickness: float
    slot_mm: float
    web_per_thickness: float
    web_mm: float
    end_per_hole: float
    edge_per_hole: float
    ream_mm: float
    kerf_mm: float
    tolerance: Tolerance
    tolerance_mm: float
    bend_radius_per_thickness: float
    dxf: DxfStyle
    sheets_mm: tuple[tuple[float, float], ...]
    part_gap_mm: float

    @property
    def dxf_version(self) -> DxfVersion:
        return self.dxf.version

    def least_hole_mm(self, thickness_mm: float) -> float:
        return max(self.hole_per_thickness * thickness_mm, self.hole_mm)

    def least_slot_mm(self, thickness_mm: float) -> float:
        return max(self.slot_per_thickness * thickness_mm, self.slot_mm)

    def least_web_mm(self, thickness_mm: float) -> float:
        return max(self.web_per_thickness * thickness_mm, self.web_mm)

    def deviation_mm(self, thickness_mm: float, nominal_mm: float) -> float | None:
        """What a size may come out wrong by, each way; None outside the table."""
        if self.tolerance is Tolerance.AGREED:
            return self.tolerance_mm
        if self.tolerance is Tolerance.ISO_2768_M:
            return iso_2768_m_mm(nominal_mm)
        return iso_9013_mm(
            1 if self.tolerance is Tolerance.ISO_9013_1 else 2, thickness_mm, nominal_mm
        )

    @property
    def tolerance_words(self) -> str:
        """For the drawing and the order."""
        if self.tolerance is Tolerance.AGREED:
            return f"\u00b1{self.tolerance_mm:g} mm, to be agreed"
        if self.tolerance is Tolerance.ISO_2768_M:
            return "ISO 2768-m, to be agreed"
        return f"ISO 9013 class {1 if self.tolerance is Tolerance.ISO_9013_1 else 2}"


# ISO 9013 limit deviations, mm: sheet up to, then class 1 and class 2 for nominal sizes up to
# 10, 35, 125 and 315 (from 3). Secondary copy of the standard.
_SIZES_MM = (10.0, 35.0, 125.0, 315.0)
_ISO_9013 = (
    (6.3, (0.20, 0.25, 0.25, 0.30), (0.8, 0.9, 0.9, 1.1)),
    (10.0, (0.25, 0.30, 0.30, 0.35), (1.0, 1.1, 1.3, 1.4)),
    (15.0, (0.30, 0.35, 0.40, 0.45), (1.8, 1.8, 1.8, 1.9)),
)


def iso_9013_mm(class_: int, thickness_mm: float, nominal_mm: float) -> float | None:
    """Limit deviation, each way; None for sheet or sizes outside the table held here."""
    if not (3.15 < thickness_mm <= 15.0 and 3.0 <= nominal_mm <= _SIZES_MM[-1]):
        return None
    _, first, second = next(r for r in _ISO_9013 if thickness_mm <= r[0])
    column = next(i for i, size in enumerate(_SIZES_MM) if nominal_mm <= size)
    return (first if class_ == 1 else second)[column]


# ISO 2768-1 class m: nominal size up to, deviation each way, mm (secondary copy).
_ISO_2768_M = ((6.0, 0.1), (30.0, 0.2), (120.0, 0.3), (400.0, 0.5), (1000.0, 0.8))


def iso_2768_m_mm(nominal_mm: float) -> float | None:
    """General tolerance, each way; None under 0.5 mm and over 1 m."""
    if nominal_mm < 0.5:
        return None
    return next((off for up_to, off in _ISO_2768_M if nominal_mm <= up_to), None)


# --- the file ---------------------------------------------------------------------------------


def read_profile(path: Path) -> ShopProfile:
    """A builder's own profile. Raises ModelFaults naming file, key and fix."""
    path = Path(path)
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as fault:
        told = Fault("shop profile", f"cannot be read ({fault})", "give a TOML text file")
        raise ModelFaults(str(path), [told]) from fault
    return _profile_of(text, str(path))


def _profile_of(text: str, where: str) -> ShopProfile:
    table = shop_table(text, where)
    d, r = table.dxf, table.rules
    style = DxfStyle(
        DxfVersion(d.version),
        Contours(d.contours),
        d.cut_layer,
        d.mark_layer,
        d.bend_layer,
        d.marking,
    )
    rules = r.model_dump(exclude={"tolerance"})
    return ShopProfile(
        name=table.name,
        process=table.process,
        tolerance=Tolerance(r.tolerance),
        dxf=style,
        sheets_mm=table.sheets.sizes,
        part_gap_mm=table.sheets.part_gap,
        **rules,
    )


def built_in_text(name: str) -> str:
    """The TOML text of a profile that comes with linkview."""
    files = resources.files("linkview.plates") / "shops"
    known = {p.name.removesuffix(".toml"): p for p in files.iterdir() if p.name.endswith(".toml")}
    if name not in known:
        raise UnknownName(
            f"no shop profile '{name}'; {near_miss(name, known)}; or give a FILE.toml"
        )
    return known[name].read_text(encoding="utf-8")


def named_profile(name: str) -> ShopProfile:
    """A profile that comes with linkview, or a file ending in .toml."""
    return read_profile(Path(name)) if name.endswith(".toml") else built_in(name)


def built_in(name: str) -> ShopProfile:
    return _profile_of(built_in_text(name), f"{name}.toml")


WATER_JET, LASER, PLASMA = (built_in(n) for n in ("water_jet", "laser", "plasma"))
PROFILES: Mapping[str, ShopProfile] = {p.name: p for p in (WATER_JET, LASER, PLASMA)}
