"""The car as found or as planned: a file's changes made one after the other; see `changes.py`."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from linkview.errors import Fault, ModelFaults, UnknownName
from linkview.geometry import Array, frozen
from linkview.kinematics.changes import Axles, changed, corner_of, let_down
from linkview.model.faults import built_faults
from linkview.model.free_layout import layout_of
from linkview.model.parts import Axle, Car, Corner, Side
from linkview.model.read import AS_FOUND, HardPointFile, car_of, references_of
from linkview.model.reference import Reference, spin_axis
from linkview.model.wheel_faults import loaded_faults


def build_car(file: HardPointFile, variant: str = AS_FOUND) -> Car:
    """The car as found, or one planned variant of it.

    Raises UnknownName, ModelFaults (what a change would make cannot be built), or CannotAssemble
    ("tie rod 3.2 mm short").
    """
    return car_with(file, variant, axles_of(file, variant))


def car_with(
    file: HardPointFile, variant: str, axles: Axles, kept: Mapping[str, Axle] | None = None
) -> Car:
    """The variant's car of its axles; see `car_of` for those kept. Raises as `build_car` does."""
    title = "as found" if variant == AS_FOUND else file.variant(variant).title
    return car_of(file, variant, title, axles.tables, axles.references, axles.notes, kept)


def ladder(file: HardPointFile, since: str, variant: str) -> list[tuple[str, Car]]:
    """The way from one variant to another that is built on it, change by change.

    Each rung is the change's title and the car with it made; the first is the car to start from.
    Raises UnknownName where `variant` is not built on `since`.
    """
    chain: list[str] = []
    at = variant
    while at != since:
        if at == AS_FOUND:
            raise UnknownName(
                f"{file.path}: '{variant}' is not built on '{since}', so there are no steps between"
            )
        chain.insert(0, at)
        at = file.variant(at).on
    axles = axles_of(file, since)
    rungs = [(since.replace("_", " "), axles)]
    for name in chain:
        for i, change in enumerate(file.variant(name).change):
            axles = changed(file, f"variant.{name}.change[{i}]", change, axles)
            rungs.append((f"{change.axle}: {change.title or f'change {i + 1} of {name}'}", axles))
    return [
        (title, car_of(file, variant, title, a.tables, a.references, a.notes)) for title, a in rungs
    ]


@dataclass(frozen=True, eq=False)
class Rebuilder:
    """Builds a variant's corners again with hard points shifted: what if one stood elsewhere.

    Parts are made to suit, as if the points had been measured, or are made, where they now stand.
    What the file places by coordinates alone stays where it is.
    """

    file: HardPointFile
    axles: Axles
    # 'AXLE.SIDE.POINT' -> one sigma (3,) mm of a point measured again, before what the file gives.
    again: Mapping[str, Array] = field(default_factory=dict)

    def corner(self, axle: str, side: Side, shifts: Mapping[str, Array]) -> Corner:
        """One corner with shifts {point: (3,) mm in the car's frame}."""
        given = self.axles.references[axle]
        layout = layout_of(self.axles.tables[axle])
        reference = given[side] if side in given else next(iter(given.values())).mirrored(layout)
        moved = {name: frozen(reference.points[name] + by) for name, by in shifts.items()}
        renewed = replace(reference, points={**reference.points, **moved})
        return corner_of(self.file, axle, self.axles.tables[axle], side, renewed)

    def remeasured(
        self,
        places: Mapping[str, Array],
        wheels: Mapping[str, tuple[float, float]],
        *,
        variant: str,
        title: str,
    ) -> Car:
        """The car as it was built: both sides on their own points.

        See `remeasuring`, which builds its corners.
        """
        return self.remeasuring(places, wheels, {}, title=title)._car(variant, title)

    def _car(self, variant: str, title: str) -> Car:
        tables, references, notes = self.axles.tables, self.axles.references, self.axles.notes
        return car_of(self.file, variant, title, tables, references, notes)

    def remeasuring(
        self,
        places: Mapping[str, Array],
        wheels: Mapping[str, tuple[float, float]],
        sigmas: Mapping[str, Array],
        *,
        title: str,
    ) -> Rebuilder:
        """One for the car as it was built, with the doubt of its measuring: see `again`.

        places: 'AXLE.SIDE.POINT' -> (3,) mm; points that are not named stand as designed. wheels:
        'AXLE.SIDE' -> camber and toe-in in degrees; a wheel that is not named stands as designed.
        Raises ModelFaults where that cannot be a car.
        """
        references: dict[str, dict[Side, Reference]] = {}
        faults: list[Fault] = []
        for axle, given in self.axles.references.items():
            table = self.axles.tables[axle]
            references[axle] = {}
            for side in Side:
                key = f"{axle}.{side.value}"
                base = (
                    given[side]
                    if side in given
                    else next(iter(given.values())).mirrored(layout_of(table))
                )
                here = {n: frozen(places.get(f"{key}.{n}", at)) for n, at in base.points.items()}
                axis = spin_axis(side, *wheels[key]) if key in wheels else base.spin_axis
                built = replace(base, points=here, spin_axis=axis)
                references[axle][side] = built
                faults += built_faults(f"{title}: axle.{axle}", side, table, built)
        if faults:
            raise ModelFaults(str(self.file.path), list(dict.fromkeys(faults)))
        renewed = Axles(self.axles.tables, references, self.axles.notes)
        return Rebuilder(self.file, renewed, sigmas)

    def doubt(self, axle: str, points: Iterable[str]) -> dict[str, Array]:
        """One sigma (3,) mm of each point's coordinates, as the file gives it.

        Of a car measured again: as that measuring has it, the worse side's; none for a point that
        it left out, which stands as designed.
        """
        if self.again:
            sides = [f"{axle}.{side.value}" for side in Side]
            none = np.zeros(3)
            return {
                p: frozen(np.max([self.again.get(f"{s}.{p}", none) for s in sides], axis=0))
                for p in points
            }
        own, usual = self.axles.tables[axle].one_sigma, self.file.measured.one_sigma
        return {p: frozen(np.broadcast_to(own.get(p, usual), 3)) for p in points}


def rebuilder(file: HardPointFile, variant: str = AS_FOUND) -> Rebuilder:
    """For one variant; raises as `build_car` does."""
    return Rebuilder(file, axles_of(file, variant))


def axles_of(file: HardPointFile, variant: str = AS_FOUND) -> Axles:
    """A variant's axles, all its changes made; raises as `build_car` does."""
    if variant == AS_FOUND:
        return _found(file)
    return axles_on(file, variant, axles_of(file, file.variant(variant).on))


def axles_on(file: HardPointFile, variant: str, axles: Axles) -> Axles:
    """What a variant makes of the axles it is built on; raises as `build_car` does."""
    for i, change in enumerate(file.variant(variant).change):
        axles = changed(file, f"variant.{variant}.change[{i}]", change, axles)
    return axles


def _found(file: HardPointFile) -> Axles:
    """The file's own points; from stands, let down to the ride-height damper length."""
    references: dict[str, Mapping[Side, Reference]] = dict(references_of(file))
    notes, faults = [], list[Fault]()
    if file.measured.state == "on_stands":
        for name, table in file.axles.items():
            assert table.damper is not None
            ride = table.damper.length_at_ride_height
            assert ride is not None
            references[name] = {
                side: let_down(file, name, table, side, ref, ride)
                for side, ref in references[name].items()
            }
            for reference in references[name].values():
                faults += loaded_faults(f"axle.{name}", table, reference)
            notes.append(f"{name}: measured on stands, moved to a damper length of {ride:g} mm")
    if faults:
        raise ModelFaults(str(file.path), list(dict.fromkeys(faults)))
    return Axles(file.axles, references, tuple(notes))
