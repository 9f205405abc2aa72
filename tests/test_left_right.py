"""Left against right, scale of a scan, and the finished car against its design."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import least_squares, minimize
from scipy.spatial.transform import Rotation

from linkview.alignment.axle import align_poses
from linkview.app.asbuilt import as_built, points_of
from linkview.app.survey_results import solved
from linkview.cli import main
from linkview.errors import ModelFaults
from linkview.geometry import best_fit, best_scale
from linkview.kinematics.assemble import rebuilder
from linkview.kinematics.sweep import sweep_axle
from linkview.model.parts import Side
from linkview.model.read import read_file, read_survey
from linkview.plates.profiles import WATER_JET
from linkview.survey.deviation import Held
from linkview.survey.symmetry import best_mirror, twins, unlike_parts, weighed_mirror
from linkview.tuning.measured import point_sigmas, reading_sigmas

MODELS = Path(__file__).parents[1] / "models"
DEMO = MODELS / "demo_coupe" / "demo_coupe.toml"
BUILT = MODELS / "demo_coupe" / "as_built.toml"
SMALL = Path(__file__).parent / "small.toml"
TAPED = MODELS / "taped_front" / "taped_front.toml"


def quiet(what, done, count):
    pass


# --- mirror plane ---------------------------------------------------------------------------------


def car_in_a_skewed_frame(rng, count=9):
    left = rng.uniform(-1, 1, (count, 3)) * (1500, 200, 300) + (0, 600, 300)
    right = left * (1, -1, 1)
    turn = Rotation.from_euler("zyx", [1.2, -0.5, 0.8], degrees=True)
    shift = np.array([5.0, 12.0, -3.0])
    return turn.apply(left) + shift, turn.apply(right) + shift, turn


def test_a_true_mirror_is_found_in_any_frame():
    left, right, turn = car_in_a_skewed_frame(np.random.default_rng(1))
    plane = best_mirror(left, right)
    assert np.abs(plane.off).max() < 1e-9
    assert plane.normal == pytest.approx(turn.apply([0, 1, 0]), abs=1e-12)
    assert plane.mirrored(left) == pytest.approx(right, abs=1e-9)
    assert "turned +1.2" in plane.words


def test_no_other_plane_misses_less():
    # Second opinion: scipy's minimiser over two angles and the distance.
    rng = np.random.default_rng(2)
    left, right, _ = car_in_a_skewed_frame(rng)
    right = right + rng.normal(size=right.shape) * 4.0
    plane = best_mirror(left, right)

    def misses(v):
        n = np.array([np.sin(v[0]), np.cos(v[0]) * np.cos(v[1]), np.sin(v[1]) * np.cos(v[0])])
        image = left - 2.0 * np.outer(left @ n - v[2], n)
        return float(((right - image) ** 2).sum())

    other = minimize(misses, [0.0, 0.0, 0.0], method="Nelder-Mead",
                     options={"xatol": 1e-10, "fatol": 1e-12, "maxiter": 5000})  # fmt: skip
    assert (plane.off**2).sum() == pytest.approx(other.fun, rel=1e-7)
    assert (plane.off**2).sum() <= other.fun + 1e-9


def test_it_is_the_best_improper_fit_where_kabsch_can_tell():
    # A mirror image fitted by Kabsch onto the right points can only be better: it has two more
    # freedoms (sliding along the plane, turning in it).
    rng = np.random.default_rng(3)
    left, right, _ = car_in_a_skewed_frame(rng)
    right = right + rng.normal(size=right.shape) * 4.0
    _, off = best_fit(left * (1, -1, 1), right)
    assert (off**2).sum() <= (best_mirror(left, right).off ** 2).sum() + 1e-9


def unevenly_known(rng, sigmas, lots):
    """Cars alike on both sides, measured `lots` times, each pair as well as sigmas (n, 3) say."""
    left, right, turn = car_in_a_skewed_frame(np.random.default_rng(4), len(sigmas))
    off = rng.normal(size=(lots, 2, *sigmas.shape)) * sigmas
    covariance = np.stack([np.diag(np.tile(s**2, 2)) for s in sigmas])
    return left + off[:, 0], right + off[:, 1], covariance, turn


def test_a_poorly_known_pair_pulls_as_little_as_it_should():
    # Second opinion: scipy's least squares on misses whitened with the floor's 0.1 mm.
    sigmas = np.repeat([[0.3, 0.3, 0.3], [9.0, 2.0, 0.5]], [4, 4], axis=0)
    lefts, rights, covariance, _ = unevenly_known(np.random.default_rng(9), sigmas, 1)
    plane = weighed_mirror(lefts[0], rights[0], covariance)
    n0 = plane.normal
    own = covariance[:, 3:, 3:] + (0.01 + plane.unlike_mm**2) * np.eye(3)
    turn = np.eye(3) - 2.0 * np.outer(n0, n0)
    root = np.linalg.cholesky(np.linalg.inv(own + turn @ covariance[:, :3, :3] @ turn))

    def misses(v):
        n = np.array([v[0], np.sqrt(1.0 - v[0] ** 2 - v[1] ** 2), v[1]])
        off = rights[0] - lefts[0] + 2.0 * np.outer(lefts[0] @ n - v[2], n)
        return np.einsum("nji,nj->ni", root, off).ravel()

    other = least_squares(misses, [0.0, 0.0, 0.0], xtol=1e-15, ftol=1e-15, gtol=1e-15)
    assert [n0[0], n0[2], plane.at_mm] == pytest.approx(other.x, abs=1e-6)


def test_the_weighed_plane_is_as_sure_as_it_says_and_surer_than_the_plain_one():
    sigmas = np.repeat([[0.5, 0.5, 0.5], [8.0, 4.0, 1.0]], [4, 4], axis=0)
    lefts, rights, covariance, turn = unevenly_known(np.random.default_rng(6), sigmas, 150)
    true = turn.apply([0, 1, 0])
    at = float(true @ [5.0, 12.0, -3.0])
    planes = [weighed_mirror(*two, covariance) for two in zip(lefts, rights, strict=True)]
    off = np.array([p.at_mm - at for p in planes])
    told = np.array([p.sigma[0] for p in planes])
    # 150 surveys know a sigma to 6 %.
    assert np.std(off / told) == pytest.approx(1.0, abs=0.18)
    plain = [best_mirror(*two).at_mm - at for two in zip(lefts, rights, strict=True)]
    assert np.std(off) < 0.5 * np.std(plain)


def test_one_bent_part_that_is_well_known_does_not_drag_the_plane_along():
    sigmas = np.repeat([[0.1, 0.1, 0.1], [2.0, 2.0, 2.0]], [1, 7], axis=0)
    lefts, rights, covariance, turn = unevenly_known(np.random.default_rng(8), sigmas, 1)
    rights[0, 0] += turn.apply([0, -12.0, 0])
    plane = weighed_mirror(lefts[0], rights[0], covariance)
    assert plane.unlike_mm > 2.0
    assert "beyond what measuring explains the sides differ by" in plane.words
    at = float(turn.apply([0, 1, 0]) @ [5.0, 12.0, -3.0])
    assert abs(plane.at_mm - at) < 3.0 * plane.sigma[0]  # 6 mm, were it believed


def test_the_bent_arm_of_the_taped_car_is_named():
    file = read_survey(TAPED)
    survey = solved(file)
    found = unlike_parts(survey.fit, file.layouts)
    assert any("lower_ball_joint" in u.points for u in found)  # bent 5 mm when the car was invented
    words = found[0].words
    assert "shorter on the right" in words
    assert "bent or twisted part" in words


def test_twins_of_a_straight_car_are_left_alone():
    file = read_survey(TAPED)
    fit = solved(file).fit
    straight = fit.places.copy()
    number = {p: i for i, p in enumerate(fit.network.points)}
    for a, b in twins(number):
        straight[number[b]] = straight[number[a]] * (1, -1, 1)
    same = replace(fit, x=fit.network.packed(straight, np.zeros((0, 6))))
    assert unlike_parts(same, file.layouts) == []


def test_the_side_lengths_differ_by_what_propagation_says():
    # One sigma of the difference against simulated surveys, by the covariance's own points.
    file = read_survey(TAPED)
    fit = solved(file).fit
    (found,) = unlike_parts(fit, file.layouts)[:1]
    rng = np.random.default_rng(7)
    root = np.linalg.svd(fit.covariance)
    draws = rng.normal(size=(4000, len(root[1]))) * np.sqrt(root[1]) @ root[0].T
    at = fit.places.ravel() + draws
    number = {p: i for i, p in enumerate(fit.network.points)}

    def far(side):
        i, j = (number[f"front.{side}.{p}"] for p in found.points)
        return np.linalg.norm(at[:, 3 * i : 3 * i + 3] - at[:, 3 * j : 3 * j + 3], axis=1)

    assert found.sigma_mm == pytest.approx(np.std(far("right") - far("left")), rel=0.05)


# --- a scan's fit ---------------------------------------------------------------------------------


def test_best_fit_with_scale_of_a_published_case():
    # NAG Library, routine g03bcc, example: scale 1.556, residual sum of squares .019, rotation
    # [.967 .254; -.254 .967] (results read; inputs from memory).
    x = np.array([[0.63, 0.58, 0], [1.36, 0.39, 0], [1.01, 1.76, 0]])
    y = np.array([[0.0, 0, 0], [1, 0, 0], [0, 2, 0]])
    scale = best_scale(x, y)
    assert scale == pytest.approx(1.556, abs=5e-4)
    move, off = best_fit(scale * x, y)
    assert (off**2).sum() == pytest.approx(0.019, abs=5e-4)
    assert pytest.approx(np.array([[0.967, 0.254], [-0.254, 0.967]]), abs=5e-4) == move[:2, :2].T


def test_a_scan_matched_in_the_wrong_unit_is_asked_about(tmp_path):
    text = DEMO.read_text(encoding="utf-8")
    for mesh in DEMO.parent.glob("*.stl"):
        (tmp_path / mesh.name).write_bytes(mesh.read_bytes())
    old = 'file = "arch_lip.stl"\nunit = "mm"\non = "body"\nplace_at = [-15, 0, 330]\n'
    assert old in text
    new = (
        'file = "arch_lip.stl"\nunit = "in"\non = "body"\nmatches = ['
        "{file = [0, 0, 0], car = [-15, 0, 330]}, {file = [100, 0, 0], car = [85, 0, 330]}, "
        "{file = [0, 100, 0], car = [-15, 100, 330]}]\n"
    )
    path = tmp_path / "car.toml"
    path.write_text(text.replace(old, new), encoding="utf-8")
    with pytest.raises(ModelFaults, match=r"0\.0394 times as far apart as the file's in in"):
        read_file(path)
    path.write_text(text.replace(old, new.replace('"in"', '"mm"')), encoding="utf-8")
    read_file(path)


# --- as built -------------------------------------------------------------------------------------


def measured_exactly(tmp_path, *, skip=(), shift=(0.0, 0.0, 0.0), extra=""):
    car = rebuilder(read_file(SMALL), "as_found").remeasured({}, {}, variant="-", title="-")
    rows = []
    for name, at in points_of(car).items():
        if name.startswith("front.") and name not in skip:
            place = [float(v) for v in np.asarray(at) + shift]
            rows.append(f'  {{ of = "{name}", at = {place} }},')
    text = "\n".join(rows)
    path = tmp_path / "built.toml"
    path.write_text(
        'format = 1\n[measured]\nstate = "on_its_wheels"\n[survey]\nheights_from = "floor"\n'
        f"coordinates = [\n{text}\n]\n{extra}",
        encoding="utf-8",
    )
    return path


def test_a_car_built_as_designed_reads_as_designed(tmp_path):
    path = measured_exactly(tmp_path)
    found = as_built(read_file(SMALL), "as_found", path, WATER_JET, quiet, tolerance_mm=2.0)
    assert max(d.size_mm for d in found.deviations) < 1e-6
    assert {d.held for d in found.deviations} == {Held.WITHIN}
    assert list(found.built.axles) == ["front"]
    design, built = (s.axles["front"].alignment for s in (found.design, found.built))
    for name in ("camber_deg", "toe_in_deg", "caster_deg", "trail_mm"):
        a, b = getattr(design.left, name), getattr(built.left, name)
        assert np.nanmax(np.abs(a - b)) < 1e-6
        mirror = getattr(built.right, name)[::-1]  # right(rack) = mirrored left(-rack)
        assert np.nanmax(np.abs(b - mirror)) < 1e-6


def test_a_car_shifted_as_a_whole_is_off_but_aligned(tmp_path):
    path = measured_exactly(tmp_path, shift=(4.0, 0.0, 0.0))
    found = as_built(read_file(SMALL), "as_found", path, WATER_JET, quiet, tolerance_mm=2.0)
    assert {d.held for d in found.deviations} == {Held.BEYOND}
    assert found.deviations[0].off == pytest.approx([4.0, 0.0, 0.0], abs=1e-6)
    design, built = (s.axles["front"].alignment.left for s in (found.design, found.built))
    assert np.nanmax(np.abs(design.camber_deg - built.camber_deg)) < 1e-9


def test_what_was_not_measured_is_said(tmp_path):
    path = measured_exactly(
        tmp_path,
        skip=("front.left.strut_top",),
        extra='[survey.wheels."front.left"]\ncamber = -3.5\ntoe_in = 0.1\n',
    )
    found = as_built(read_file(SMALL), "as_found", path, WATER_JET, quiet, tolerance_mm=2.0)
    assert found.not_measured == ("front.left.strut_top",)
    assert found.wheels_not_read == ("front.right",)
    sweep = found.built.axles["front"].sweep
    i, j = (int(np.argmin(np.abs(v))) for v in (sweep.left.rack_mm, sweep.left.travel_mm))
    left = found.built.axles["front"].alignment.left
    assert left.camber_deg[i, j] == pytest.approx(-3.5, abs=1e-9)
    assert left.toe_in_deg[i, j] == pytest.approx(0.1, abs=1e-9)


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("on_its_wheels", "on_stands", "damper_length"),
        ("front.left.strut_top", "front.left.strut_topp", "did you mean 'front.left.strut_top'?"),
        ('"front.left"]', '"front.lefft"]', "no such wheel"),
    ],
)
def test_a_measuring_that_does_not_go_with_the_design_is_refused(tmp_path, capsys, old, new, told):
    path = tmp_path / "built.toml"
    text = BUILT.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new, 1), encoding="utf-8")
    args = ["asbuilt", str(DEMO), str(path), "--variant", "planned", "--no-gaps"]
    assert main([*args, "--out", str(tmp_path / "out")]) == 2
    said = capsys.readouterr().err
    assert told in said
    assert not (tmp_path / "out").exists()


def test_the_shipped_as_built_car_has_its_pages(tmp_path, capsys):
    args = ["asbuilt", str(DEMO), str(BUILT), "--variant", "planned", "--no-gaps", "--strict"]
    assert main([*args, "--out", str(tmp_path / "out"), "--date", "2026-03-31"]) == 1
    said = capsys.readouterr().out
    assert "front right tie rod inner is 5.4 mm from the design, 2 mm allowed" in said
    assert "gaps were not measured" in said
    assert "CAUTION" in said
    page = (tmp_path / "out" / "as_built.html").read_text(encoding="utf-8")
    assert "front left caster" in said
    assert "gauge: read by level" in said
    for words in (
        "+- 95 %",
        "inspector",
        "Gaps were not measured: none is claimed",
        "SHA-256",
        "not sure",
    ):
        assert words in page


def test_the_report_carries_the_pages_to_sign(tmp_path, capsys):
    path = measured_exactly(tmp_path, skip=("front.right.strut_top",), shift=(4.0, 0.0, 0.0))
    args = ["report", str(SMALL), "--as-built", str(path), "--date", "2026-03-31"]
    assert main([*args, "--strict", "--out", str(tmp_path / "out")]) == 1
    assert "fall short: see the report" in capsys.readouterr().out
    page = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    order = (
        "Limits",
        "As built",
        "Points, measured less designed",
        "measured by",
        "What was assum",
    )
    places = [page.index(words) for words in order]
    assert places == sorted(places)
    assert "front left strut top is 4.0 mm from the design, 2 mm allowed" in page
    assert "not measured, taken as designed: front right strut top" in page
    assert "built.toml" in page[page.index("What this was made from") :]
    assert "mm deep" in page or " to " in page[page.index("limits and gaps as built") :]


@pytest.mark.parametrize(
    ("more", "told"),
    [
        (["--within", "3"], "--within: of what was measured again; add --as-built"),
        (["--as-built", str(BUILT), "--hold", "damper_length"], "as the file holds it"),
        (["--as-built", "not_there.toml"], "not_there.toml"),
    ],
)
def test_a_report_half_asked_for_is_refused(tmp_path, capsys, more, told):
    assert main(["report", str(SMALL), *more, "--out", str(tmp_path / "out")]) == 2
    said = capsys.readouterr().err
    assert told in said
    assert not (tmp_path / "out").exists()


def test_the_band_of_a_car_measured_again_is_what_its_survey_leaves_open(tmp_path):
    """g' C g with C = R R' is the sum of squares of the changes along R's columns: by differences
    of cars built anew, which know nothing of slopes."""
    # Where no radius is given it is the centre's height: that ties it to a point, which slopes of
    # the points alone leave out (scrub's sigma is 0.8 % less by it here).
    model = tmp_path / "small.toml"
    text = SMALL.read_text(encoding="utf-8")
    model.write_text(text.replace("toe_in = 0.0", "toe_in = 0.0\nloaded_radius = 300"))
    builder = rebuilder(read_file(model), "as_found")
    tape = '["front.left.strut_top", "front.right.strut_top"], is = 1120.5, one_sigma = 0.2'
    built = measured_exactly(
        tmp_path,
        extra=f"distances = [{{ between = {tape} }}]\n"
        '[survey.wheels."front.left"]\ncamber = -3.5\ntoe_in = 0.1\n',
    )
    file = read_survey(built, {})
    survey = solved(file)
    assert np.abs(survey.fit.covariance - np.diag(np.diag(survey.fit.covariance))).max() > 0.01
    places = {p.name: p.at for p in survey.points}
    names = survey.fit.network.points
    wheels = {name: (w.camber, w.toe_in) for name, w in file.survey.wheels.items()}
    car = builder.remeasured(places, wheels, variant="as_built", title="-")
    told = reading_sigmas(car.axles["front"], car, survey)

    def readings(off):
        moved = {n: places[n] + by for n, by in zip(names, off.reshape(-1, 3), strict=True)}
        corners = [
            builder.remeasuring(moved, wheels, {}, title="-").corner("front", side, {})
            for side in Side
        ]
        axle = replace(car.axles["front"], left=corners[0], right=corners[1])
        both = align_poses(sweep_axle(axle, np.zeros(1), np.zeros(1)), car)
        return np.array([both.left.caster_deg[0, 0], both.left.scrub_radius_mm[0, 0],
                         np.ravel(both.track_mm)[0]])  # fmt: skip

    size, ways = np.linalg.eigh(survey.fit.covariance)
    steps = (1e-2 * np.sqrt(np.maximum(size, 0.0)) * ways).T
    left = [s for s in steps if np.abs(s).max() > 1e-6]
    here = readings(np.zeros(3 * len(names)))
    found = np.sqrt(sum((readings(s) - here) ** 2 for s in left)) / 1e-2
    keys = [(Side.LEFT, "caster_deg"), (Side.LEFT, "scrub_radius_mm"), (None, "track_mm")]
    # Steps of a hundredth of a sigma, 3 um: curvature leaves under 1e-4 of a slope.
    assert found == pytest.approx([told[k] for k in keys], rel=1e-3)
    doubt = builder.remeasuring(places, wheels, point_sigmas(survey), title="-").doubt(
        "front", ["strut_top", "never_measured"]
    )
    assert doubt["strut_top"].max() == pytest.approx(0.5, rel=0.2)
    assert not doubt["never_measured"].any()
