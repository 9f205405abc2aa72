"""Gaps of a solid axle with its wheels at different heights, against plane figures of shapely."""

from __future__ import annotations

import csv
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import shapely
from shipped import MODELS, car_of

from linkview.clearance.in_roll import COUNT, RolledGaps
from linkview.export.blocks import Table, Tone
from linkview.export.gap_tables import write_gaps_in_roll
from linkview.export.gap_words import rolled_words
from linkview.export.report_gaps import gap_blocks
from linkview.geometry import apply, length
from linkview.kinematics.assemble import build_car, rebuilder
from linkview.kinematics.axle import axle_poses
from linkview.model.bodies import WantedGap
from linkview.model.parts import Axle, Side
from linkview.model.read import read_file
from linkview.plates.profiles import WATER_JET
from linkview.study import AxleStudy, gap_shortfalls, study_car

FOUR = car_of("four_link_axle")
REAR = FOUR.axles["rear"]


def _studied(axle: Axle) -> AxleStudy:
    car = replace(FOUR, axles={"rear": axle})
    return study_car(car, WATER_JET, lambda *_: None).axles["rear"]


@pytest.fixture(scope="module")
def study() -> AxleStudy:
    return _studied(REAR)


def _in_roll(study: AxleStudy) -> RolledGaps:
    assert study.rolled is not None
    return study.rolled


def test_the_tube_under_the_rail_is_as_far_as_plane_geometry_has_it(study: AxleStudy) -> None:
    """The rail is a prism far longer than the axle moves ahead, so seen from ahead the gap of the
    tube's middle line is that of a line and a rectangle, by shapely."""
    rolled = _in_roll(study)
    left, right = (
        x.ravel() for x in np.meshgrid(rolled.travel_mm, rolled.travel_mm, indexing="ij")
    )
    moves = axle_poses(REAR, 0.0, left, right).left.poses["knuckle"]
    ends = [apply(moves, np.array(p)) for p in ([-2600.0, 590, 308], [-2600.0, -590, 308])]
    lines = shapely.linestrings(np.stack(ends, axis=1)[:, :, 1:])
    far = shapely.distance(lines, shapely.box(490, 430, 560, 520)) - 35.0
    got = rolled.found[Side.LEFT].of("axle_tube", "rail").gap_mm
    assert got == pytest.approx(far.reshape(COUNT, COUNT), abs=1e-6)
    assert np.ptp(got) > 100.0


def test_wheels_at_one_height_measure_as_both_together_do(study: AxleStudy) -> None:
    for side in (Side.LEFT, Side.RIGHT):
        together = study.gaps[side].of("axle_tube", "rail")
        level = np.diag(_in_roll(study).found[side].of("axle_tube", "rail").gap_mm)
        assert level.min() == pytest.approx(together.least.gap_mm, abs=0.01)
        carried = _in_roll(study).found[side].of("tyre", "axle_tube")
        assert carried.gap_mm.min() == pytest.approx(carried.gap_mm.max(), abs=1e-9)


def test_what_only_roll_brings_near_is_a_shortfall(study: AxleStudy) -> None:
    """A wanted gap between what both wheels together keep and what is left in roll."""
    together = study.gaps[Side.LEFT].of("tyre", "rail").least.gap_mm
    in_roll = _in_roll(study).found[Side.LEFT].of("tyre", "rail").least.gap_mm
    assert in_roll < together - 3.0
    least = round((together + in_roll) / 2.0, 1)
    axle = replace(REAR, wanted_gaps=(WantedGap(frozenset(("tyre", "rail")), least),))
    short = gap_shortfalls(_studied(axle))
    end = f"tyre to rail {in_roll:.1f} mm, {least:g} mm wanted"
    assert short == [f"rear left in roll: {end}", f"rear right in roll: {end}"]
    assert gap_shortfalls(study) == []


def test_mixtures_beyond_the_limits_are_not_measured(study: AxleStudy) -> None:
    """A damper that closes at 40 mm of bump: no mixture past its stop counts."""
    damper = REAR.left.damper
    assert damper is not None
    ride = length(REAR.left.points["damper_upper"] - REAR.left.points["damper_lower"])
    stiff = replace(damper, min_length_mm=float(ride) - 40.0, spring=None)
    left, right = (replace(corner, damper=stiff) for corner in (REAR.left, REAR.right))
    short = _in_roll(_studied(replace(REAR, left=left, right=right)))
    tube = short.found[Side.LEFT].of("axle_tube", "rail")
    assert 100 < short.inside < COUNT**2 - 100
    assert tube.poses_measured == short.inside
    beyond = short.travel_mm > 60.0
    assert np.isnan(tube.gap_mm[np.ix_(beyond, beyond)]).all()
    assert np.isfinite(tube.gap_mm[np.ix_(~beyond, ~beyond)]).any()


def test_every_pair_is_told_in_the_summary_the_table_and_the_report(
    study: AxleStudy, tmp_path: Path
) -> None:
    rolled = _in_roll(study)
    write_gaps_in_roll(tmp_path / "gaps.csv", "rear", rolled)
    with (tmp_path / "gaps.csv").open(encoding="utf-8-sig", newline="") as file:
        rows = list(csv.DictReader(line for line in file if not line.startswith("#")))
    measured = [r for r in rows if r["state"] == "measured"]
    assert len(measured) == len(rolled.worst(1000)) == 2 * 5
    worst = measured[0]
    side, pair = rolled.worst(1)[0]
    assert float(worst["least gap (mm)"]) == pytest.approx(pair.least.gap_mm, abs=1e-4)
    assert float(worst["left travel (mm)"]) == 70.0
    left_out = [r for r in rows if r["state"] == "left out"]
    assert len(left_out) == sum(len(one.left_out) for one in rolled.found.values())
    assert all(r["notes"] for r in left_out)
    said = "\n".join(rolled_words(study, 3))
    assert "at 441 mixtures" in said
    assert f"{side.value} axle tube to rail: {pair.least.gap_mm:.1f} mm (10 mm wanted)" in said
    shown = next(
        b for b in gap_blocks(study) if isinstance(b, Table) and "in roll" in b.columns[1].title
    )
    assert len(shown.rows) == 10
    assert {row.tone for row in shown.rows} == {Tone.PLAIN}


def test_without_a_measuring_error_no_error_band_is_told() -> None:
    """The file gives no one_sigma; with one in it, the same table has bands."""
    file = read_file(MODELS / "four_link_axle" / "four_link_axle.toml")
    told = []
    for sigma in (0.0, 1.0):
        measured = file.measured.model_copy(update={"one_sigma": sigma})
        given = replace(file, measured=measured)
        axle = study_car(build_car(given), WATER_JET, lambda *_: None, rebuilder(given)).axles[
            "rear"
        ]
        told.append(" ".join(str(block) for block in gap_blocks(axle)))
    assert "±" not in told[0]
    assert "No error band" in told[0]
    assert "; error band ± " in told[1]
    assert "No error band" not in told[1]
