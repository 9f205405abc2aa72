"""Tables of a hard-point file -> the frozen `Car`."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from linkview.geometry import apply_direction, frozen, unit
from linkview.model.axletables import HoseTable, JointTable, WheelTable
from linkview.model.bodies import Anchor, Body, WantedGap
from linkview.model.bodytables import BodyTable
from linkview.model.free_layout import layout_of
from linkview.model.keys import PointOrPosition
from linkview.model.layout import BODY, Layout
from linkview.model.made_bodies import Hung, MadeTable, fit_together, made_bodies
from linkview.model.parts import (
    Axle,
    ColumnJoint,
    Corner,
    Damper,
    Driveshaft,
    Hold,
    Hose,
    JointKind,
    JointLimit,
    Rack,
    Rim,
    Side,
    Spring,
    Travel,
    Tyre,
    Wheel,
    floor_radius_mm,
)
from linkview.model.placed_bodies import PlacedBodies
from linkview.model.reference import Placing, Reference, housing_of
from linkview.model.schema import AxleTable
from linkview.model.wheels import rim_body, tyre_body, tyre_of_code


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
    """Makes one corner; what the file gives for the other side is mirrored."""

    axle: str
    table: AxleTable
    side: Side
    reference: Reference
    folder: Path

    @property
    def placing(self) -> Placing:
        return Placing(self.reference, self.side is not Side(self.table.side))

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
        given = table.loaded_radius or self.reference.loaded_mm
        if given:
            return Wheel(centre, axis, given, tyre, rim)
        return Wheel(centre, axis, float(floor_radius_mm(centre, axis)[0]), tyre, rim, True)

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
            return Anchor(on, self.placing.place(f"hose {name}", where))

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
        table = self.table.driveshaft
        if table is None:
            return None
        return Driveshaft(
            self.placing.direction(table.inner_axis),
            table.max_angle_inner,
            table.max_angle_outer,
            table.plunge_each_way,
            table.nominal_length,
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
        here = self.placing
        written = here.direction(axis)
        turned = frozen(apply_direction(here.carried(f"joint {point}"), written))
        housing = None
        if kind is JointKind.BALL_STUD and housing_of(point) in self.reference.carried:
            housing = frozen(apply_direction(here.carried(housing_of(point)), written))
        return JointLimit(point, kind, turned, owner, member, limit, housing)

    def bodies(self, name: str, table: BodyTable) -> tuple[Body, ...]:
        if isinstance(table, MadeTable):
            points = self.reference.points
            on = Hung(self.layout, points, self.wheel(), self.side, self.driveshaft())
            return made_bodies(name, table, on)
        return (PlacedBodies(self.placing, self.layout, self.folder).body(name, table),)


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
