"""Bodies that the file places by points and coordinates -> solids on their parts."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from linkview.geometry import (
    Array,
    apply,
    apply_direction,
    best_fit,
    frozen,
    length,
    mirrored,
    mirrored_move,
    rigid,
    unit,
)
from linkview.model.bodies import Anchor, Body, Box, FittedPlace, MeshFile, Profile, Revolved, Tube
from linkview.model.bodytables import (
    BentTubeTable,
    BoxTable,
    CylinderTable,
    MeshTable,
    RodEndTable,
    TaperedTubeTable,
    TubeTable,
)
from linkview.model.layout import BODY, WHEEL_CENTRE, Layout
from linkview.model.matching import place_name
from linkview.model.reference import Placing
from linkview.units import MM_PER_UNIT

PlacedTable = (
    TubeTable
    | BentTubeTable
    | TaperedTubeTable
    | CylinderTable
    | RodEndTable
    | BoxTable
    | MeshTable
)
# Eye width over the ball and eye diameter by bore, mm: DIN ISO 12240-4 series K (secondary copy).
ROD_END_EYE_MM = {10: (14, 28), 12: (16, 32), 14: (19, 36), 16: (21, 42), 20: (25, 50)}


@dataclass(frozen=True, eq=False)
class PlacedBodies:
    """Makes the bodies of one side. folder: where the file's meshes are."""

    at: Placing
    layout: Layout
    folder: Path

    def body(self, name: str, table: PlacedTable) -> Body:
        """The solid as it stands at ride height, mm in the car's frame, on the part it rides on."""
        match table:
            case TubeTable():
                return self._tube(name, table)
            case BentTubeTable():
                anchors = tuple(Anchor(table.on, self.at.place(name, p)) for p in table.through)
                return Tube(name, table.on, anchors, table.radius)
            case CylinderTable():
                half, r = table.half_length, table.radius
                profile = Profile(frozen([[-half, 0.0], [half, 0.0], [half, r], [-half, r]]))
                axis = apply_direction(self.at.carried(name), self.at.direction(table.axis))
                return Revolved(
                    name, table.on, self.at.place(name, table.at), frozen(axis), (profile,)
                )
            case TaperedTubeTable():
                return self._tapered(name, table)
            case RodEndTable():
                half, r = (0.5 * size for size in ROD_END_EYE_MM[table.bore])
                profile = Profile(frozen([[-half, 0.0], [half, 0.0], [half, r], [-half, r]]))
                axis = apply_direction(self.at.carried(name), self.at.direction(table.bolt_axis))
                at = self.at.place(name, table.at)
                return Revolved(name, table.on, at, frozen(axis), (profile,))
            case BoxTable():
                ends = np.stack([self.at.place(name, table.low), self.at.place(name, table.high)])
                return Box(name, BODY, frozen(ends.min(axis=0)), frozen(ends.max(axis=0)))
            case MeshTable():
                return self._mesh(name, table)

    def _tube(self, name: str, table: TubeTable) -> Tube:
        a, b = self.at.place(name, table.from_), self.at.place(name, table.to)
        span = float(length(b - a))
        end = span - table.end_before if table.length is None else table.start + table.length
        along = unit(b - a)
        ends = (frozen(a + table.start * along), frozen(a + end * along))
        part, riding = self._tube_parts(table)
        anchors = tuple(Anchor(p, at) for p, at in zip(riding, ends, strict=True))
        return Tube(name, part, anchors, table.radius)

    def _tube_parts(self, table: TubeTable) -> tuple[str, tuple[str, str]]:
        """The part a tube belongs to, and the parts its two ends ride on."""
        a, b = table.from_, table.to
        if table.on is not None:
            return table.on, (table.on, table.on)
        assert isinstance(a, str)
        assert isinstance(b, str)
        layout, ends = self.layout, {a, b}
        for name, rod in layout.rods.items():
            if ends == {rod.inner, rod.outer}:
                return name, (name, name)
        for name, arm in layout.arms.items():
            if ends <= {*arm.pivots, arm.ball}:
                return name, (name, name)
        for name, strut in layout.struts.items():
            if ends == {strut.lower, strut.top}:
                # The tube's axis runs through the top mount, so a place on it measured from the
                # top stays on the shaft, one measured from below on the knuckle.
                ride = {strut.lower: layout.owner(strut.lower), strut.top: name}
                inside = table.length is not None
                return name, (ride[a], ride[a] if inside else ride[b])
        for name, span in layout.spans.items():
            if ends == {span.inner, span.outer} and a == span.inner:
                whole = table.length is None and not table.end_before
                return name, (name, layout.owner(b) if whole else name)
        return layout.owner(a), (layout.owner(a), layout.owner(b))

    def _tapered(self, name: str, table: TaperedTubeTable) -> Revolved:
        a, b = self.at.place(name, table.from_), self.at.place(name, table.to)
        span, r0, r1 = float(length(b - a)), table.radius_from, table.radius_to
        profile = Profile(frozen([[0.0, 0.0], [span, 0.0], [span, r1], [0.0, r0]]))
        return Revolved(name, table.on, a, frozen(unit(b - a)), (profile,))

    def _mesh(self, name: str, table: MeshTable) -> MeshFile:
        track = 2.0 * abs(float(self.at.reference.points[WHEEL_CENTRE][1]))
        return replace(self._placed_mesh(name, table), car_mm=0.0 if table.size_checked else track)

    def _placed_mesh(self, name: str, table: MeshTable) -> MeshFile:
        if table.matches:
            move, fitted = self._fitted(name, table)
            path, scale = (self.folder / table.file).resolve(), MM_PER_UNIT[table.unit]
            return MeshFile(name, table.on, path, scale, frozen(move), self.at.flip, fitted)
        x = unit(table.x_axis)
        y = np.asarray(table.y_axis, dtype=float)
        y = unit(y - (y @ x) * x)
        placed = rigid(np.stack([x, y, np.cross(x, y)], axis=1), np.asarray(table.place_at))
        carried = self.at.carried(name)
        return MeshFile(
            name,
            table.on,
            (self.folder / table.file).resolve(),
            MM_PER_UNIT[table.unit],
            frozen((mirrored_move(carried) if self.at.flip else carried) @ placed),
            mirrored=self.at.flip,
        )

    def _fitted(self, name: str, table: MeshTable) -> tuple[Array, tuple[FittedPlace, ...]]:
        """The placement that the matching places ask for, as the file shows the part."""
        marks = []
        for match in table.matches:
            if isinstance(match.car, str):
                here = self.at.reference.points[match.car]
                marks.append(mirrored(here) if self.at.flip else here)
            else:
                marks.append(apply(self.at.carried(name), np.asarray(match.car, dtype=float)))
        file = np.array([m.file for m in table.matches]) * MM_PER_UNIT[table.unit]
        move, _ = best_fit(file, np.array(marks))
        return move, tuple(
            FittedPlace(
                place_name(k, table.matches[k]), _three(mark), _three(apply(move, at) - mark)
            )
            for k, (at, mark) in enumerate(zip(file, marks, strict=True))
        )


def _three(v: Array) -> tuple[float, float, float]:
    x, y, z = (float(c) for c in v)
    return x, y, z
