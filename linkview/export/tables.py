"""Results as CSV: one header line with units, one row per thing, plain numbers.

What is held while steering stands in a column, so that no table can be read without it.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path

import numpy as np

from linkview.alignment.quantities import QUANTITIES, Of
from linkview.export.files import write_whole
from linkview.geometry import Array
from linkview.limits.readings import readings
from linkview.model.layouts import BODY
from linkview.model.parts import Car, Side
from linkview.plates.plate import pin_misses
from linkview.study import AxleStudy, CarStudy, first_contacts

Row = Sequence[object]


def write_table(path: Path, header: Sequence[str], rows: Iterable[Row]) -> None:
    """Writes one CSV whole; floats as given, None and NaN as empty cells."""
    text = io.StringIO(newline="")
    out = csv.writer(text, lineterminator="\n")
    out.writerow(header)
    for row in rows:
        out.writerow(["" if _blank(cell) else cell for cell in row])
    write_whole(path, text.getvalue())


def _blank(cell: object) -> bool:
    return cell is None or (isinstance(cell, float | np.floating) and not np.isfinite(cell))


def as_mm(value: float | np.floating | Array) -> float:
    return round(float(value), 4)


def write_hard_points(path: Path, car: Car, found: Car) -> None:
    """Every hard point at ride height, and how far it is from where it was found."""
    header = ["axle", "side", "point", "on part", "x (mm)", "y (mm)", "z (mm)"]
    header += ["moved x (mm)", "moved y (mm)", "moved z (mm)"]

    def rows() -> Iterator[Row]:
        for name, axle in car.axles.items():
            pairs = zip(axle.corners, found.axles[name].corners, strict=True)
            for corner, before in pairs:
                for point, at in corner.points.items():
                    part = "wheel" if point == "wheel_centre" else corner.layout.owner(point)
                    moved = at - before.points[point] if point in before.points else [np.nan] * 3
                    yield [
                        name,
                        corner.side.value,
                        point,
                        part,
                        *(as_mm(v) for v in at),
                        *(as_mm(v) for v in moved),
                    ]

    write_table(path, header, rows())


def write_positions(path: Path, study: AxleStudy) -> None:
    """Where every joint goes: a row per side, rack and travel; reason where not reached."""
    corners = study.sweep.corners
    names = list(corners[0].corner.points)
    header = ["side", "rack (mm)", "travel (mm)", "held"]
    header += [f"{n} {axis} (mm)" for n in names for axis in "xyz"]
    header += ["largest misfit (mm)", "not reached because"]

    def rows() -> Iterator[Row]:
        held = study.axle.hold.words
        for sweep in corners:
            points = [sweep.wheel_centre if n == "wheel_centre" else sweep.point(n) for n in names]
            for i, rack in enumerate(sweep.rack_mm):
                for j, travel in enumerate(sweep.travel_mm):
                    there = bool(sweep.solved[i, j])
                    places = [as_mm(v) if there else None for p in points for v in p[i, j]]
                    misfit = f"{sweep.residual_mm[i, j]:.1e}" if there else None
                    yield [
                        sweep.corner.side.value,
                        as_mm(rack),
                        as_mm(travel),
                        held,
                        *places,
                        misfit,
                        sweep.reasons.get((i, j)),
                    ]

    write_table(path, header, rows())


def write_alignment(path: Path, study: AxleStudy) -> None:
    """Every alignment quantity at every pose, a row per side, rack and travel."""
    alignment = study.alignment
    corner_items = [q for q in QUANTITIES if q.of is Of.CORNER]
    axle_items = [q for q in QUANTITIES if q.of is Of.AXLE]
    header = ["side", "rack (mm)", "travel (mm)", "held"]
    for q in corner_items:
        header += [f"{q.label} {p} ({q.unit})" for p in q.parts] or [f"{q.label} ({q.unit})"]
    header += [f"{q.label} ({q.unit})" for q in axle_items]

    def cells(owner: object, items: Sequence[object], i: int, j: int) -> Iterator[object]:
        for q in items:
            value = getattr(owner, q.name)  # type: ignore[attr-defined]
            if value is None:
                yield from [None] * max(1, len(q.parts))  # type: ignore[attr-defined]
                continue
            here = value[i, j] if value.ndim >= 2 else value[j]
            for v in np.atleast_1d(here):
                yield round(float(v), q.decimals + 3)  # type: ignore[attr-defined]

    def rows() -> Iterator[Row]:
        for side, corner in zip(("left", "right"), alignment.corners, strict=True):
            for i, rack in enumerate(alignment.rack_mm):
                for j, travel in enumerate(alignment.travel_mm):
                    yield [
                        side,
                        as_mm(rack),
                        as_mm(travel),
                        alignment.held,
                        *cells(corner, corner_items, i, j),
                        *cells(alignment, axle_items, i, j),
                    ]

    write_table(path, header, rows())


def write_limits(path: Path, study: CarStudy) -> None:
    """Every limit: its value at ride height and the least margin over the grid."""
    header = ["axle", "side", "limit", "at", "allowed", "unit", "at ride height"]
    header += ["least margin", "rack there (mm)", "travel there (mm)", "poses beyond it", "held"]
    header += ["one sigma there"]

    def rows() -> Iterator[Row]:
        for name, axle in study.axles.items():
            sweep = axle.sweep.left
            i = int(np.argmin(np.abs(sweep.rack_mm)))
            j = int(np.argmin(np.abs(sweep.travel_mm)))
            bands = {
                (side, band.name): band.one_sigma
                for side, advice in axle.advice.items()
                for band in advice.limit_bands
            }
            for r in readings(axle.sweep, study.car):
                known = np.isfinite(r.margin)
                row: list[object] = [name, r.side.value, r.name, r.point, r.allowed, r.unit]
                row.append(as_mm(r.value[i, j]))
                if known.any():
                    at = np.unravel_index(np.nanargmin(r.margin), r.margin.shape)
                    row += [
                        as_mm(r.margin[at]),
                        as_mm(sweep.rack_mm[at[0]]),
                        as_mm(sweep.travel_mm[at[1]]),
                        int(np.sum(r.margin[known] < 0.0)),
                    ]
                else:
                    row += [None, None, None, 0]
                sigma = bands.get((r.side, r.name))
                yield [*row, axle.axle.hold.words, as_mm(sigma) if sigma else None]

    write_table(path, header, rows())


def write_stops(path: Path, studies: Mapping[str, AxleStudy]) -> None:
    """For every travel, the rack to each side at which the first limit stops the linkage."""
    header = ["axle", "travel (mm)", "lock", "rack (mm)", "stopped by", "value", "unit", "held"]
    header += ["contact at the grid's rack (mm)", "contact of"]

    def rows() -> Iterator[Row]:
        for name, study in studies.items():
            held = study.axle.hold.words
            contacts = first_contacts(study)
            none = (None, "none found at the grid's poses" if study.gaps else "gaps not measured")
            for j, row in enumerate(study.stops.rows):
                for lock, stop in ((Side.LEFT, row.left), (Side.RIGHT, row.right)):
                    start = [name, as_mm(row.travel_mm), lock.value]
                    touch = contacts.get((j, lock), none)
                    if stop is None:
                        yield [*start, None, "no limit in the grid", None, None, held, *touch]
                    else:
                        at = [
                            as_mm(stop.rack_mm),
                            stop.what,
                            as_mm(stop.value),
                            stop.unit,
                        ]
                        yield [*start, *at, held, *touch]

    write_table(path, header, rows())


def write_plates(path: Path, studies: Mapping[str, AxleStudy]) -> None:
    """Every plate: size, order data, where it stands (4 x 4, mm), joint off its hole axis."""
    header = ["axle", "side", "plate", "part", "thickness (mm)", "material", "quantity"]
    header += ["of which mirrored", "width (mm)", "height (mm)", "net area (mm2)"]
    header += ["cut length (mm)", "joint", "joint off hole axis (mm)", "axis off bolt (deg)"]
    header += [f"placement {r}{c}" for r in range(1, 4) for c in range(1, 5)]

    def rows() -> Iterator[Row]:
        for name, study in studies.items():
            for drawn in (p for p in study.plates if p.refused is None):
                for side, plate in drawn.sides.items():
                    misses = [m for pin in plate.pins for m in pin_misses(plate, pin)]
                    for stand in plate.stands:
                        yield [
                            name,
                            side.value,
                            plate.name,
                            plate.part or BODY,
                            plate.thickness_mm,
                            plate.material,
                            plate.quantity,
                            plate.mirrored,
                            *(as_mm(v) for v in plate.size_mm),
                            as_mm(plate.net_area_mm2),
                            as_mm(plate.cut_length_mm),
                            ", ".join(pin.joint for pin in plate.pins),
                            f"{max((m.off_mm for m in misses), default=0.0):.2e}",
                            f"{max((m.tilt_deg for m in misses), default=0.0):.2e}",
                            *(round(float(v), 9) for v in stand[:3].ravel()),
                        ]

    write_table(path, header, rows())
