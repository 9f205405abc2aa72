"""Tables of a hard-point file -> the frozen `Car`.

A `Reference` is where one side's points stand at ride height. It starts as the file gives it and
moves on when a variant re-assembles the corner; bodies and joint axes that the file places by
coordinates are carried along with their part.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
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
from linkview.model.free_layout import layout_of
from linkview.model.layout import BODY, OTHER_WHEEL_CENTRE, WHEEL_CENTRE, Layout
from linkview.model.made_bodies import Hung, MadeTable, fit_together, made_bodies
from linkview.model.parts import (
    Anchor,
    Axle,
    Body,
    Box,
    ColumnJoint,
    Corner,
    Damper,
    Driveshaft,
    Hold,
    Hose,
    JointKind,
    JointLimit,
    MeshFile,
    Profile,
    Rack,
    Revolved,
    Rim,
    Side,
    Spring,
    Travel,
    Tube,
    Tyre,
    WantedGap,
    Wheel,
)
from linkview.model.schema import (
    AxleTable,
    BentTubeTable,
    BodyTable,
    BoxTable,
    CylinderTable,
    HoseTable,
    JointTable,
    MeshTable,
    PointOrPosition,
    RodEndTable,
    TaperedTubeTable,
    TubeTable,
    WheelTable,
)
from linkview.model.wheels import rim_body, tyre_body, tyre_of_code
from linkview.units import MM_PER_UNIT, to_deg, to_rad

BodyKinds = (
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
class Reference:
    """One side at ride height, rack centred.

    points: name -> (3,) mm, `wheel_centre` among them. spin_axis (3,) unit, to the car's left.
    carried: body name, or 'joint POINT', -> (4, 4) move since its coordinates were written.
    """

    points: Mapping[str, Array]
    spin_axis: Array
    carried: Mapping[str, Array] = field(default_factory=dict)

    def mirrored(self, layout: Layout) -> Reference:
        """The other side of a symmetric axle; the spin axis still points to the car's left.

        Points that belong to the whole axle stay where they are.
        """
        return Reference(
            {n: p if n in layout.shared else frozen(mirrored(p)) for n, p in self.points.items()},
            frozen(-mirrored(self.spin_axis)),
            {name: mirrored_move(m) for name, m in self.carried.items()},
        )


def spin_axis(side: Side, camber_deg: float, toe_in_deg: float) -> Array:
    """The wheel's axis (3,), pointing to the car's left, from what a level and a toe gauge read.

    camber: lean square to the wheel's own heading, + top outboard. toe_in: + front of the wheel
    toward the car.
    """
    steer = -side.outboard * to_rad(toe_in_deg)
    lean = to_rad(camber_deg)
    return frozen(
        [
            -np.sin(steer) * np.cos(lean),
            np.cos(steer) * np.cos(lean),
            -side.outboard * np.sin(lean),
        ]
    )


def wheel_angles_deg(side: Side, axis: Array) -> tuple[float, float]:
    """Camber and toe-in, degrees, of a spin axis: the inverse of `spin_axis`."""
    camber = -side.outboard * np.arcsin(axis[2])
    toe_in = -side.outboard * np.arctan2(-axis[0], axis[1])
    return float(to_deg(camber)), float(to_deg(toe_in))


def given_references(table: AxleTable) -> dict[Side, Reference]:
    """The sides that the file itself gives: one, or both where both were measured."""
    if table.points_left or table.points_right:
        sides = {Side.LEFT: table.points_left, Side.RIGHT: table.points_right}
        wheels = {Side.LEFT: table.wheel_left, Side.RIGHT: table.wheel_right}
    else:
        sides, wheels = {Side(table.side): table.points}, {}
    out = {}
    for side, points in sides.items():
        wheel = wheels.get(side) or table.wheel
        centre = np.asarray(wheel.centre)
        if wheel is table.wheel and side is not Side(table.side):
            centre = mirrored(centre)
        places = {name: frozen(p) for name, p in points.items()}
        places[WHEEL_CENTRE] = frozen(centre)
        if layout_of(table).level:
            places[OTHER_WHEEL_CENTRE] = frozen(mirrored(centre))
        out[side] = Reference(places, spin_axis(side, wheel.camber, wheel.toe_in))
    return out


def axle_from(
    name: str,
    table: AxleTable,
    references: Mapping[Side, Reference],
    *,
    driven: bool,
    folder: Path,
) -> Axle:
    """Both corners of an axle; a side that was not measured is the other one's mirror."""
    corners = {}
    for side in Side:
        reference = references.get(side)
        if reference is None:
            reference = next(iter(references.values())).mirrored(layout_of(table))
        corners[side] = _Builder(name, table, side, reference, folder).corner()
    return Axle(
        name=name,
        left=corners[Side.LEFT],
        right=corners[Side.RIGHT],
        # Points that belong to the whole axle make its two sides differ.
        symmetric=len(references) == 1 and not layout_of(table).shared,
        hold=Hold(table.hold),
        min_toggle_deg=table.min_toggle_angle,
        wanted_gaps=tuple(WantedGap(frozenset(g.between), g.at_least) for g in table.gaps),
        unsprung_kg=table.unsprung_kg,
        driven=driven,
        plates=dict(table.plates),
        left_out={
            **fit_together(table.bodies),
            **{frozenset(o.between): o.because for o in table.leave_out},
        },
        adjusters=dict(table.adjusters),
        wanted=table.wanted,
        given_side=Side(table.side),
        may_move=dict(table.may_move),
        aims=table.aims,
    )


@dataclass(frozen=True, eq=False)
class _Builder:
    """Makes one corner; `flip` mirrors what the file gives for the other side."""

    axle: str
    table: AxleTable
    side: Side
    reference: Reference
    folder: Path

    @property
    def flip(self) -> bool:
        return self.side is not Side(self.table.side)

    @property
    def layout(self) -> Layout:
        return layout_of(self.table)

    def corner(self) -> Corner:
        t, points = self.table, self.reference.points
        wheel = self.wheel()
        outboard = self.side.outboard * self.reference.spin_axis
        return Corner(
            axle=self.axle,
            side=self.side,
            layout=self.layout,
            points=points,
            wheel=wheel,
            rack=self.rack(),
            travel=Travel(t.travel.droop, t.travel.bump),
            joints=tuple(self.joint(p, j) for p, j in t.joints.items()),
            damper=self.damper(),
            driveshaft=self.driveshaft(),
            bodies=(
                tyre_body(wheel, outboard),
                rim_body(wheel, outboard),
                *(one for name, b in t.bodies.items() for one in self.bodies(name, b)),
            ),
            carried=self.reference.carried,
            hoses=tuple(self.hose(name, h) for name, h in t.hoses.items()),
            bar_rate_n_mm_per_deg=t.anti_roll_bar.rate_n_mm_per_deg if t.anti_roll_bar else None,
        )

    def wheel(self) -> Wheel:
        table = self.table.wheel
        centre, axis = self.reference.points["wheel_centre"], self.reference.spin_axis
        tyre, rim_in = section_of(table)
        rim = Rim(
            table.rim.width_in,
            table.rim.diameter_in or rim_in,
            table.rim.offset,
            table.rim.spacer,
            table.rim.spokes,
            table.rim.spoke_thickness,
        )
        # The wheel plane's steepest line from the centre down to z = 0 (ground at ride height).
        loaded = table.loaded_radius or float(centre[2] / np.sqrt(1.0 - axis[2] ** 2))
        return Wheel(centre, axis, loaded, tyre, rim)

    def rack(self) -> Rack | None:
        table = self.table.rack
        if table is None:
            return None
        axis = unit(table.axis)
        # + is to the car's left on both sides; the rack is one bar, so it is never mirrored.
        column = tuple(ColumnJoint(j.angle, j.phase) for j in table.column)
        left = frozen(axis * np.sign(axis[1]))
        return Rack(left, table.stop, table.working, table.mm_per_turn, column)

    def hose(self, name: str, table: HoseTable) -> Hose:
        def end(where: PointOrPosition, part: str) -> Anchor:
            on = self.layout.owner(where) if isinstance(where, str) else part
            return Anchor(on, self.place(f"hose {name}", where))

        return Hose(name, (end(table.from_, BODY), end(table.to, table.on)), table.free_length)

    def damper(self) -> Damper | None:
        table = self.table.damper
        if table is None:
            return None
        s, spring = table.spring, None
        if s is not None:
            spring = Spring(s.rate_n_per_mm, s.free_length, s.solid_length, s.length_at_ride_height)
        return Damper(table.min_length, table.max_length, spring)

    def driveshaft(self) -> Driveshaft | None:
        table, points = self.table.driveshaft, self.reference.points
        if table is None:
            return None
        nominal = table.nominal_length or float(length(points["cv_outer"] - points["cv_inner"]))
        return Driveshaft(
            self.direction(table.inner_axis),
            table.max_angle_inner,
            table.max_angle_outer,
            table.plunge_each_way,
            nominal,
        )

    def joint(self, point: str, table: JointTable) -> JointLimit:
        owner, member = self.layout.owner(point), self.layout.member_at(point) or point
        if table.bolt_axis is not None:
            kind, axis, limit = JointKind.ROD_END, table.bolt_axis, table.max_misalignment
        elif table.stud_axis is not None:
            kind, axis, limit = JointKind.BALL_STUD, table.stud_axis, table.max_angle
        elif table.axis == "strut":
            strut = self.layout.struts[member]
            points = self.reference.points
            straight = frozen(unit(points[strut.top] - points[strut.lower]))
            assert table.max_angle is not None
            return JointLimit(point, JointKind.BEARING, straight, BODY, member, table.max_angle)
        else:
            assert table.axis is not None
            kind, axis, limit = JointKind.INNER_JOINT, table.axis, table.max_angle
        assert limit is not None
        turned = apply_direction(self.carried(f"joint {point}"), self.direction(axis))
        return JointLimit(point, kind, frozen(turned), owner, member, limit)

    # -- bodies ----------------------------------------------------------------------------

    def bodies(self, name: str, table: BodyTable) -> tuple[Body, ...]:
        if isinstance(table, MadeTable):
            points = self.reference.points
            on = Hung(self.layout, points, self.wheel(), self.side, self.driveshaft())
            return made_bodies(name, table, on)
        return (self.body(name, table),)

    def body(
        self,
        name: str,
        table: BodyKinds,
    ) -> Body:
        match table:
            case TubeTable():
                return self.tube(name, table)
            case BentTubeTable():
                anchors = tuple(Anchor(table.on, self.place(name, p)) for p in table.through)
                return Tube(name, table.on, anchors, table.radius)
            case CylinderTable():
                half, r = table.half_length, table.radius
                profile = Profile(frozen([[-half, 0.0], [half, 0.0], [half, r], [-half, r]]))
                axis = apply_direction(self.carried(name), self.direction(table.axis))
                return Revolved(
                    name, table.on, self.place(name, table.at), frozen(axis), (profile,)
                )
            case TaperedTubeTable():
                return self.tapered(name, table)
            case RodEndTable():
                half, r = (0.5 * size for size in ROD_END_EYE_MM[table.bore])
                profile = Profile(frozen([[-half, 0.0], [half, 0.0], [half, r], [-half, r]]))
                axis = apply_direction(self.carried(name), self.direction(table.bolt_axis))
                at = self.place(name, table.at)
                return Revolved(name, table.on, at, frozen(axis), (profile,))
            case BoxTable():
                ends = np.stack([self.place(name, table.low), self.place(name, table.high)])
                return Box(name, BODY, frozen(ends.min(axis=0)), frozen(ends.max(axis=0)))
            case MeshTable():
                return self.mesh(name, table)

    def tube(self, name: str, table: TubeTable) -> Tube:
        a, b = self.place(name, table.from_), self.place(name, table.to)
        span = float(length(b - a))
        end = span - table.end_before if table.length is None else table.start + table.length
        along = unit(b - a)
        ends = (frozen(a + table.start * along), frozen(a + end * along))
        part, riding = self.tube_parts(table)
        anchors = tuple(Anchor(p, at) for p, at in zip(riding, ends, strict=True))
        return Tube(name, part, anchors, table.radius)

    def tube_parts(self, table: TubeTable) -> tuple[str, tuple[str, str]]:
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

    def tapered(self, name: str, table: TaperedTubeTable) -> Revolved:
        a, b = self.place(name, table.from_), self.place(name, table.to)
        span, r0, r1 = float(length(b - a)), table.radius_from, table.radius_to
        profile = Profile(frozen([[0.0, 0.0], [span, 0.0], [span, r1], [0.0, r0]]))
        return Revolved(name, table.on, a, frozen(unit(b - a)), (profile,))

    def fitted(self, name: str, table: MeshTable) -> tuple[Array, tuple[float, ...]]:
        """The placement that the matching places ask for, as the file shows the part."""
        marks = []
        for match in table.matches:
            if isinstance(match.car, str):
                here = self.reference.points[match.car]
                marks.append(mirrored(here) if self.flip else here)
            else:
                marks.append(apply(self.carried(name), np.asarray(match.car, dtype=float)))
        file = np.array([m.file for m in table.matches]) * MM_PER_UNIT[table.unit]
        move, off = best_fit(file, np.array(marks))
        return move, tuple(float(v) for v in off)

    def mesh(self, name: str, table: MeshTable) -> MeshFile:
        track = 2.0 * abs(float(self.reference.points[WHEEL_CENTRE][1]))
        return replace(self.placed_mesh(name, table), car_mm=0.0 if table.size_checked else track)

    def placed_mesh(self, name: str, table: MeshTable) -> MeshFile:
        if table.matches:
            move, off = self.fitted(name, table)
            path, scale = (self.folder / table.file).resolve(), MM_PER_UNIT[table.unit]
            return MeshFile(name, table.on, path, scale, frozen(move), self.flip, off)
        x = unit(table.x_axis)
        y = np.asarray(table.y_axis, dtype=float)
        y = unit(y - (y @ x) * x)
        placed = rigid(np.stack([x, y, np.cross(x, y)], axis=1), np.asarray(table.place_at))
        carried = self.carried(name)
        return MeshFile(
            name,
            table.on,
            (self.folder / table.file).resolve(),
            MM_PER_UNIT[table.unit],
            frozen((mirrored_move(carried) if self.flip else carried) @ placed),
            mirrored=self.flip,
        )

    # -- places and directions ----------------------------------------------------------------

    def carried(self, what: str) -> Array:
        return self.reference.carried.get(what, np.eye(4))

    def place(self, body: str, where: PointOrPosition) -> Array:
        if isinstance(where, str):
            return self.reference.points[where]
        here = mirrored(where) if self.flip else np.asarray(where, dtype=float)
        return frozen(apply(self.carried(body), here))

    def direction(self, along: tuple[float, float, float]) -> Array:
        return frozen(unit(mirrored(along) if self.flip else along))


def section_of(table: WheelTable) -> tuple[Tyre, float]:
    """The tyre's section and rim diameter (inches): the size code, each measured value on top."""
    rim_in = table.rim.diameter_in or 0.0
    base: Tyre | None = None
    if table.tyre_code is not None:
        base, rim_in = tyre_of_code(table.tyre_code, table.rim.width_in)
    t = table.tyre

    def pick(measured: float | None, coded: str) -> float:
        if measured is not None:
            return measured
        assert base is not None  # faults.py has asked for a code or all four
        return float(getattr(base, coded))

    tyre = Tyre(
        pick(t.outer_radius, "outer_radius_mm") + t.growth,
        pick(t.inner_radius, "inner_radius_mm"),
        pick(t.half_width, "half_width_mm") + t.bulge,
        pick(t.shoulder_radius, "shoulder_radius_mm"),
        table.tyre_code or "",
    )
    return tyre, rim_in


def rides_on(table: AxleTable, body: str) -> str:
    """The part that carries a body placed by coordinates, or a joint's axis ('joint POINT')."""
    layout = layout_of(table)
    if body.startswith("joint "):
        return layout.owner(body.removeprefix("joint "))
    if body.startswith("hose "):
        return table.hoses[body.removeprefix("hose ")].on
    on = getattr(table.bodies[body], "on", None)
    return on if on is not None else BODY
