"""Advice on gaps: rates and bands held to exact rebuilds and Monte Carlo, stops to the maps."""

from __future__ import annotations

from functools import partial
from itertools import combinations
from pathlib import Path

import numpy as np
import pytest

from linkview.clearance.advice import advise
from linkview.clearance.bodies import solids_of
from linkview.clearance.distance import pair_gap
from linkview.clearance.domain import Domain
from linkview.clearance.gaps import survey
from linkview.clearance.rates import gap_reader, rates_at
from linkview.kinematics.assemble import build_car, rebuilder
from linkview.kinematics.follow import Followed
from linkview.kinematics.sweep import grid_of, sweep_axle, sweep_corner
from linkview.limits.readings import limits_of
from linkview.model.parts import Side
from linkview.model.read import read_file

DEMO = Path(__file__).parents[1] / "models" / "demo_coupe" / "demo_coupe.toml"
PAIR = ("tyre", "arch_front")
AT = (42.7, -60.0)


@pytest.fixture(scope="module")
def front():
    file = read_file(DEMO)
    car = build_car(file, "planned")
    axle = car.axles["front"]
    sweep = sweep_axle(axle, *grid_of(axle, rack_count=11, travel_count=11)).left
    return car, axle, sweep, rebuilder(file, "planned")


def gap_of(corner, hold, shifts=None):
    """One gap with nothing shared with the rates: a sweep of its own to that one pose."""
    row = sweep_corner(corner, np.array([AT[0]]), np.array([AT[1]]), hold)
    bodies = solids_of(b for b in corner.bodies if b.name in PAIR)
    poses = {part: p.reshape(-1, 4, 4) for part, p in row.poses.items()}
    return float(pair_gap(bodies[PAIR[0]], bodies[PAIR[1]], poses).gap_mm[0])


def rates_of(front):
    _, axle, sweep, again = front
    rebuild = partial(again.corner, "front", Side.LEFT)
    solids = solids_of(axle.left.bodies)
    return rates_at(sweep, [AT], rebuild, lambda home: gap_reader(home, solids, [PAIR])), rebuild


def test_nothing_shifted_is_the_same_corner(front):
    _, axle, sweep, again = front
    same = again.corner("front", Side.LEFT, {})
    assert gap_of(same, sweep.hold) == pytest.approx(gap_of(axle.left, sweep.hold), abs=1e-9)
    posed = Followed.of(sweep, np.array([AT[0]]), np.array([AT[1]])).again(same)
    row = sweep_corner(axle.left, np.array([AT[0]]), np.array([AT[1]]), sweep.hold)
    assert posed.poses["wheel"][0] == pytest.approx(row.poses["wheel"][0, 0], abs=1e-9)


def test_the_point_named_opens_the_gap_as_said(front):
    rates, rebuild = rates_of(front)
    _, axle, sweep, _ = front
    base = gap_of(axle.left, sweep.hold)
    for point, way, per_mm in rates.strongest(0, 3):
        more = gap_of(rebuild({point: 2.0 * way}), sweep.hold)
        assert more - base == pytest.approx(2.0 * per_mm, rel=0.1, abs=0.02)
    sizes = [size for _, _, size in rates.strongest(0, 5)]
    assert sizes == sorted(sizes, reverse=True)


def test_every_slope_is_that_of_the_gap_measured_again(front):
    # Truth: each pair at a pose of its own, the corner built again 0.2 mm either way, its pose and
    # gap found anew. A gap is found to 0.005 mm, a fortieth of 0.4 mm.
    _, axle, sweep, again = front
    rebuild = partial(again.corner, "front", Side.LEFT)
    solids = solids_of(axle.left.bodies)
    pairs = [p for p in combinations(solids, 2) if solids[p[0]].parts != solids[p[1]].parts]
    rng = np.random.default_rng(3)
    i, j = rng.permutation(np.argwhere(sweep.solved))[np.arange(len(pairs))].T
    at = list(zip(sweep.rack_mm[i].tolist(), sweep.travel_mm[j].tolist(), strict=True))
    rates = rates_at(sweep, at, rebuild, lambda home: gap_reader(home, solids, pairs))
    home = Followed.of(sweep, sweep.rack_mm[i], sweep.travel_mm[j])

    def measured(shifts):
        corner = rebuild(shifts)
        posed, fresh = home.again(corner), solids_of(corner.bodies)
        rows = [{p: m[k : k + 1] for p, m in posed.poses.items()} for k in range(len(pairs))]
        found = [pair_gap(fresh[a], fresh[b], row) for (a, b), row in zip(pairs, rows, strict=True)]
        return np.array([f.gap_mm[0] if f.state[0] == 0 else np.nan for f in found])

    for _ in range(4):
        way = {p: rng.normal(size=3) for p in rates.points}
        size = np.sqrt(sum((v**2).sum() for v in way.values()))
        ends = [measured({p: s * 0.2 / size * v for p, v in way.items()}) for s in (1.0, -1.0)]
        slope = sum(rates.by_point[:, k] @ way[p] for k, p in enumerate(rates.points)) / size
        assert np.isfinite(slope).sum() > 40
        assert slope == pytest.approx((ends[0] - ends[1]) / 0.4, abs=0.025, nan_ok=True)
        assert np.nanmedian(np.abs(slope - (ends[0] - ends[1]) / 0.4)) < 1e-4


def test_the_band_agrees_with_monte_carlo(front):
    # Truth: the spread of the exact gap over 150 cars with 1 mm (one sigma) on every coordinate;
    # its own standard error is 6 %.
    rates, rebuild = rates_of(front)
    hold, rng = front[2].hold, np.random.default_rng(5)
    sigma = float(rates.one_sigma(np.ones((len(rates.points), 3)))[0])
    gaps = [
        gap_of(rebuild({p: rng.normal(size=3) for p in rates.points}), hold) for _ in range(150)
    ]
    assert sigma == pytest.approx(np.std(gaps), rel=0.2)


def test_the_bands_of_limits_agree_with_monte_carlo(front):
    # Truth: the spread of every limit over 150 cars, each built and solved anew, with 0.3 mm (one
    # sigma) on every coordinate; the spread's own standard error is 6 %, and three of
    # it are allowed.
    car, axle, sweep, again = front
    rebuild = partial(again.corner, "front", Side.LEFT)
    limits = partial(limits_of, axle=axle, car=car)
    doubt = {p: np.full(3, 0.3) for p in sweep.corner.points}
    bands = advise(sweep, [], limits, rebuild, doubt).limit_bands
    at = [np.array([getattr(b, k) for b in bands]) for k in ("rack_mm", "travel_mm")]
    home, rng = Followed.of(sweep, *at), np.random.default_rng(6)
    values = []
    for _ in range(150):
        corner = rebuild({p: 0.3 * rng.normal(size=3) for p in sweep.corner.points})
        by_name, posed = {limit.name: limit for limit in limits(corner)}, home.again(corner)
        values.append([by_name[b.name].measure(posed)[k] for k, b in enumerate(bands)])
    # Some cars do not reach a pose at the edge of reach: what is least there has no spread to see.
    spread = np.std(values, axis=0)
    known = [k for k, b in enumerate(bands) if b.one_sigma > 1e-6 and np.isfinite(spread[k])]
    assert len(known) >= 6
    for k in known:
        assert bands[k].one_sigma == pytest.approx(spread[k], rel=0.18), bands[k].name
    still = [k for k, b in enumerate(bands) if b.one_sigma <= 1e-6]
    assert (np.nan_to_num(spread[still]) < 1e-6).all()  # the rack's own stop


def test_stops_that_would_keep_every_gap_do(front):
    car, axle, sweep, again = front
    limits = partial(limits_of, axle=axle, car=car)
    domain = Domain(sweep, limits(axle.left))
    found = survey(
        sweep.corner,
        sweep.poses,
        wanted=axle.wanted_gaps,
        left_out=axle.left_out,
        domain=domain,
    )
    certain = [p.certain for p in found.pairs]
    rebuild = partial(again.corner, "front", Side.LEFT)
    doubt = again.doubt("front", sweep.corner.points)
    assert all((d == 1.0).all() for d in doubt.values())
    advice = advise(sweep, certain, limits, rebuild, doubt)
    stops = advice.stops
    assert stops.needed
    assert stops.together is not None
    solids = solids_of(sweep.corner.bodies)
    for rack, droop in ((stops.rack_mm, 70.0), stops.together):
        fine = sweep_corner(
            sweep.corner, np.linspace(-rack, rack, 9), np.linspace(-droop, 55.0, 9), sweep.hold
        )
        flat = {part: p.reshape(-1, 4, 4) for part, p in fine.poses.items()}
        for gap in certain:
            at = pair_gap(solids[gap.pair[0]], solids[gap.pair[1]], flat).gap_mm
            assert np.nanmin(at) >= (gap.wanted_mm or 0.0) - 0.005, gap.pair
    short = [p for p in advice.pairs.values() if p.short]
    assert short
    assert all(len(p.rack_mm) == len(p.gap_mm) > 0 for p in short)
