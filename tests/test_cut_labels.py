"""Names beside holes on a drawing: over no other hole, over no other name, over no edge."""

from __future__ import annotations

import numpy as np
from shapely.geometry import LineString, box

from linkview.export.cut_labels import beside_cut, corner_of_round, square_round


def _labelled(middles, half, wide, edges=()):
    taken = [square_round(m, half) for m in middles]
    corner = corner_of_round(half)
    spots = [beside_cut(square_round(m, half), corner, wide, taken, edges) for m in middles]
    return taken[: len(middles)], taken[len(middles) :], spots


def _right_edge(x):
    return [np.array([(x, -100.0), (x, 100.0)])]


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


def test_a_name_stays_off_the_edge_and_is_never_left_out():
    _, _, ((_, end),) = _labelled([(20.0, 20.0)], 4.0, 10.0, _right_edge(30.0))
    assert end == "right"
    fence = [np.array([(0.0, y), (40.0, y)]) for y in np.arange(0.0, 40.0)]
    _, _, ((at, end),) = _labelled([(20.0, 20.0)], 4.0, 10.0, fence)
    assert end == "left"
    assert at[1] > 20.0


def test_no_name_is_written_over_a_slanting_edge_where_a_place_is_free():
    # Truth: shapely, for lines thrown at a hole with its name.
    chance = np.random.default_rng(3)
    moved = 0
    for _ in range(300):
        a, b = chance.uniform(0.0, 40.0, 2), chance.uniform(0.0, 40.0, 2)
        if LineString([a, b]).distance(box(14.0, 14.0, 26.0, 26.0)) == 0.0:
            continue
        _, (name,), ((_, end),) = _labelled([(20.0, 20.0)], 4.0, 10.0, [np.array([a, b])])
        assert LineString([a, b]).distance(box(*name)) > 0.39
        moved += end != "left"
    assert moved > 10
