"""Names beside holes on a drawing: over no other hole, over no other name, inside the edge."""

from __future__ import annotations

import numpy as np
from shapely.geometry import box

from linkview.export.cut_labels import beside_cut, square_round


def _labelled(middles, half, wide, right_mm=1e3):
    taken = [square_round(m, half) for m in middles]
    spots = [beside_cut(m, half, wide, taken, right_mm=right_mm) for m in middles]
    return taken[: len(middles)], taken[len(middles) :], spots


def test_names_of_near_holes_run_over_nothing():
    # Twelve holes on a circle, as on a spacer: shapely finds no two boxes that share any area.
    turn = np.linspace(0.0, 2.0 * np.pi, 12, endpoint=False)
    middles = [(60.0 + 40.0 * float(np.cos(a)), 60.0 + 40.0 * float(np.sin(a))) for a in turn]
    holes, names, _ = _labelled(middles, 4.0, 5.0)
    every = [box(*b) for b in (*holes, *names)]
    assert not [
        (i, j)
        for i, a in enumerate(every)
        for j, b in enumerate(every[:i])
        if a.intersection(b).area > 0.0
    ]


def test_a_name_that_would_run_over_the_next_hole_goes_to_the_other_side():
    _, _, spots = _labelled([(20.0, 20.0), (38.0, 20.0)], 4.0, 16.0)
    assert [end for _, end in spots] == ["right", "left"]


def test_a_name_stays_inside_the_right_edge_and_is_never_left_out():
    _, _, ((_, end),) = _labelled([(20.0, 20.0)], 4.0, 10.0, right_mm=30.0)
    assert end == "right"
    _, _, ((at, end),) = _labelled([(20.0, 20.0)], 4.0, 10.0, right_mm=5.0)
    assert end == "left"
    assert at[1] > 20.0
