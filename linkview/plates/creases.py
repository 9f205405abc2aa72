"""Which metal of a blank bends and which stays flat, and the fold that follows from it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from linkview.errors import PlateRefused
from linkview.geometry import Array, frozen
from linkview.plates.bends import Bend
from linkview.plates.folding import Fold, Zone
from linkview.plates.outline import Contour, sampled
from linkview.plates.slicing import (
    ON_LINE_MM,
    Sheet,
    components,
    neighbours,
    reach_mm,
    rim,
    sheet_of,
    sliced,
)
from linkview.units import to_rad

CHORD_MM = 0.05  # how far a facet may stand off a true arc: far below any gap worth reading
LEAST_DEG = 0.1
SHOULDER = 3.0  # an edge slanting more than that, 72 deg, is one; less is a tapering leg
_SAME_MM = 1e-6
_UNKNOWN = np.iinfo(np.intp).min


def folded(
    outline: Contour,
    cutouts: Sequence[Contour],
    bends: Sequence[Bend],
    thickness_mm: float,
    *,
    chord_mm: float = CHORD_MM,
) -> Fold:
    """The blank, folded at its bends; without any, the blank as it lies.

    chord_mm: how far facets may stand off true arcs and bends. Raises PlateRefused where the
    blank cannot be folded so.
    """
    rings = [sampled(outline, error_mm=chord_mm)]
    rings += [sampled(loop, error_mm=chord_mm)[::-1] for loop in cutouts]
    sheet = sheet_of(rings)
    if not bends:
        region = np.zeros(len(sheet.triangles), dtype=np.intp)
        return Fold(sheet, region, frozen(np.eye(4)[None]), ())
    strips = [_strip(number, bend, thickness_mm) for number, bend in enumerate(bends, start=1)]
    for strip in strips:
        for s in strip.cuts_mm(chord_mm):
            sheet = sliced(sheet, strip.start + s * strip.side, strip.along)
    return _Folding(sheet, strips).fold()


@dataclass(frozen=True, eq=False)
class _Strip:
    """A bend's strip: start (2,) of its line, unit along and side (2,), half its width."""

    number: int
    bend: Bend
    thickness_mm: float
    start: Array
    along: Array
    side: Array
    long_mm: float
    half_mm: float

    def cuts_mm(self, chord_mm: float) -> Array:
        """Where across the strip the sheet is cut, so that chords keep to the bend's outside."""
        outer = self.bend.radius_mm + self.thickness_mm
        step = 2.0 * math.acos(max(1.0 - chord_mm / outer, 0.0))
        halves = math.ceil(float(to_rad(abs(self.bend.angle_deg))) / step / 2.0)
        return np.linspace(-self.half_mm, self.half_mm, 2 * max(halves, 1) + 1)

    def across(self, places: Array) -> Array:
        return np.asarray((places - self.start) @ self.side)

    def lengthwise(self, places: Array) -> Array:
        return np.asarray((places - self.start) @ self.along)

    def refusal(self, what: str, fix: str) -> PlateRefused:
        a, b = self.bend.start, self.bend.end
        return PlateRefused(
            f"bends = [{a[0]:g}, {a[1]:g}] to [{b[0]:g}, {b[1]:g}]: bend {self.number}: "
            f"{what}; {fix}"
        )


def _strip(number: int, bend: Bend, thickness_mm: float) -> _Strip:
    way = bend.end - bend.start
    long = float(np.hypot(*way))
    if long < 1.0:
        raise PlateRefused(
            f"bends.to = [{bend.end[0]:g}, {bend.end[1]:g}]: the bend line has no length; give "
            "the ends of a line right across the plate"
        )
    if abs(bend.angle_deg) < LEAST_DEG:
        raise PlateRefused(
            f"bends.angle = {bend.angle_deg:g}: bend {number} turns nothing; leave it out, or "
            f"give {LEAST_DEG:g} deg or more"
        )
    along = way / long
    half = bend.allowance_mm(thickness_mm) / 2.0
    side = np.array([-along[1], along[0]])
    return _Strip(number, bend, thickness_mm, bend.start, along, side, long, half)


class _Folding:
    """Finds zones and legs in one sliced sheet, then carries leg after leg."""

    def __init__(self, sheet: Sheet, strips: Sequence[_Strip]) -> None:
        self.sheet = sheet
        self.beside = neighbours(sheet)
        self.region = np.full(len(sheet.triangles), _UNKNOWN, dtype=np.intp)
        self.pieces: list[_Strip] = []
        for strip in strips:
            self._claim(strip)
        flat = self.region == _UNKNOWN
        self.region = np.where(flat, components(self.beside, flat), self.region)

    def _claim(self, strip: _Strip) -> None:
        """Marks the metal of the strip that hangs together with the bend line."""
        inside = np.abs(strip.across(self.sheet.middles)) < strip.half_mm
        part = components(self.beside, inside)
        corners = self.sheet.vertices[self.sheet.triangles]
        on_line = np.abs(strip.across(corners)) <= ON_LINE_MM
        u = strip.lengthwise(corners)
        low = np.where(on_line, u, np.inf).min(axis=1)
        high = np.where(on_line, u, -np.inf).max(axis=1)
        shared = np.minimum(high, strip.long_mm) - np.maximum(low, 0.0)
        touched = inside & (on_line.sum(axis=1) == 2) & (shared > ON_LINE_MM)
        if not touched.any():
            raise strip.refusal(
                "its line meets no metal", "move the bend line into the plate, right across it"
            )
        for piece in np.unique(part[touched]):
            mine = part == piece
            taken = self.region[mine][self.region[mine] != _UNKNOWN]
            if len(taken):
                raise strip.refusal(
                    f"it takes up {2.0 * strip.half_mm:.1f} mm of the blank, some of it the same "
                    f"metal as bend {self.pieces[-1 - int(taken[0])].number}",
                    "move the two bend lines apart",
                )
            self._must_end_free(strip, mine)
            self.pieces.append(strip)
            self.region[mine] = -len(self.pieces)

    def _must_end_free(self, strip: _Strip, mine: NDArray[np.bool_]) -> None:
        """Metal beside a bend's end would be torn or pulled along: no such part is drawn."""
        piece = Sheet(self.sheet.vertices, self.sheet.triangles[mine])
        used = self.sheet.vertices[np.unique(piece.triangles)]
        u = strip.lengthwise(used[np.abs(strip.across(used)) <= ON_LINE_MM])
        past = max(float(u.max()) - strip.long_mm, -float(u.min()))
        if past > CHORD_MM:
            raise strip.refusal(
                f"metal on its line goes on {past:.1f} mm past the line's end",
                "draw the line right across the plate, off any shoulder beside it",
            )
        beside = self._shoulder_mm(strip, piece)
        if beside > strip.thickness_mm:
            raise strip.refusal(
                f"a shoulder {beside:.1f} mm wide lies within {strip.half_mm:.2f} mm of its line, "
                "in the metal that the bend takes up",
                f"move the line {strip.half_mm:.1f} mm off the shoulder, or cut a relief that deep "
                "beside the bend",
            )

    def _shoulder_mm(self, strip: _Strip, piece: Sheet) -> float:
        """Length of rim past the line's ends that runs more along the line than across it."""
        ends = self.sheet.vertices[rim(piece)]
        across, u = strip.across(ends), strip.lengthwise(ends)
        on_tangent = (np.abs(np.abs(across) - strip.half_mm) <= ON_LINE_MM).all(axis=1)
        flat = np.abs(np.diff(u)) > SHOULDER * np.abs(np.diff(across))
        kept = u[flat[:, 0] & ~on_tangent]
        past = np.maximum(kept - strip.long_mm, 0.0) + np.minimum(kept, 0.0)
        return float(np.abs(np.diff(past)).sum())

    def fold(self) -> Fold:
        root = self._root()
        moves: dict[int, Array] = {root: np.eye(4)}
        zones: dict[int, Zone] = {}
        waiting = [root]
        while waiting:
            leg = waiting.pop()
            for number, piece in enumerate(self.pieces):
                near = self._legs(number, piece)
                if number in zones or not any(leg in legs for legs in near):
                    continue
                zone = self._zone(number, piece, near, leg, moves[leg])
                zones[number] = zone
                there = zone.carried(zone.length_mm)
                for far, move in (
                    *((far, zone.move) for far in zone.before),
                    *((far, there) for far in zone.after),
                ):
                    if far in moves and np.abs(moves[far] - move).max() > _SAME_MM:
                        raise piece.refusal(
                            "the metal also goes round it, so it cannot turn",
                            "draw the line right across, or part the plate beside it",
                        )
                    if far not in moves:
                        moves[far] = move
                        waiting.append(far)
        if len(moves) <= self.region.max():
            raise PlateRefused("bends: the blank falls apart; keep its cut-outs inside the outline")
        return Fold(
            sheet=self.sheet,
            region=self.region,
            moves=frozen([moves[n] for n in range(len(moves))]),
            zones=tuple(zones[n] for n in range(len(self.pieces))),
        )

    def _root(self) -> int:
        away = reach_mm(self.sheet, np.zeros(2))
        best = int(away.argmin())
        if self.region[best] >= 0:
            return int(self.region[best])
        flat = np.where(self.region >= 0, away, np.inf)
        if flat.min() > away[best] + _SAME_MM:
            raise self.pieces[-1 - int(self.region[best])].refusal(
                "x = y = 0 lies in the metal that it takes up, so no leg is the one that stands "
                "where the plate is placed",
                "put the plate's origin on a leg that stays flat",
            )
        return int(self.region[int(flat.argmin())])

    def _legs(self, number: int, piece: _Strip) -> tuple[tuple[int, ...], tuple[int, ...]]:
        """The legs on its right and on its left, seen along its line."""
        a, b = self.beside.T
        mine = self.region == -1 - number
        legs = np.concatenate([b[mine[a]], a[mine[b]]])
        legs = legs[self.region[legs] >= 0]
        left = piece.across(self.sheet.middles[legs]) > 0.0
        found = self.region[legs]
        return tuple(np.unique(found[~left]).tolist()), tuple(np.unique(found[left]).tolist())

    def _zone(
        self,
        number: int,
        piece: _Strip,
        near: tuple[tuple[int, ...], tuple[int, ...]],
        leg: int,
        move: Array,
    ) -> Zone:
        way = 1.0 if leg in near[0] else -1.0
        before, after = near if way > 0.0 else near[::-1]
        for legs, sense in ((before, -way), (after, way)):
            self._must_be_long(piece, legs, sense)
        return Zone(
            number=number,
            bend=piece.bend,
            thickness_mm=piece.thickness_mm,
            foot=frozen(piece.start - way * piece.half_mm * piece.side),
            out=frozen(way * piece.side),
            move=frozen(move),
            before=before,
            after=after,
        )

    def _must_be_long(self, piece: _Strip, legs: tuple[int, ...], sense: float) -> None:
        long = 0.0
        for leg in legs:
            corners = self.sheet.vertices[self.sheet.triangles[self.region == leg]]
            long = max(long, float((sense * piece.across(corners)).max()) - piece.half_mm)
        if long < piece.thickness_mm:
            raise piece.refusal(
                f"the leg beside it is {long + piece.half_mm:.1f} mm in the flat; the bend takes "
                f"{piece.half_mm:.1f} mm of it and no bender grips less than the thickness",
                f"move the bend line into the plate, or make the leg "
                f"{piece.half_mm + piece.thickness_mm:.1f} mm or longer",
            )
