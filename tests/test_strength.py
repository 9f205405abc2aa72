"""EN 1993-1-8 figures against worked examples; the label that goes with them."""

from __future__ import annotations

import pytest
from plate_cases import ear, rear

from linkview.plates.brackets import draw_plate
from linkview.plates.strength import LABEL, bearing, bolt_shear, static_check, weld

LOAD = {"force": [0.0, 12000.0, 0.0], "bolt_diameter": 14.0, "bolt_grade": "10.9"}


def test_bearing_of_an_m20_in_8_mm_s235():
    # EN 1993-1-8 Table 3.4, M20 4.6 in d0 22, t 8, S235 (fu 360), e1 = e2 = 26.4: 30.597 kN.
    # Recomputed: the published copy wrongly puts the bolt's strength for the plate's.
    found = bearing(26.4, 26.4, 22.0, 20.0, 8.0, 360.0, "4.6", 1000.0)
    assert found.resistance_n == pytest.approx(30597.0, abs=1.0)


def test_bearing_of_an_m20_in_12_mm_s355():
    # M20 8.8, S355 t 12, e1 = e2 = 40, fu 470, end bolt: 136.7 kN (recomputed).
    found = bearing(40.0, 40.0, 22.0, 20.0, 12.0, 470.0, "8.8", 1000.0)
    assert found.resistance_n == pytest.approx(136_700.0, abs=50.0)


def test_shear_of_bolts():
    # Table 3.4: M20 4.6 47.04 kN, M20 8.8 94.1 kN (read), As 245 against 244.8 by the formula.
    assert bolt_shear(20.0, "4.6", 0.0).resistance_n == pytest.approx(47_040.0, rel=2e-3)
    assert bolt_shear(20.0, "8.8", 0.0).resistance_n == pytest.approx(94_100.0, rel=2e-3)
    assert bolt_shear(13.0, "8.8", 0.0) is None


def test_weld_strength_of_s355():
    # 4.5.3.3: fu / (sqrt 3 bw gM2) with fu 470, bw 0.9: 241.2 N/mm2, by hand.
    assert weld(1.0, 1.0, 470.0, 0.9, 0.0).resistance_n == pytest.approx(241.2, abs=0.1)


def test_the_ears_own_distances_are_measured_along_and_across_the_force():
    plate = draw_plate("ear", ear(load=LOAD), rear())
    check = static_check(plate)
    told = {r.name: r for r in check.resistances}
    # The force runs along the plate's x: flanks at 90 deg to the tube; the eye is 26 mm round.
    assert "e1 " in told["bearing"].numbers
    assert told["bearing"].force_n == 12000.0
    assert check.words[0] == LABEL
    assert any("fatigue" in text for text in check.not_judged)
    pair = static_check(draw_plate("ear", ear(load=LOAD, offsets=(13.0, -13.0)), rear()))
    assert pair.resistances[0].force_n == 6000.0


def test_what_the_rule_does_not_cover_is_said_not_guessed():
    across = {**LOAD, "force": [500.0, 1000.0, 0.0]}
    check = static_check(draw_plate("ear", ear(load=across), rear()))
    assert any("0.5 kN out of the plate's plane" in text for text in check.not_judged)
    assert any("the weld" in text for text in check.not_judged)
    light = static_check(draw_plate("ear", ear(load=LOAD, material="EN AW-7075"), rear()))
    assert light.resistances == ()
    assert "S235, S355 only" in light.not_judged[0]
    assert static_check(draw_plate("ear", ear(), rear())) is None
