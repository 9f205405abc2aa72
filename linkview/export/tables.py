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
from linkview.clearance.advice import GapAdvice, Opening
from linkview.clearance.certified import Certified, Patch
from linkview.clearance.distance import GapState
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


def _mm(value: float | np.floating | Array) -> float:
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
                        *(_mm(v) for v in at),
                        *(_mm(v) for v in moved),
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
                    places = [_mm(v) if there else None for p in points for v in p[i, j]]
                    misfit = f"{sweep.residual_mm[i, j]:.1e}" if there else None
                    yield [
                        sweep.corner.side.value,
                        _mm(rack),
                        _mm(travel),
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
                        _mm(rack),
                        _mm(travel),
                        alignment.held,
                        *cells(corner, corner_items, i, j),
                        *cells(alignment, axle_items, i, j),
                    ]

    write_table(path, header, rows())


def write_gaps(path: Path, studies: Mapping[str, AxleStudy]) -> None:
    """Every pair of bodies: its least gap with place and pose, or why it was left out."""
    header = ["axle", "side", "body a", "body b", "state", "least gap (mm)", "wanted (mm)"]
    header += ["rack (mm)", "travel (mm)"]
    header += [f"{w} {a} (mm)" for w in ("on a", "on b") for a in "xyz"]
    header += ["poses measured", "poses touching", "poses unknown", "held", "notes"]
    header += ["certain", "nowhere under (mm)", "least seen (mm)", "seen at rack (mm)"]
    header += ["seen at travel (mm)", "left open (%)", "why"]
    header += ["one sigma (mm)", "measure it on the car", "opened fastest by"]

    def rows() -> Iterator[Row]:
        for name, study in studies.items():
            held = study.axle.hold.words
            for side, found in study.gaps.items():
                for pair in sorted(found.pairs, key=lambda p: p.badness):
                    least, sweep = pair.least, study.sweep.left
                    posed = least.steer is not None and least.travel is not None
                    state = GapState(least.state).name.lower()
                    yield [
                        name,
                        side.value,
                        *pair.pair,
                        state,
                        _mm(least.gap_mm) if np.isfinite(least.gap_mm) else None,
                        pair.wanted_mm,
                        _mm(sweep.rack_mm[least.steer]) if posed else None,
                        _mm(sweep.travel_mm[least.travel]) if posed else None,
                        *(_mm(v) for v in (*least.on_a, *least.on_b)),
                        pair.poses_measured,
                        pair.poses_touching,
                        pair.poses_unknown,
                        held,
                        "; ".join(pair.notes),
                        *_certain_cells(pair.certain),
                        *_advice_cells(study.advice.get(side), pair.pair),
                    ]
                for out in found.left_out:
                    blank = [None] * 13
                    left = [name, side.value, *out.pair, "left out", *blank, held, out.reason]
                    yield [*left, *_certain_cells(None), None, None, None]

    write_table(path, header, rows())


def _certain_cells(certain: Certified | None) -> list[object]:
    """What holds between the poses too, inside the limits."""
    if certain is None:
        return [None] * 7
    return [
        certain.verdict.value,
        _mm(certain.lower_mm) if np.isfinite(certain.lower_mm) else None,
        _mm(certain.upper_mm) if np.isfinite(certain.upper_mm) else None,
        _mm(certain.rack_mm),
        _mm(certain.travel_mm),
        round(100.0 * certain.strip, 3),
        certain.reason,
    ]


def _advice_cells(advice: GapAdvice | None, pair: tuple[str, str]) -> list[object]:
    """How sure a gap is, and which hard points moved which way open it, the strongest first."""
    found = advice.pairs.get(pair) if advice is not None else None
    if found is None:
        return [None] * 3
    sigma = found.one_sigma_mm
    known = np.isfinite(sigma) and sigma > 0.0
    near = ("yes" if found.measure_it else "no") if known else None
    return [_mm(sigma) if known else None, near, "; ".join(opening_words(o) for o in found.opens)]


def opening_words(opening: Opening) -> str:
    """'tie_rod_outer toward (-0.73 0.67 0.15) 2.73 mm/mm'."""
    x, y, z = opening.way
    return f"{opening.point} toward ({x:.2f} {y:.2f} {z:.2f}) {opening.mm_per_mm:.2f} mm/mm"


def write_gap_curves(path: Path, studies: Mapping[str, AxleStudy]) -> None:
    """Pairs that fall short: the gap against the rack, at the travel of the worst pose seen."""
    header = ["axle", "side", "body a", "body b", "travel (mm)", "rack (mm)", "gap (mm)"]
    header += ["wanted (mm)", "held"]

    def rows() -> Iterator[Row]:
        for name, study in studies.items():
            for side, advice in study.advice.items():
                for pair, found in advice.pairs.items():
                    travel = _mm(found.certain.travel_mm)
                    wanted = found.certain.wanted_mm
                    for rack, gap in zip(found.rack_mm, found.gap_mm, strict=True):
                        at = [travel, _mm(rack), _mm(gap), wanted, study.axle.hold.words]
                        yield [name, side.value, *pair, *at]

    write_table(path, header, rows())


def write_gap_maps(path: Path, studies: Mapping[str, AxleStudy]) -> None:
    """Pairs that fall short: rack x travel in cells, each known clear, short, open or beyond."""
    header = ["axle", "side", "body a", "body b", "rack from (mm)", "rack to (mm)"]
    header += ["travel from (mm)", "travel to (mm)", "known", "gap at its middle (mm)", "held"]

    def rows() -> Iterator[Row]:
        for name, study in studies.items():
            for side, advice in study.advice.items():
                for pair, found in advice.pairs.items():
                    if not found.short:
                        continue
                    region = found.certain.region
                    cells = zip(region.boxes, region.kind, region.gap_mm, strict=True)
                    for box, kind, gap in cells:
                        known = Patch(int(kind)).name.lower()
                        cell = [*(_mm(v) for v in box), known, _mm(gap), study.axle.hold.words]
                        yield [name, side.value, *pair, *cell]

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
                row.append(_mm(r.value[i, j]))
                if known.any():
                    at = np.unravel_index(np.nanargmin(r.margin), r.margin.shape)
                    row += [
                        _mm(r.margin[at]),
                        _mm(sweep.rack_mm[at[0]]),
                        _mm(sweep.travel_mm[at[1]]),
                        int(np.sum(r.margin[known] < 0.0)),
                    ]
                else:
                    row += [None, None, None, 0]
                sigma = bands.get((r.side, r.name))
                yield [*row, axle.axle.hold.words, None if sigma is None else _mm(sigma)]

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
                    start = [name, _mm(row.travel_mm), lock.value]
                    touch = contacts.get((j, lock), none)
                    if stop is None:
                        yield [*start, None, "no limit in the grid", None, None, held, *touch]
                    else:
                        at = [_mm(stop.rack_mm), stop.what, _mm(stop.value), stop.unit]
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
                            *(_mm(v) for v in plate.size_mm),
                            _mm(plate.net_area_mm2),
                            _mm(plate.cut_length_mm),
                            ", ".join(pin.joint for pin in plate.pins),
                            f"{max((m.off_mm for m in misses), default=0.0):.2e}",
                            f"{max((m.tilt_deg for m in misses), default=0.0):.2e}",
                            *(round(float(v), 9) for v in stand[:3].ravel()),
                        ]

    write_table(path, header, rows())
