"""An axle's plates drawn for both sides, judged, held for welding, and as bodies in place."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import combinations

from linkview.clearance.bodies import solids_of
from linkview.clearance.distance import Poses
from linkview.clearance.far_apart import ball_floor_mm, floor_mm
from linkview.clearance.meshes import MeshSolid
from linkview.errors import PlateRefused
from linkview.model.bodies import Facets
from linkview.model.parts import Axle, Corner, Side
from linkview.model.platespec import CutPlate
from linkview.plates.adjusting import SlotEffect, slot_effect
from linkview.plates.brackets import draw_plates
from linkview.plates.placing import Placing, placings
from linkview.plates.plate import Plate, mirrored_plate, pin_misses
from linkview.plates.profiles import ShopProfile
from linkview.plates.shop import refusal_text, verdicts
from linkview.plates.solid import plate_body
from linkview.plates.verdicts import Verdict

FAR_MM = 50.0  # plates this far from another body, told cheaply, are not measured
SMALLEST_TOLD_MM = 0.001  # a miss under this is rounding


@dataclass(frozen=True, eq=False)
class DrawnPlate:
    """A plate as drawn for each side with the shop's verdicts, or the reason it was refused.

    sides: empty where it could not be drawn at all.  placings: where a welded one is held.
    slots: what they adjust on the left wheel.
    """

    name: str
    sides: Mapping[Side, Plate]
    verdicts: tuple[Verdict, ...]
    refused: str | None = None
    placings: Mapping[Side, tuple[Placing, ...]] = field(default_factory=dict)
    slots: SlotEffect | None = None

    @property
    def miss_mm(self) -> float:
        """How far a joint lies off its hole's axis at most, once the plate is placed."""
        plates = self.sides.values()
        misses = [m.off_mm for p in plates for pin in p.pins for m in pin_misses(p, pin)]
        return max(misses, default=0.0)

    @property
    def miss_words(self) -> str:
        """The same for people, '' for a plate with no joint in a hole of it."""
        if not any(plate.pins for plate in self.sides.values()):
            return ""
        if self.miss_mm < SMALLEST_TOLD_MM:
            return f"joint on its hole's axis within {SMALLEST_TOLD_MM:g} mm once placed"
        return f"joint {self.miss_mm:.3f} mm off its hole's axis once placed"


def drawn_plates(axle: Axle, shop: ShopProfile) -> tuple[DrawnPlate, ...]:
    """Every plate of an axle, judged by the shop's rules; a refused one says why."""
    out = []
    for name, spec in axle.plates.items():
        assert isinstance(spec, CutPlate)
        try:
            left = draw_plates(name, spec, axle.left)
            if axle.symmetric:
                right = tuple(mirrored_plate(plate) for plate in left)
            else:
                right = draw_plates(name, spec, axle.right)
            for one, other in zip(left, right, strict=True):
                found = verdicts(one, shop)
                out.append(
                    DrawnPlate(
                        one.name,
                        {Side.LEFT: one, Side.RIGHT: other},
                        found,
                        refused=refusal_text(one, shop, found),
                        slots=slot_effect(one, axle.left),
                    )
                )
        except PlateRefused as refusal:
            out.append(DrawnPlate(name, {}, (), str(refusal)))
    return tuple(_with_placings(drawn, out, axle) for drawn in out)


def _with_placings(drawn: DrawnPlate, all_drawn: Sequence[DrawnPlate], axle: Axle) -> DrawnPlate:
    not_yet = {
        pin.joint
        for other in all_drawn
        for plate in other.sides.values()
        if plate.welded
        for pin in plate.pins
    }
    held = {side: placings(plate, axle, not_yet) for side, plate in drawn.sides.items()}
    return replace(drawn, placings={side: where for side, where in held.items() if where})


def with_plates(corner: Corner, plates: Sequence[DrawnPlate]) -> Corner:
    """The corner with its plates, those that could be drawn, as bodies where they stand."""
    solid = [plate_body(p.sides[corner.side]) for p in plates if corner.side in p.sides]
    return replace(corner, bodies=(*corner.bodies, *solid))


def far_from_plates(corner: Corner, poses: Poses, axle: Axle) -> dict[frozenset[str], str]:
    """Pairs of a plate and another body that spheres, or a ball round the plate, keep far apart.

    A pair with a wanted gap is not among them: it is measured.
    """
    solids = solids_of(corner.bodies)
    wanted = {gap.pair for gap in axle.wanted_gaps}
    plates = {body.name for body in corner.bodies if isinstance(body, Facets)}
    out = {}
    for a, b in combinations(solids.values(), 2):
        pair = frozenset((a.name, b.name))
        if not pair & plates or pair in wanted or len({*a.parts, *b.parts}) == 1:
            continue
        floor = floor_mm(a, b, poses)
        if floor <= FAR_MM:
            plate, other = (a, b) if a.name in plates else (b, a)
            assert isinstance(plate, MeshSolid)
            floor = ball_floor_mm(plate, other, poses)
        if floor > FAR_MM:
            out[pair] = f"at no pose reached nearer than {floor:.0f} mm, told by a ball round it"
    return out
