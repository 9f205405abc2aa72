"""The `trust` command: which cores draw the cars, and what is said and written."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import nullcontext
from pathlib import Path

from linkview.export.trust import (
    ABOUT,
    trust_lines,
    write_better,
    write_every_pose,
    write_trust,
)
from linkview.geometry import Array
from linkview.kinematics.assemble import Rebuilder
from linkview.model.parts import Axle, Car
from linkview.study import RACK_COUNT, TRAVEL_COUNT, Tell
from linkview.tuning.run import all_cores
from linkview.tuning.spread import Spread
from linkview.tuning.trust import Trust, doubts, every_pose, trust

ALONE = 500_000  # car poses under which starting other processes costs more than it saves
STATIONS = 18  # poses of both sides that the numbers are read at, about


def trust_lines_and_tables(
    car: Car,
    axles: Sequence[Axle],
    rebuilder: Rebuilder,
    *,
    count: int,
    seed: int,
    cut_mm: float,
    keep: Path | None,
    every: bool,
    tell: Tell,
) -> tuple[list[str], Callable[[Path], list[str]]]:
    """Lines for the screen, and what writes the tables into a folder and returns their names."""
    found: list[Trust] = []
    grids: dict[str, tuple[Axle, Array, Array, Spread]] = {}
    poses = STATIONS + (2 * RACK_COUNT * TRAVEL_COUNT if every else 0)
    with all_cores() if count * poses > ALONE else nullcontext() as pool:
        for axle in axles:

            def heard(done: int, whole: int, name: str = axle.name) -> None:
                tell(f"{name} axle: cars", done, whole)

            sigma = doubts(axle, rebuilder.doubt(axle.name, axle.left.points), cut_mm)
            found.append(
                trust(
                    axle,
                    car,
                    sigma,
                    count=count,
                    seed=seed,
                    executor=pool,
                    folder=keep,
                    heard=heard,
                )
            )
            if every:
                grids[axle.name] = (
                    axle,
                    *every_pose(
                        axle,
                        car,
                        sigma,
                        count=count,
                        counts=(RACK_COUNT, TRAVEL_COUNT),
                        seed=seed,
                        executor=pool,
                        folder=keep,
                        heard=heard,
                    ),
                )
    lines = [line for one in found for line in (*trust_lines(one), "")]

    def write(folder: Path) -> list[str]:
        write_trust(folder / "trust.csv", found)
        write_better(folder / "measure_better.csv", found)
        if grids:
            write_every_pose(folder / "trust_every_pose.csv", grids)
        names = ["trust.csv", "measure_better.csv"]
        return [*names, "trust_every_pose.csv"] if grids else names

    return [*lines, ABOUT], write
