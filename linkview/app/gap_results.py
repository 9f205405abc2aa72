"""What is written about gaps beside their table: maps, curves, and close-ups on request."""

from __future__ import annotations

from pathlib import Path

from linkview.app.folder import Written
from linkview.export.gap_charts import gap_chart
from linkview.export.gap_tables import write_gap_curves, write_gap_maps, write_gaps_in_roll
from linkview.export.limit_map import draw_limit_map
from linkview.model.wording import spoken
from linkview.study import CarStudy, limit_regions


def write_gap_tables(study: CarStudy, folder: Path) -> list[Written]:
    """The gaps that fall short against steer, and where in rack x travel they are too small."""
    write_gap_curves(folder / "gap_curves.csv", study.axles)
    write_gap_maps(folder / "gap_maps.csv", study.axles)
    in_roll = []
    for name, axle in study.axles.items():
        if axle.rolled is not None:
            file = f"{name}_gaps_in_roll.csv"
            write_gaps_in_roll(folder / file, name, axle.rolled)
            in_roll.append(Written(file, "every pair with the wheels at different heights"))
    return [
        Written("gap_curves.csv", "pairs that fall short: gap against rack at the worst travel"),
        Written("gap_maps.csv", "pairs that fall short: where in rack x travel, in cells"),
        *in_roll,
    ]


def draw_gap_charts(study: CarStudy, folder: Path) -> list[Written]:
    """The same as pictures, for every steered axle with gaps that fall short; and what stops each
    steered axle first, contact among it."""
    charts = []
    for name, axle in study.axles.items():
        if axle.axle.left.rack is not None:
            regions = limit_regions(axle.axle, study.car, axle.gaps)
            draw_limit_map(folder / f"{name}_limit_map", regions, axle.stops)
            words = "what stops it first, contact too, rack by travel; .svg"
            charts.append(Written(f"{name}_limit_map.png", words))
        for side, advice in axle.advice.items():
            short = [found for found in advice.pairs.values() if found.short]
            if short and axle.axle.left.rack is not None:
                which = name if axle.axle.symmetric else f"{name}_{side.value}"
                title = f"{study.car.name}, {spoken(study.car.variant)}: {spoken(which)} axle"
                gap_chart(folder / f"{which}_gap_maps.png", title, axle.axle.hold.words, short)
                words = "where in rack x travel gaps are too small, and against steer"
                charts.append(Written(f"{which}_gap_maps.png", words))
    return charts
