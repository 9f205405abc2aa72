"""What a layout is made of: parts that are solved for, parts that are carried, joints.

It holds no equations: `kinematics/corner.py` turns every joint into rows by its type.

Parts that every layout has without saying so:
    body    the car's shell and subframe; does not move
    rack    the steering rack's bar; slides along its axis, + toward the car's left
    wheel   rim and tyre; moves with the knuckle (its spin is not modelled)
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

BODY, RACK, KNUCKLE, WHEEL = "body", "rack", "knuckle", "wheel"
FREE = "free"  # the name of a layout that the file lists itself
WHEEL_CENTRE, OTHER_WHEEL_CENTRE = "wheel_centre", "other_wheel_centre"


@dataclass(frozen=True)
class Rod:
    """A link with a ball at each end: holds one distance."""

    inner: str
    outer: str


@dataclass(frozen=True)
class Arm:
    """An arm hinged on two pivots that carries one ball and nothing else: holds two distances."""

    pivots: tuple[str, str]
    ball: str


@dataclass(frozen=True)
class Strut:
    """A damper that slides in its tube: the tube's axis runs through the top.

    lower and top are hard points on that axis; the axis is fixed to the part that carries lower,
    the top is a ball on the part that carries it.
    """

    lower: str
    top: str


@dataclass(frozen=True)
class Hinge:
    """A part that turns about the line through two hard points of another."""

    part: str
    pivots: tuple[str, str]


@dataclass(frozen=True)
class Ball:
    """A part that is tied by a ball to the one that carries the hard point."""

    part: str
    point: str


@dataclass(frozen=True)
class OnLine:
    """A hard point of one part that slides along a line of another.

    The line runs through where the point was measured, parallel to the two points given.
    """

    point: str
    line: tuple[str, str]


@dataclass(frozen=True)
class Layout:
    """Parts and joints of one corner, or of a whole beam axle.

    fixed, on_rack, on_knuckle: which part owns each hard point.
    carried: further parts that are solved for together with the knuckle -> the points they own.
    hinges, balls, lines: the joints of the solved parts, by name.
    rods, arms, struts: parts that only tie others together, by name; their pose follows.
    spans: parts whose length is free (damper body and shaft, driveshaft): each stands at its inner
    point and looks at its outer one; left out where the file gives no such points.
    damper: the two points whose distance is the damper's length; None where there is none.
    steering_axis: two hard points on the drawn steering axis, lower first, or None (unsteered, or
    instantaneous).
    tie_rod: the name of the rod that steers the knuckle, or None.
    steered: without a rack, the hard point whose way along the rack's axis is the steering input
    (a pitman arm's ball), else None.
    level: a beam axle: both wheels ride on the knuckle part and are kept at one height.
    shared: points that belong to the axle, not to a side; they are never mirrored.
    optional: points a file may leave out.
    """

    name: str
    title: str
    fixed: tuple[str, ...]
    on_knuckle: tuple[str, ...]
    on_rack: tuple[str, ...] = ()
    carried: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    hinges: Mapping[str, Hinge] = field(default_factory=dict)
    balls: Mapping[str, Ball] = field(default_factory=dict)
    lines: Mapping[str, OnLine] = field(default_factory=dict)
    rods: Mapping[str, Rod] = field(default_factory=dict)
    arms: Mapping[str, Arm] = field(default_factory=dict)
    struts: Mapping[str, Strut] = field(default_factory=dict)
    spans: Mapping[str, Rod] = field(default_factory=dict)
    damper: tuple[str, str] | None = None
    steering_axis: tuple[str, str] | None = None
    tie_rod: str | None = None
    steered: str | None = None
    level: bool = False
    shared: tuple[str, ...] = ()
    optional: tuple[str, ...] = ()

    @property
    def called(self) -> str:
        """For a sentence: 'a strut', 'a free layout'."""
        return f"a {self.name}{' layout' if self.name == FREE else ''}"

    @property
    def points(self) -> tuple[str, ...]:
        """Every hard point the layout knows."""
        carried = (p for points in self.carried.values() for p in points)
        return (*self.fixed, *self.on_rack, *self.on_knuckle, *carried)

    @property
    def solved(self) -> tuple[str, ...]:
        """The parts whose pose is solved for, the knuckle first."""
        return (KNUCKLE, *self.carried)

    @property
    def parts(self) -> tuple[str, ...]:
        """Every part, the moving ones after the body and rack."""
        rack = (RACK,) if self.on_rack else ()
        solved = (*rack, KNUCKLE, WHEEL, *self.carried)
        return (BODY, *solved, *self.arms, *self.rods, *self.struts, *self.spans)

    @property
    def steers(self) -> bool:
        """Whether there is a steering input."""
        return bool(self.on_rack) or self.steered is not None

    def owner(self, point: str) -> str:
        """The part that carries a hard point, whatever else is joined there."""
        if point in self.on_knuckle or point in (WHEEL_CENTRE, OTHER_WHEEL_CENTRE):
            return KNUCKLE
        for part, points in self.carried.items():
            if point in points:
                return part
        return RACK if point in self.on_rack else BODY

    def ends_ride(self, a: str, b: str) -> tuple[str, str]:
        """The parts that stand at two points and look along the line between them.

        A strut's lower end is fixed to the part that carries it; where no part looks along, the
        points' own.
        """
        for name, strut in self.struts.items():
            if {a, b} == {strut.lower, strut.top}:
                ride = {strut.lower: self.owner(strut.lower), strut.top: name}
                return ride[a], ride[b]
        spans = {(s.inner, s.outer): name for name, s in self.spans.items()}
        return spans.get((a, b), self.owner(a)), spans.get((b, a), self.owner(b))

    def member_at(self, point: str) -> str | None:
        """The carried part that is joined to its neighbour at this hard point, if any."""
        return next((member for member, at in self._members() if at == point), None)

    def joined_at(self, part: str) -> dict[str, str]:
        """Joints of one part: hard point -> the part on the other side."""
        joints: dict[str, str] = {}
        strut_feet = [(name, strut.lower) for name, strut in self.struts.items()]
        spans = [(n, p) for n, span in self.spans.items() for p in (span.inner, span.outer)]
        for member, point in (*spans, *self._members(), *strut_feet):
            other = self.owner(point)
            if part == member:
                joints[point] = other
            elif part == other:
                joints[point] = member
        return joints

    def ends(self) -> Iterator[tuple[str, str, str]]:
        """Every pair of points that must stand apart: name of the part or joint, two points."""
        for name, rod in {**self.rods, **self.spans}.items():
            yield name, rod.inner, rod.outer
        for name, arm in self.arms.items():
            yield from ((name, pivot, arm.ball) for pivot in arm.pivots)
            yield (name, *arm.pivots)
        for name, strut in self.struts.items():
            yield name, strut.lower, strut.top
        for name, hinge in self.hinges.items():
            yield (name, *hinge.pivots)
        for name, line in self.lines.items():
            yield (name, *line.line)
        if self.steering_axis is not None:
            yield ("steering_axis", *self.steering_axis)

    def _members(self) -> Iterator[tuple[str, str]]:
        """Every part with each of the hard points at which it is joined to another's."""
        for name, rod in self.rods.items():
            yield from ((name, rod.inner), (name, rod.outer))
        for name, arm in self.arms.items():
            yield from ((name, p) for p in (*arm.pivots, arm.ball))
        for name, strut in self.struts.items():
            yield name, strut.top
        for ball in self.balls.values():
            yield ball.part, ball.point
        for hinge in self.hinges.values():
            yield from ((hinge.part, p) for p in hinge.pivots)
        for line in self.lines.values():
            yield self.owner(line.line[0]), line.point
