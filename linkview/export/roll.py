"""A solid axle in heave and roll, as CSV and in a few lines."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np

from linkview.export.tables import write_table
from linkview.limits.roll import RollReadings, RollStop
from linkview.model.parts import Side

HEADER = (
    "left travel (mm)",
    "right travel (mm)",
    "heave (mm)",
    "roll (deg)",
    "axle steer since ride height (deg)",
    "axle sideways since ride height (mm)",
    "roll centre height (mm)",
    "camber to the road, left (deg)",
    "camber to the road, right (deg)",
    "damper, left (mm)",
    "damper, right (mm)",
    "limit with least left",
    "left of its range (%)",
)
PANELS = (
    ("axle steer since ride height, deg", "steer_deg"),
    ("axle sideways, mm", "sideways_mm"),
    ("roll centre height, mm", "roll_centre_height_mm"),
)


def write_roll(path: Path, grid: RollReadings) -> None:
    """Every mixture of both wheels' travels; blank where out of reach."""

    def rows() -> Iterator[Sequence[object]]:
        for k, there in enumerate(grid.solved):
            inputs = [
                grid.poses.left_travel_mm[k],
                grid.poses.right_travel_mm[k],
                grid.heave_mm[k],
                grid.roll_deg[k],
            ]
            read = [
                *(getattr(grid, name)[k] for _, name in PANELS),
                *(grid.camber_deg[s][k] for s in Side),
                *(grid.damper_mm[s][k] for s in Side),
            ]
            cells = [f"{v:.4f}" if there and np.isfinite(v) else None for v in read]
            left = grid.left[k]
            share = f"{100.0 * left:.1f}" if np.isfinite(left) else None
            yield [*(f"{v:.4f}" for v in inputs), *cells, grid.nearest[k], share]

    write_table(path, HEADER, rows())


def roll_lines(line: RollReadings, stops: Sequence[RollStop]) -> Iterator[str]:
    """For the summary: roll steer and what stops it."""
    k = len(line.roll_deg) // 2
    per_deg = np.gradient(line.steer_deg, line.roll_deg)[k]
    yield (
        f"in roll at ride height: axle steers {per_deg:+.4f} deg per degree of lean to the right "
        f"(+ turned left), roll centre {line.roll_centre_height_mm[k]:+.1f} mm high"
    )
    yield from (f"  {stop.words}" for stop in stops)
