"""The offline page in a real browser, network off, under its own policy; poses against the solver.

Read-outs and poses are compared with a sweep made for the purpose, never with the page's own grid.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from functools import cache
from io import BytesIO
from pathlib import Path

import numpy as np
import pytest
from matplotlib.image import imread

from linkview.alignment.axle import align
from linkview.export.actor_shapes import actors_of
from linkview.export.actors import standing
from linkview.export.identity import Identity, identify
from linkview.export.page import Page, write_page
from linkview.export.posegrid import WITHIN_MM, PoseGrid, halfway_errors, packed_places, pose_grid
from linkview.kinematics.sweep import sweep_axle
from linkview.model.bodies import Tube
from linkview.model.parts import Car
from linkview.model.read import read_file
from linkview.plates.profiles import named_profile
from linkview.study import CarStudy, study_car, study_without_gaps
from tests.published_checkers import WEB, browser_path, node, node_missing
from tests.scene_cases import DEMO, axle, demo, plates_of

QUIET = lambda what, done, count: None  # noqa: E731
IDENTITY = Identity("Car", "planned", "", (("car.toml", "0" * 64),), "Measured.", 1.0, "A", "")


@pytest.fixture(scope="module")
def study() -> CarStudy:
    return study_car(demo("planned"), named_profile("water_jet"), QUIET)


@pytest.fixture(scope="module")
def page(study: CarStudy, tmp_path_factory: pytest.TempPathFactory) -> Page:
    identity = identify(read_file(DEMO), study.car)
    path = tmp_path_factory.mktemp("page") / "demo.html"
    return write_page(path, study, demo("as_found"), identity)


class Seen:
    """A page opened with the network off, and everything it complained of or asked for."""

    def __init__(self, browser: object, path: Path, wide: int = 1280, high: int = 800) -> None:
        self.context = browser.new_context(  # type: ignore[attr-defined]
            viewport={"width": wide, "height": high}, offline=True
        )
        self.tab = self.context.new_page()
        self.said: list[str] = []
        self.asked: list[str] = []
        self.tab.on("console", lambda m: self.said.append(m.text))
        self.tab.on("pageerror", lambda e: self.said.append(str(e)))
        self.tab.on("request", lambda r: self.asked.append(r.url))
        self.tab.goto(path.as_uri())
        self.tab.wait_for_selector("html[data-ready=yes]", timeout=30_000)

    def run(self, script: str, given: object = None) -> object:
        return self.tab.evaluate(script, given)

    def close(self) -> None:
        self.context.close()


@pytest.fixture
def opened(browser: object, page: Page) -> Iterator[Seen]:
    seen = Seen(browser, page.path)
    yield seen
    seen.close()


# --- the grid ---------------------------------------------------------------------------------


@cache
def grid_of(name: str, variant: str) -> PoseGrid:
    shown = axle(name, variant)
    return pose_grid(shown, actors_of(shown, plates_of(shown)))


# The rear axle is the same in every variant.
@pytest.mark.parametrize(
    ("name", "variant"),
    [
        ("front", "planned"),
        ("front", "as_found"),
        ("front", "over_centre_trap"),
        ("rear", "planned"),
    ],
)
def test_no_part_is_drawn_off_by_more_than_a_fifth_of_a_mm(name: str, variant: str) -> None:
    grid = grid_of(name, variant)
    assert 0.0 < grid.largest_error_mm <= WITHIN_MM
    assert f"{grid.largest_error_mm:.2f} mm" in grid.words


def test_cells_near_the_dead_point_are_shut_and_none_within_reach_elsewhere() -> None:
    assert grid_of("front", "over_centre_trap").shut.any()
    planned = grid_of("front", "planned")
    assert planned.sweep.left.solved.all() == (not planned.shut.any())


def test_a_coarse_grid_would_be_seen_to_be_off() -> None:
    shown = axle("front")
    actors = actors_of(shown)
    sweep = sweep_axle(shown, np.linspace(-75, 75, 7), np.linspace(-70, 60, 5))
    errors, _ = halfway_errors(sweep, actors, packed_places(sweep, actors))
    assert np.nanmax(errors) > 3.0  # mm: 25 mm of rack turn a wheel by 15 degrees and more


# --- the file ---------------------------------------------------------------------------------


def test_one_file_under_six_megabytes_with_a_strict_policy(page: Page) -> None:
    text = page.path.read_text(encoding="utf-8")
    assert page.size == len(text.encode()) < 6e6
    policy = re.search(r'Content-Security-Policy" content="([^"]+)"', text)
    assert policy is not None
    assert policy[1].startswith("default-src 'none';")
    assert "unsafe" not in policy[1]
    assert "http" not in policy[1]
    assert "Permission is hereby granted, free of charge" in text  # three.js' licence


def test_three_js_inside_is_what_the_lock_file_builds(tmp_path: Path) -> None:
    missing = node_missing("three", "esbuild")
    if missing:
        pytest.skip(missing)
    script = """
    const { execFileSync } = require('child_process');
    execFileSync('node', ['build.mjs', process.argv[1]]);
    console.log('true');
    """
    assert node(script, str(tmp_path / "three.js")) is True
    shipped = WEB.parent.parent / "linkview" / "export" / "web" / "three.js"
    assert (tmp_path / "three.js").read_bytes() == shipped.read_bytes()


def test_its_html_is_valid(page: Page) -> None:
    # Truth: html-validate, its published standard rules. Inline script and style are our own way
    # to be one file; buttons' look is not its business.
    missing = node_missing("html-validate")
    if missing:
        pytest.skip(missing)
    script = """
    const { HtmlValidate, StaticConfigLoader } = require('html-validate');
    const loader = new StaticConfigLoader({ extends: ['html-validate:standard'] });
    new HtmlValidate(loader).validateFile(process.argv[1])
      .then(r => console.log(JSON.stringify(r.results.flatMap(f => f.messages.map(
        m => `${m.ruleId} ${m.line}: ${m.message}`)))));
    """
    text = page.path.read_text(encoding="utf-8")
    bare = re.sub(r"(<script[^>]*>).*?(</script>)", r"\1\2", text, flags=re.S)
    (page.path.parent / "bare.html").write_text(bare, encoding="utf-8")
    assert node(script, str(page.path.parent / "bare.html")) == []


# --- in the browser ---------------------------------------------------------------------------


def test_it_asks_for_nothing_and_complains_of_nothing(opened: Seen, page: Page) -> None:
    for tab in ("curves", "gaps", "limits", "plates", "about", "now"):
        opened.tab.click(f"#tab-{tab}")
    opened.run("() => { linkview.chooseAxle('rear'); linkview.setPose(0, 40); }")
    assert opened.said == []
    assert opened.asked == [page.path.as_uri()]


def test_a_foreign_script_is_refused_by_the_pages_policy(opened: Seen) -> None:
    opened.run(
        "() => { const s = document.createElement('script'); s.textContent = 'window.stolen = 1';"
        " document.body.append(s); }"
    )
    assert opened.run("() => window.stolen") is None
    assert any("Content Security Policy" in words for words in opened.said)


@pytest.mark.parametrize("name", ["front", "rear"])
def test_actors_put_in_place_together_stand_as_each_alone(name: str) -> None:
    shown = axle(name)
    racks = [0.0] if shown.left.rack is None else [-63.7, 0.0, 5_000.0]  # the last out of reach
    sweep = sweep_axle(shown, np.array(racks), np.array([-66.6, 0.0, 21.3]))
    for corner in sweep.corners:
        some = [a for a in actors_of(shown) if a.side is corner.corner.side and not a.still]
        for at in np.ndindex(corner.solved.shape):
            poses = {part: moves[at] for part, moves in corner.poses.items()}
            for actor, (*shift, x, y, z, w, stretch) in zip(
                some, standing(some, poses), strict=True
            ):
                alone = actor.places(poses)
                if not corner.solved[at]:
                    assert np.isnan([*shift, x, y, z, w]).any()
                    assert np.isnan(alone.shift).any() or np.isnan(alone.turn).any()
                    continue
                assert np.abs(shift - alone.shift).max() < 1e-9  # mm
                assert abs(stretch - alone.stretch) < 1e-12
                assert abs(abs(np.dot([x, y, z, w], alone.turn)) - 1.0) < 1e-12


@pytest.mark.parametrize(
    ("rack", "travel"), [(0.0, 0.0), (-63.7, 21.3), (74.2, -66.6), (-74.9, 59.0), (11.1, 3.3)]
)
def test_poses_agree_with_the_solver(opened: Seen, rack: float, travel: float) -> None:
    shown = axle("front")
    sweep = sweep_axle(shown, np.array([rack]), np.array([travel]))
    corners = {c.corner.side: c for c in sweep.corners}
    assert opened.run("([r, t]) => linkview.setPose(r, t)", [rack, travel]) is True
    worst = 0.0
    for actor in actors_of(shown, plates_of(shown)):
        if actor.still:
            continue
        poses = {part: moves[0, 0] for part, moves in corners[actor.side].poses.items()}
        for local, true in zip(actor.reach, actor.places(poses).apply(actor.reach), strict=True):
            at = opened.run("([n, p]) => linkview.standsAt(n, p)", [actor.name, local.tolist()])
            worst = max(worst, float(np.linalg.norm(np.array(at) - true)))
    assert worst <= WITHIN_MM


def test_read_outs_agree_with_the_solver(opened: Seen) -> None:
    rack, travel = -41.3, 17.9
    opened.run("([r, t]) => linkview.setPose(r, t)", [rack, travel])
    exact = align(sweep_axle(axle("front"), np.array([rack]), np.array([travel])), demo("planned"))
    shown = opened.run(
        """() => { const {data, state, mixed, cellOf, numbers} = linkview, axle = state.axle;
        return axle.readings.map(q => [q.name, q.off, q.sides.map(s =>
          mixed(numbers(s), cellOf(axle.stage, state.rack, state.travel)))]); }"""
    )
    assert isinstance(shown, list)
    assert len(shown) >= 12
    for name, off, sides in shown:
        owners = exact.corners if len(sides) == 2 else (exact,)
        for owner, value in zip(owners, sides, strict=True):
            true = float(getattr(owner, name)[0, 0])
            if np.isfinite(true):
                assert abs(value - true) <= off * 1.05 + 1e-4 * abs(true), name  # single precision


def test_a_press_on_a_gap_goes_to_its_worst_pose(opened: Seen, study: CarStudy) -> None:
    side, pair = study.axles["front"].worst_pairs(1)[0]
    sweep = study.axles["front"].sweep.left
    opened.tab.click("#tab-gaps")
    opened.tab.click(".gap >> nth=0")
    rack, travel, marked = opened.run(  # type: ignore[misc]
        "() => [linkview.state.rack, linkview.state.travel, linkview.state.gap.side]"
    )
    assert marked == side.value
    assert abs(rack - sweep.rack_mm[pair.least.steer]) < 1e-3
    assert abs(travel - sweep.travel_mm[pair.least.travel]) < 1e-3
    opened.tab.wait_for_selector("#tag", state="visible")  # it comes with the next frame drawn
    a, b = (n.replace("_", " ") for n in pair.pair)
    assert f"{a} – {b}" in opened.tab.inner_text("#tag")


def test_every_pair_and_every_reason_for_leaving_one_out_is_there(
    opened: Seen, study: CarStudy
) -> None:
    survey = next(iter(study.axles["front"].gaps.values()))
    opened.tab.click("#tab-gaps")
    opened.tab.click("text=Show all")
    assert opened.tab.locator(".gap").count() == len(survey.pairs)
    assert opened.tab.locator("#page-gaps details li").count() == len(survey.left_out)


def test_a_slider_moves_the_linkage_and_draws_quickly(opened: Seen) -> None:
    # No mark in seconds: the time is kept for the bench; here only that each event is drawn.
    opened.tab.focus("#rack")
    for _ in range(3):
        opened.tab.keyboard.press("ArrowLeft")
        opened.tab.wait_for_function("() => linkview.state.drawnAfterMs !== null")
    assert opened.run("() => linkview.state.rack") == pytest.approx(-0.75)


def _drawn_box(tab: object) -> np.ndarray:
    """First and last row and column of what is drawn dark on the stage: (4,), page pixels."""
    words = tab.locator("section.stage p")  # type: ignore[attr-defined]
    words.evaluate_all("all => all.forEach(p => { p.style.visibility = 'hidden'; })")
    shot = tab.locator("section.stage").screenshot()  # type: ignore[attr-defined]
    dark = imread(BytesIO(shot), format="png")[..., :3].max(axis=-1) < 0.35
    rows, columns = (np.flatnonzero(dark.sum(axis=k) > 12) for k in (1, 0))
    return np.array([rows[0], rows[-1], columns[0], columns[-1]])


def _settled_box(tab: object) -> np.ndarray:
    """The box once two pictures in a row agree: a busy machine shows a frame late."""
    before = _drawn_box(tab)
    for _ in range(20):
        tab.wait_for_timeout(150)  # type: ignore[attr-defined]
        now = _drawn_box(tab)
        if np.array_equal(now, before):
            return now
        before = now
    raise AssertionError("the picture never came to rest")


def test_coarse_moving_frames_stand_where_fine_ones_do_and_never_resize(opened: Seen) -> None:
    # A canvas given another size waits for the frame before it: 92 ms median where it is 8.
    shape = "() => [canvas.width, canvas.height, canvas.style.transform]"
    wide, high, _ = opened.run(shape)
    opened.run("() => { linkview.state.sparing = true; }")  # no frame at rest until it is over
    opened.tab.focus("#rack")
    opened.tab.keyboard.press("PageUp")
    opened.tab.wait_for_function("() => canvas.style.transform.includes('scale')")
    coarse = _settled_box(opened.tab)
    assert opened.run(shape)[:2] == [wide, high]
    assert "scale" in opened.run(shape)[2]
    opened.run("() => { linkview.state.sparing = false; }")
    opened.tab.wait_for_function("() => canvas.style.transform === ''")
    fine = _settled_box(opened.tab)
    assert opened.run(shape) == [wide, high, ""]
    assert np.abs(fine - coarse).max() <= 3  # a coarse pixel is 1.25 wide


def test_it_plays_and_stops(opened: Seen) -> None:
    opened.tab.click("#playtravel")
    opened.tab.wait_for_function("() => Math.abs(linkview.state.travel) > 5")
    opened.tab.click("#playtravel")
    stopped = opened.run("() => linkview.state.travel")
    opened.tab.wait_for_timeout(200)
    assert opened.run("() => linkview.state.travel") == stopped


def front_only(car: Car) -> Car:
    """Half a page: the rear's own grid and figures add nothing to what is asked here."""
    return replace(car, axles={"front": car.axles["front"]})


def test_unreachable_poses_are_shown_as_such(browser: object, tmp_path: Path) -> None:
    study = study_without_gaps(
        front_only(demo("over_centre_trap")), named_profile("water_jet"), QUIET
    )
    made = write_page(tmp_path / "trap.html", study, front_only(demo("as_found")), IDENTITY)
    seen = Seen(browser, made.path)
    try:
        assert seen.run("() => linkview.setPose(74.9, 0)") is False
        words = seen.tab.inner_text("#beyond")
        assert "Out of reach at rack +74.9 mm" in words
        assert seen.tab.inner_text("#page-now td.num >> nth=0").startswith("–")
        seen.tab.click("#tab-gaps")
        assert "not measured" in seen.tab.inner_text("#page-gaps")
        assert seen.run("() => linkview.setPose(10, 0)") is True
        assert not seen.tab.is_visible("#beyond")
    finally:
        seen.close()


NASTY = '<img src=x onerror="window.stolen=1"></script><script>window.stolen=2</script>&amp;'


def _renamed(car: Car) -> Car:
    front = car.axles["front"]
    corners = []
    for corner in front.corners:
        names = iter((NASTY, "very_long_" * 40))
        bodies = [
            replace(b, name=next(names, b.name)) if isinstance(b, Tube) else b
            for b in corner.bodies
        ]
        corners.append(replace(corner, bodies=tuple(bodies)))
    axles = {**car.axles, "front": replace(front, left=corners[0], right=corners[1])}
    return replace(car, name=f"{NASTY} {'long name ' * 30}", axles=axles, variant_title=NASTY)


def test_names_with_markup_and_very_long_names_are_only_words(
    browser: object, tmp_path: Path
) -> None:
    car = front_only(_renamed(demo("planned")))
    study = study_without_gaps(car, named_profile("water_jet"), QUIET)
    identity = replace(IDENTITY, car=car.name, title=NASTY, measured=NASTY)
    made = write_page(tmp_path / "nasty.html", study, front_only(demo("as_found")), identity)
    for wide, high in ((1280, 800), (390, 844)):
        seen = Seen(browser, made.path, wide, high)
        try:
            assert seen.run("() => window.stolen") is None
            assert seen.said == []
            assert seen.tab.inner_text("h1").startswith("<img src=x")
            over = "() => document.documentElement.scrollWidth - window.innerWidth"
            assert seen.run(over) <= 0  # type: ignore[operator]
            assert any(NASTY in str(a) for a in seen.run(_BODY_NAMES))  # type: ignore[union-attr]
        finally:
            seen.close()


_BODY_NAMES = """() => linkview.data.axles.flatMap(a => a.stage.actors.flatMap(
  x => (x.meshes || []).map(m => m.name)))"""


@pytest.mark.parametrize(("wide", "high"), [(1280, 800), (390, 844)])
def test_accessible_by_the_published_checker(
    browser: object, page: Page, wide: int, high: int
) -> None:
    # Truth: axe-core's rules tagged WCAG 2.1 A and AA, colour contrast among them.
    missing = node_missing("axe-core")
    if missing:
        pytest.skip(missing)
    seen = Seen(browser, page.path, wide, high)
    axe = (WEB / "node_modules" / "axe-core" / "axe.min.js").read_text(encoding="utf-8")
    try:
        seen.run(axe)
        for tab in ("now", "curves", "gaps", "limits", "plates", "about"):
            seen.tab.click(f"#tab-{tab}")
            found = seen.run(
                """() => axe.run(document, {runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa']})
                .then(r => [r.passes.length, r.violations.map(v => v.id + ': ' +
                  v.nodes.map(n => n.html.slice(0, 120)).join(' | '))])"""
            )
            assert isinstance(found, list)
            assert found[0] > 5
            assert found[1] == [], tab
    finally:
        seen.close()


def test_the_figures_work_without_3d_drawing(browser: object, page: Page) -> None:
    options = ["--no-sandbox", "--disable-gpu", "--disable-3d-apis"]
    launched = browser.browser_type.launch(  # type: ignore[attr-defined]
        executable_path=browser_path(), args=options
    )
    seen = Seen(launched, page.path)
    assert seen.tab.is_visible("#nogl")
    seen.run("() => linkview.setPose(-40, 0)")
    assert "deg" in seen.tab.inner_text("#page-now")
    assert "turned left" in seen.tab.inner_text("#pose")
    launched.close()
