"""Hard points from measurements: published networks, scipy's own solver, thousands of surveys."""

from __future__ import annotations

import re
import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import least_squares
from scipy.spatial.transform import Rotation
from scipy.stats import chi2, kstest

from linkview.errors import SurveyRefused
from linkview.geometry import frozen
from linkview.model.read import read_survey
from linkview.survey.doubts import sifted
from linkview.survey.fit import fitted
from linkview.survey.gather import network_of, usual_sigmas
from linkview.survey.network import ARM_LENGTH_MM, Network
from linkview.survey.next_best import suggestions
from linkview.survey.readings import Kind, Reading
from linkview.survey.starts import found_from_all_starts
from linkview.survey.survey import solve_survey

MODEL = Path(__file__).parents[1] / "models" / "taped_front" / "taped_front.toml"
NO_ARM = np.zeros((0, 6))
USUAL = {Kind.DISTANCE: 1.5, Kind.COORDINATE: 1.0}


def tape(a: str, b: str, value: float, sigma: float = 1.0) -> Reading:
    return Reading(Kind.DISTANCE, (a, b), value, sigma, key=f"{a}-{b}")


def flat_resection(stations: dict, distances: dict, start: tuple[float, float]) -> Network:
    """Distances from known stations in a plane to one unknown point."""
    names = (*stations, "p")
    near = np.array([[*at, 0.0] for at in (*stations.values(), start)])
    held = np.ones((len(names), 3), dtype=bool)
    held[-1, :2] = False
    return Network(names, near, held, tuple(tape(s, "p", d) for s, d in distances.items()))


GHILANI = (
    {"a": (865.40, 4527.15), "b": (2432.55, 2047.25), "c": (2865.22, 27.15)},
    {"a": 6049.00, "b": 4736.83, "c": 5446.49},
)


def box_network(rng, count=8, sigma=1.0, spread=(1300, 800, 400)):
    """Points in the size of a car, every pair taped, six coordinates held. Returns it and truth."""
    at = rng.uniform(-1, 1, (count, 3)) * spread
    at[:3] = [[-1200.0, -700, 0], [1200, -650, 50], [100, 700, -100]]  # a stout datum
    names = tuple(f"p{i}" for i in range(count))
    held = np.zeros((count, 3), dtype=bool)
    held[0], held[1, 1:], held[2, 2] = True, True, True
    rows = [
        tape(names[i], names[j], float(np.linalg.norm(at[i] - at[j])), sigma)
        for i in range(count)
        for j in range(i)
    ]
    return Network(names, at.copy(), held, tuple(rows)), at


def noisy(network: Network, rng) -> Network:
    rows = [replace(r, value=r.value + r.sigma * rng.normal()) for r in network.readings]
    return replace(network, readings=tuple(rows))


def solved_from(network: Network, at):
    return fitted(network, network.packed(at, NO_ARM))


# --- published networks -------------------------------------------------------------------------


def test_four_distances_to_one_point():
    # Distance-only least squares, four stations: inputs as published, the answer recomputed from
    # them apart from this code (-7790.5225, 4981.8185), s0 .000305.
    stations = {
        "a": (-9213.575, 3665.365),
        "b": (-8031.718, 2485.374),
        "c": (-4855.979, 4957.737),
        "d": (-8429.253, 6036.523),
    }
    distances = {"a": 1938.589, "b": 2508.069, "c": 2934.642, "d": 1233.036}
    network = flat_resection(stations, distances, (-7990.0, 4980.0))
    fit = found_from_all_starts(network).best
    assert fit.places[-1] == pytest.approx([-7790.5225, 4981.8185, 0.0], abs=6e-5)  # last digit
    assert np.abs(fit.misfit).max() == pytest.approx(0.00029, abs=6e-6)
    assert fit.factor == pytest.approx(0.000305, abs=6e-7)


def test_a_false_minimum_is_told_and_not_returned():
    # C. D. Ghilani and P. R. Wolf, Adjustment Computations, example 14.2; answer recomputed apart.
    network = flat_resection(*GHILANI, (0.0, 0.0))
    there = solved_from(network, network.near)
    assert there.factor == pytest.approx(666.0, abs=0.5)  # where a plain solver stays
    found = found_from_all_starts(network)
    assert found.best.places[-1, :2] == pytest.approx([6861.317, 3727.819], abs=1e-3)
    assert found.best.factor == pytest.approx(0.098, abs=5e-4)
    assert found.start_false
    assert found.false == (pytest.approx(there.cost, rel=1e-4),)
    survey = solve_survey(network, USUAL, free_datum=False)
    assert any(note.startswith("false minimum") for note in survey.notes)


def test_a_good_start_is_not_called_false():
    found = found_from_all_starts(flat_resection(*GHILANI, (6800.0, 3700.0)))
    assert not found.start_false


# --- a second solver ------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(4))
def test_random_networks_agree_with_scipy_from_differences(seed):
    rng = np.random.default_rng(seed)
    network, at = box_network(rng, count=7)
    network = noisy(network, rng)
    ends = [[int(p[1:]) for p in r.points] for r in network.readings]
    free = np.flatnonzero(~network.held.ravel())

    def misfits(x):  # written apart from the code under test
        flat = at.ravel().copy()
        flat[free] = x
        p = flat.reshape(-1, 3)
        return [np.linalg.norm(p[i] - p[j]) - r.value for (i, j), r in
                zip(ends, network.readings, strict=True)]  # fmt: skip

    other = least_squares(misfits, at.ravel()[free], jac="3-point", x_scale=100.0, xtol=1e-14)
    fit = solved_from(network, at + rng.normal(size=at.shape) * 20.0 * ~network.held)
    assert fit.places.ravel()[free] == pytest.approx(other.x, abs=1e-4)  # scipy's own stop
    assert fit.cost == pytest.approx(2.0 * other.cost, rel=1e-9)


def mixed_network(rng):
    """Every kind of reading, with two set-ups of an arm; exact values, and the unknowns."""
    base, at = box_network(rng, count=6)
    turn = [Rotation.from_rotvec(w) for w in ([0.4, -0.9, 2.0], [0.0, 0.0, 1e-6])]
    shift = np.array([[300.0, -50.0, 900.0], [-10.0, 20.0, 30.0]])
    rows = [*base.readings[::2]]
    rows += [Reading(Kind.COORDINATE, ("p3",), 0.0, 1.0, k) for k in range(3)]
    rows += [Reading(Kind.RISE, ("p3", "p4"), 0.0, 1.0), Reading(Kind.LEVEL, ("p4", "p5"), 0, 2e-3)]
    for s in range(2):
        rows += [
            Reading(Kind.ARM, (f"p{i}",), 0.0, 0.5, k, f"arm{s}")
            for i in range(1, 6)
            for k in range(3)
        ]
    network = replace(base, readings=tuple(rows))
    arms = np.array(
        [[*(t.as_rotvec() * ARM_LENGTH_MM), *d] for t, d in zip(turn, shift, strict=True)]
    )
    x = network.packed(at, arms)
    exact = [replace(r, value=float(v)) for r, v in zip(rows, network.predicted(x), strict=True)]
    return replace(network, readings=tuple(exact)), at, x, turn, shift


def test_every_kind_reads_what_it_says():
    network, at, x, turn, shift = mixed_network(np.random.default_rng(3))
    for r, value in zip(network.readings, network.predicted(x), strict=True):
        a, b = (at[int(r.points[k][1:])] for k in (0, -1))
        line = b - a
        says = {
            Kind.DISTANCE: np.linalg.norm(line),
            Kind.COORDINATE: a[r.axis],
            Kind.RISE: line[2],
            Kind.LEVEL: np.arcsin(line[2] / max(np.linalg.norm(line), 1.0)),
        }
        s = int(r.setup[3:]) if r.setup else 0
        said = says.get(r.kind, (turn[s].apply(a) + shift[s])[r.axis])
        assert value == pytest.approx(said, abs=1e-9)


def test_derivatives_agree_with_differences():
    network, _, x, _, _ = mixed_network(np.random.default_rng(3))
    step = 1e-3
    for k in range(len(x)):
        e = step * np.eye(len(x))[k]
        slope = (network.misfits(x + e) - network.misfits(x - e)) / (2 * step)
        assert network.derivatives(x)[:, k] == pytest.approx(slope, abs=2e-7)  # rounding / step


def test_two_arm_set_ups_and_a_tape_find_the_points():
    network, at, _, _, _ = mixed_network(np.random.default_rng(5))
    rough = replace(network, near=np.where(network.held, at, at + 15.0))
    found = found_from_all_starts(rough)
    assert found.best.places == pytest.approx(at, abs=1e-6)


# --- how sure: thousands of surveys ---------------------------------------------------------------


@pytest.fixture(scope="module")
def many():
    """Surveys of one car with the stated errors: sums of squares, and where a point came."""
    rng = np.random.default_rng(11)
    network, at = box_network(rng, count=6, sigma=1.5)
    fits = [solved_from(noisy(network, rng), at) for _ in range(2000)]
    return network, at, fits


def test_sums_of_squares_follow_chi_square(many):
    _, _, fits = many
    spare = fits[0].spare
    assert spare == 15 - 12
    assert kstest([f.cost for f in fits], chi2(spare).cdf).pvalue > 0.01


def test_ellipsoids_hold_as_many_as_they_say(many):
    _, at, fits = many
    for point in (3, 5):
        far = [
            (f.places[point] - at[point])
            @ np.linalg.solve(f.block(point), f.places[point] - at[point])
            for f in fits
        ]
        inside = np.mean(np.array(far) < chi2.ppf(0.95, 3))
        assert inside == pytest.approx(0.95, abs=0.015)  # three sigma of a count of 2000


def test_a_network_too_poor_for_ellipsoids_says_so():
    # Three datum points nearly in line: everything hangs on a hinge. Simulated: ellipsoids for 95
    # of 100 hold 65; with a hundredth of the errors, 91.
    rng = np.random.default_rng(11)
    at = rng.uniform(-1, 1, (6, 3)) * (1300, 800, 400)
    poor, _ = box_network(rng, count=6, sigma=1.5)
    rows = [
        replace(r, value=float(np.linalg.norm(np.subtract(*(at[int(p[1:])] for p in r.points)))))
        for r in poor.readings
    ]
    survey = solve_survey(replace(poor, near=at, readings=tuple(rows)), USUAL, free_datum=False)
    assert any("uncertainties shown are too small" in note for note in survey.notes)
    stout, _ = box_network(rng, count=6, sigma=1.5)
    notes = solve_survey(stout, USUAL, free_datum=False).notes
    assert not any("uncertainties shown" in note for note in notes)


def test_misstated_sigmas_are_told():
    rng = np.random.default_rng(2)
    large, at = box_network(rng, count=8)
    worse = [replace(r, sigma=4.0 * r.sigma) for r in large.readings]
    better = [replace(r, sigma=0.25 * r.sigma) for r in large.readings]
    tried = noisy(large, rng)
    for rows, large_, small in ((worse, False, True), (better, True, False)):
        stated = [replace(r, value=t.value) for r, t in zip(rows, tried.readings, strict=True)]
        fit = solved_from(replace(large, readings=tuple(stated)), at)
        assert (fit.too_large, fit.too_small) == (large_, small)


# --- slips ----------------------------------------------------------------------


def test_good_surveys_are_seldom_doubted():
    rng = np.random.default_rng(8)
    network, at = box_network(rng, count=7)
    doubted = sum(bool(sifted(solved_from(noisy(network, rng), at)).doubts) for _ in range(300))
    assert doubted <= 9  # one in a hundred expected; over 9 of 300 has a chance of 0.1 %


@pytest.mark.parametrize("seed", range(5))
def test_a_slip_of_nine_mm_is_named_and_sized(seed):
    rng = np.random.default_rng(seed)
    network, at = box_network(rng, count=8)
    rows = list(noisy(network, rng).readings)
    rows[13] = replace(rows[13], value=rows[13].value + 9.0)
    whole = solved_from(replace(network, readings=tuple(rows)), at)
    kept = sifted(whole)
    (doubt,) = kept.doubts
    assert doubt.reading is rows[13]
    own = 1.0 / np.sqrt(whole.redundancy[13])  # sigma of what is said about it
    assert doubt.off == pytest.approx(9.0, abs=3.5 * own)
    assert "re-measure p5 to p3" in doubt.words
    assert "more than the rest says" in doubt.words


@pytest.mark.parametrize("row", [12, 5, 20, 9, 16])
def test_a_slip_that_alone_explains_all_is_named_though_little_checks_it(row):
    network, at = box_network(np.random.default_rng(7), count=8)
    rows = list(noisy(network, np.random.default_rng(8)).readings)
    rows[row] = replace(rows[row], value=rows[row].value + 20.0)
    whole = solved_from(replace(network, readings=tuple(rows)), at)
    assert whole.redundancy[row] > 0.15  # the least: 20 mm show as 8 sigma
    (doubt,) = sifted(whole).doubts
    assert doubt.reading is rows[row]


def with_sigma(network: Network, sigma: float) -> Network:
    return replace(network, readings=tuple(replace(r, sigma=sigma) for r in network.readings))


def test_a_slip_does_not_hide_under_sigmas_stated_too_large():
    """A tape read to 0.8 mm and stated to 2: 9 mm come to 3.3 sigmas, and under the bound of 3.7.
    How well the others go together says better. Good ones are still not doubted."""
    rng = np.random.default_rng(31)
    network, at = box_network(rng, count=10, sigma=0.8)
    good = [with_sigma(noisy(network, rng), 2.0) for _ in range(40)]
    assert not any(sifted(solved_from(survey, at)).doubts for survey in good)
    k = int(np.argmax(solved_from(network, at).redundancy))
    for survey in good[:10]:
        rows = list(survey.readings)
        rows[k] = replace(rows[k], value=rows[k].value + 9.0)
        (doubt,) = sifted(solved_from(replace(survey, readings=tuple(rows)), at)).doubts
        assert doubt.reading is rows[k]


def test_a_reading_that_is_odd_but_no_slip_is_told_and_kept():
    rng = np.random.default_rng(3)
    network, at = box_network(rng, count=7)
    rows = list(noisy(network, rng).readings)
    share = solved_from(network, at).redundancy[9]
    fit = solved_from(replace(network, readings=tuple(rows)), at)
    more = 3.3 / np.sqrt(share) - fit.standardised[9] / -np.sqrt(share)
    rows[9] = replace(rows[9], value=rows[9].value + more)
    survey = solve_survey(replace(network, readings=tuple(rows)), USUAL, free_datum=False)
    assert not survey.doubts
    (note,) = [n for n in survey.notes if "farthest off the rest, and kept" in n]
    assert rows[9].words in note
    # One reading in 1,034 lies over 3.3 sigma, and the others share a little of the slip.
    assert re.search(r"[23] of 100 good surveys", note)


def test_one_point_under_two_names_is_asked_about():
    rng = np.random.default_rng(12)
    network, at = box_network(rng, count=10)
    # p5 under its name in half of its distances, and under another in the rest.
    mine = [k for k, r in enumerate(network.readings) if "p5" in r.points]
    rows = list(noisy(network, rng).readings)
    for k in mine[::2]:
        rows[k] = replace(rows[k], points=tuple("bolt" if p == "p5" else p for p in rows[k].points))
    twice = Network((*network.points, "bolt"), np.vstack([at, at[5] + 3.0]),
                    np.vstack([network.held, [[False] * 3]]), tuple(rows))  # fmt: skip
    notes = solve_survey(twice, USUAL, free_datum=False).notes
    assert any("p5 and bolt come out 3.9" in n and "one point named twice" in n for n in notes)
    plain = solve_survey(noisy(network, rng), USUAL, free_datum=False).notes
    assert not any("named twice" in n for n in plain)


def test_a_misspelt_point_that_hangs_loose_is_asked_about():
    rng = np.random.default_rng(13)
    network, at = box_network(rng, count=8)
    names = (*network.points[:5], "tie_rod_outer", *network.points[6:], "tie_rod_outr")
    rows = [
        replace(r, points=tuple("tie_rod_outer" if p == "p5" else p for p in r.points))
        for r in network.readings
    ]
    (k, *_) = [k for k, r in enumerate(rows) if "tie_rod_outer" in r.points]
    rows[k] = replace(rows[k], points=tuple(p.replace("uter", "utr") for p in rows[k].points))
    wrong = Network(names, np.vstack([at, at[5] + 3.0]),
                    np.vstack([network.held, [[False] * 3]]), tuple(rows))  # fmt: skip
    with pytest.raises(SurveyRefused, match="is 'tie_rod_outr' meant to be 'tie_rod_outer'"):
        solve_survey(wrong, USUAL, free_datum=False)


@pytest.mark.parametrize(
    ("factor", "asked"),
    [(1 / 25.4, "inches"), (1000.0, "thousand"), (0.1, "cm"), (25.4, "25.4"), (0.001, "metres")],
)
def test_a_wrong_unit_is_asked_about(factor, asked):
    rng = np.random.default_rng(21)
    network, at = box_network(rng, count=7)
    rows = list(noisy(network, rng).readings)
    rows[9] = replace(rows[9], value=rows[9].value * factor)
    survey = solve_survey(replace(network, readings=tuple(rows)), USUAL, free_datum=False)
    (doubt,) = survey.doubts
    assert doubt.reading is rows[9]
    assert asked in doubt.question
    assert np.abs(survey.fit.places - at).max() < 6.0  # the rest still gives the points


def test_a_whole_survey_in_inches_is_asked_about():
    rng = np.random.default_rng(4)
    network, _ = box_network(rng, count=7)
    rows = [replace(r, value=r.value / 25.4) for r in network.readings]
    loose = replace(network, readings=tuple(rows), held=frozen(np.zeros((7, 3))) > 1)
    with pytest.raises(SurveyRefused, match=r"most distances are about .* was it read in inches"):
        solve_survey(loose, USUAL, free_datum=True)


@pytest.mark.parametrize(("unit", "size"), [("in", 25.4), ("cm", 10.0), ("m", 1000.0)])
def test_a_whole_kind_in_another_unit_is_asked_about_and_no_good_tape_blamed(unit, size):
    """All heights, or all that an arm read, in another unit than the tapes; as few as five."""
    network, at = box_network(np.random.default_rng(5), count=6)
    tapes = noisy(network, np.random.default_rng(6)).readings
    z = [
        Reading(Kind.COORDINATE, (p,), at[i, 2] / size, 1.0, 2, key=f"survey.heights[{i}]")
        for i, p in enumerate(network.points[1:], start=1)
    ]
    arm = [
        Reading(
            Kind.ARM, (p,), (at[i, k] + 300.0) / size, 0.5, k, "arm", f"survey.coordinates[{i}]"
        )
        for i, p in enumerate(network.points)
        for k in range(3)
    ]
    for rows, what in ((z, "survey.heights"), (arm, "survey.coordinates in set-up arm")):
        mixed = replace(network, readings=(*tapes, *rows))
        with pytest.raises(SurveyRefused) as told:
            solve_survey(mixed, USUAL, free_datum=False)
        assert f"the {len(rows)} numbers of {what} do not go with the rest" in str(told.value)
        assert f"add unit = '{unit}'" in str(told.value)


@pytest.mark.parametrize(
    ("wrong", "checks", "unit"),
    [((4,), True, "in"), ((0, 2, 5, 8), True, "in"), ((2,), False, "in"), ((4,), True, "m")],
)
def test_inches_and_metres_that_too_few_others_check_are_asked_about(wrong, checks, unit):
    """Ten distances, one to spare; and seven, none to spare: there a slip would go unseen."""
    network, at = box_network(np.random.default_rng(11), count=5)
    rows = [r for r in network.readings if checks or "p4" not in r.points]
    last = 5 if checks else 4
    size = {"in": 25.4, "m": 1000.0}[unit]
    rows = [replace(r, value=r.value / size) if k in wrong else r for k, r in enumerate(rows)]
    few = Network(network.points[:last], at[:last] + 5.0 * ~network.held[:last],
                  network.held[:last], tuple(rows))  # fmt: skip
    with pytest.raises(SurveyRefused) as told:
        solve_survey(few, USUAL, free_datum=False)
    lines = str(told.value).splitlines()
    assert len(lines) == len(wrong)
    assert all(f"add unit = '{unit}'" in line for line in lines)
    for k, line in zip(wrong, lines, strict=True):
        assert rows[k].words in line


def test_a_level_read_from_the_vertical_is_asked_about():
    network, at = box_network(np.random.default_rng(5), count=6)
    line = at[1] - at[0]
    true = float(np.arctan2(line[2], np.hypot(line[0], line[1])))
    assert 0.0 < true < 0.1
    for value, asked in ((np.pi / 2 - true, "was it read from the vertical?"), (true + 0.3, "")):
        level = Reading(Kind.LEVEL, ("p0", "p1"), value, 0.002, key="survey.levels[0]")
        wrong = replace(network, readings=(*network.readings, level))
        (doubt,) = solve_survey(wrong, USUAL, free_datum=False).doubts
        assert doubt.reading is level
        assert doubt.question == asked
    # With a height for its only check neither can be named: asked against the rough places.
    few = replace(level, value=np.pi / 2 - true)
    height = Reading(Kind.COORDINATE, ("p1",), float(at[1, 2]), 1.0, 2, key="survey.heights[0]")
    held = np.array([[True] * 3, [True, True, False]])
    pair = Network(("p0", "p1"), at[:2], held, (few, height))
    with pytest.raises(SurveyRefused, match=r"levels\[0\]\) .* read from the vertical"):
        solve_survey(pair, USUAL, free_datum=False)


def test_shapes_that_the_rough_places_speak_against_are_told_in_one_line():
    network, at = box_network(np.random.default_rng(11), count=6)
    notes = solve_survey(replace(network, near=at), USUAL, free_datum=False).notes
    assert sum("nearly as well" in note or "nearly alike" in note for note in notes) == 1
    assert not any(note.startswith("far from") for note in notes)
    swapped = at.copy()
    swapped[[4, 5]] = at[[5, 4]]
    notes = solve_survey(replace(network, near=swapped), USUAL, free_datum=False).notes
    assert any("far from the rough places" in note and "p5" in note for note in notes)


def test_two_readings_of_one_thing_that_differ_cannot_be_told_apart():
    network = Network(
        ("a", "b"),
        np.array([[0.0, 0, 0], [500.0, 0, 0]]),
        np.array([[True] * 3, [False, True, True]]),
        (tape("a", "b", 500.0), tape("a", "b", 540.0)),
    )
    (doubt,) = solve_survey(network, USUAL, free_datum=False).doubts
    assert doubt.alike
    assert "contradictory" in doubt.words


def test_a_pair_that_contradicts_itself_hides_no_slip_and_is_sized_truly():
    network, at = box_network(np.random.default_rng(7), count=8)
    rows = list(noisy(network, np.random.default_rng(8)).readings)
    # Of a mark only the height is asked for, and what its two readings say is 50 mm apart.
    mark = at[0] + [0.0, 200.0, 90.0]
    rows += [
        Reading(Kind.COORDINATE, ("mark",), float(mark[2]), 1.0, 2, key="height"),
        Reading(Kind.RISE, ("p0", "mark"), 140.0, 1.0, key="rise"),
    ]
    rows[5] = replace(rows[5], value=rows[5].value + 20.0)
    both = Network((*network.points, "mark"), np.vstack([network.near, mark]),
                   np.vstack([network.held, [[True, True, False]]]), tuple(rows))  # fmt: skip
    slip, pair = solve_survey(both, USUAL, free_datum=False).doubts
    assert slip.reading is rows[5]
    assert slip.off == pytest.approx(20.0, abs=3.0)
    assert {r.key for r in (pair.reading, *pair.alike)} == {"height", "rise"}
    assert abs(pair.off) == pytest.approx(50.0, abs=0.01)


def test_a_point_read_in_inches_that_too_few_others_check_is_asked_about():
    near = np.array([[1000.0, 700.0, 200.0], [1000.0, -700.0, 200.0]])
    rows = [
        Reading(
            Kind.COORDINATE, (p,), float(near[i, k]) / (25.4 if i else 1.0), 1.0, k, key=f"c{i}"
        )
        for i, p in enumerate("ab")
        for k in range(3)
    ]
    network = Network(("a", "b"), near, np.zeros((2, 3), dtype=bool), tuple(rows))
    with pytest.raises(SurveyRefused, match=r"b, .*\(c1\) .*add unit = 'in'"):
        solve_survey(network, USUAL, free_datum=False)
    # Far from where it was thought to be, by no unit's factor: told as a note, not refused.
    moved = tuple(replace(r, value=r.value * (0.3 if r.key == "c1" else 1.0)) for r in rows)
    solve_survey(replace(network, readings=moved), USUAL, free_datum=False)


# --- too few ----------------------------------------------------------------------


def test_a_point_on_two_tapes_is_free_along_its_circle():
    names = ("a", "b", "front.left.strut_top")
    near = np.array([[0.0, 0, 0], [600.0, 0, 0], [300.0, 0, 400.0]])
    held = np.array([[True] * 3, [True] * 3, [False] * 3])
    network = Network(names, near, held, (tape("a", names[2], 500.0), tape("b", names[2], 500.0)))
    with pytest.raises(SurveyRefused) as refused:
        solve_survey(network, USUAL, free_datum=False)
    assert "front left strut top can still move across the car" in str(refused.value)
    assert "would help: front left strut top, offset from the centre line" in str(refused.value)


def test_heights_alone_laid_down_still_find_a_shape():
    # Only z of three marks is known: no place is whole, and nothing warns on the way there.
    rng = np.random.default_rng(9)
    network, at = box_network(rng, count=6)
    held = np.zeros((6, 3), dtype=bool)
    held[:3, 2] = True
    near = np.where(held, at, np.nan)
    survey = solve_survey(replace(network, near=near, held=held), USUAL, free_datum=True)
    assert survey.fit.cost < 1e-9
    assert survey.fit.whole.shape[1] == 3


def test_a_side_longer_than_the_way_round_is_told():
    nowhere = np.full((3, 3), np.nan)
    rows = (tape("a", "b", 500.0), tape("a", "c", 500.0), tape("b", "c", 5000.0))
    network = Network(("a", "b", "c"), nowhere, np.zeros((3, 3), dtype=bool), rows)
    with pytest.raises(SurveyRefused, match=r"b to c .* at most 1000\.0 mm"):
        solve_survey(network, USUAL, free_datum=True)


def test_a_network_that_nothing_ties_to_the_car_says_so():
    network, at = box_network(np.random.default_rng(1), count=5)
    loose = replace(network, held=np.zeros((5, 3), dtype=bool))
    with pytest.raises(SurveyRefused, match="everything together can still shift fore and aft"):
        solve_survey(loose, USUAL, free_datum=False)
    survey = solve_survey(loose, USUAL, free_datum=True)
    assert survey.free_datum
    assert np.abs(survey.fit.places - at).max() < 1e-6  # laid onto the rough places
    inverse = np.linalg.pinv(survey.fit.network.derivatives(survey.fit.x), rcond=1e-9)
    assert survey.fit.covariance == pytest.approx(inverse @ inverse.T, abs=1e-8)


def test_a_turn_in_plan_that_heights_leave_is_named():
    network, at = box_network(np.random.default_rng(1), count=5)
    loose = replace(network, held=np.zeros((5, 3), dtype=bool))
    heights = [Reading(Kind.COORDINATE, (p,), at[i, 2], 1.0, 2) for i, p in enumerate(loose.points)]
    with pytest.raises(SurveyRefused) as refused:
        solve_survey(replace(loose, readings=(*loose.readings, *heights)), USUAL, free_datum=False)
    assert "shift fore and aft, shift across the car, turn in plan;" in str(refused.value)


def test_a_turn_about_no_axis_of_the_car_is_told_with_its_line():
    network, at = box_network(np.random.default_rng(1), count=5)
    laid = [
        Reading(Kind.COORDINATE, (f"p{i}",), float(at[i, k]), 1.0, k)
        for i in (0, 4)
        for k in range(3)
    ]
    rows = (*network.readings, *laid)
    loose = replace(network, readings=rows, held=np.zeros((5, 3), dtype=bool))
    with pytest.raises(SurveyRefused) as refused:
        solve_survey(loose, USUAL, free_datum=False)
    way = (at[4] - at[0]) / np.linalg.norm(at[4] - at[0])
    found = re.search(r"turn about a line \((.*?)\) through p0 and p4;", str(refused.value))
    assert abs(np.array(found[1].split(","), dtype=float) @ way) == pytest.approx(1.0, abs=0.01)


def test_a_point_on_three_tapes_may_stand_on_either_side():
    names = ("a", "b", "c", "p")
    near = np.array([[0.0, 0, 0], [600.0, 0, 0], [0.0, 500, 0], [200.0, 150.0, 300.0]])
    held = np.array([[True] * 3] * 3 + [[False] * 3])
    rows = [tape(s, "p", float(np.linalg.norm(near[i] - near[3]))) for i, s in enumerate("abc")]
    survey = solve_survey(Network(names, near, held, tuple(rows)), USUAL, free_datum=False)
    assert survey.fit.places[3] == pytest.approx(near[3], abs=1e-6)
    assert any(
        "1 other shape fits nearly as well: p up to 600 mm elsewhere" in n for n in survey.notes
    )


# --- what to measure next -------------------------------------------------------------------------


def test_what_a_further_reading_gives_is_what_solving_with_it_gives():
    rng = np.random.default_rng(6)
    network, at = box_network(rng, count=7)
    network = replace(network, readings=network.readings[:19])
    fit = solved_from(network, at)
    first, second = suggestions(fit, USUAL, count=2)
    more = fit.network
    for s in (first, second):
        more = replace(more, readings=(*more.readings, s.reading))
        value = float(more.predicted(fit.x)[-1])  # what it would read
        more = replace(more, readings=(*more.readings[:-1], replace(s.reading, value=value)))
        again = fitted(more, fit.x)
        free = len(network.free)
        rms = np.sqrt(np.trace(again.covariance) / free)
        assert s.rms_mm == pytest.approx(rms, rel=1e-6)
    others = [Reading(Kind.DISTANCE, (a, b), 0.0, 1.5) for a in network.points for b in ["p0", "p6"]
              if a != b]  # fmt: skip
    for r in others:
        trial = fitted(replace(network, readings=(*network.readings, r)), fit.x)
        # Its value plays no part for how sure the points are, but it moves them: hold them.
        trial = replace(trial, x=fit.x)
        assert np.sqrt(np.trace(trial.covariance) / len(network.free)) >= first.rms_mm - 1e-9


# --- the shipped example ----------------------------------------------------------------------


def test_the_taped_front_finds_its_slip_and_its_points(tmp_path, capsys):
    from linkview.cli import main

    asked = ["measure", str(MODEL), "--out", str(tmp_path / "out"), "--date", "2026-03-31"]
    assert main([*asked, "--strict"]) == 1  # for the slip
    said = capsys.readouterr().out
    assert "re-measure front left tie rod inner to lower ball joint" in said
    assert "heights from: workshop floor" in said
    assert "CAUTION" in said
    pasted = tomllib.loads((tmp_path / "out" / "points.toml").read_text())
    written = tomllib.loads(MODEL.read_text(encoding="utf-8"))
    for side in ("points_left", "points_right"):
        assert pasted["axle"]["front"][side] == written["axle"]["front"][side]
    assert (tmp_path / "out" / "survey_sheet.pdf").stat().st_size > 10_000


HEAD = """format = 1
[measured]
state = "on_its_wheels"
[survey]
heights_from = "workshop floor"
"""
ENOUGH = """marks = ["a", "b", "c"]
held = { a = { x = 0, y = 0, z = 0 }, b = { y = 0, z = 0 }, c = { z = 0 } }
"""


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (
            ENOUGH + 'distances = [{ between = ["a", "b"], is = 30000 }]',
            "survey.distances[0].is: 30000: must be at most 20000",
        ),
        (
            ENOUGH + 'distances = [{ between = ["a", "b"], is = 9000 }]',
            "9000 mm, longer than the car",
        ),
        (ENOUGH + 'distances = [{ between = ["a", "a"], is = 900 }]', "'a' to itself"),
        (ENOUGH + 'distances = [{ between = ["a", "bb"], is = 900 }]', "no point 'bb'"),
        ('marks = ["floor_a", "floorA"]\nheights = [{of = "floor_a", is = 1}]', "once"),
        (
            "near = { a = [1, 2, 3], b = [1, 2, 3.5] }\nheights = [{of = 'a', is = 1}]",
            "one point named twice",
        ),
        (ENOUGH, "has no measurement"),
        (ENOUGH + 'distances = [{ between = ["a", "b"], is = "900" }]', "must be a number"),
        (ENOUGH + "distances = [{ between = ['a', 'b'], is = nan }]", "not a finite number"),
        (ENOUGH + 'heights = [{ of = "a.b", is = 1 }]', "survey.heights[0].of"),
    ],
)
def test_what_cannot_be_a_survey_is_refused_with_the_key(tmp_path, capsys, words, told):
    from linkview.cli import main

    path = tmp_path / "bad.toml"
    path.write_text(HEAD + words)
    assert main(["measure", str(path), "--out", str(tmp_path / "out")]) == 2
    said = capsys.readouterr().err
    assert told in said
    assert "Traceback" not in said
    assert not (tmp_path / "out").exists()


def test_on_stands_asks_for_the_dampers(tmp_path, capsys):
    from linkview.cli import main

    path = tmp_path / "stands.toml"
    text = HEAD.replace("on_its_wheels", "on_stands") + ENOUGH
    path.write_text(text + 'distances = [{ between = ["a", "b"], is = 900 }]')
    assert main(["measure", str(path)]) == 2
    assert "survey.damper_length" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("stated", "told"),
    [
        ("{ front = 560 }", "front: 560 mm is not between the damper's 398"),
        ("{ rear = 470 }", "survey.damper_length.front: missing though points of this axle"),
        ("{ rear = 470 }", "survey.damper_length.rear: no such axle"),
        ("{ front = 470 }", "470 mm, but survey.distances[7] tapes that damper as 442.0 mm"),
    ],
)
def test_a_height_datum_that_the_model_denies_is_refused(tmp_path, capsys, stated, told):
    from linkview.cli import main

    text = MODEL.read_text(encoding="utf-8").replace('"on_its_wheels"', '"on_stands"')
    text = text.replace("min_length = 398", "length_at_ride_height = 442\nmin_length = 398")
    path = tmp_path / "stands.toml"
    path.write_text(text.replace('datum = "fixed"', f'damper_length = {stated}\ndatum = "fixed"'))
    assert main(["measure", str(path), "--out", str(tmp_path / "out")]) == 2
    assert told in capsys.readouterr().err


def test_how_long_the_dampers_were_is_a_reading_that_others_can_deny():
    file = read_survey(MODEL)
    dampers = [
        frozenset(f"front.{s}.strut_{e}" for e in ("lower", "top")) for s in ("left", "right")
    ]
    untaped = [t for t in file.survey.distances if frozenset(t.between) not in dampers]
    assert len(untaped) == len(file.survey.distances) - 2

    def doubts(long):
        stated = {"damper_length": {"front": long}, "distances": tuple(untaped)}
        survey = file.survey.model_copy(update=stated)
        network = network_of(survey, file.known, file.layouts)
        return solve_survey(network, usual_sigmas(survey), free_datum=False).doubts

    said = [d.words for d in doubts(462.0) if d.reading.key == "survey.damper_length.front"]
    assert len(said) == 2  # both sides, 20 mm off
    assert "strut lower to strut top (survey.damper_length.front): 462.0 mm is" in said[0]
    assert not [d for d in doubts(442.5) if d.reading.key == "survey.damper_length.front"]
