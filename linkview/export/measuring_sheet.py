"""The measuring sheet: one page with what to measure on the car, in which order, and boxes."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

from linkview.export.blocks import (
    BOX,
    Block,
    Column,
    Document,
    Figures,
    Heading,
    Para,
    Row,
    Table,
    Tone,
)
from linkview.export.identity import Identity, running_foot, running_head
from linkview.export.line_drawings import lines_between, points_sketch
from linkview.geometry import length
from linkview.model.parts import Car, Corner
from linkview.model.wording import spoken


def measuring_paper(car: Car, identity: Identity) -> Document:
    """One page for the whole car: numbered hard points and distances, with boxes to write in.

    Numbers run through all axles in the order of measuring.
    """
    numbers = _numbered(car)
    many = len(car.axles) > 1
    size = (60.0, 52.0) if many else (86.0, 56.0)
    drawings = []
    for axle in car.axles.values():
        which = f"{axle.name.capitalize()} left" if many else "Left side"
        own = {n: number for (name, n), number in numbers.items() if name == axle.name}
        for axes, flip, words in (
            ((0, 2), (-1, 1), "seen from the left: forward is to the left."),
            ((1, 2), (1, 1), "seen from the front: outboard is to the right."),
        ):
            drawings.append(
                (points_sketch(axle.left, own, axes, flip, size=size), f"{which}, {words}")
            )
    blocks: list[Block] = [
        Heading("Measuring sheet", 0),
        Para(
            f"{identity.car}. Car level, {car.measured_state.replace('_', ' ')}, tyres at "
            "pressure, wheels straight. x forward, y to the driver's left, z up, mm from one "
            "datum: write down which. Measure each point at the joint's centre, in this order."
        ),
        *(Figures(tuple(drawings[k : k + 4])) for k in range(0, len(drawings), 4)),
        Table(_POINT_COLUMNS, tuple(_point_rows(car, numbers))),
        Heading("Distances that must come out, whatever the datum", 2),
        Table(_DISTANCE_COLUMNS, tuple(_distance_rows(car, numbers))),
        Para(
            "A distance that differs from the one between the written points by more than 3 mm "
            "means: measure both points again. Datum, measured by, with what, on which day: "
            "______________________________________",
            Tone.NOTE,
        ),
    ]
    return Document(
        f"{identity.car}: measuring sheet",
        running_head(identity),
        running_foot(identity),
        tuple(blocks),
        one_page=True,
    )


_Numbers = dict[tuple[str, str], int]  # axle and hard point -> its number on the sheet


def _numbered(car: Car) -> _Numbers:
    order = [(axle.name, n) for axle in car.axles.values() for n in _in_order(axle.left)]
    return {who: number for number, who in enumerate(order, start=1)}


def _in_order(corner: Corner) -> list[str]:
    """From the body outward and from below upward, the wheel centre last."""
    on_body = {n for n in corner.points if corner.layout.owner(n) in ("body", "rack")} - {
        "wheel_centre"
    }
    rest = [n for n in corner.points if n not in on_body and n != "wheel_centre"]
    height = {n: float(at[2]) for n, at in corner.points.items()}
    return [*sorted(on_body, key=height.__getitem__), *sorted(rest, key=height.__getitem__),
            "wheel_centre"]  # fmt: skip


_POINT_COLUMNS = (
    Column("no.", 1.0, True),
    Column("hard point", 4.6),
    Column("in the file, left: x, y, z", 4.4, True),
    *(Column(f"{s} {a}", 1.8) for s in ("left", "right") for a in "xyz"),
)
_DISTANCE_COLUMNS = (
    Column("between", 5.4),
    Column("in the file, left", 2.2, True),
    Column("measured left", 2.4),
    Column("in the file, right", 2.2, True),
    Column("measured right", 2.4),
)


def _point_rows(car: Car, numbers: _Numbers) -> Iterator[Row]:
    for (axle, name), number in numbers.items():
        at = ", ".join(f"{v:.1f}" for v in car.axles[axle].left.points[name])
        yield Row((str(number), _of_axle(car, axle, name), at, *[BOX] * 6))


def _of_axle(car: Car, axle: str, name: str) -> str:
    return f"{axle}: {spoken(name)}" if len(car.axles) > 1 else spoken(name)


def _distance_rows(car: Car, numbers: _Numbers) -> Iterator[Row]:
    for name, axle in car.axles.items():
        for a, b in lines_between(axle.left):
            mine, other = (float(length(c.points[a] - c.points[b])) for c in axle.corners)
            who = f"{numbers[name, a]} to {numbers[name, b]}"
            yield _distance(f"{who}: {_of_axle(car, name, a)} to {spoken(b)}", mine, other)
        centres = [c.points["wheel_centre"] for c in axle.corners]
        across = f"{float(length(centres[0] - centres[1])):.1f}"
        yield Row((_of_axle(car, name, "wheel centres, left to right"), across, BOX, "", ""))
        first = _in_order(axle.left)[0]
        ends = [(axle.left, axle.right), (axle.right, axle.left)]
        crosswise = [float(length(a.points[first] - b.points["wheel_centre"])) for a, b in ends]
        number = numbers[name, first]
        words = f"crosswise: {number} on this side to the other side's wheel centre"
        yield _distance(_of_axle(car, name, words), *crosswise)
    axles = list(car.axles.values())
    for ahead, behind in pairwise(axles):
        mine, other = (
            float(length(a.points["wheel_centre"] - b.points["wheel_centre"]))
            for a, b in zip(ahead.corners, behind.corners, strict=True)
        )
        yield _distance(f"wheel centre, {ahead.name} to {behind.name}", mine, other)


def _distance(words: str, left: float, right: float) -> Row:
    return Row((words, f"{left:.1f}", BOX, f"{right:.1f}", BOX))
