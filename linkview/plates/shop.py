"""What a cutting shop accepts, and whether a plate keeps enough metal round its holes.

Web and edge figures are exact distances between the plate's arcs and lines. Sources:

    EN 1993-1-8   Table 3.3: end and edge distance >= 1.2 d0, slotted holes 1.5 d0, spacing
                  2.2 d0 (2.4 d0 across the load); a static building rule, no fatigue proof
    common practice   end 2 d0, edge 1.5 d0; webs and smallest holes by thickness; no source

A verdict judges room for metal, never strength. Every profile is a proposal: ask the shop.
"""

from __future__ import annotations

import cmath
from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import ArrayLike

from linkview.errors import PlateRefused
from linkview.plates.corners import heading
from linkview.plates.edges import SAME_MM, Line, gap
from linkview.plates.outline import Contour, edges, near_pairs, web_mm
from linkview.plates.plate import Hole, Plate, labelled_cutouts
from linkview.plates.plate_faults import plate_faults
from linkview.plates.profiles import ShopProfile
from linkview.plates.verdicts import Level, Todo, Verdict, told_with_fixes

EN_TABLE = "EN 1993-1-8 Table 3.3"
COMMON = "common practice"
FINER = "have it cut by a finer process (laser, water jet)"
APART = "move the features apart or make them smaller"
MORE_METAL = f"leave more metal there, {FINER}"
DRILL = (
    f"use a larger bolt or a thinner plate, {FINER}, have its centre only marked and drill it "
    "after cutting (say so in the order)"
)
WIDEN_SLOT = f"make it wider or the plate thinner, {FINER}, or mill it after cutting"
TWO_PARTS = "make it of two parts"
SHARP_RAD = 0.26  # under 15 deg a cut runs through without leaving a radius worth a word


def verdicts(plate: Plate, profile: ShopProfile) -> tuple[Verdict, ...]:
    """Every rule on every feature, passes included, in the order of the plate's features."""
    return (
        *_hole_sizes(plate, profile),
        *_edge_distances(plate, profile),
        *_webs(plate, profile),
        *_necks(plate, profile),
        *_corners(plate, profile),
        *_bends(plate, profile),
        *_fits_a_sheet(plate, profile),
    )


def require_cuttable(plate: Plate, profile: ShopProfile) -> tuple[Verdict, ...]:
    """The verdicts, none of them a refusal, for a plate whose loops can be cut at all.

    Raises PlateRefused with every refusal and its numbers, one line each.
    """
    found = verdicts(plate, profile)
    if told := refusal_text(plate, profile, found):
        raise PlateRefused(told)
    return found


def refusal_text(plate: Plate, profile: ShopProfile, found: Sequence[Verdict]) -> str | None:
    """Every refusal with its numbers, one line each; None where there is none."""
    own = f"or, where your shop can do it, allow it in a copy of its profile '{profile.name}'"
    refused = [f"{text}; {APART}" for text in plate_faults(plate)]  # no shop can do these
    refused += [f"{text}; {fix}, {own}" for text, fix in told_with_fixes(found, Level.REFUSAL)]
    return "\n".join(f"plates.{plate.name}: {text}" for text in refused) or None


def _must(
    feature: str,
    rule: str,
    found: float,
    needed: float,
    source: str,
    at: ArrayLike | None = None,
    *,
    fix: str,
) -> Verdict:
    """A refusal below what is needed, else a pass."""
    # A plate drawn to the limit may miss it by round-off; no saw or jet can tell.
    level = Level.PASS if found >= needed - SAME_MM else Level.REFUSAL
    return Verdict(level, feature, rule, found, needed, source, _spot(at), fix)


def _should(
    feature: str, rule: str, found: float, needed: float, source: str, at: ArrayLike | None = None
) -> Verdict:
    """A warning below what is wanted, else a pass."""
    level = Level.PASS if found >= needed - SAME_MM else Level.WARNING
    return Verdict(level, feature, rule, found, needed, source, _spot(at))


def _spot(at: ArrayLike | None) -> tuple[float, float] | None:
    if at is None:
        return None
    x, y = np.asarray(at, dtype=float)
    return float(x), float(y)


def _said(plate: Plate, profile: ShopProfile) -> str:
    return f"shop profile '{profile.name}' for {plate.thickness_mm:g} mm sheet, {COMMON}"


def _hole_sizes(plate: Plate, profile: ShopProfile) -> Iterator[Verdict]:
    t, source = plate.thickness_mm, _said(plate, profile)
    for name, cut in labelled_cutouts(plate):
        if not isinstance(cut, Hole):
            least = profile.least_slot_mm(t)
            yield _must(name, "width", cut.width_mm, least, source, cut.middle, fix=WIDEN_SLOT)
            continue
        least = profile.least_hole_mm(t)
        yield _must(name, "width", cut.diameter_mm, least, source, cut.middle, fix=DRILL)
        if profile.ream_mm and cut.bolted:
            small = cut.diameter_mm - profile.ream_mm
            yield Todo(
                Level.WARNING,
                name,
                f"cut to {small:.1f} mm, then ream to {cut.diameter_mm:.1f} mm",
                small,
                cut.diameter_mm,
                f"the DXF holds the finished size: tell the shop, {COMMON}",
                _spot(cut.centre),
            )


def _edge_distances(plate: Plate, profile: ShopProfile) -> Iterator[Verdict]:
    """From a bolt hole's centre, or a bolted slot's line, to the outline.

    The drawing knows no load: the nearest edge is judged as an edge and as an end.
    """
    for name, cut in labelled_cutouts(plate):
        if not cut.bolted:
            continue
        d0, at = cut.width_mm, cut.middle
        found = web_mm(plate.outline, cut.loop) + d0 / 2.0
        bare = 1.2 if isinstance(cut, Hole) else 1.5
        middle = "centre to edge" if isinstance(cut, Hole) else "middle line to edge"
        en = f"{bare:g} d0, {EN_TABLE}, bare minimum"
        yield _must(name, middle, found, bare * d0, en, at, fix=MORE_METAL)
        wanted = (
            (profile.edge_per_hole, "across the load"),
            (profile.end_per_hole, "along the load"),
        )
        for factor, way in (w for w in wanted if w[0] > bare):
            source = f"{factor:g} d0, {COMMON}"
            yield _should(name, f"{middle} {way}", found, factor * d0, source, at)


def _webs(plate: Plate, profile: ShopProfile) -> Iterator[Verdict]:
    """Metal between every cut and the outline, and between neighbours; spacing of bolt holes.

    Cuts whose boxes stand further apart than any rule asks are not listed.
    """
    least = profile.least_web_mm(plate.thickness_mm)
    source = _said(plate, profile)
    cuts = labelled_cutouts(plate)
    loops = [cut.loop for _, cut in cuts]
    for (name, cut), loop in zip(cuts, loops, strict=True):
        edge = web_mm(plate.outline, loop)
        both = f"{name} and the outline"
        yield _must(both, "metal between", edge, least, source, cut.middle, fix=MORE_METAL)
    widest = max((c.width_mm for _, c in cuts if c.bolted), default=0.0)
    for i, j in near_pairs(loops, max(least, 2.2 * widest)):
        (name, cut), (other_name, other) = cuts[i], cuts[j]
        both, at = f"{name} and {other_name}", (cut.middle + other.middle) / 2.0
        web = web_mm(loops[i], loops[j])
        yield _must(both, "metal between", web, least, source, at, fix=APART)
        if isinstance(cut, Hole) and isinstance(other, Hole) and cut.bolted and other.bolted:
            spacing = web + (cut.diameter_mm + other.diameter_mm) / 2.0
            wanted = 2.2 * max(cut.diameter_mm, other.diameter_mm)
            text = f"2.2 d0, {EN_TABLE}, bare minimum"
            yield _must(both, "centre to centre", spacing, wanted, text, at, fix=APART)


def _necks(plate: Plate, profile: ShopProfile) -> Iterator[Verdict]:
    least = profile.least_web_mm(plate.thickness_mm)
    for neck in plate.necks:
        said = _said(plate, profile)
        yield _must(neck.where, "metal left", neck.width_mm, least, said, fix=MORE_METAL)


def _corners(plate: Plate, profile: ShopProfile) -> Iterator[Verdict]:
    """Sharp inner corners: the cut leaves half its own width as a radius there."""
    named = [("outline", plate.outline, 1.0)]
    named += [(name, cut.loop, -1.0) for name, cut in labelled_cutouts(plate)]
    for name, loop, metal_left in named:
        spots = sharp_inner_corners(loop, metal_left)
        if spots:
            many = f"{name}: {len(spots)} sharp inner corner" + ("s" if len(spots) > 1 else "")
            yield _should(
                many,
                "radius",
                0.0,
                profile.kerf_mm / 2.0,
                "half the kerf stays in the corner: relieve it with a dog-bone where a part has "
                f"to seat there; {COMMON}",
                (spots[0].real, spots[0].imag),
            )


def sharp_inner_corners(loop: Contour, metal_left: float) -> list[complex]:
    """Corners whose open side is less than half a turn; metal left (+1) of the loop or right."""
    pieces = edges(loop)
    out = []
    for e, f in zip(pieces, (*pieces[1:], pieces[0]), strict=True):
        turn = cmath.phase(heading(f, f.a) / heading(e, f.a))
        if turn * metal_left < -SHARP_RAD:
            out.append(f.a)
    return out


def _bends(plate: Plate, profile: ShopProfile) -> Iterator[Verdict]:
    t = plate.thickness_mm
    for i, bend in enumerate(plate.bends, start=1):
        name, at = f"bend {i}", (bend.start + bend.end) / 2.0
        least = profile.bend_radius_per_thickness * t
        source = f"{profile.bend_radius_per_thickness:g} x thickness, {COMMON}"
        yield _should(name, "inside radius", bend.radius_mm, least, source, at)
        line = Line(complex(*bend.start), complex(*bend.end))
        keep = 2.0 * t + bend.radius_mm
        for other, cut in labelled_cutouts(plate):
            away = min(gap(line, e) for e in edges(cut.loop))
            text = f"2 x thickness + radius, {COMMON}: nearer holes are drawn out of round"
            yield _should(f"{name} and {other}", "distance", away, keep, text, cut.middle)


def _fits_a_sheet(plate: Plate, profile: ShopProfile) -> Iterator[Verdict]:
    if not profile.sheets_mm:
        return
    wide, high = sorted(plate.size_mm)
    border = 2.0 * profile.part_gap_mm
    room = max(profile.sheets_mm, key=lambda sheet: min(sheet) * max(sheet))
    source = f"largest sheet {max(room):g} x {min(room):g} less its border, '{profile.name}'"
    over = max(wide + border - min(room), high + border - max(room))
    if over > 0.0:
        found = (min(room) - border) if wide + border > min(room) else max(room) - border
        need = wide if wide + border > min(room) else high
        yield Verdict(
            Level.REFUSAL, "plate", "room on the sheet", found, need, source, None, TWO_PARTS
        )
