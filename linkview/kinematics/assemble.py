"""Variants put together: what a planned change does to where the points stand.

parts_kept: body-side points move, every rod, arm and the knuckle keep their sizes, and the corner
re-assembles at the same wheel-centre height with the rack centred; camber and toe are results. The
tie rod is kept too, or screwed to a wanted toe.
made_to_fit: the points stand where the change puts them and the parts named are made to suit; a
part that is not named must come out the same size, or the change is refused with the difference.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np

from linkview.errors import Fault, ModelFaults, UnknownName
from linkview.geometry import Array, frozen, length, mirrored
from linkview.kinematics.reassemble import reassembled
from linkview.model.build import axle_from
from linkview.model.faults import axle_faults, built_faults
from linkview.model.free_layout import layout_of
from linkview.model.layout import KNUCKLE, Layout
from linkview.model.parts import Car, Corner, Side
from linkview.model.read import AS_FOUND, HardPointFile, car_of, references_of
from linkview.model.reference import Reference, spin_axis, wheel_angles_deg
from linkview.model.schema import AxleTable, ChangeTable
from linkview.model.wording import table_faults

# Two ways to measure one part agree this well with a tape under a car; see practice on measuring.
SAME_PART_MM = 0.5


@dataclass(frozen=True, eq=False)
class _Axles:
    """All axles part of the way through a variant's changes."""

    tables: Mapping[str, AxleTable]
    references: Mapping[str, Mapping[Side, Reference]]
    notes: tuple[str, ...] = ()


def build_car(file: HardPointFile, variant: str = AS_FOUND) -> Car:
    """The car as found, or one planned variant of it.

    Raises UnknownName, ModelFaults (what a change would make cannot be built), or CannotAssemble
    ("tie rod 3.2 mm short").
    """
    if variant == AS_FOUND:
        axles = _found(file)
        return car_of(file, AS_FOUND, "as found", axles.tables, axles.references, axles.notes)
    axles = _built(file, variant)
    title = file.variant(variant).title
    return car_of(file, variant, title, axles.tables, axles.references, axles.notes)


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
    axles = _built(file, since)
    rungs = [(since.replace("_", " "), axles)]
    for name in chain:
        for i, change in enumerate(file.variant(name).change):
            axles = _changed(file, f"variant.{name}.change[{i}]", change, axles)
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
    axles: _Axles

    def corner(self, axle: str, side: Side, shifts: Mapping[str, Array]) -> Corner:
        """One corner with shifts {point: (3,) mm in the car's frame}."""
        given = self.axles.references[axle]
        layout = layout_of(self.axles.tables[axle])
        reference = given[side] if side in given else next(iter(given.values())).mirrored(layout)
        moved = {name: frozen(reference.points[name] + by) for name, by in shifts.items()}
        renewed = replace(reference, points={**reference.points, **moved})
        return _corner(self.file, axle, self.axles.tables[axle], side, renewed)

    def remeasured(
        self,
        places: Mapping[str, Array],
        wheels: Mapping[str, tuple[float, float]],
        *,
        variant: str,
        title: str,
    ) -> Car:
        """The car as it was built: both sides on their own points.

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
        tables, notes = self.axles.tables, self.axles.notes
        return car_of(self.file, variant, title, tables, references, notes)

    def doubt(self, axle: str, points: Iterable[str]) -> dict[str, Array]:
        """One sigma (3,) mm of each point's coordinates, as the file gives it."""
        own, usual = self.axles.tables[axle].one_sigma, self.file.measured.one_sigma
        return {p: frozen(np.broadcast_to(own.get(p, usual), 3)) for p in points}


def rebuilder(file: HardPointFile, variant: str = AS_FOUND) -> Rebuilder:
    """For one variant; raises as `build_car` does."""
    return Rebuilder(file, _built(file, variant))


def _built(file: HardPointFile, variant: str) -> _Axles:
    if variant == AS_FOUND:
        return _found(file)
    table = file.variant(variant)
    axles = _built(file, table.on)
    for i, change in enumerate(table.change):
        axles = _changed(file, f"variant.{variant}.change[{i}]", change, axles)
    return axles


def _found(file: HardPointFile) -> _Axles:
    """The file's own points; from stands, let down to the ride-height damper length."""
    references: dict[str, Mapping[Side, Reference]] = dict(references_of(file))
    notes = []
    if file.measured.state == "on_stands":
        for name, table in file.axles.items():
            assert table.damper is not None
            ride = table.damper.length_at_ride_height
            assert ride is not None
            references[name] = {
                side: _let_down(file, name, table, side, ref, ride)
                for side, ref in references[name].items()
            }
            notes.append(f"{name}: measured on stands, moved to a damper length of {ride:g} mm")
    return _Axles(file.axles, references, tuple(notes))


def _changed(file: HardPointFile, key: str, change: ChangeTable, axles: _Axles) -> _Axles:
    before = axles.tables[change.axle]
    table, renewed = _patched(file, key, change, before)
    faults = axle_faults(f"{key} makes axle.{change.axle}", table, None, file.path.parent)
    if faults:
        raise ModelFaults(str(file.path), faults)
    references, notes = {}, []
    for side, reference in axles.references[change.axle].items():
        mine = _forget(reference, renewed)
        new = _moved_points(change, Side(table.side), side, mine)
        if change.how == "parts_kept":
            built = _kept(file, key, change, table, side, mine, new)
        else:
            built = _made(file, key, change, before, table, side, mine, new)
        references[side] = built
        notes.append(_note(change, reference, built))
    return _Axles(
        {**axles.tables, change.axle: table},
        {**axles.references, change.axle: references},
        (*axles.notes, *notes[:1]),
    )


def _patched(
    file: HardPointFile, key: str, change: ChangeTable, before: AxleTable
) -> tuple[AxleTable, frozenset[str]]:
    """The axle's tables with the change's keys in, and which bodies and joints it rewrote."""
    raw = before.model_dump(by_alias=True, exclude_unset=True)
    for name in ("wheel", "rack", "travel", "damper", "driveshaft"):
        patch = getattr(change, name)
        if patch:
            raw[name] = _merged(raw.get(name) or {}, patch)
    for name in ("joints", "bodies", "plates", "adjusters"):
        patch = getattr(change, name)
        if patch:
            old = dict(raw.get(name, {}))
            for item, keys in patch.items():
                fresh = "kind" in keys or item not in old
                old[item] = keys if fresh else _merged(old[item], keys)
            raw[name] = old
    for name, gone in (("bodies", change.remove_bodies), ("plates", change.remove_plates)):
        for item in gone:
            if item not in raw.get(name, {}):
                fault = Fault(f"{key}.remove_{name}", f"no '{item}' to remove", "check the name")
                raise ModelFaults(str(file.path), [fault])
            del raw[name][item]
    if change.remove_bodies:
        gone_names = set(change.remove_bodies)
        for pairs in ("gaps", "leave_out"):
            raw[pairs] = [g for g in raw.get(pairs, ()) if not gone_names & set(g["between"])]
    if change.gaps:
        fresh_pairs = {frozenset(g.between) for g in change.gaps}
        kept = [g for g in raw.get("gaps", ()) if frozenset(g["between"]) not in fresh_pairs]
        raw["gaps"] = [*kept, *(g.model_dump() for g in change.gaps)]
    if change.hold is not None:
        raw["hold"] = change.hold
    table, faults = table_faults(f"{key} makes axle.{change.axle}", AxleTable, raw)
    if table is None:
        raise ModelFaults(str(file.path), faults)
    rewritten = {*change.bodies, *(f"joint {p}" for p in change.joints)}
    rewritten |= {f"plate {p}" for p in change.plates}
    return table, frozenset(rewritten)


def _merged(old: Mapping[str, object], new: Mapping[str, object]) -> dict[str, object]:
    out = dict(old)
    for key, value in new.items():
        under = out.get(key)
        both = isinstance(under, Mapping) and isinstance(value, Mapping)
        out[key] = _merged(under, value) if both else value  # type: ignore[arg-type]
    return out


def _forget(reference: Reference, renewed: frozenset[str]) -> Reference:
    """Bodies and joints written anew stand where they are written, not carried from before."""
    kept = {name: m for name, m in reference.carried.items() if name not in renewed}
    return replace(reference, carried=kept)


def _moved_points(
    change: ChangeTable, given: Side, side: Side, reference: Reference
) -> dict[str, Array]:
    """All points with the change's own in place; a change is written for the axle's `side`."""
    points = dict(reference.points)
    for name, place in change.points.items():
        points[name] = frozen(place if side is given else mirrored(place))
    for name, shift in change.move.items():
        by = np.asarray(shift) if side is given else mirrored(shift)
        points[name] = frozen(points[name] + by)
    return points


# --- parts kept -------------------------------------------------------------------------------


def _kept(
    file: HardPointFile,
    key: str,
    change: ChangeTable,
    table: AxleTable,
    side: Side,
    before: Reference,
    points: Mapping[str, Array],
) -> Reference:
    corner = _corner(file, change.axle, table, side, before)
    solved = corner.layout.solved
    held = [p for p in (*change.points, *change.move) if corner.layout.owner(p) in solved]
    if held:
        part = corner.layout.owner(held[0])
        fault = Fault(
            f"{key}.points.{held[0]}",
            f"is on the {part.replace('_', ' ')}, which parts_kept does not change",
            f"move body-side points, or use made_to_fit and name '{part}' in parts",
        )
        raise ModelFaults(str(file.path), [fault])
    toe = change.reset_toe_in
    what = f"{file.path}: {key}"
    return reassembled(what, table, corner, before, points, toe_in_deg=toe, damper_mm=None)


def _let_down(
    file: HardPointFile,
    axle: str,
    table: AxleTable,
    side: Side,
    reference: Reference,
    ride_mm: float,
) -> Reference:
    corner = _corner(file, axle, table, side, reference)
    what = f"{file.path}: axle.{axle}.damper.length_at_ride_height"
    points = reference.points
    return reassembled(what, table, corner, reference, points, toe_in_deg=None, damper_mm=ride_mm)


# --- made to fit ------------------------------------------------------------------------------


def _made(
    file: HardPointFile,
    key: str,
    change: ChangeTable,
    old_table: AxleTable,
    table: AxleTable,
    side: Side,
    before: Reference,
    points: Mapping[str, Array],
) -> Reference:
    given = Side(table.side)
    new = dict(points)
    if "centre" in change.wheel:
        centre = table.wheel.centre
        new["wheel_centre"] = frozen(centre if side is given else mirrored(centre))
    old_rim, rim = old_table.wheel.rim, table.wheel.rim
    out = (rim.spacer - old_rim.spacer) - (rim.offset - old_rim.offset)
    if out:
        new["wheel_centre"] = frozen(new["wheel_centre"] + side.outboard * out * before.spin_axis)
    axis = before.spin_axis
    if {"camber", "toe_in"} & set(change.wheel):
        camber, toe_in = wheel_angles_deg(side, axis)
        axis = spin_axis(
            side,
            table.wheel.camber if "camber" in change.wheel else camber,
            table.wheel.toe_in if "toe_in" in change.wheel else toe_in,
        )
    reference = replace(before, points=new, spin_axis=axis)
    corner = _corner(file, change.axle, table, side, reference)
    faults = _untold(key, change, _corner(file, change.axle, old_table, side, before), corner, out)
    if faults:
        raise ModelFaults(str(file.path), faults)
    return reference


def _untold(
    key: str, change: ChangeTable, before: Corner, after: Corner, wheel_out_mm: float
) -> list[Fault]:
    """Parts whose size changes though the change does not say that they are made new."""
    layout = after.layout
    groups: dict[str, list[tuple[str, str]]] = {
        name: [(rod.inner, rod.outer)] for name, rod in layout.rods.items()
    }
    for name, arm in layout.arms.items():
        groups[name] = [(p, arm.ball) for p in arm.pivots]
    knuckle = [p for p in layout.on_knuckle if p in after.points]
    if not wheel_out_mm:
        knuckle.append("wheel_centre")
    groups[KNUCKLE] = list(combinations(knuckle, 2))
    for part in layout.carried:
        groups[part] = list(combinations(_on_part(layout, part), 2))
    known = [*groups, "body"]
    faults = [
        Fault(f"{key}.parts", f"no part '{p}'", f"known here: {', '.join(known)}")
        for p in change.parts
        if p not in known
    ]
    for part, pairs in groups.items():
        if part in change.parts:
            continue
        for a, b in pairs:
            d = after.distance_mm(a, b) - before.distance_mm(a, b)
            if abs(d) > SAME_PART_MM:
                faults.append(
                    Fault(
                        f"{key}.parts",
                        f"{part.replace('_', ' ')} would change: {a} to {b} {d:+.1f} mm",
                        f"add '{part}' if it is made new, or correct the points",
                    )
                )
                break
    if "body" not in change.parts:
        moved = [p for p in (*change.points, *change.move) if p in (*layout.fixed, *layout.on_rack)]
        faults += [
            Fault(f"{key}.parts", f"{p} moves on the body", "add 'body' to parts") for p in moved
        ]
    return faults


def _on_part(layout: Layout, part: str) -> list[str]:
    """Every hard point that fixes a solved part's size: its own, and where it is joined."""
    joined = [p for h in layout.hinges.values() if h.part == part for p in h.pivots]
    joined += [b.point for b in layout.balls.values() if b.part == part]
    return [*layout.carried[part], *joined]


# --- small things -----------------------------------------------------------------------------


def _corner(
    file: HardPointFile, axle: str, table: AxleTable, side: Side, reference: Reference
) -> Corner:
    built = axle_from(axle, table, {side: reference}, driven=False, folder=file.path.parent)
    return built.left if side is Side.LEFT else built.right


def _note(change: ChangeTable, before: Reference, after: Reference) -> str:
    how = "parts kept" if change.how == "parts_kept" else "part made to fit"
    moved = [
        f"{name.replace('_', ' ')} {length(after.points[name] - p):.1f} mm"
        for name, p in before.points.items()
        if length(after.points[name] - p) > 0.05
    ]
    title = change.title or "change"
    points = f"; moved: {', '.join(moved)}" if moved else ""
    return f"{change.axle} ({how}): {title}{points}"
