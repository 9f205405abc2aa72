"""`linkview check`: everything that can be said of a file before it is moved."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import combinations
from pathlib import Path

import numpy as np

from linkview.alignment.assemblies import other_assemblies
from linkview.clearance.bodies import solids_of
from linkview.errors import BadLinkage, Fault, LinkviewError, MeshFault, ModelFaults
from linkview.geometry import length
from linkview.kinematics.assemble import build_car
from linkview.kinematics.corner import linkage_of
from linkview.kinematics.sweep import check_reference, near_dead_point
from linkview.model.bodies import MeshFile
from linkview.model.layout import WHEEL_CENTRE
from linkview.model.matching import fit_words
from linkview.model.parts import Axle, Car, Corner, Hold
from linkview.model.read import AS_FOUND, HardPointFile, read_file
from linkview.plates.drawn import drawn_plates
from linkview.plates.profiles import WATER_JET

NEAR_WHEELBASE_MM = 20.0
ONE_PLACE_MM = 0.5


@dataclass(frozen=True)
class Checked:
    """A file without faults: what is in it."""

    path: Path
    axles: tuple[str, ...]
    variants: tuple[str, ...]
    notes: tuple[str, ...] = ()

    @property
    def words(self) -> str:
        """For the screen: what was checked, and what that does not say."""
        variants = ", ".join(self.variants) if self.variants else "none"
        return (
            f"{self.path}: no faults. Axles: {', '.join(self.axles)}. "
            f"Variants that assemble: {variants}.\n"
            + "".join(f"{note}\n" for note in self.notes)
            + "This says that the file can be worked with, not that the car is safe."
        )


def check_file(path: Path) -> Checked:
    """Reads a file, assembles every variant, opens every mesh, draws every plate.

    Raises ModelFaults with all that is wrong, over all variants.
    """
    file = read_file(path)
    faults = _variant_faults(file, AS_FOUND)
    for variant in file.variants:
        # What the car as found has too is told once, of the car as found.
        new = [f for f in _variant_faults(file, variant) if f not in faults]
        faults += [_made_by(variant, f) for f in new]
    if faults:
        raise ModelFaults(str(path), list(dict.fromkeys(faults)))
    notes = [*notes_of(build_car(file))]
    for variant in file.variants:
        weak = [note for note in _weak(build_car(file, variant)) if note not in notes]
        notes += [f"variant {variant}, {note}" for note in weak]
    return Checked(path, tuple(file.axles), tuple(file.variants), tuple(notes))


def notes_of(car: Car) -> Iterator[str]:
    """What is no fault but worth knowing of the car as found."""
    yield from _weak(car)
    yield from _wheelbase(car)
    for axle in car.axles.values():
        yield from dict.fromkeys(note for corner in axle.corners for note in _at_one_place(corner))
        for part in linkage_of(axle.left).spins:
            name = part.replace("_", " ")
            yield f"{axle.name}: the {name} can spin about itself without moving anything"
        for body in axle.left.bodies:
            if isinstance(body, MeshFile) and body.fitted:
                yield f"{axle.name}: {body.name.replace('_', ' ')} {fit_words(body)}"
        for other in other_assemblies(axle.left):
            yield f"{axle.name}: {other.words}"


def _at_one_place(corner: Corner) -> Iterator[str]:
    for (one, a), (two, b) in combinations(corner.points.items(), 2):
        if float(length(b - a)) < ONE_PLACE_MM:
            yield (
                f"{corner.axle}: {one} and {two} are given at one place; measure them again, "
                "unless one bolt or ball holds both"
            )


def _wheelbase(car: Car) -> Iterator[str]:
    """Where the two axles' wheel centres are not the file's wheelbase apart."""
    if not {"front", "rear"} <= set(car.axles):
        return
    middles = {
        name: float(np.mean([c.points[WHEEL_CENTRE][0] for c in car.axles[name].corners]))
        for name in ("front", "rear")
    }
    apart = middles["front"] - middles["rear"]
    if abs(apart - car.wheelbase_mm) > NEAR_WHEELBASE_MM:
        yield (
            f"the wheel centres stand {apart:.0f} mm apart fore and aft, car.wheelbase is "
            f"{car.wheelbase_mm:.0f}: pictures show the first, readings use the second"
        )


def _weak(car: Car) -> Iterator[str]:
    """Corners that ride height holds only just; once where both do."""
    for axle in car.axles.values():
        found: dict[str, list[str]] = {}
        for corner in axle.corners:
            built = linkage_of(corner)
            words = near_dead_point(built, built.problem(Hold.WHEEL_HEIGHT))
            if words is not None:
                found.setdefault(words, []).append(corner.side.value)
        for words, sides in found.items():
            yield f"{axle.name}{'' if len(sides) == 2 else f' {sides[0]}'}: {words}"


def _variant_faults(file: HardPointFile, variant: str) -> list[Fault]:
    try:
        return list(_car_faults(build_car(file, variant)))
    except ModelFaults as found:
        return list(found.faults)
    except BadLinkage as found:
        return [found.fault]
    except LinkviewError as found:
        key, _, words = str(found).removeprefix(f"{file.path}: ").partition(": ")
        return [Fault(key, words, "change the points, or what is kept")]


def _made_by(variant: str, fault: Fault) -> Fault:
    """A variant's fault under the variant's own key."""
    mine = f"variant.{variant}"
    return fault if fault.where.startswith(mine) else replace(fault, where=f"{mine}: {fault.where}")


def _car_faults(car: Car) -> Iterator[Fault]:
    for axle in car.axles.values():
        yield from linkage_faults(axle)
        try:
            solids_of(axle.left.bodies)
        except MeshFault as found:
            for line in str(found).splitlines():
                yield Fault(f"axle.{axle.name}.bodies", line, "mend or replace the mesh")
        for plate in drawn_plates(axle, WATER_JET):
            for line in (plate.refused or "").splitlines():
                yield Fault(f"axle.{axle.name}", line, "change the plate")


def linkage_faults(axle: Axle) -> Iterator[Fault]:
    """What is wrong with the axle's corners; once where both have it."""
    found: dict[Fault, list[str]] = {}
    for corner in axle.corners:
        try:
            built = linkage_of(corner)
            for hold in dict.fromkeys((Hold.WHEEL_HEIGHT, axle.hold)):
                check_reference(built, built.problem(hold))
        except BadLinkage as bad:
            found.setdefault(bad.fault, []).append(corner.side.value)
    for fault, sides in found.items():
        one = "" if len(sides) == 2 else f"{sides[0]} side: "
        yield replace(fault, what=f"{one}{fault.what}")
