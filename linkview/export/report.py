"""The report for the builder and the inspector, who needs not know the program to follow it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

from linkview.export.blocks import (
    Block,
    Bullets,
    CautionBox,
    Column,
    Document,
    Heading,
    NewPage,
    Para,
    Picture,
    Row,
    Signatures,
    Table,
    Tone,
)
from linkview.export.captions import DRAWN_PLAINLY
from linkview.export.cautions import CAUTIONS
from linkview.export.identity import Identity, running_foot, running_head
from linkview.export.report_axle import axle_blocks
from linkview.export.setup_sheet import setup_blocks
from linkview.geometry import length
from linkview.model.parts import Car
from linkview.model.wording import spoken
from linkview.study import CarStudy

HOW_TO_READ = (
    "x runs forward, y to the driver's left, z up, all in millimetres from the file's own datum; "
    "left and right are the driver's.",
    "Travel is the wheel centre's height against the body, + bump, - droop, 0 at ride height. Rack "
    "is the rack bar's way, + to the car's left, 0 straight ahead.",
    "Camber: + top of the wheel outboard. Toe-in: + front of the wheel toward the car, one wheel. "
    "Caster: + steering axis leaning rearward at its top.",
    "A gap is the shortest distance between two bodies at the poses that were computed. 'Unknown' "
    "means not measured; it never means clear.",
)


def report_paper(
    study: CarStudy,
    found: CarStudy,
    identity: Identity,
    *,
    pictures: Sequence[Picture] = (),
    as_built: Sequence[Block] = (),
) -> Document:
    """study: what is planned; found: the car as found, moved the same way. as_built: pages that
    hold the finished car against it, before the closing."""
    blocks: list[Block] = [*_opening(study, identity)]
    blocks += _moved_points(study.car, found.car)
    for name, axle in study.axles.items():
        blocks += [NewPage(), Heading(f"{name.capitalize()} axle")]
        blocks += axle_blocks(study, axle, found.axles[name])
    blocks += [NewPage(), Heading("Set-up sheet"), *setup_blocks(study)]
    if pictures:
        blocks += [NewPage(), Heading("Pictures"), Para(DRAWN_PLAINLY, Tone.NOTE), *pictures]
    blocks += as_built
    blocks += _closing(study, identity)
    return Document(
        f"{identity.car} - {identity.state}: report",
        running_head(identity),
        running_foot(identity),
        tuple(blocks),
    )


# --- opening and closing --------------------------------------------------------------------------


def _opening(study: CarStudy, identity: Identity) -> Iterator[Block]:
    yield Heading(identity.car, 0)
    yield Para(f"State shown: {identity.state}. {identity.title}".strip(), Tone.LEAD)
    yield CautionBox("This can hurt people", CAUTIONS[:2])
    yield Heading("What was found")
    short = study.shortfalls
    if short:
        yield Para(f"Of {study.judged}, this falls short:")
        yield Bullets(short, Tone.BAD)
    else:
        yield Para(f"Of {study.judged}, nothing falls short of what the file asks for.")
    yield Heading("How to read this", 2)
    yield Bullets(HOW_TO_READ)
    yield Heading("What is planned")
    if study.car.notes:
        yield Bullets(study.car.notes)
    elif study.car.variant_title:
        yield Para(study.car.variant_title)
    else:
        yield Para("Nothing: the car is shown as found.")
    yield Para(identity.measured)


def _moved_points(car: Car, found: Car) -> Iterator[Block]:
    rows = []
    for name, axle in car.axles.items():
        both = zip(axle.corners, found.axles[name].corners, strict=True)
        for corner, before in list(both)[: 1 if axle.symmetric else 2]:
            for point, at in corner.points.items():
                moved = at - before.points.get(point, at)
                if length(moved) > 0.005:
                    rows.append(
                        Row((name, corner.side.value, spoken(point), *(f"{v:+.1f}" for v in moved),
                             f"{length(moved):.1f}"))
                    )  # fmt: skip
    if rows:
        yield Heading("Points moved from where they were found", 2)
        columns: tuple[Column, ...] = (
            Column("axle", 2),
            Column("side", 1.6),
            Column("hard point", 5),
        )
        columns += tuple(Column(f"{a} (mm)", 1.8, True) for a in ("x", "y", "z", "by"))
        yield Table(
            columns,
            tuple(rows),
            "mm. Where only the left side is listed, the right is its mirror.",
            dense=True,
        )


def _closing(study: CarStudy, identity: Identity) -> Iterator[Block]:
    yield Heading("What was assumed")
    car = study.car
    yield Bullets(
        (
            "All parts are rigid; joints have no play; tyres keep their measured section.",
            *(f"{name} axle: {axle.axle.hold.words}." for name, axle in study.axles.items()
              if axle.axle.left.rack is not None),
            f"Mass {car.mass_kg:g} kg, centre of gravity {car.cg_height_mm:g} mm over the ground, "
            f"{100 * car.front_weight_fraction:g} % of it on the front wheels, "
            f"{100 * car.front_brake_fraction:g} % of the braking in front; wheelbase "
            f"{car.wheelbase_mm:g} mm.",
            f"Plates are judged by the '{study.shop.name}' profile, whose figures are common "
            "practice; the shop decides.",
            DRAWN_PLAINLY,
        )
    )  # fmt: skip
    yield CautionBox("Cautions that stay with this report", CAUTIONS)
    yield Heading("What this was made from")
    yield Para(f"linkview {identity.version}. Revision {identity.revision}. {identity.date}")
    yield Table(
        (Column("input file", 3), Column("SHA-256", 9)),
        tuple(Row(source) for source in identity.sources),
        dense=True,
    )
    yield Heading("Signatures")
    yield Para(
        "Who signs has read this report; it says what was computed from the points above, not that "
        "the car is safe.",
        Tone.NOTE,
    )
    yield Signatures(("builder", "checked on the car by", "inspector"))


def picture_block(path: Path, caption: str) -> Picture:
    return Picture(path, caption, caption)
