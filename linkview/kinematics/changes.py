"""One planned change made to an axle: what it does to where the points stand.

parts_kept: body-side points move, every rod, arm and the knuckle keep their sizes, and the corner
re-assembles at the same wheel-centre height with the rack centred; camber and toe are results. The
tie rod is kept too, or screwed to a wanted toe.
made_to_fit: the points stand where the change puts them and the parts named are made to suit; a
part that is not named must come out the same size, or the change is refused with the difference.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np

from linkview.errors import CannotAssemble, Fault, ModelFaults, near_miss
from linkview.geometry import Array, frozen, length, mirrored
from linkview.kinematics.reassemble import reassembled
from linkview.model.build import axle_from
from linkview.model.faults import axle_faults
from linkview.model.free_layout import layout_of
from linkview.model.layout import KNUCKLE, Layout
from linkview.model.parts import Corner, Side
from linkview.model.read import HardPointFile
from linkview.model.reference import Reference, housing_of, spin_axis, wheel_angles_deg
from linkview.model.schema import AxleTable, ChangeTable
from linkview.model.wording import table_faults

# Two ways to measure one part agree this well with a tape under a car; see practice on measuring.
SAME_PART_MM = 0.5
SAME_LENGTH_MM = 1e-6


@dataclass(frozen=True, eq=False)
class Axles:
    """All axles part of the way through a variant's changes."""

    tables: Mapping[str, AxleTable]
    references: Mapping[str, Mapping[Side, Reference]]
    notes: tuple[str, ...] = ()


def changed(file: HardPointFile, key: str, change: ChangeTable, axles: Axles) -> Axles:
    """The axles with one change made; `key` is where it stands in the file.

    Raises ModelFaults (what it would make cannot be built) or CannotAssemble.
    """
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
    return Axles(
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
    rewritten |= {housing_of(p) for p in change.joints}
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
    corner = corner_of(file, change.axle, table, side, before)
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
    toe, lengths = change.reset_toe_in, change.lengths
    faults = _length_faults(key, change, corner.layout)
    if faults:
        raise ModelFaults(str(file.path), faults)
    what = f"{file.path}: {key}"
    built = reassembled(
        what, table, corner, before, points, toe_in_deg=toe, damper_mm=None, lengths=lengths
    )
    after = corner_of(file, change.axle, table, side, built)
    for name, wanted in lengths.items():
        rod = after.layout.rods[name]
        if abs(after.distance_mm(rod.inner, rod.outer) - wanted) > SAME_LENGTH_MM:
            raise CannotAssemble(f"{what}.lengths.{name}: its length settles nothing here")
    return built


def _length_faults(key: str, change: ChangeTable, layout: Layout) -> list[Fault]:
    out = [
        Fault(f"{key}.lengths.{name}", "is no link of this layout", near_miss(name, layout.rods))
        for name in change.lengths
        if name not in layout.rods
    ]
    if change.reset_toe_in is not None and layout.tie_rod in change.lengths:
        fix = "keep one of the two: the tie rod is screwed until the toe is right"
        out.append(Fault(f"{key}.lengths.{layout.tie_rod}", "given with reset_toe_in", fix))
    return out


def let_down(
    file: HardPointFile,
    axle: str,
    table: AxleTable,
    side: Side,
    reference: Reference,
    ride_mm: float,
) -> Reference:
    """A side measured on stands, with its damper at ride height's length. Raises CannotAssemble."""
    corner = corner_of(file, axle, table, side, reference)
    what = f"{file.path}: axle.{axle}.damper.length_at_ride_height"
    points = reference.points
    down = reassembled(what, table, corner, reference, points, toe_in_deg=None, damper_mm=ride_mm)
    # Nothing is known of how the joints stood on the stands: straight is at ride height.
    housings = {housing_of(point) for point in table.joints}
    carried = {n: m for n, m in down.carried.items() if n not in housings}
    return replace(down, carried=carried, loaded_mm=None)


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
    made = _made_straight(layout_of(table), table, change, before)
    loaded = None if "centre" in change.wheel else before.loaded_mm
    reference = replace(before, points=new, spin_axis=axis, carried=made, loaded_mm=loaded)
    corner = corner_of(file, change.axle, table, side, reference)
    faults = _untold(
        key, change, corner_of(file, change.axle, old_table, side, before), corner, out
    )
    if faults:
        raise ModelFaults(str(file.path), faults)
    return reference


def _made_straight(
    layout: Layout, table: AxleTable, change: ChangeTable, before: Reference
) -> dict[str, Array]:
    """What is carried on; a ball stud or housing that is made new is straight where it now is."""
    new = {
        housing_of(point)
        for point in table.joints
        if {layout.owner(point), layout.member_at(point)} & set(change.parts)
    }
    return {name: m for name, m in before.carried.items() if name not in new}


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


def corner_of(
    file: HardPointFile, axle: str, table: AxleTable, side: Side, reference: Reference
) -> Corner:
    """One side's corner of an axle's table and reference points."""
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
