"""`linkview check`: everything that can be said of a file before it is moved."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from linkview.alignment.assemblies import other_assembly
from linkview.clearance.bodies import solids_of
from linkview.errors import CannotAssemble, Fault, LinkviewError, MeshFault, ModelFaults
from linkview.kinematics.assemble import build_car
from linkview.kinematics.corner import linkage_of
from linkview.kinematics.sweep import check_reference
from linkview.model.matching import fit_words
from linkview.model.parts import Car, Hold, MeshFile
from linkview.model.read import AS_FOUND, HardPointFile, read_file
from linkview.plates.drawn import drawn_plates
from linkview.plates.profiles import WATER_JET


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
    faults: list[Fault] = []
    for variant in (AS_FOUND, *file.variants):
        faults += _variant_faults(file, variant)
    if faults:
        raise ModelFaults(str(path), list(dict.fromkeys(faults)))
    return Checked(path, tuple(file.axles), tuple(file.variants), tuple(_notes(build_car(file))))


def _notes(car: Car) -> Iterator[str]:
    """What is no fault but worth knowing of the car as found."""
    for axle in car.axles.values():
        for part in linkage_of(axle.left).spins:
            name = part.replace("_", " ")
            yield f"{axle.name}: the {name} can spin about itself without moving anything"
        for body in axle.left.bodies:
            if isinstance(body, MeshFile) and body.fitted:
                yield f"{axle.name}: {body.name.replace('_', ' ')} {fit_words(body)}"
        other = other_assembly(axle.left)
        if other is not None:
            yield f"{axle.name}: {other.words}"


def _variant_faults(file: HardPointFile, variant: str) -> list[Fault]:
    where = "as found" if variant == AS_FOUND else f"variant.{variant}"
    try:
        car = build_car(file, variant)
    except ModelFaults as found:
        return list(found.faults)
    except LinkviewError as found:
        words = str(found).removeprefix(f"{file.path}: ")
        return [Fault(where, words, "change the points, or what is kept")]
    return [Fault(where, words, fix) for words, fix in _car_faults(car)]


def _car_faults(car: Car) -> list[tuple[str, str]]:
    out = []
    for axle in car.axles.values():
        for corner in axle.corners:
            built = linkage_of(corner)
            try:
                check_reference(built, built.problem(Hold.WHEEL_HEIGHT))
            except CannotAssemble as found:
                out.append((str(found), "correct the hard points"))
        try:
            solids_of(axle.left.bodies)
        except MeshFault as found:
            out += [(line, "mend or replace the mesh") for line in str(found).splitlines()]
        for plate in drawn_plates(axle, WATER_JET):
            if plate.refused:
                out += [(line, "change the plate") for line in plate.refused.splitlines()]
    return out
