"""Plates laid on sheets: every piece, mirrored ones as such, with the shop's gap between them.

spyrrow packs a strip of the sheet's width; where one sheet is not enough the pieces are split here.
It is fed polygons whose chords lie up to CHORD_MM inside the true arcs and a gap widened by as
much, and the result is measured again between the true arcs before it counts.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import spyrrow

from linkview.errors import PlateRefused
from linkview.geometry import Array, frozen
from linkview.plates.outline import Contour, area_mm2, bounding_box, near_pairs, sampled, web_mm
from linkview.plates.plate import Plate, mirrored_plate
from linkview.plates.profiles import ShopProfile

CHORD_MM = 0.1
TURNS_DEG = tuple(float(a) for a in range(0, 360, 15))
FEW = 12  # up to so many pieces stand in columns: a search would gain little and takes seconds
SECONDS = (1, 1)  # looking for a layout, then tightening it
SEED = 1
DENSEST = 0.85  # no mixed plates have been packed tighter; more is not tried


@dataclass(frozen=True, eq=False)
class Piece:
    """One kind of piece to cut: a plate or its mirror image, so many times."""

    name: str
    plate: Plate
    count: int


@dataclass(frozen=True, eq=False)
class Laid:
    """A plate laid on a sheet: turned by angle_rad about its origin, then shifted (2,) mm."""

    plate: Plate
    angle_rad: float = 0.0
    shift: tuple[float, float] = (0.0, 0.0)

    def place(self, p: Array) -> tuple[float, float]:
        """Where a place (2,) of the plate has gone."""
        q = complex(p[0], p[1])
        if self.angle_rad != 0.0:
            q *= complex(np.cos(self.angle_rad), np.sin(self.angle_rad))
        q += complex(*self.shift)
        return q.real, q.imag

    def loop(self, loop: Contour) -> Contour:
        return Contour(frozen([self.place(p) for p in loop.points]), loop.bulges)


@dataclass(frozen=True, eq=False)
class Sheet:
    """One sheet and what is cut from it; size (length, width) mm, its corner at (0, 0).

    used_mm: length of it that the pieces take; least_mm: what their area alone would take of the
    same width, which no layout can beat.  gap_mm: least found between two pieces.
    """

    name: str
    size_mm: tuple[float, float]
    laid: tuple[Laid, ...]
    used_mm: float
    least_mm: float
    gap_mm: float

    @property
    def density(self) -> float:
        """Share of the used length that is inside outlines."""
        return self.least_mm / self.used_mm

    @property
    def use(self) -> float:
        """Share of the whole sheet that is inside outlines."""
        area = sum(area_mm2(piece.plate.outline) for piece in self.laid)
        return area / (self.size_mm[0] * self.size_mm[1])


def pieces_of(plates: Iterable[Plate]) -> tuple[Piece, ...]:
    """Every piece to cut; pieces that are cut turned over get an entry of their own."""
    out = []
    for plate in plates:
        if plate.quantity > plate.mirrored:
            out.append(Piece(plate.name, plate, plate.quantity - plate.mirrored))
        if plate.mirrored:
            turned = mirrored_plate(plate)
            out.append(Piece(f"{plate.name}_mirrored", turned, plate.mirrored))
    return tuple(out)


def nested(plates: Iterable[Plate], profile: ShopProfile) -> tuple[Sheet, ...]:
    """Sheets for all plates, apart by material and thickness.

    Raises PlateRefused where a piece is larger than every sheet of the profile.
    """
    groups: dict[tuple[str, float], list[Piece]] = {}
    for piece in pieces_of(plates):
        groups.setdefault((piece.plate.material, piece.plate.thickness_mm), []).append(piece)
    sheets: list[Sheet] = []
    for (material, thickness), pieces in groups.items():
        grade = "".join(c if c.isalnum() else "_" for c in material)
        for laid in _sheets([p for p in pieces for _ in range(p.count)], profile):
            sheets.append(_measured(f"{grade}_{thickness:g}mm", len(sheets) + 1, *laid, profile))
    return tuple(sheets)


def _sheets(
    pieces: Sequence[Piece], profile: ShopProfile
) -> Iterable[tuple[tuple[float, float], list[Laid]]]:
    sizes = sorted(profile.sheets_mm, key=lambda s: s[0] * s[1])
    left = sorted(pieces, key=lambda p: -area_mm2(p.plate.outline))
    while left:
        for size in sizes:
            laid = _packed(left, size, profile)
            if laid is not None:
                yield size, laid
                return
        size = sizes[-1]
        count = _share(left, size, profile)
        while (laid := _packed(left[:count], size, profile)) is None:
            count = int(count * 0.9) if count > 10 else count - 1
            if count < 1:
                plate = left[0].plate
                wide, high = plate.size_mm
                raise PlateRefused(
                    f"plates.{plate.name}: {wide:.1f} x {high:.1f} mm does not fit the largest "
                    f"sheet {size[0]:g} x {size[1]:g} less {profile.part_gap_mm:g} mm all round; "
                    f"add a larger sheet to the shop profile '{profile.name}'"
                )
        yield size, laid
        left = left[count:]


def _share(pieces: Sequence[Piece], size: tuple[float, float], profile: ShopProfile) -> int:
    """How many of the pieces, in order, could fill a sheet at the densest."""
    room = _room(size, profile)[0] * _room(size, profile)[1] * DENSEST
    areas = np.cumsum([area_mm2(p.plate.outline) for p in pieces])
    return max(1, min(len(pieces), int(np.searchsorted(areas, room)) + 1))


def _room(size: tuple[float, float], profile: ShopProfile) -> tuple[float, float]:
    border = 2.0 * (profile.part_gap_mm + CHORD_MM)
    return max(size) - border, min(size) - border


def _packed(
    pieces: Sequence[Piece], size: tuple[float, float], profile: ShopProfile
) -> list[Laid] | None:
    """The pieces on one sheet, or None where they do not fit."""
    long, wide = _room(size, profile)
    if sum(area_mm2(p.plate.outline) for p in pieces) > DENSEST * long * wide or wide <= 0.0:
        return None
    kinds: dict[str, list[Piece]] = {}
    for piece in pieces:
        kinds.setdefault(piece.name, []).append(piece)
    if any(not _fits(same[0], long, wide) for same in kinds.values()):
        return None
    if len(pieces) <= FEW:
        rows = _in_columns(pieces, long, wide, profile.part_gap_mm + 0.001)
        if rows is not None:
            return rows
    items = [
        spyrrow.Item(name, _polygon(same[0]), len(same), list(_turns_deg(same[0], long, wide)))
        for name, same in kinds.items()
    ]
    config = spyrrow.StripPackingConfig(
        exploration_time=SECONDS[0],
        compression_time=SECONDS[1],
        min_items_separation=profile.part_gap_mm + 2.0 * CHORD_MM + 0.01,
        seed=SEED,
        early_termination=True,
        total_computation_time=None,
    )
    found = spyrrow.StripPackingInstance("sheet", wide, items).solve(config)
    if found.width > long or len(found.placed_items) != len(pieces):
        return None
    return _laid(found, kinds, profile.part_gap_mm + CHORD_MM)


def _in_columns(pieces: Sequence[Piece], long: float, wide: float, gap: float) -> list[Laid] | None:
    """A few pieces stood in columns across the sheet, box beside box; None where too long."""
    boxes = sorted((_least_box(p, long, wide) for p in pieces), key=lambda b: -b[1][0])
    out: list[Laid] = []
    x = y = column = 0.0
    for piece, (across_x, across_y), angle, corner in ((b[0], *b[1:]) for b in boxes):
        if y > 0.0 and y + across_y > wide:
            x, y, column = x + column + gap, 0.0, 0.0
        if x + across_x > long or across_y > wide:
            return None
        start = gap + CHORD_MM
        shift = (x + start - corner[0], y + start - corner[1])
        out.append(Laid(piece.plate, angle, shift))
        y, column = y + across_y + gap, max(column, across_x)
    return out


def _least_box(piece: Piece, long: float, wide: float) -> tuple[Piece, Array, float, Array]:
    """The turn with the smallest true box, lying across: (piece, its sides, angle, its corner)."""
    found = []
    turns = _turns_deg(piece, long, wide)
    for turn in turns:
        angle = math.radians(turn)
        box = np.array(bounding_box(Laid(piece.plate, angle).loop(piece.plate.outline)))
        sides = box[2:] - box[:2]
        if len(turns) < len(TURNS_DEG) or sides[0] <= sides[1] + 1e-6:
            found.append((round(float(sides.prod()), 3), turn, sides, angle, box[:2]))
    _, _, sides, angle, corner = min(found, key=lambda f: f[:2])
    return piece, sides, angle, corner


def _laid(
    found: spyrrow.StripPackingSolution, kinds: Mapping[str, Sequence[Piece]], border: float
) -> list[Laid]:
    out = []
    for item in found.placed_items:
        x, y = item.translation
        plate = kinds[item.id][0].plate
        out.append(Laid(plate, math.radians(item.rotation), (x + border, y + border)))
    return out


def _fits(piece: Piece, long: float, wide: float) -> bool:
    """Whether a piece goes into the strip at one of the turns at all."""
    return any(_fits_at(piece, turn, long, wide) for turn in TURNS_DEG)


def _fits_at(piece: Piece, turn_deg: float, long: float, wide: float) -> bool:
    spots = sampled(piece.plate.outline, error_mm=CHORD_MM)
    c, s = math.cos(math.radians(turn_deg)), math.sin(math.radians(turn_deg))
    span = np.ptp(spots @ np.array([[c, s], [-s, c]]), axis=0)
    return bool(span[0] <= long and span[1] <= wide)


def _turns_deg(piece: Piece, long: float, wide: float) -> tuple[float, ...]:
    """How a piece may lie. A bent one with its first bend line across the sheet's length, along
    which sheet is rolled (common practice), if it fits so.
    """
    if piece.plate.bends:
        bend = piece.plate.bends[0]
        across = 90.0 - math.degrees(math.atan2(*(bend.end - bend.start)[::-1]))
        turns = tuple(t % 360.0 for t in (across, across + 180.0))
        if _fits_at(piece, turns[0], long, wide):
            return turns
    return TURNS_DEG


def _polygon(piece: Piece) -> list[tuple[float, float]]:
    return [(float(x), float(y)) for x, y in sampled(piece.plate.outline, error_mm=CHORD_MM)]


def _measured(
    grade: str,
    number: int,
    size: tuple[float, float],
    laid: Sequence[Laid],
    profile: ShopProfile,
) -> Sheet:
    """The sheet with its figures, its gaps measured between true arcs."""
    loops = [piece.loop(piece.plate.outline) for piece in laid]
    boxes = np.array([bounding_box(loop) for loop in loops])
    size = (max(size), min(size))
    want = profile.part_gap_mm
    edge = float(np.min([boxes[:, :2].min(), (np.array(size) - boxes[:, 2:]).min()]))
    near = [web_mm(loops[i], loops[j]) for i, j in near_pairs(loops, 2.0 * want)]
    gap = min(near, default=2.0 * want)
    if min(gap, edge) < want - 1e-6:
        raise PlateRefused(
            f"sheet {number}: two pieces came out {min(gap, edge):.2f} mm apart, {want:g} mm "
            f"wanted; set a larger part_gap in the shop profile '{profile.name}'"
        )
    used = float(boxes[:, 2].max()) + want
    area = sum(area_mm2(piece.plate.outline) for piece in laid)
    return Sheet(f"sheet_{number}_{grade}", size, tuple(laid), used, area / size[1], gap)
