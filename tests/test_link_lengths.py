"""Links screwed to another length, and a toe set by the tie rod: parts kept, told by lengths."""

from __future__ import annotations

from itertools import combinations
from pathlib import Path

import numpy as np
import pytest

from linkview.errors import CannotAssemble, UnknownName
from linkview.kinematics.assemble import build_car
from linkview.live.as_variant import built, variant_text
from linkview.live.edits import Edits, How, edit_of
from linkview.model.parts import Corner
from linkview.model.read import read_file
from linkview.model.reference import wheel_angles_deg
from linkview.model.shipped import shipped_file
from tests.scene_cases import DEMO


def _sizes(corner: Corner) -> dict[tuple[str, str], float]:
    """Everything that parts kept keep: rods, legs of arms, the knuckle with the wheel."""
    layout = corner.layout
    pairs = [(r.inner, r.outer) for r in layout.rods.values()]
    pairs += [(p, a.ball) for a in layout.arms.values() for p in a.pivots]
    pairs += list(combinations([*layout.on_knuckle, "wheel_centre"], 2))
    there = [p for p in pairs if set(p) <= set(corner.points)]
    return {p: corner.distance_mm(*p) for p in there}


@pytest.mark.parametrize(
    ("model", "axle", "link", "more_mm"),
    [
        ("demo_coupe", "front", "tie_rod", 2.5),
        ("demo_coupe", "rear", "toe_link", -1.5),
        ("double_wishbone", "front", "tie_rod", -2.0),
        ("twin_link_strut", "front", "lower_lateral", 4.0),
    ],
)
def test_one_link_gets_its_length_and_all_else_keeps_its_size(
    model: str, axle: str, link: str, more_mm: float
) -> None:
    # Truth: the definition itself. A rigid part keeps the distances of its points; the wheel's
    # height is held. Nothing here is taken from the solver.
    file = read_file(shipped_file(model))
    before = build_car(file).axles[axle].left
    rod = before.layout.rods[link]
    wanted = before.distance_mm(rod.inner, rod.outer) + more_mm
    after = built(file, Edits().with_length(axle, link, wanted)).axles[axle].left
    old, new = _sizes(before), _sizes(after)
    ends = (rod.inner, rod.outer)
    assert new[ends] == pytest.approx(wanted, abs=1e-8)  # mm
    assert {p: new[p] for p in new if p != ends} == pytest.approx(
        {p: v for p, v in old.items() if p != ends}, abs=1e-8
    )
    z = [c.points["wheel_centre"][2] for c in (before, after)]
    assert z[0] == pytest.approx(z[1], abs=1e-8)
    toe = [wheel_angles_deg(c.side, c.wheel.spin_axis)[1] for c in (before, after)]
    assert abs(toe[1] - toe[0]) > 0.005  # deg: it does something


def test_a_toe_asked_for_gives_the_length_that_gives_the_toe() -> None:
    # One question both ways: the tie rod screwed to a toe, and its new length given as a length.
    file = read_file(DEMO)
    by_toe = built(file, Edits("planned").with_toe("front", 0.35)).axles["front"].left
    assert wheel_angles_deg(by_toe.side, by_toe.wheel.spin_axis)[1] == pytest.approx(0.35)
    rod = by_toe.layout.rods["tie_rod"]
    mm = by_toe.distance_mm(rod.inner, rod.outer)
    by_length = built(file, Edits("planned").with_length("front", "tie_rod", mm))
    for name, at in by_length.axles["front"].left.points.items():
        assert at == pytest.approx(by_toe.points[name], abs=1e-6), name  # mm
    # a later change moves the toe again: it is screwed once, when it was asked for
    x, y, z = by_toe.points["strut_top"]
    moved = Edits("planned").with_toe("front", 0.35)
    moved = moved.with_point("front", How.PARTS_KEPT, "strut_top", (x, y - 10.0, z))
    corner = built(file, moved).axles["front"].left
    assert abs(wheel_angles_deg(corner.side, corner.wheel.spin_axis)[1] - 0.35) > 0.05
    assert moved.with_toe("front", 0.1).count == 3
    assert Edits().with_toe("front", 0.1).with_toe("front", 0.2).count == 1


def test_both_are_saved_as_a_variant_and_read_back(tmp_path: Path) -> None:
    file = read_file(DEMO)
    edits = Edits("planned").with_length("front", "tie_rod", 366.0)
    edits = edits.with_toe("front", -0.1).with_length("rear", "toe_link", 352.0)
    assert Edits.from_json(edits.to_json()) == edits
    for mesh in DEMO.parent.glob("*.stl"):
        (tmp_path / mesh.name).write_bytes(mesh.read_bytes())
    path = tmp_path / "again.toml"
    words = variant_text(file, edits, "mine", "screwed")
    path.write_text(f"{DEMO.read_text(encoding='utf-8')}\n{words}", encoding="utf-8")
    again, now = build_car(read_file(path), "mine"), built(file, edits)
    for axle in ("front", "rear"):
        for name, at in now.axles[axle].left.points.items():
            assert again.axles[axle].left.points[name] == pytest.approx(at, abs=1e-9)


def test_nonsense_is_told_by_key_and_value() -> None:
    file = read_file(DEMO)
    axle = build_car(file).axles["front"]
    with pytest.raises(UnknownName, match="did you mean 'tie_rod'"):
        edit_of({"length": "tie_rdo", "value": 300.0}, axle, How.PARTS_KEPT)
    with pytest.raises(ValueError, match="10 to 3000 mm"):
        edit_of({"length": "tie_rod", "value": 3.0}, axle, How.PARTS_KEPT)
    with pytest.raises(CannotAssemble, match="does not go together") as told:
        built(file, Edits().with_length("front", "tie_rod", 2000.0))
    assert "tie rod" in str(told.value)
    with pytest.raises(ValueError, match="looks like '225/45R17'"):
        edit_of({"tyre": "fat ones"}, axle, How.MADE_TO_FIT)


def test_a_tyre_code_sets_the_whole_section() -> None:
    # Truth: the code's own arithmetic, d + 2 H with d = 406 mm for rim 16: 406 + 205 = 611 across.
    file = read_file(DEMO)
    axle = build_car(file).axles["rear"]
    car = built(file, edit_of({"tyre": "205/50R16"}, axle, How.MADE_TO_FIT)(Edits()))
    tyre = car.axles["rear"].left.wheel.tyre
    assert tyre.outer_radius_mm == pytest.approx(305.5, abs=1e-9)  # mm
    assert tyre.code == "205/50R16"
    assert car.axles["rear"].left.wheel.rim.diameter_in == 16.0
    assert np.array_equal(car.axles["rear"].left.wheel.centre, axle.left.wheel.centre)
