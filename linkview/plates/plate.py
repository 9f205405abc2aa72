"""A drawn plate: its loops, its marks, and where it stands in the car.

Plate frame: x, y in the sheet, z its normal; z = 0 is the middle of the thickness. `placement`
takes plate mm into the car's frame at the reference pose. The outline and every inner loop run
counter-clockwise.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import TypeAlias

import numpy as np

from linkview.geometry import (
    Array,
    angle_between,
    apply,
    apply_direction,
    frozen,
    length,
    mirrored,
)
from linkview.plates.edges import SAME_MM
from linkview.plates.outline import (
    Contour,
    area_mm2,
    bounding_box,
    circle,
    contains,
    faults,
    flipped,
    length_mm,
    margin_mm,
    slot,
    web_mm,
)
from linkview.units import to_deg

# What stays with every drawing; not a word of strength is meant by any figure here.
CAUTIONS = (
    "Drawn from geometry alone: nothing here proves strength, fatigue life, welds or loads. "
    "A steering or suspension failure can kill.",
    "Weld only by a person qualified for the material and position; never heat or weld forged "
    "or cast knuckles, rods or other steering parts.",
)


@dataclass(frozen=True, eq=False)
class Hole:
    """A round hole: centre (2,) mm in the plate. use: what goes through it."""

    centre: Array
    diameter_mm: float
    use: str

    @property
    def loop(self) -> Contour:
        return circle(self.centre, self.diameter_mm / 2.0)


@dataclass(frozen=True, eq=False)
class Slot:
    """An obround between start and end (2,) mm: all within width_mm / 2 of the line between.

    bolted: whether a bolt in it carries load, so that the edge rules for slotted holes apply.
    """

    start: Array
    end: Array
    width_mm: float
    use: str
    bolted: bool

    @property
    def loop(self) -> Contour:
        return slot(self.start, self.end, self.width_mm)


Cutout: TypeAlias = Hole | Slot


@dataclass(frozen=True, eq=False)
class Pin:
    """What ties a place of the plate to a hard point.

    joint: the hard point's name.  at (3,) mm and axis (3,) unit: it and its bolt (or strut) in
    the car.  centre (2,) mm: the middle of the hole or opening that has to lie on it.
    """

    joint: str
    at: Array
    axis: Array
    centre: Array


@dataclass(frozen=True)
class Miss:
    """How far a placed hole lies from its joint: off the axis, mm, and out of line, degrees."""

    off_mm: float
    tilt_deg: float


@dataclass(frozen=True, eq=False)
class TextMark:
    """Lettering on the marking layer: at (2,) mm is its middle; never mirrored."""

    text: str
    at: Array
    height_mm: float


@dataclass(frozen=True, eq=False)
class CrossMark:
    """A centre cross at (2,) mm, `size_mm` over each arm, along the plate's x and y."""

    at: Array
    size_mm: float


@dataclass(frozen=True)
class Neck:
    """A place where the outline itself leaves little metal, measured when it was drawn."""

    where: str
    width_mm: float


@dataclass(frozen=True, eq=False)
class Plate:
    """One part to cut. quantity counts every piece, `mirrored` those cut as the mirror image.

    placement (4, 4): plate mm -> car mm. also_at: further places where equal plates stand.
    part: the part of the linkage that carries it.  notes: what the builder has to know about it.
    """

    name: str
    kind: str
    outline: Contour
    holes: tuple[Hole, ...]
    slots: tuple[Slot, ...]
    texts: tuple[TextMark, ...]
    crosses: tuple[CrossMark, ...]
    thickness_mm: float
    material: str
    quantity: int
    mirrored: int
    placement: Array
    also_at: tuple[Array, ...]
    part: str
    pins: tuple[Pin, ...]
    necks: tuple[Neck, ...] = ()
    notes: tuple[str, ...] = ()

    @property
    def stands(self) -> tuple[Array, ...]:
        """Every placement (4, 4), the first one the plate's own."""
        return (self.placement, *self.also_at)

    @property
    def inner_loops(self) -> tuple[Contour, ...]:
        """Holes first, then slots."""
        return (*(hole.loop for hole in self.holes), *(cut.loop for cut in self.slots))

    @property
    def size_mm(self) -> tuple[float, float]:
        """Overall width and height of the outline: the check dimension."""
        left, low, right, high = bounding_box(self.outline)
        return right - left, high - low

    @property
    def net_area_mm2(self) -> float:
        """Exact area of one face."""
        return area_mm2(self.outline) - sum(area_mm2(loop) for loop in self.inner_loops)

    @property
    def cut_length_mm(self) -> float:
        """Exact length of all cuts of one piece, without lead-ins."""
        return sum(length_mm(loop) for loop in (self.outline, *self.inner_loops))


def labelled_cutouts(plate: Plate) -> tuple[tuple[str, Cutout], ...]:
    """Every hole and slot with the name that messages use: 'hole 2 (M14 pivot bolt)'."""
    named: list[tuple[str, Cutout]] = []
    named += ((f"hole {i} ({hole.use})", hole) for i, hole in enumerate(plate.holes, start=1))
    named += ((f"slot {i} ({cut.use})", cut) for i, cut in enumerate(plate.slots, start=1))
    return tuple(named)


def pin_misses(plate: Plate, pin: Pin) -> tuple[Miss, ...]:
    """How well each standing place puts the pin's hole on its joint; both figures should be 0."""
    normal = np.array([0.0, 0.0, 1.0])
    misses = []
    for stand in plate.stands:
        middle, axis = apply(stand, [*pin.centre, 0.0]), apply_direction(stand, normal)
        off = float(length(np.cross(pin.at - middle, axis)))
        tilt = float(to_deg(angle_between(axis, pin.axis)))
        misses.append(Miss(off, min(tilt, 180.0 - tilt)))
    return tuple(misses)


def mirrored_plate(plate: Plate) -> Plate:
    """The same plate for the other side of the car: turned over, standing at the mirror image.

    Marks keep to the face they were on and the lettering stays readable. Twice gives the first.
    """

    def flip(p: Array) -> Array:
        return frozen(p * np.array([-1.0, 1.0]))

    def flip_stand(stand: Array) -> Array:
        return frozen(np.diag([1.0, -1.0, 1.0, 1.0]) @ stand @ np.diag([-1.0, 1.0, 1.0, 1.0]))

    return replace(
        plate,
        outline=flipped(plate.outline),
        holes=tuple(replace(h, centre=flip(h.centre)) for h in plate.holes),
        slots=tuple(replace(s, start=flip(s.start), end=flip(s.end)) for s in plate.slots),
        texts=tuple(replace(t, at=flip(t.at)) for t in plate.texts),
        crosses=tuple(replace(c, at=flip(c.at)) for c in plate.crosses),
        placement=flip_stand(plate.placement),
        also_at=tuple(flip_stand(stand) for stand in plate.also_at),
        pins=tuple(
            replace(
                p,
                at=frozen(mirrored(p.at)),
                axis=frozen(mirrored(p.axis)),
                centre=flip(p.centre),
            )
            for p in plate.pins
        ),
    )


def plate_faults(plate: Plate) -> tuple[str, ...]:
    """Everything that makes a plate impossible to cut, one phrase with numbers each."""
    cuts = labelled_cutouts(plate)
    named = [("the outline", plate.outline), *((name, cut.loop) for name, cut in cuts)]
    broken = tuple(f"{name} {fault}" for name, loop in named for fault in faults(loop))
    return broken or (*_outside(plate), *_overlapping(plate))


def _outside(plate: Plate) -> Iterator[str]:
    for name, cut in labelled_cutouts(plate):
        place = cut.centre if isinstance(cut, Hole) else (cut.start + cut.end) / 2.0
        where = f"{name} at ({place[0]:.1f}, {place[1]:.1f})"
        if not contains(plate.outline, cut.loop.points[0]):
            yield f"{where} lies outside the outline"
        elif web_mm(plate.outline, cut.loop) <= SAME_MM:
            reach = margin_mm(plate.outline, place)
            yield f"{where} breaks through the outline, whose line is {reach:.1f} mm from there"


def _overlapping(plate: Plate) -> Iterator[str]:
    cuts = [(name, cut.loop) for name, cut in labelled_cutouts(plate)]
    for i, (name, loop) in enumerate(cuts):
        for other_name, other in cuts[i + 1 :]:
            nested = contains(loop, other.points[0]) or contains(other, loop.points[0])
            if nested or web_mm(loop, other) <= SAME_MM:
                yield f"{name} and {other_name} run into each other"
