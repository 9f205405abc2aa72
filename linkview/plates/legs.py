"""What the legs of a bent plate measure once it is bent, to say on its drawing and its order."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from linkview.geometry import Array
from linkview.plates.folding import Fold, Zone
from linkview.plates.plate import Plate

_SAME_MM = 1e-3


@dataclass(frozen=True)
class LegSize:
    """One leg beside a bend, measured square to the bend line.

    flat_mm: from the bend's tangent line to the leg's end.  outside_mm, inside_mm: from there to
    the bend's outside and inside corner (`Bend.measured_to`).  end: what the leg ends at, a bend
    measured over its own corner too.
    """

    flat_mm: float
    outside_mm: float
    inside_mm: float
    end: str


def leg_sizes(plate: Plate) -> tuple[tuple[int, tuple[LegSize, LegSize]], ...]:
    """For every bent piece: its bend's number in `plate.bends`, and the legs on both sides."""
    fold = plate.fold
    return tuple(
        (
            plate.bends.index(zone.bend),
            (
                _size(plate, fold, zone, zone.before, -zone.out),
                _size(plate, fold, zone, zone.after, zone.out),
            ),
        )
        for zone in fold.zones
    )


def _size(plate: Plate, fold: Fold, zone: Zone, legs: tuple[int, ...], out: Array) -> LegSize:
    t = plate.thickness_mm
    on = zone.foot if out @ zone.out < 0.0 else zone.foot + zone.length_mm * zone.out
    mine = fold.sheet.vertices[fold.sheet.triangles[np.isin(fold.region, legs)]]
    flat = float(((mine - on) @ out).max())
    outside, inside, end = zone.bend.setback_mm(t), zone.bend.inside_setback_mm(), "the edge"
    for other in fold.zones:
        if other is zone or not set(legs) & {*other.before, *other.after}:
            continue
        lines = (other.foot, other.foot + other.length_mm * other.out)
        near = min(float((line - on) @ out) for line in lines)
        if abs(abs(float(other.out @ out)) - 1.0) < 1e-9 and abs(near - flat) < _SAME_MM:
            outside += other.bend.setback_mm(t)
            inside += other.bend.inside_setback_mm()
            end = f"the {other.bend.measured_to} of bend {plate.bends.index(other.bend) + 1}"
            break
    return LegSize(flat, flat + outside, flat + inside, end)


def bend_notes(plate: Plate) -> tuple[str, ...]:
    """A line for every bend, and one for what lies where."""
    if not plate.bends:
        return ()
    return (*bend_lines(plate), "outline, holes and check size are those of the flat blank")


def bend_lines(plate: Plate) -> Iterator[str]:
    """One for every bend: what it takes up, and what both legs measure outside and inside."""
    for number, legs in leg_sizes(plate):
        bend = plate.bends[number]
        told = " and ".join(
            f"{leg.outside_mm:.1f} outside / {leg.inside_mm:.1f} inside, from {leg.end}"
            for leg in legs
        )
        yield (
            f"bend {number + 1}: {bend.words.removeprefix('bend ')}, k = {bend.k:g}: takes up "
            f"{bend.allowance_mm(plate.thickness_mm):.2f} mm of the flat; legs to its "
            f"{bend.measured_to} then measure {told} (mm)"
        )
