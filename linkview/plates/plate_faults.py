"""What makes a drawn plate impossible to cut or to fold, whatever the shop."""

from __future__ import annotations

from collections.abc import Iterator

from linkview.plates.edges import SAME_MM
from linkview.plates.outline import contains, faults, margin_mm, near_pairs, web_mm
from linkview.plates.plate import Plate, labelled_cutouts
from linkview.plates.solid import runs_into_itself


def plate_faults(plate: Plate) -> tuple[str, ...]:
    """Everything that makes a plate impossible to cut, one phrase with numbers each."""
    cuts = labelled_cutouts(plate)
    named = [("the outline", plate.outline), *((name, cut.loop) for name, cut in cuts)]
    broken = tuple(f"{name} {fault}" for name, loop in named for fault in faults(loop))
    return broken or (*_outside(plate), *_overlapping(plate)) or tuple(_folding(plate))


def _outside(plate: Plate) -> Iterator[str]:
    for name, cut in labelled_cutouts(plate):
        place = cut.middle
        where = f"{name} at ({place[0]:.1f}, {place[1]:.1f})"
        if not contains(plate.outline, cut.loop.points[0]):
            yield f"{where} lies outside the outline"
        elif web_mm(plate.outline, cut.loop) <= SAME_MM:
            reach = margin_mm(plate.outline, place)
            yield f"{where} breaks through the outline, whose line is {reach:.1f} mm from there"


def _overlapping(plate: Plate) -> Iterator[str]:
    cuts = [(name, cut.loop) for name, cut in labelled_cutouts(plate)]
    for i, j in near_pairs([loop for _, loop in cuts], SAME_MM):
        (name, loop), (other_name, other) = cuts[i], cuts[j]
        nested = contains(loop, other.points[0]) or contains(other, loop.points[0])
        if nested or web_mm(loop, other) <= SAME_MM:
            yield f"{name} and {other_name} run into each other"


def _folding(plate: Plate) -> Iterator[str]:
    """PlateRefused from the fold itself, where it cannot be made at all, passes through."""
    if runs_into_itself(plate):
        yield "the folded plate runs into itself"
