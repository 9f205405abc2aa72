"""Gaps as CSV: every pair, those that fall short in curves and maps, and solid axles in roll."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path

import numpy as np

from linkview.clearance.advice import GapAdvice, Opening
from linkview.clearance.certified import Certified, Patch
from linkview.clearance.distance import GapState
from linkview.clearance.in_roll import RolledGaps
from linkview.export.tables import Row, as_mm, write_table
from linkview.study import AxleStudy

_IN_ROLL = [
    "axle", "side", "body a", "body b", "state", "least gap (mm)", "wanted (mm)",
    "left travel (mm)", "right travel (mm)",
    *(f"{where} {axis} (mm)" for where in ("on a", "on b") for axis in "xyz"),
    "poses measured", "poses touching", "poses beyond limits or unknown", "notes",
]  # fmt: skip


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
                        as_mm(least.gap_mm) if np.isfinite(least.gap_mm) else None,
                        pair.wanted_mm,
                        as_mm(sweep.rack_mm[least.steer]) if posed else None,
                        as_mm(sweep.travel_mm[least.travel]) if posed else None,
                        *(as_mm(v) for v in (*least.on_a, *least.on_b)),
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
        as_mm(certain.lower_mm) if np.isfinite(certain.lower_mm) else None,
        as_mm(certain.upper_mm) if np.isfinite(certain.upper_mm) else None,
        as_mm(certain.rack_mm),
        as_mm(certain.travel_mm),
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
    return [
        as_mm(sigma) if known else None,
        near,
        "; ".join(opening_words(o) for o in found.opens),
    ]


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
                    travel = as_mm(found.certain.travel_mm)
                    wanted = found.certain.wanted_mm
                    for rack, gap in zip(found.rack_mm, found.gap_mm, strict=True):
                        at = [
                            travel,
                            as_mm(rack),
                            as_mm(gap),
                            wanted,
                            study.axle.hold.words,
                        ]
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
                        cell = [
                            *(as_mm(v) for v in box),
                            known,
                            as_mm(gap),
                            study.axle.hold.words,
                        ]
                        yield [name, side.value, *pair, *cell]

    write_table(path, header, rows())


def write_gaps_in_roll(path: Path, axle: str, rolled: RolledGaps) -> None:
    """Every pair with the wheels at different heights: its least gap, where and at which travels;
    pairs that were left out, with the reason."""

    def rows() -> Iterator[Row]:
        for side, pair in rolled.worst(100_000):
            least = pair.least
            known = least.steer is not None and least.travel is not None
            yield [
                axle,
                side.value,
                *pair.pair,
                least.state.name.lower(),
                f"{least.gap_mm:.4f}" if np.isfinite(least.gap_mm) else None,
                pair.wanted_mm,
                f"{rolled.travel_mm[least.steer]:.4f}" if known else None,
                f"{rolled.travel_mm[least.travel]:.4f}" if known else None,
                *(f"{v:.4f}" if np.isfinite(v) else None for v in (*least.on_a, *least.on_b)),
                pair.poses_measured,
                pair.poses_touching,
                pair.poses_unknown,
                "; ".join(pair.notes),
            ]
        for side, found in rolled.found.items():
            for out in found.left_out:
                yield [axle, side.value, *out.pair, "left out", *[None] * 13, out.reason]

    write_table(path, _IN_ROLL, rows())
