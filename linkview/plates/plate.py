"""A drawn plate: its loops, its marks, and where it stands in the car.

Plate frame: x, y in the sheet, z its normal; z = 0 is the middle of the thickness. `placement`
takes plate mm into the car's frame at the reference pose. The outline and every inner loop run
counter-clockwise. Outline, cut-outs and marks are those of the flat blank; `fold` says where they
come to lie when the plate is bent.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property

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
from linkview.plates.bends import Bend
from linkview.plates.creases import folded
from linkview.plates.cutouts import CurvedSlot, Cutout, Hole, Opening, Slot, flip
from linkview.plates.folding import Fold
from linkview.plates.outline import Contour, area_mm2, bounding_box, flipped, length_mm
from linkview.units import to_deg

__all__ = [
    "CAUTIONS",
    "Adjusts",
    "CrossMark",
    "CurvedSlot",
    "Cutout",
    "Hole",
    "Load",
    "Miss",
    "Neck",
    "Opening",
    "Pin",
    "Plate",
    "Slot",
    "TextMark",
    "labelled_cutouts",
    "mass_kg",
    "mirrored_plate",
    "pin_misses",
]

# Steel as EN 1991-1-1 has it, and aluminium alloys (EN AW grades); from memory, kg per mm3.
STEEL_KG_PER_MM3, ALUMINIUM_KG_PER_MM3 = 7850e-9, 2700e-9

# What stays with every drawing; not a word of strength is meant by any figure here.
CAUTIONS = (
    "Drawn from geometry alone: nothing here proves strength, fatigue life, welds or loads. "
    "A steering or suspension failure can kill.",
    "Weld only by a person qualified for the material and position; never heat or weld forged "
    "or cast knuckles, rods or other steering parts.",
)


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


@dataclass(frozen=True, eq=False)
class Adjusts:
    """What a plate's slots move: hard point `point`, along `way` (3,) unit in the car."""

    point: str
    way: Array
    each_way_mm: float


@dataclass(frozen=True, eq=False)
class Load:
    """The force on a plate's first hole, for the static building rule in `strength.py`.

    along (2,) in the plate, N: what presses the bolt on the hole.  out_of_plane_n: what this rule
    cannot judge.  shared_by: equal plates that share it.
    """

    along_n: Array
    out_of_plane_n: float
    shared_by: int
    bolt_mm: float
    bolt_grade: str
    weld_throat_mm: float
    weld_length_mm: float


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
    welded: has to be held in place by measure.  place_from: places to measure it from, as named.
    """

    name: str
    kind: str
    outline: Contour
    holes: tuple[Hole, ...]
    slots: tuple[Slot | CurvedSlot | Opening, ...]
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
    bends: tuple[Bend, ...] = ()
    welded: bool = False
    adjusts: Adjusts | None = None
    revision: str = "A"
    load: Load | None = None
    place_from: Mapping[str, Array] = field(default_factory=dict)

    @property
    def stands(self) -> tuple[Array, ...]:
        """Every placement (4, 4), the first one the plate's own."""
        return (self.placement, *self.also_at)

    @cached_property
    def fold(self) -> Fold:
        """Where the blank goes when it is bent. PlateRefused where it cannot be."""
        return folded(self.outline, self.inner_loops, self.bends, self.thickness_mm)

    def stands_at(self, place: Array) -> tuple[Array, ...]:
        """The move (4, 4) into the car, at every stand, of the sheet at a place (2,) of the blank.

        Of a flat plate it is the stand itself.
        """
        bent = self.fold.at(place) if self.bends else np.eye(4)
        return tuple(frozen(stand @ bent) for stand in self.stands)

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
    for stand in plate.stands_at(pin.centre):
        middle, axis = apply(stand, [*pin.centre, 0.0]), apply_direction(stand, normal)
        off = float(length(np.cross(pin.at - middle, axis)))
        tilt = float(to_deg(angle_between(axis, pin.axis)))
        misses.append(Miss(off, min(tilt, 180.0 - tilt)))
    return tuple(misses)


def mirrored_plate(plate: Plate) -> Plate:
    """The same plate for the other side of the car: turned over, standing at the mirror image.

    Marks keep to the face they were on and the lettering stays readable. Twice gives the first.
    """

    def flip_stand(stand: Array) -> Array:
        return frozen(np.diag([1.0, -1.0, 1.0, 1.0]) @ stand @ np.diag([-1.0, 1.0, 1.0, 1.0]))

    return replace(
        plate,
        outline=flipped(plate.outline),
        holes=tuple(hole.mirrored() for hole in plate.holes),
        slots=tuple(cut.mirrored() for cut in plate.slots),
        bends=tuple(bend.mirrored() for bend in plate.bends),
        adjusts=plate.adjusts and replace(plate.adjusts, way=frozen(mirrored(plate.adjusts.way))),
        load=plate.load and replace(plate.load, along_n=flip(plate.load.along_n)),
        place_from={n: frozen(mirrored(p)) for n, p in plate.place_from.items()},
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


def mass_kg(plate: Plate) -> float:
    """One piece: aluminium where the grade is named EN AW, else steel."""
    light = plate.material.upper().startswith("EN AW")
    density = ALUMINIUM_KG_PER_MM3 if light else STEEL_KG_PER_MM3
    return plate.net_area_mm2 * plate.thickness_mm * density
