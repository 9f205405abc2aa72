"""The `trust` command: which cores draw the cars, and what is said and written."""

from __future__ import annotations

import multiprocessing
from collections.abc import Sequence
from concurrent.futures import Executor
from contextlib import nullcontext
from dataclasses import dataclass
from pathlib import Path

from linkview.clearance.compiled import compile_all
from linkview.export.extremes import ABOUT as ABOUT_EXTREMES
from linkview.export.extremes import extreme_lines, write_extremes
from linkview.export.trust import (
    ABOUT,
    trust_lines,
    write_better,
    write_every_pose,
    write_trust,
)
from linkview.geometry import Array
from linkview.kinematics.assemble import Rebuilder
from linkview.model.parts import Axle, Car, Side
from linkview.study import RACK_COUNT, TRAVEL_COUNT, Tell
from linkview.tuning.bands import doubts
from linkview.tuning.extreme_bands import Extremes, extreme_bands
from linkview.tuning.run import all_cores
from linkview.tuning.spread import Spread
from linkview.tuning.trust import Trust, every_pose, trust

ALONE = 500_000  # car poses under which starting other processes costs more than it saves
STATIONS = 18  # poses of both sides that the numbers are read at, about
BUILT_ALONE = 25  # cars built anew, the same


@dataclass(frozen=True)
class Asked:
    """cars: drawn for the readings; built: cars built anew for stops, limits and gaps, 0 for none.

    cut_mm: as `doubts` has it. keep: where a run cut short is taken up. every: whether all poses.
    """

    cars: int
    built: int
    seed: int
    cut_mm: float
    keep: Path | None
    every: bool


@dataclass(frozen=True, eq=False)
class TrustResults:
    """Of every axle asked for, in the same order; grids: by axle, where asked for."""

    readings: tuple[Trust, ...]
    extremes: tuple[Extremes, ...]
    grids: dict[str, tuple[Axle, Array, Array, Spread]]

    def lines(self) -> list[str]:
        """For the screen."""
        out: list[str] = []
        for one in self.readings:
            out += [*trust_lines(one), ""]
        for other in self.extremes:
            out += [*extreme_lines(other), ""]
        return [*out, ABOUT, *([ABOUT_EXTREMES] if self.extremes else [])]

    def write(self, folder: Path) -> list[str]:
        """The tables; returns their names."""
        write_trust(folder / "trust.csv", self.readings)
        write_better(folder / "measure_better.csv", self.readings)
        names = ["trust.csv", "measure_better.csv"]
        if self.extremes:
            write_extremes(folder / "trust_stops_and_gaps.csv", self.extremes)
            names.append("trust_stops_and_gaps.csv")
        if self.grids:
            write_every_pose(folder / "trust_every_pose.csv", self.grids)
            names.append("trust_every_pose.csv")
        return names


def trust_results(
    car: Car, axles: Sequence[Axle], rebuilder: Rebuilder, asked: Asked, tell: Tell
) -> TrustResults:
    """Bands of every number of these axles."""
    readings: list[Trust] = []
    extremes: list[Extremes] = []
    grids: dict[str, tuple[Axle, Array, Array, Spread]] = {}
    poses = STATIONS + (2 * RACK_COUNT * TRAVEL_COUNT if asked.every else 0)
    many = asked.cars * poses > ALONE or asked.built > BUILT_ALONE
    many &= not multiprocessing.current_process().daemon  # such a one may start no others
    if asked.built:
        compile_all()  # once, here, so that each process finds it done
    with all_cores() if many else nullcontext() as pool:
        for axle in axles:
            sigma = doubts(axle, rebuilder.doubt(axle.name, axle.left.points), asked.cut_mm)
            work = _Work(axle, car, sigma, asked, pool, tell)
            readings.append(work.readings())
            if asked.every:
                grids[axle.name] = work.grid()
            if asked.built:
                extremes.append(work.extremes(rebuilder))
    return TrustResults(tuple(readings), tuple(extremes), grids)


@dataclass(frozen=True, eq=False)
class _Work:
    axle: Axle
    car: Car
    sigma: dict[Side, dict[str, Array]]
    asked: Asked
    pool: Executor | None
    tell: Tell

    def readings(self) -> Trust:
        a = self.asked
        return trust(
            self.axle, self.car, self.sigma, count=a.cars, seed=a.seed, executor=self.pool,
            folder=a.keep, heard=self._heard,
        )  # fmt: skip

    def grid(self) -> tuple[Axle, Array, Array, Spread]:
        a, counts = self.asked, (RACK_COUNT, TRAVEL_COUNT)
        return self.axle, *every_pose(
            self.axle, self.car, self.sigma, count=a.cars, counts=counts, seed=a.seed,
            executor=self.pool, folder=a.keep, heard=self._heard,
        )  # fmt: skip

    def extremes(self, rebuilder: Rebuilder) -> Extremes:
        a = self.asked
        return extreme_bands(
            self.axle, self.car, rebuilder, self.sigma, count=a.built, seed=a.seed,
            executor=self.pool, folder=a.keep, heard=self._heard_of_gaps,
        )  # fmt: skip

    def _heard(self, done: int, whole: int) -> None:
        self.tell(f"{self.axle.name} axle: cars", done, whole)

    def _heard_of_gaps(self, done: int, whole: int) -> None:
        self.tell(f"{self.axle.name} axle: cars built, their stops and gaps", done, whole)
