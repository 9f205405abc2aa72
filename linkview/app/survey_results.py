"""`linkview measure`: measurements to points, and the files that say how good they are."""

from __future__ import annotations

import hashlib
from pathlib import Path

from linkview.app.folder import Written
from linkview.errors import LinkviewError, SurveyRefused
from linkview.export.blocks_html import write_html
from linkview.export.blocks_pdf import write_pdf
from linkview.export.identity import Identity
from linkview.export.survey_papers import survey_paper
from linkview.export.survey_words import (
    state_words,
    write_points_table,
    write_points_to_paste,
    write_readings_table,
)
from linkview.model.read import SurveyFile
from linkview.survey.gather import network_of, usual_sigmas
from linkview.survey.survey import Survey, solve_survey


def solved(file: SurveyFile) -> Survey:
    """The survey of a file. SurveyRefused names the file before each line."""
    network = network_of(file.survey, file.known, file.layouts)
    try:
        return solve_survey(
            network, usual_sigmas(file.survey), free_datum=file.survey.datum == "free"
        )
    except LinkviewError as fault:
        lines = (f"{file.path}: {line}" for line in str(fault).splitlines())
        raise SurveyRefused("\n".join(lines)) from None


def write_survey(
    file: SurveyFile, survey: Survey, folder: Path, *, revision: str, day: str
) -> list[Written]:
    """Tables, points to paste, and the sheet as PDF and HTML."""
    write_points_table(folder / "points.csv", survey)
    write_readings_table(folder / "readings.csv", survey)
    write_points_to_paste(folder / "points.toml", file, survey)
    paper = survey_paper(file, survey, survey_identity(file, revision=revision, day=day))
    pages = write_pdf(folder / "survey_sheet.pdf", paper)
    write_html(folder / "survey_sheet.html", paper)
    many = f", {pages} pages" if pages > 1 else ""
    return [
        Written("points.csv", "every point with its ellipsoid"),
        Written("readings.csv", "every reading, computed and as measured"),
        Written("points.toml", "points and uncertainties, to paste into a hard-point file"),
        Written("survey_sheet.pdf", f"for the wall and the next measuring{many}"),
        Written("survey_sheet.html", "the same for a browser"),
    ]


def survey_identity(file: SurveyFile, *, revision: str, day: str) -> Identity:
    """What stands on the sheet: the file, how it was measured, the day."""
    digest = hashlib.sha256(file.path.read_bytes()).hexdigest()
    return Identity(
        file.path.stem,
        "survey",
        "as measured",
        ((file.path.name, digest),),
        state_words(file),
        file.measured.one_sigma,
        revision,
        day,
    )
