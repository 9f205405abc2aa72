"""Plates: times, nesting density and least gaps, beside what the project asks for.

    python tests/bench/bench_plates.py            # on a quiet machine

Prints; asserts nothing.
    all plates of the demo, all files              under 5 s
    a plate of 500 features, drawn, judged, DXF    under 1 s
    40 parts nested                                within 10 s, never nearer than the gap (shapely)
"""

from __future__ import annotations

import itertools
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import shapely
from pydantic import TypeAdapter

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests")]

from plate_cases import rear  # noqa: E402

from linkview.app.plate_results import write_plate_files  # noqa: E402
from linkview.commands.job import demo_file  # noqa: E402
from linkview.export.dxf import write_dxf  # noqa: E402
from linkview.kinematics.assemble import build_car  # noqa: E402
from linkview.model.parts import Side  # noqa: E402
from linkview.model.platespec import PlateSpec  # noqa: E402
from linkview.model.read import read_file  # noqa: E402
from linkview.plates.brackets import draw_plate  # noqa: E402
from linkview.plates.drawn import drawn_plates  # noqa: E402
from linkview.plates.nest import nested  # noqa: E402
from linkview.plates.outline import sampled  # noqa: E402
from linkview.plates.profiles import LASER, WATER_JET  # noqa: E402
from linkview.plates.shop import verdicts  # noqa: E402
from linkview.study import CarStudy, study_without_gaps  # noqa: E402


@contextmanager
def timed(what: str, asked: str) -> Iterator[None]:
    """Prints the wall's clock and the processor's, which a busy machine does not stretch."""
    wall, cpu = time.perf_counter(), time.process_time()
    yield
    wall, cpu = time.perf_counter() - wall, time.process_time() - cpu
    print(f"{what}: {wall:.2f} s, of the processor {cpu:.2f} s ({asked} asked)")


def demo(folder: Path) -> CarStudy:
    car = build_car(read_file(demo_file()), "planned")
    study = study_without_gaps(car, WATER_JET, lambda what, done, count: None)
    for run in ("first", "second"):
        with timed(f"demo, {run} run, drawn, written and read back", "under 5 s"):
            for axle in car.axles.values():
                drawn_plates(axle, WATER_JET)
            write_plate_files(study, folder)
    print(f"  {sum(1 for _ in (folder / 'plates').iterdir())} files")
    return study


def many_features(folder: Path) -> None:
    holes = [
        {"at": [20.0 * x, 20.0 * y], "diameter": 6.0} for x in range(1, 26) for y in range(1, 17)
    ]
    slots = [
        {"from": [20.0 * x, 360.0 + 20 * y], "to": [20.0 * x + 8, 360.0 + 20 * y], "width": 6.0}
        for x in range(1, 26)
        for y in range(4)
    ]
    corners = [[0.0, 0.0], [540.0, 0.0], [540.0, 460.0], [0.0, 460.0]]
    told = {
        "kind": "free",
        "origin": "lower_lateral_inner",
        "normal": [1.0, 0.0, 0.0],
        "x_direction": [0.0, 1.0, 0.0],
        "corners": [{"at": at, "fillet": 10.0} for at in corners],
        "holes": holes,
        "slots": slots,
        "thickness": 5.0,
        "edge_margin": 8.0,
        "material": "S355J2",
    }
    spec = TypeAdapter(PlateSpec).validate_python(told)
    for run in ("first", "second"):
        with timed(f"{run} run of many features, drawn, judged, DXF read back", "under 1 s"):
            plate = draw_plate("grid", spec, rear())
            found = verdicts(plate, LASER)
            write_dxf(plate, folder / "grid.dxf")
        print(f"  {len(plate.inner_loops)} features, {len(found)} rules")


def forty(study: CarStudy) -> None:
    plates = [p.sides[Side.LEFT] for axle in study.axles.values() for p in axle.plates]
    counts = (2, 3, 4, 2, 4, 4, 6, 4, 4, 4, 3)
    mixed = [
        replace(p, material="S355J2", thickness_mm=6.0, quantity=n, mirrored=n // 2)
        for p, n in zip(plates, counts, strict=True)
    ]
    with timed(f"{sum(counts)} parts nested", "within 10 s"):
        sheets = nested(mixed, WATER_JET)
    for sheet in sheets:
        loops = [piece.loop(piece.plate.outline) for piece in sheet.laid]
        parts = [shapely.Polygon(sampled(loop, error_mm=1e-3)) for loop in loops]
        gap = min(a.distance(b) for a, b in itertools.combinations(parts, 2))
        print(
            f"  {sheet.size_mm}: {len(parts)} parts, length {sheet.used_mm:.0f} mm, by area alone "
            f"{sheet.least_mm:.0f} mm, density {sheet.density:.3f}, least gap {gap:.3f} mm by "
            f"shapely, {WATER_JET.part_gap_mm:g} mm wanted"
        )


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as where:
        study = demo(Path(where))
        many_features(Path(where))
        forty(study)
