"""Bands on every number: many cars at once against sweeps one by one, linear against drawn."""

from __future__ import annotations

import warnings
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import numpy as np
import pytest
from shipped import MODELS, car_of

from linkview.alignment.assumed import assumed_for
from linkview.alignment.axle import align_without_locks
from linkview.alignment.sensitivity import corner_sensitivity
from linkview.cli import main
from linkview.errors import LinkviewError
from linkview.kinematics.assemble import build_car
from linkview.kinematics.sensitivity import Sizes, coordinates_of
from linkview.kinematics.sweep import grid_of, sweep_axle, sweep_corner
from linkview.model.parts import Hold, Side
from linkview.model.read import read_file
from linkview.tuning import run as runs
from linkview.tuning.bands import doubts
from linkview.tuning.run import batches_of, run
from linkview.tuning.spread import Batch, drawn_points, read_cars, spread_batch
from linkview.tuning.trust import every_pose, stations_of, trust

MODEL = MODELS / "demo_coupe" / "setting_up.toml"


@pytest.fixture(scope="module")
def car():
    return build_car(read_file(MODEL))


def sigma_of(axle, mm):
    points = {p: np.full(3, mm) for p in axle.left.points}
    return doubts(axle, points, 0.0)


def batch(axle, car, count, grid, mm=1.0, hold=None):
    rack, travel = grid_of(axle, rack_count=grid[0], travel_count=grid[1])
    rack = rack if axle.left.rack is not None else np.zeros(1)
    hold = hold or axle.hold
    return Batch(axle, car, sigma_of(axle, mm), 3, 0, count, rack, travel, hold, True)


# --- many cars at once ----------------------------------------------------------------------------

EACH = (
    ("demo_coupe", "front", Hold.WHEEL_HEIGHT),
    ("demo_coupe", "front", Hold.DAMPER_LENGTH),
    ("demo_coupe", "rear", Hold.WHEEL_HEIGHT),
    ("push_rod", "front", Hold.WHEEL_HEIGHT),
    ("twin_link_strut", "front", Hold.WHEEL_HEIGHT),
    ("semi_trailing_arm", "rear", Hold.WHEEL_HEIGHT),
    ("steering_box", "front", Hold.WHEEL_HEIGHT),  # idler and centre link are of the whole axle
    ("four_link_axle", "rear", Hold.WHEEL_HEIGHT),  # so are all links, and both wheels
    ("three_link_axle", "rear", Hold.WHEEL_HEIGHT),
)


@pytest.mark.parametrize(("name", "axle", "hold"), EACH)
def alone(corner, points, k):
    mine = {p: v[k + 1] for p, v in points.items()}
    return corner.measured_at(mine)


@pytest.mark.parametrize(("name", "axle", "hold"), EACH)
def test_cars_at_once_read_what_each_reads_alone(name, axle, hold):
    """The sweep solves each car by itself, along paths; it knows nothing of the batch."""
    whole = car_of(name)
    given = replace(whole.axles[axle], hold=hold)
    job = batch(given, whole, 2, (3, 3), 2.0, hold)
    found = spread_batch(job)
    points = [drawn_points(job, corner) for corner in given.corners]
    middle = len(job.rack_mm) // 2, len(job.travel_mm) // 2
    for k in range(job.count):
        left, right = (alone(c, p, k) for c, p in zip(given.corners, points, strict=True))
        single = replace(given, left=left, right=right, symmetric=False)
        one = align_without_locks(sweep_axle(single, job.rack_mm, job.travel_mm), whole)
        for (side, reading), values in found.each.items():
            of = one if side is None else getattr(one, side.value)
            got, want = values[k], np.broadcast_to(getattr(of, reading), values[k].shape)
            if reading == "gauge_caster_deg":  # told at ride height alone
                got, want = (v[middle][None] for v in (got, want))
            size = np.maximum(1.0, np.abs(want))
            assert np.array_equal(np.isfinite(got), np.isfinite(want)), reading
            # 1e-8 mm of closing error, times what a lever near lock makes of it.
            assert np.nanmax(np.abs(got - want) / size, initial=0.0) < 1e-6, reading
    gauged = (Side.LEFT, "gauge_caster_deg") in found.each
    assert gauged == (given.left.rack is not None and hold is Hold.WHEEL_HEIGHT)


def test_a_car_that_goes_over_centre_is_lost_not_read():
    """With 8 mm of doubt some demo cars' tie rods go over centre before the rack stop."""
    whole = car_of("demo_coupe")
    job = batch(whole.axles["front"], whole, 60, (3, 1), 8.0)
    found = spread_batch(job)
    left = whole.axles["front"].left
    points = drawn_points(job, left)
    lost = ~np.isfinite(found.each[Side.LEFT, "toggle_deg"])
    assert 0 < lost.sum() < lost.size
    for k in range(12):
        sweep = sweep_corner(alone(left, points, k), job.rack_mm, job.travel_mm, job.hold)
        assert np.array_equal(lost[k], ~sweep.solved)


# --- bands ------------------------------------------------------------------------------------

# Which wheel is the inner one turns round straight ahead, and so does the toggle at 90 deg.
FOLDED = ("toggle_deg", "inner_steer_deg", "outer_steer_deg")


def test_a_small_doubt_is_linear_everywhere_and_both_bands_agree(car):
    """With 0.02 mm nothing bends: the slopes foretell the very cars drawn."""
    axle = car.axles["front"]
    found = trust(axle, car, sigma_of(axle, 0.02), count=400)
    real = [b for b in found.bands if not b.nothing and b.linear > 1e-6]
    assert len(real) > 150
    assert sum(b.number.key[1] == "gauge_caster_deg" for b in real) == 2
    for b in real:
        if b.number.key[1] not in FOLDED:
            assert b.straight[0] == pytest.approx(1.0, abs=0.02), b.number
            # The chance of 400 draws is 3.5 % of sigma.
            assert b.drawn == pytest.approx(b.linear, rel=0.15), b.number
            assert b.near_linear, b.number


@pytest.fixture(scope="module")
def of_a_tape(car):
    """1 mm on every coordinate."""
    axle = car.axles["front"]
    return trust(axle, car, sigma_of(axle, 1.0), count=2000)


def test_where_it_bends_it_is_said_and_where_it_does_not_the_bands_agree(of_a_tape):
    found = of_a_tape
    by = {(b.number.key, b.number.station.name, b.number.change): b for b in found.bands}
    assert not by[(Side.LEFT, "steer_rate_deg_per_mm"), "left lock", False].near_linear
    assert not by[(Side.LEFT, "steer_deg"), "left lock", False].near_linear
    caster = by[(Side.LEFT, "caster_deg"), "ride height", False]
    assert caster.near_linear
    # Two ends 655 mm apart, 1 mm each: atan of root 2 / 655 over the side view's length.
    rise = 650.0
    assert caster.drawn == pytest.approx(np.degrees(np.sqrt(2.0) / rise), rel=0.05)
    for b in found.bands:
        if b.near_linear and not b.nothing:
            # 5 % of bending, and the chance of 2,000 draws (three of its sigmas).
            assert b.drawn == pytest.approx(b.linear, rel=0.05 + 3 * 0.016)
            assert sum(b.shares.values()) == pytest.approx(1.0)


def test_bands_cover_the_truth_as_often_as_they_say(car):
    """Truths drawn, measured with error, and the band taken from what was measured."""
    left, assumed = car.axles["front"].left, assumed_for(car.axles["front"], car)
    names = ("caster_deg", "trail_mm", "scrub_radius_mm", "motion_ratio", "anti_dive_percent",
             "camber_gain_deg_per_mm", "bump_steer_deg_per_mm")  # fmt: skip

    def told(corner):
        every = coordinates_of(corner, Sizes.FOLLOW)
        return corner_sensitivity(corner, assumed, 0.0, 0.0, every, Sizes.FOLLOW)

    truth, _ = told(left)
    rng = np.random.default_rng(5)
    inside = []
    for _ in range(30):
        off = {p: v + rng.normal(0.0, 1.0, 3) for p, v in left.points.items()}
        wheel = replace(left.wheel, centre=off["wheel_centre"])
        values, slopes = told(replace(left, points=off, wheel=wheel))
        for name in names:
            sigma = float(np.sqrt(np.sum(slopes[name] ** 2)))
            inside.append(abs(float(values[name] - truth[name])) < 1.96 * sigma)
    # 210 yes or no answers, related in sevens: one sigma of the share is 0.025.
    assert 0.88 < np.mean(inside) < 0.995


def test_bands_hold_as_many_other_cars_as_they_say(car, of_a_tape):
    """3,000 more cars, drawn here, against bands from 2,000 and from slopes."""
    axle, found = car.axles["front"], of_a_tape
    sigma = sigma_of(axle, 1.0)
    rng = np.random.default_rng(99)
    points = {
        c.side: {p: at + rng.normal(0.0, 1.0, (3000, 3)) for p, at in c.points.items()}
        for c in axle.corners
    }
    stations = stations_of(axle)
    racks, travels = (
        np.unique([getattr(s, n) for s in stations]) for n in ("rack_mm", "travel_mm")
    )
    job = Batch(axle, car, sigma, 0, 0, 3000, racks, travels, Hold.WHEEL_HEIGHT, True)
    read = read_cars(job, points)
    drawn, straight = [], []
    for b in found.bands:
        at = b.number.station
        if b.nothing or b.number.change:
            continue
        pose = racks.tolist().index(at.rack_mm), travels.tolist().index(at.travel_mm)
        values = read[b.number.key][pose]
        values = values[np.isfinite(values)]
        drawn.append(np.mean((values >= b.low) & (values <= b.high)))
        if b.near_linear:
            straight.append(np.mean(np.abs(values - b.value) <= 1.96 * b.linear))
    assert len(drawn) > 240
    assert len(straight) > 200
    # One sigma of a share: sqrt(0.95 x 0.05 x (1 / 2000 + 1 / 3000)) = 0.0063; of slopes 0.004.
    assert np.mean(drawn) == pytest.approx(0.95, abs=0.006)
    assert np.min(drawn) > 0.95 - 5 * 0.0063
    assert np.mean(straight) == pytest.approx(0.95, abs=0.006)
    # 5 % of a band's width, as is promised, is 1.2 % of the cars.
    assert np.max(np.abs(np.array(straight) - 0.95)) < 0.012 + 4 * 0.004


def test_the_point_named_first_is_the_one_that_narrows_the_band_most(car):
    axle = car.axles["rear"]
    base = sigma_of(axle, 1.0)
    key = (Side.LEFT, "bump_steer_deg_per_mm")

    def band(sigma):
        bands = trust(axle, car, sigma, count=600).bands
        return next(
            b for b in bands if b.number.key == key and b.number.station.name == "ride height"
        )

    first = band(base)
    ranked = sorted(first.shares, key=lambda k: -first.shares[k])
    left = []
    for side, point in (ranked[0], ranked[3]):
        better = {s: dict(by) for s, by in base.items()}
        better[side][point] = np.zeros(3)
        left.append(band(better).drawn)
        told = first.linear * np.sqrt(1.0 - first.shares[side, point])
        # 600 cars know their sigma to 3 %.
        assert left[-1] == pytest.approx(told, rel=0.1)
    assert left == sorted(left)


def test_a_cutting_tolerance_adds_to_the_points_that_plates_hold():
    axle = car_of("demo_coupe").axles["rear"]
    points = {p: np.full(3, 1.0) for p in axle.left.points}
    sigma = doubts(axle, points, 0.5)[Side.LEFT]
    assert sigma["lower_lateral_inner"] == pytest.approx(np.sqrt(1.0 + 0.25 / 3.0))
    assert sigma["toe_link_outer"] == pytest.approx(1.0)
    with pytest.raises(LinkviewError, match="makes no sense"):
        doubts(axle, points, -1.0)
    front = car_of("demo_coupe").axles["front"]
    held = {"strut_top", "tie_rod_outer", "wheel_centre"}  # top mount, steering arm, hub spacer
    cut = doubts(front, {p: np.zeros(3) for p in front.left.points}, 0.5)[Side.RIGHT]
    assert {p for p, sigma in cut.items() if sigma.any()} == held


def test_what_cannot_be_banded_is_refused_with_a_reason(car):
    axle = car.axles["front"]
    with pytest.raises(LinkviewError, match="no doubt is given"):
        trust(axle, car, sigma_of(axle, 0.0), count=50)


def test_a_beam_axle_is_linear_for_a_small_doubt():
    """Slopes by differences foretell the very cars drawn, other wheel and shared links too."""
    whole = car_of("four_link_axle")
    (only,) = whole.axles.values()
    found = trust(only, whole, sigma_of(only, 0.05), count=100)
    real = [b for b in found.bands if not b.nothing and b.linear > 1e-9]
    assert {b.number.key[1] for b in real} >= {"roll_centre_height_mm", "toe_in_deg", "track_mm"}
    for b in real:
        assert b.straight[0] == pytest.approx(1.0, abs=2e-3), b.number
    track = next(b for b in real if b.number.key[1] == "track_mm")
    # Two wheel centres: sideways, and by their height, which is the loaded radius of a leaning
    # wheel that stands on the floor; the links add nothing at ride height.
    n = only.left.wheel.spin_axis
    leaning = np.hypot(1.0, n[2] / np.sqrt(1.0 - n[2] ** 2))
    assert track.linear == pytest.approx(0.05 * np.sqrt(2.0) * leaning, rel=1e-6)
    assert track.shares[Side.LEFT, "wheel_centre"] == pytest.approx(0.5, abs=1e-6)


# --- running ----------------------------------------------------------------------------------


def same(a, b):
    assert a.count == b.count
    for name in ("nominal", "reached", "total", "squares", "each"):
        one, other = getattr(a, name), getattr(b, name)
        assert one.keys() == other.keys()
        for key in one:
            assert np.array_equal(one[key], other[key], equal_nan=True), key


def test_any_executor_gives_the_same_cars(car, monkeypatch):
    monkeypatch.setattr(runs, "BATCH", 40)
    job = batch(car.axles["rear"], car, 0, (1, 3))
    jobs = batches_of(job, 100)
    assert [b.count for b in jobs] == [40, 40, 20]
    alone = run(jobs)
    with ThreadPoolExecutor(2) as pool:
        same(alone, run(jobs, pool))


def test_a_run_cut_short_goes_on_where_it_stopped(car, tmp_path, monkeypatch):
    monkeypatch.setattr(runs, "BATCH", 30)
    jobs = batches_of(batch(car.axles["rear"], car, 0, (1, 3)), 120)
    whole = run(jobs)

    def stop(done, count):
        if done >= 60:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        run(jobs, None, tmp_path, stop)
    kept = sorted(tmp_path.iterdir())
    assert [p.suffix for p in kept] == [".npz", ".npz"]
    kept[0].write_bytes(kept[0].read_bytes()[:300])  # the disk was full
    worked = []
    monkeypatch.setattr(Batch, "work", lambda b: worked.append(b.number) or spread_batch(b))
    same(whole, run(jobs, None, tmp_path))
    assert worked == [0, 2, 3]
    other = [replace(b, seed=99) for b in jobs]
    worked.clear()
    run(other, None, tmp_path)
    assert worked == [0, 1, 2, 3]  # another study's cars are not taken for these


def test_a_study_runs_unchanged_on_dask(car, monkeypatch):
    """Its local cluster stands for one of many machines."""
    distributed = pytest.importorskip("distributed")
    monkeypatch.setattr(runs, "BATCH", 40)
    jobs = batches_of(batch(car.axles["rear"], car, 0, (1, 3)), 80)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the cluster's own, as it opens and closes
        with (
            distributed.LocalCluster(
                n_workers=1, threads_per_worker=1, processes=True, dashboard_address=None
            ) as cluster,
            distributed.Client(cluster) as client,
        ):
            found = run(jobs, client.get_executor())
    same(run(jobs), found)


def test_every_pose_agrees_with_single_cars(car):
    axle = car.axles["rear"]
    sigma = sigma_of(axle, 1.0)
    _, _, spread = every_pose(axle, car, sigma, count=200, counts=(1, 5))
    key = Side.LEFT, "camber_deg"
    n, total, squares = (getattr(spread, f)[key] for f in ("reached", "total", "squares"))
    assert np.all(n == 200.0)
    std = np.sqrt(squares / n - (total / n) ** 2)[0]
    zero = int(np.argmin(np.abs(grid_of(axle, travel_count=5)[1])))
    assert std[zero] < 1e-9  # read by the gauge at ride height
    assert std.max() == pytest.approx(0.18, rel=0.3)


def test_the_command_says_and_writes(tmp_path, capsys):
    out = tmp_path / "o"
    asked = ["trust", str(MODEL), "--cars", "200", "--axle", "front", "--out", str(out)]
    asked += ["--gap-cars", "0"]
    assert main([*asked, "--keep", str(tmp_path / "kept")]) == 0
    said = capsys.readouterr().out
    assert "caster, ride height, deg" in said
    assert "strut top (5" in said
    assert "not linear" in said
    assert "stops, limits and gaps" not in said
    header, *rows = (out / "trust.csv").read_text(encoding="utf-8").splitlines()
    assert header.split(",")[12:15] == ["sigma of cars", "sigma linear", "near linear"]
    assert len(rows) > 200
    assert list((tmp_path / "kept").glob("*.npz"))
    assert "lower_ball_joint" in (out / "measure_better.csv").read_text(encoding="utf-8")


def test_a_wrong_count_is_told(tmp_path, capsys):
    with pytest.raises(SystemExit):
        main(["trust", str(MODEL), "--cars", "3", "--out", str(tmp_path / "o")])
    assert "not a count from 20" in capsys.readouterr().err
