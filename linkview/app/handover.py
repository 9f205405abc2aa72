"""What leaves the shop: page, 3-D file, report, sheets, views; for those who have no linkview."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from linkview.app.folder import Written
from linkview.export.asbuilt import AsBuilt
from linkview.export.asbuilt_paper import sign_off
from linkview.export.blocks_html import write_html
from linkview.export.blocks_pdf import write_pdf
from linkview.export.captions import Titles
from linkview.export.four_views import four_views
from linkview.export.identity import Identity
from linkview.export.measuring_sheet import measuring_paper
from linkview.export.model3d import write_model3d
from linkview.export.page import write_page
from linkview.export.report import picture_block, report_paper
from linkview.export.setup_sheet import setup_paper
from linkview.export.views import Size, View, cut_out_of, view_of
from linkview.kinematics.sweep import sweep_axle
from linkview.model.parts import Axle, Car
from linkview.model.wording import spoken
from linkview.scene.stage import pose_of, stage_of
from linkview.study import CarStudy


def hand_over_page(study: CarStudy, found: Car, identity: Identity, folder: Path) -> list[Written]:
    """The one-file offline page."""
    page = write_page(folder / "page.html", study, found, identity)
    megabytes = page.size / 1e6
    off = max(grid.largest_error_mm for grid in page.grids.values())
    return [
        Written(
            "page.html",
            f"the linkage in 3-D, with all figures; opens without a network ({megabytes:.1f} MB; "
            f"no part drawn more than {off:.2f} mm off)",
        )
    ]


def hand_over_model(study: CarStudy, identity: Identity, folder: Path) -> list[Written]:
    """The animated 3-D file."""
    plates = {name: axle.plates_by_side for name, axle in study.axles.items()}
    made = write_model3d(folder / "car.glb", study.car, plates, sources=dict(identity.sources))
    words = f"the car for 3-D viewers, animations: {', '.join(made.animations)}"
    return [Written("car.glb", "; ".join([words, *made.notes]))]


def hand_over_report(
    study: CarStudy,
    found: CarStudy,
    identity: Identity,
    folder: Path,
    *,
    pictures: Sequence[Written] = (),
    as_built: AsBuilt | None = None,
) -> list[Written]:
    """Report, set-up sheet and measuring sheet, each as PDF and HTML. pictures: in the folder.

    as_built: the finished car against this design, to stand in the report with a page to sign."""
    shown = [picture_block(folder / p.name, p.what.capitalize()) for p in pictures]
    pages_to_sign = sign_off(as_built, identity) if as_built else ()
    report = report_paper(study, found, identity, pictures=shown, as_built=pages_to_sign)
    papers = {
        "report": (report, f"all that was found{', and as built' if as_built else ''}"),
        "setup_sheet": (setup_paper(study, identity), "for the wall, with boxes"),
        "measuring_sheet": (
            measuring_paper(found.car, identity),
            "what to measure on the car, in which order, with boxes",
        ),
    }
    out = []
    for name, (paper, words) in papers.items():
        pages = write_pdf(folder / f"{name}.pdf", paper)
        write_html(folder / f"{name}.html", paper)
        many = f", {pages} pages" if pages > 1 else ", one page"
        out.append(Written(f"{name}.pdf", f"{words}{many}"))
        out.append(Written(f"{name}.html", "the same for a browser"))
    return out


def hand_over_four_views(study: CarStudy, folder: Path) -> list[Written]:
    """Front, side, top and perspective with main dimensions. Needs OpenGL."""
    out = []
    for name, axle in study.axles.items():
        middle = sweep_axle(axle.axle, np.zeros(1), np.zeros(1))
        stage = stage_of(axle.axle, plates=axle.plates_by_side)
        file = f"{name}_four_views.png"
        pose, beside = pose_of(middle, 0, 0), _wheelbases(study.car, name)
        four_views(folder / file, stage, pose, _titles(study), beside=beside)
        out.append(Written(file, f"{name} axle: four views with main dimensions"))
    return out


def _wheelbases(car: Car, name: str) -> str:
    """From this axle's wheel centres to those of every other, fore and aft, at ride height."""
    here = [float(c.points["wheel_centre"][0]) for c in car.axles[name].corners]
    words = []
    for other, axle in car.axles.items():
        if other != name:
            there = [float(c.points["wheel_centre"][0]) for c in axle.corners]
            left, right = (abs(a - b) for a, b in zip(here, there, strict=True))
            words.append(f"wheelbase to the {other} axle {left:.1f} left, {right:.1f} right")
    return "; ".join(words)


def hand_over_view(
    study: CarStudy,
    axle: Axle,
    folder: Path,
    view: View,
    *,
    rack_mm: float,
    travel_mm: float,
    size: Size,
) -> Written:
    """One chosen view at one pose. Raises LinkageLocked where that is out of reach."""
    sweep = sweep_axle(axle, np.array([rack_mm]), np.array([travel_mm]))
    stage = stage_of(axle, plates=study.axles[axle.name].plates_by_side)
    file = f"{axle.name}_{view.value}.png"
    view_of(folder / file, stage, pose_of(sweep, 0, 0), view, _titles(study), size=size)
    return Written(file, f"rack {rack_mm:+.1f} mm, travel {travel_mm:+.1f} mm")


def hand_over_cut_out(
    study: CarStudy,
    axle: Axle,
    folder: Path,
    view: View,
    *,
    rack_mm: float,
    travel_mm: float,
    size: Size,
) -> Written:
    """The same with nothing behind the car."""
    sweep = sweep_axle(axle, np.array([rack_mm]), np.array([travel_mm]))
    stage = stage_of(axle, plates=study.axles[axle.name].plates_by_side)
    file = f"{axle.name}_{view.value}_cut_out.png"
    cut_out_of(folder / file, stage, pose_of(sweep, 0, 0), view, _titles(study), size=size)
    return Written(file, f"no background, rack {rack_mm:+.1f} mm, travel {travel_mm:+.1f} mm")


def _titles(study: CarStudy) -> Titles:
    return Titles(study.car.name, spoken(study.car.variant))
