"""Letters from outside Western Europe: in pictures, charts, plates' papers and reports.

What a file holds is read back by pypdf; the letters of the typeface are counted by fontTools.
"""

from __future__ import annotations

import string
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from fontTools.ttLib import TTFont
from PIL import Image, ImageDraw
from plate_cases import ear, rear
from pypdf import PdfReader

from linkview.export import blocks_pdf
from linkview.export.blocks import Document, Heading
from linkview.export.charts import caption, drawing, save
from linkview.export.drawings import write_drawing
from linkview.export.outline_picture import write_png
from linkview.export.overlay import typeface
from linkview.export.paper import Page
from linkview.export.templates import write_template
from linkview.export.typefaces import bold, regular
from linkview.plates.brackets import draw_plate
from linkview.plates.profiles import LASER
from linkview.plates.shop import verdicts

# Capitals and small letters beyond Latin-1 in the official spelling of these languages.
LETTERS = {
    "Polish": "ĄĆĘŁŃÓŚŹŻąćęłńóśźż",
    "Czech, Slovak": "ČĎĚŇŘŠŤŮŽĽĹŔčďěňřšťůžľĺŕ",
    "Hungarian": "ŐŰőű",
    "Romanian": "ĂȘȚășț",
    "Turkish": "ĞİŞğış",
    "Baltic": "ĀĒĢĪĶĻŅŪĖĮŲāēģīķļņūėįų",
    "Maltese": "ĊĠĦċġħ",
    "Greek": "ΑΒΓΔΘΛΞΠΣΦΨΩάέήίόύώαβγδθλξπσςφψω",
    "Cyrillic": "АБВГДЖЗИЙЛПУФХЦЧШЩЪЫЬЭЮЯЄІЇЎЂЈЉЊЋЏабвгджзийлпуфхцчшщъыьэюяєіїўђјљњћџ",
    "signs": "−–—×·±°≤≥²³½…„“”‚‘’«»€",
}
NAME = "Čelist Łoś őr Ωμέγα Жук"


@pytest.mark.parametrize("language", LETTERS)
@pytest.mark.parametrize("face", [regular(), bold()], ids=["regular", "bold"])
def test_the_typeface_has_every_letter(face: Path, language: str) -> None:
    known = TTFont(str(face)).getBestCmap()
    assert not [c for c in LETTERS[language] + string.printable.strip() if ord(c) not in known]


def _drawn(letter: str) -> np.ndarray:
    tile = Image.new("L", (40, 40))
    ImageDraw.Draw(tile).text((5, 5), letter, 255, typeface(24))
    return np.asarray(tile)


def test_no_letter_of_a_picture_is_the_box_of_an_unknown_one() -> None:
    box = _drawn("\ufdd0")  # a code that Unicode keeps free for ever
    assert box.any()
    letters = "".join(LETTERS.values())
    assert not [c for c in letters if np.array_equal(_drawn(c), box) or not _drawn(c).any()]


def _words(path: Path) -> str:
    return " ".join(" ".join(p.extract_text() for p in PdfReader(path).pages).split())


def _embedded(path: Path) -> list[bool]:
    fonts = [p["/Resources"].get("/Font", {}) for p in PdfReader(path).pages]
    return ["/DescendantFonts" in f.get_object() for page in fonts for f in page.values()]


def test_a_plates_papers_hold_foreign_letters_and_embed_the_face_only_then(tmp_path) -> None:
    plain = draw_plate("ear", ear(), rear())
    foreign = replace(plain, name=NAME, material="ocel Č")
    for plate, embedded in ((plain, False), (foreign, True)):
        drawn, paper = tmp_path / "drawing.pdf", tmp_path / "paper.pdf"
        write_drawing(plate, drawn, profile=LASER, verdicts=verdicts(plate, LASER))
        write_template(plate, paper)
        for path in (drawn, paper):
            assert plate.name in _words(path)
            assert any(_embedded(path)) == embedded


def test_reports_hold_foreign_letters(tmp_path) -> None:
    path = tmp_path / "report.pdf"
    blocks_pdf.write_pdf(path, Document(NAME, (NAME, ""), ("", ""), (Heading(NAME),)))
    assert _words(path).count(NAME) == 2


def test_a_letter_that_no_typeface_here_has_is_drawn_without_a_warning(tmp_path) -> None:
    with drawing(3.0, 2.0) as figure:
        caption(figure, "\u8eca", "")
        save(figure, tmp_path / "chart")
    page = Page(100.0, 50.0)
    page.text(10.0, 10.0, "\u8eca")
    write_png(page, tmp_path / "page.png")
