"""Shop profiles as files: the shipped ones, a builder's own, and every way to spoil one."""

from __future__ import annotations

from dataclasses import replace

import pytest
from plate_cases import ear, rear

from linkview.errors import ModelFaults, UnknownName
from linkview.plates.brackets import draw_plate
from linkview.plates.profiles import (
    PROFILES,
    Contours,
    DxfVersion,
    built_in_text,
    iso_2768_m_mm,
    iso_9013_mm,
    named_profile,
)
from linkview.plates.shop import verdicts
from linkview.plates.verdicts import Level


@pytest.mark.parametrize("name", PROFILES)
def test_a_shipped_profile_copied_to_a_file_is_the_same_profile(tmp_path, name):
    path = tmp_path / "mine.toml"
    path.write_text(built_in_text(name), encoding="utf-8")
    assert named_profile(str(path)) == named_profile(name) == PROFILES[name]


def test_an_edited_profile_changes_the_verdicts(tmp_path):
    text = built_in_text("laser").replace("web_per_thickness = 1.0", "web_per_thickness = 4.0")
    text = text.replace('version = "R2010"', 'version = "R12"')
    text = text.replace('contours = "polylines"', 'contours = "loose"')
    (tmp_path / "mine.toml").write_text(text, encoding="utf-8")
    mine = named_profile(str(tmp_path / "mine.toml"))
    assert (mine.dxf.version, mine.dxf.contours) == (DxfVersion.R12, Contours.LOOSE)
    plate = draw_plate("ear", ear(), rear())
    webs = [
        [v.level for v in verdicts(plate, p) if v.rule == "metal between"]
        for p in (PROFILES["laser"], mine)
    ]
    # 18.9 mm round the hole, in a 6 mm sheet: 1 x 6 is met, 4 x 6 is not.
    assert webs == [[Level.PASS], [Level.REFUSAL]]


SPOILT = {
    "unknown key": ("kerf_mm", "kerf_inch", "rules.kerf_inch"),
    "text for a number": ("kerf_mm = 0.3", 'kerf_mm = "0.3"', "rules.kerf_mm"),
    "a negative gap": ("part_gap = 8.0", "part_gap = -1.0", "sheets.part_gap"),
    "a version of tomorrow": ('"R2010"            #', '"R2050"            #', "dxf.version"),
    "one name for two layers": ('mark_layer = "MARK"', 'mark_layer = "cut"', "not three different"),
    "no TOML": ("[rules]", "[rules", "is not TOML"),
}


@pytest.mark.parametrize("what", SPOILT)
def test_a_spoilt_profile_names_its_file_and_key(tmp_path, what):
    old, new, words = SPOILT[what]
    text = built_in_text("laser")
    assert old in text
    path = tmp_path / "mine.toml"
    path.write_text(text.replace(old, new), encoding="utf-8")
    with pytest.raises(ModelFaults) as fault:
        named_profile(str(path))
    assert str(path) in str(fault.value)
    assert words in str(fault.value)


def test_a_name_nobody_knows_is_met_with_those_there_are(tmp_path):
    with pytest.raises(UnknownName, match="did you mean 'laser'"):
        named_profile("lazer")
    with pytest.raises(ModelFaults, match="cannot be read"):
        named_profile(str(tmp_path / "none.toml"))


def test_iso_9013_limits():
    # ISO 9013 limit deviations (secondary copy): sheet 3.15-6.3, 6.3-10 and 10-15 mm.
    assert [iso_9013_mm(1, 6.0, n) for n in (8, 30, 100, 300)] == [0.20, 0.25, 0.25, 0.30]
    assert [iso_9013_mm(2, 8.0, n) for n in (8, 30, 100, 300)] == [1.0, 1.1, 1.3, 1.4]
    assert iso_9013_mm(1, 15.0, 300) == 0.45
    assert iso_9013_mm(1, 3.0, 30) is None  # outside what is held here: nothing is claimed
    assert iso_9013_mm(1, 6.0, 400) is None


def test_iso_2768_m_limits(tmp_path):
    # ISO 2768-1 class m (secondary copy): .1 to 6, .2 to 30, .3 to 120, .5 to 400, .8 to 1000.
    sizes = (6, 6.1, 30, 120, 400, 1000)
    assert [iso_2768_m_mm(n) for n in sizes] == [0.1, 0.2, 0.2, 0.3, 0.5, 0.8]
    assert iso_2768_m_mm(1001) is None
    text = built_in_text("laser").replace('"iso_9013_1"', '"iso_2768_m"')
    (tmp_path / "mine.toml").write_text(text, encoding="utf-8")
    mine = named_profile(str(tmp_path / "mine.toml"))
    assert mine.deviation_mm(6.0, 14.2) == 0.2
    assert "ISO 2768-m" in mine.tolerance_words


def test_a_plate_beyond_every_sheet_is_refused():
    plate = draw_plate("ear", ear(), rear())
    tiny = replace(PROFILES["laser"], sheets_mm=((80.0, 60.0),))
    told = [str(v) for v in verdicts(plate, tiny) if v.level is Level.REFUSAL]
    assert any("room on the sheet" in text for text in told)
