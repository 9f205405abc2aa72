"""`linkview compare`: two states of one file, measured alike, and the changes one by one."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from linkview.alignment.axle import align
from linkview.app.charts import draw_axle_curves
from linkview.app.folder import Written
from linkview.errors import UnknownName
from linkview.export.cautions import CAUTIONS
from linkview.export.compare import (
    Rung,
    compare_lines,
    write_differences,
    write_gap_changes,
    write_ladder,
    write_moved,
)
from linkview.export.files import write_whole
from linkview.kinematics.assemble import build_car, ladder
from linkview.limits.stops import first_stop
from linkview.model.parts import Car
from linkview.model.read import HardPointFile
from linkview.plates.profiles import WATER_JET
from linkview.study import CarStudy, Tell, study_car, study_without_gaps, swept


@dataclass(frozen=True, eq=False)
class Compared:
    """Both studies and the rungs between them; no_ladder says why there are none."""

    before: CarStudy
    after: CarStudy
    rungs: tuple[Rung, ...]
    no_ladder: str

    @property
    def lines(self) -> list[str]:
        return list(compare_lines(self.before, self.after, self.rungs, self.no_ladder))


def compare_with_gaps(file: HardPointFile, before: str, after: str, tell: Tell) -> Compared:
    """Everything of both states. Raises UnknownName, ModelFaults or CannotAssemble."""
    a, b = (study_car(build_car(file, v), WATER_JET, tell) for v in (before, after))
    return _compared(file, a, b, tell)


def compare_without_gaps(file: HardPointFile, before: str, after: str, tell: Tell) -> Compared:
    """The same but for the gaps, which take longest."""
    a, b = (study_without_gaps(build_car(file, v), WATER_JET, tell) for v in (before, after))
    return _compared(file, a, b, tell)


def _compared(file: HardPointFile, before: CarStudy, after: CarStudy, tell: Tell) -> Compared:
    try:
        steps = ladder(file, before.car.variant, after.car.variant)
    except UnknownName as reason:
        return Compared(before, after, (), str(reason))
    rungs = []
    for k, (title, car) in enumerate(steps):
        tell(f"step: {title}", k, len(steps))
        rungs.append(_rung(title, car))
    return Compared(before, after, tuple(rungs), "")


def _rung(title: str, car: Car) -> Rung:
    sweeps = {name: swept(axle) for name, axle in car.axles.items()}
    return Rung(
        title,
        {name: align(sweep, car) for name, sweep in sweeps.items()},
        {name: first_stop(sweep, car) for name, sweep in sweeps.items()},
    )


def write_comparison(compared: Compared, folder: Path) -> list[Written]:
    """Tables, curves over each other and the text, into a folder."""
    before, after = compared.before, compared.after
    write_differences(folder / "compare_readings.csv", before, after)
    write_moved(folder / "compare_points.csv", before, after)
    out = [
        Written("compare_readings.csv", "every reading of both states at ride height and lock"),
        Written("compare_points.csv", "which hard points moved, and by how much"),
    ]
    if all(axle.gaps for study in (before, after) for axle in study.axles.values()):
        write_gap_changes(folder / "compare_gaps.csv", before, after)
        out.append(Written("compare_gaps.csv", "the least gap of every pair in both states"))
    if compared.rungs:
        write_ladder(folder / "compare_ladder.csv", compared.rungs)
        out.append(Written("compare_ladder.csv", "readings after each change, one by one"))
    for name in after.axles:
        out += draw_axle_curves(name, [before.car, after.car], folder)
    text = "\n".join([*compared.lines, "", "CAUTIONS", *(f"  {c}" for c in CAUTIONS)])
    write_whole(folder / "compare.txt", text + "\n")
    out.append(Written("compare.txt", "the comparison as on screen, with the cautions"))
    return out
