"""The tables and the summary of a study, written into a folder of results."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from linkview.app.folder import Written
from linkview.export.cautions import CAUTIONS
from linkview.export.files import write_whole
from linkview.export.gap_tables import write_gaps
from linkview.export.mesh_fit import write_mesh_fits
from linkview.export.tables import (
    write_alignment,
    write_hard_points,
    write_limits,
    write_plates,
    write_positions,
    write_stops,
)
from linkview.model.parts import Car
from linkview.study import CarStudy


def write_tables(study: CarStudy, found: Car, folder: Path) -> list[Written]:
    """Every CSV of a study. found: the car as found, to show what moved."""
    write_hard_points(folder / "hard_points.csv", study.car, found)
    out = [Written("hard_points.csv", "every hard point at ride height, and how far it moved")]
    for name, axle in study.axles.items():
        write_positions(folder / f"{name}_positions.csv", axle)
        write_alignment(folder / f"{name}_alignment.csv", axle)
        out.append(Written(f"{name}_positions.csv", "where every joint goes, pose by pose"))
        out.append(Written(f"{name}_alignment.csv", "alignment of both wheels, pose by pose"))
    if all(axle.gaps for axle in study.axles.values()):
        write_gaps(folder / "gaps.csv", study.axles)
        out.append(Written("gaps.csv", "every pair of bodies: least gap, place and pose"))
    if write_mesh_fits(folder / "mesh_fit.csv", study.car):
        out.append(Written("mesh_fit.csv", "meshes placed by matching places: how far each is off"))
    write_limits(folder / "limits.csv", study)
    write_stops(folder / "stops.csv", study.axles)
    write_plates(folder / "plates.csv", study.axles)
    out.append(Written("limits.csv", "every limit: at ride height and at its worst"))
    out.append(Written("stops.csv", "what stops the steering first, travel by travel"))
    out.append(Written("plates.csv", "plates: size, order data, where each stands"))
    return out


def write_summary(summary: Sequence[str], files: list[Written], folder: Path) -> Written:
    """The summary's lines as a file, with the list of files and the cautions."""
    lines = [*summary, "", "FILES"]
    lines += [f"  {f.name}: {f.what}" for f in files]
    lines += ["", "CAUTIONS", *(f"  {c}" for c in CAUTIONS)]
    write_whole(folder / "summary.txt", "\n".join(lines) + "\n")
    return Written("summary.txt", "this summary, with the cautions")
