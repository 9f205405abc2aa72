"""What a cutting shop accepts, and whether a plate keeps enough metal round its holes.

Web and edge figures are exact distances between the plate's arcs and lines. Sources:

    EN 1993-1-8   Table 3.3: end and edge distance >= 1.2 d0, slotted holes 1.5 d0, spacing
                  2.2 d0 (2.4 d0 across the load); a static building rule, no fatigue proof
    common practice   end 2 d0, edge 1.5 d0; webs and smallest holes by thickness; no source

A verdict judges room for metal, never strength. Every profile is a proposal: ask the shop.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from enum import Enum

from linkview.errors import PlateRefused
from linkview.plates.edges import SAME_MM
from linkview.plates.outline import web_mm
from linkview.plates.plate import Cutout, Hole, Plate, labelled_cutouts, plate_faults

EN_TABLE = "EN 1993-1-8 Table 3.3"
COMMON = "common practice"


class DxfVersion(Enum):
    """What the shop's machine reads; R12 carries no unit, so the size is marked on the plate."""

    R12 = "R12"
    R2010 = "R2010"


class Level(Enum):
    """How a rule came out."""

    PASS = "pass"
    WARNING = "warning"
    REFUSAL = "refusal"


@dataclass(frozen=True)
class ShopProfile:
    """One shop's or process's rules; a limit is the larger of its two figures.

    hole_per_thickness, web_per_thickness: times the sheet's thickness.
    end_per_hole, edge_per_hole: wanted from a bolt hole's centre to the edge, times its width.
    ream_mm: how much smaller to cut a round hole, then ream it to size; 0 where it stays as cut.
    """

    name: str
    hole_per_thickness: float
    hole_mm: float
    web_per_thickness: float
    web_mm: float
    end_per_hole: float = 2.0
    edge_per_hole: float = 1.5
    ream_mm: float = 0.0
    dxf_version: DxfVersion = DxfVersion.R2010

    def least_hole_mm(self, thickness_mm: float) -> float:
        return max(self.hole_per_thickness * thickness_mm, self.hole_mm)

    def least_web_mm(self, thickness_mm: float) -> float:
        return max(self.web_per_thickness * thickness_mm, self.web_mm)


# Shops disagree on the smallest hole: 0.5, 1 or 1.5 times the thickness (common practice).
WATER_JET = ShopProfile("water_jet", 0.5, 2.0, 1.0, 2.0)
LASER = ShopProfile("laser", 1.0, 1.0, 1.0, 2.0)
PLASMA = ShopProfile("plasma", 1.5, 5.0, 1.5, 4.0, ream_mm=2.2)
PROFILES: Mapping[str, ShopProfile] = {p.name: p for p in (WATER_JET, LASER, PLASMA)}


@dataclass(frozen=True)
class Verdict:
    """One rule on one feature. found_mm below needed_mm is what a warning or refusal is about."""

    level: Level
    feature: str
    rule: str
    found_mm: float
    needed_mm: float
    source: str

    def __str__(self) -> str:
        return (
            f"{self.feature}: {self.rule} {self.found_mm:.1f} mm, "
            f"at least {self.needed_mm:.1f} mm needed ({self.source})"
        )


def verdicts(plate: Plate, profile: ShopProfile) -> tuple[Verdict, ...]:
    """Every rule on every feature, passes included, in the order of the plate's features."""
    return (
        *_hole_sizes(plate, profile),
        *_edge_distances(plate, profile),
        *_webs(plate, profile),
        *_necks(plate, profile),
    )


def require_cuttable(plate: Plate, profile: ShopProfile) -> tuple[Verdict, ...]:
    """The verdicts, none of them a refusal, for a plate whose loops can be cut at all.

    Raises PlateRefused with every refusal and its numbers, one line each.
    """
    found = verdicts(plate, profile)
    refused = [*plate_faults(plate), *(str(v) for v in found if v.level is Level.REFUSAL)]
    if refused:
        raise PlateRefused(
            "\n".join(
                f"plates.{plate.name}: {text}; move the features apart, make them smaller, or "
                f"edit the shop profile '{profile.name}'"
                for text in refused
            )
        )
    return found


def _must(feature: str, rule: str, found: float, needed: float, source: str) -> Verdict:
    """A refusal below what is needed, else a pass."""
    # A plate drawn to the limit may miss it by round-off; no saw or jet can tell.
    level = Level.PASS if found >= needed - SAME_MM else Level.REFUSAL
    return Verdict(level, feature, rule, found, needed, source)


def _should(feature: str, rule: str, found: float, needed: float, source: str) -> Verdict:
    """A warning below what is wanted, else a pass."""
    level = Level.PASS if found >= needed - SAME_MM else Level.WARNING
    return Verdict(level, feature, rule, found, needed, source)


def _width(cut: Cutout) -> float:
    return cut.diameter_mm if isinstance(cut, Hole) else cut.width_mm


def _hole_sizes(plate: Plate, profile: ShopProfile) -> Iterator[Verdict]:
    least = profile.least_hole_mm(plate.thickness_mm)
    source = f"shop profile '{profile.name}' for {plate.thickness_mm:g} mm sheet, {COMMON}"
    for name, cut in labelled_cutouts(plate):
        yield _must(name, "width", _width(cut), least, source)
    if profile.ream_mm:
        for i, hole in enumerate(plate.holes, start=1):
            yield Verdict(
                Level.WARNING,
                f"hole {i} ({hole.use})",
                f"metal to ream (cut {hole.diameter_mm - profile.ream_mm:.1f} mm, then ream to "
                f"{hole.diameter_mm:.1f} mm)",
                0.0,
                profile.ream_mm,
                COMMON,
            )


def _edge_distances(plate: Plate, profile: ShopProfile) -> Iterator[Verdict]:
    """From a bolt hole's centre, or a bolted slot's line, to the outline.

    The drawing knows no load: the nearest edge is judged as an edge and as an end.
    """
    for name, cut in labelled_cutouts(plate):
        if not isinstance(cut, Hole) and not cut.bolted:
            continue
        d0 = _width(cut)
        found = web_mm(plate.outline, cut.loop) + d0 / 2.0
        bare = 1.2 if isinstance(cut, Hole) else 1.5
        middle = "centre to edge" if isinstance(cut, Hole) else "middle line to edge"
        yield _must(name, middle, found, bare * d0, f"{bare:g} d0, {EN_TABLE}, bare minimum")
        wanted = (
            (profile.edge_per_hole, "across the load"),
            (profile.end_per_hole, "along the load"),
        )
        for factor, way in (w for w in wanted if w[0] > bare):
            yield _should(name, f"{middle} {way}", found, factor * d0, f"{factor:g} d0, {COMMON}")


def _webs(plate: Plate, profile: ShopProfile) -> Iterator[Verdict]:
    """Metal between every two cuts and to the outline; spacing of bolt holes."""
    least = profile.least_web_mm(plate.thickness_mm)
    source = f"shop profile '{profile.name}' for {plate.thickness_mm:g} mm sheet, {COMMON}"
    cuts = labelled_cutouts(plate)
    for i, (name, cut) in enumerate(cuts):
        edge = web_mm(plate.outline, cut.loop)
        yield _must(f"{name} and the outline", "metal between", edge, least, source)
        for other_name, other in cuts[i + 1 :]:
            both = f"{name} and {other_name}"
            web = web_mm(cut.loop, other.loop)
            yield _must(both, "metal between", web, least, source)
            if isinstance(cut, Hole) and isinstance(other, Hole):
                spacing = web + (cut.diameter_mm + other.diameter_mm) / 2.0
                wanted = 2.2 * max(cut.diameter_mm, other.diameter_mm)
                text = f"2.2 d0, {EN_TABLE}, bare minimum"
                yield _must(both, "centre to centre", spacing, wanted, text)


def _necks(plate: Plate, profile: ShopProfile) -> Iterator[Verdict]:
    least = profile.least_web_mm(plate.thickness_mm)
    source = f"shop profile '{profile.name}' for {plate.thickness_mm:g} mm sheet, {COMMON}"
    for neck in plate.necks:
        yield _must(neck.where, "metal left", neck.width_mm, least, source)
