"""The live page in a real browser against a real server; numbers against a solve of their own."""

from __future__ import annotations

import re
import shutil
import zipfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from linkview.alignment.axle import align
from linkview.export.actor_shapes import actors_of
from linkview.export.dxf import read_cut_loops
from linkview.kinematics.assemble import build_car
from linkview.kinematics.sweep import sweep_axle
from linkview.live.as_variant import built
from linkview.live.edits import Edits, How
from linkview.model.parts import Car
from linkview.model.read import read_file
from tests.live_cases import Running, Tab, running
from tests.published_checkers import WEB, node_missing
from tests.scene_cases import DEMO, plates_of

PLANNED = "planned"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("car") / "demo"
    shutil.copytree(DEMO.parent, place)
    return place


@pytest.fixture(scope="module")
def model(folder: Path) -> Path:
    return folder / DEMO.name


@pytest.fixture(scope="module")
def server(browser: Any, model: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    home = tmp_path_factory.mktemp("home")
    with running(home, "view", str(model), "--variant", PLANNED) as one:
        yield one


@pytest.fixture(scope="module")
def shared(browser: Any, server: Running) -> Iterator[Tab]:
    one = Tab(browser, server.url, 1000, 620)
    yield one
    one.close()


@pytest.fixture
def tab(shared: Tab) -> Tab:
    """The one tab, at ride height, with whatever an earlier test changed put away."""
    shared.wait("() => live.settled()")  # else a change still on its way would come after the rest
    shared.run(
        """() => {
        if (live.state.inch) document.getElementById('units').click();
        if (live.state.axle.name !== 'front') document.querySelector('[data-key=front]').click();
        document.getElementById('refused').hidden = true;
        document.getElementById('stops').checked = true;
        live.setHow('made_to_fit'); live.setSnap(1); live.view.select(null);
        live.sheets.show('now');
        document.getElementById('home').click();
        if (live.state.car.state.unsaved || live.state.car.state.base !== 'planned')
          live.wire.ask({ do: 'variant', name: 'planned' }); }"""
    )
    shared.wait(
        """() => { const p = live.state.pose, s = live.state.car.state;
        return p && p.rack === 0 && p.travel === 0 && p.roll === 0 && s.base === 'planned'
          && !s.unsaved && live.settled(); }"""
    )
    return shared


def _set_point(tab: Tab, name: str, column: int, text: str) -> None:
    tab.tab.click("#tab-points")
    field = tab.tab.locator(f"tr[data-point={name}] input").nth(column)
    field.fill(text)
    field.press("Tab")


def _moved(model: Path, name: str, at: list[float], how: How = How.MADE_TO_FIT) -> Car:
    """The same change built apart from the page."""
    x, y, z = at
    return built(read_file(model), Edits(PLANNED).with_point("front", how, name, (x, y, z)))


def _reading(tab: Tab, name: str) -> list[float]:
    return tab.run(
        """(n) => live.state.pose.readings[
        live.state.car.quantities.findIndex(q => q.name === n)]""",
        name,
    )


# --- moving -------------------------------------------------------------------------------------


def test_transforms_in_the_page_are_the_solvers(tab: Tab, model: Path) -> None:
    axle = build_car(read_file(model), PLANNED).axles["front"]
    actors = [a for a in actors_of(axle, plates_of(axle)) if not a.still]
    assert len(actors) > 8
    tab.wait("() => live.state.plates.front")  # plates belong to the parts that carry them
    local = [30.0, -20.0, 10.0]
    for rack, travel in ((0.0, 0.0), (-53.3, 21.7), (70.0, -40.0)):
        tab.pose(rack, travel)
        sweep = sweep_axle(axle, np.array([rack]), np.array([travel]))
        poses = {c.corner.side: c.poses for c in sweep.corners}
        shown = tab.run(
            """p => Object.fromEntries([...live.view.slots.front.actors].map(([n, a]) =>
            [n, new THREE.Vector3(...p).applyMatrix4(a.node.matrix).toArray()]))""",
            local,
        )
        for actor in actors:
            want = actor.places(poses[actor.side]).apply(np.array([local]))[0, 0, 0]
            # mm; seven decimals on the wire, turns of a unit quaternion over at most 2 m
            assert np.abs(np.array(shown[actor.name]) - want).max() < 2e-3, actor.name


def test_read_outs_are_those_of_the_exact_pose(tab: Tab, model: Path) -> None:
    car = build_car(read_file(model), PLANNED)
    tab.pose(-41.2, 13.3)
    sweep = sweep_axle(car.axles["front"], np.array([-41.2]), np.array([13.3]))
    found = align(sweep, car)
    for name in ("camber_deg", "toe_in_deg", "caster_deg", "trail_mm"):
        want = [float(getattr(c, name)[0, 0]) for c in found.corners]
        assert _reading(tab, name) == pytest.approx(want, abs=2e-6), name
    shown = tab.tab.inner_text("tr[data-q=camber_deg] td >> nth=0")
    assert shown.startswith(f"{found.left.camber_deg[0, 0]:+.2f}".replace("-", "−"))


def test_it_stops_at_the_first_limit_and_names_it(tab: Tab) -> None:
    # Truth: the same limits asked for at the pose itself, a hair inside and a hair beyond.
    tab.tab.focus("#rack")
    tab.tab.keyboard.press("End")
    tab.wait("() => live.state.pose.stopped !== '' && live.state.pose.read")
    words, rack = tab.tab.inner_text("#stopped"), tab.run("() => live.state.pose.rack")
    assert re.search(r"Stopped: (left|right) .+, its limit of \d", words), words
    assert 30.0 < rack < 75.0
    margins = tab.run("() => live.state.pose.limits.filter(l => l.stops).map(l => l.margin)")
    assert min(margins) > -0.02  # in mm or degrees
    assert min(margins) < 0.1
    tab.tab.click("text=Stop at limits")
    tab.tab.focus("#rack")
    tab.tab.keyboard.press("Home")
    tab.tab.keyboard.press("End")
    tab.wait("() => Math.abs(live.state.pose.rack - 75) < 1e-6")
    assert not tab.tab.is_visible("#stopped")


def test_sixty_moves_in_a_row_leave_no_queue(tab: Tab) -> None:
    before = tab.run("() => live.state.moves")
    tab.run(
        """() => { const r = document.getElementById('rack');
        for (let k = 0; k < 60; k++) { r.value = k / 2; r.dispatchEvent(new Event('input')); } }"""
    )
    assert tab.run("() => live.wire.pending()") <= 2
    tab.wait("() => Math.abs(live.state.pose.rack - 29.5) < 1e-6 && live.settled()")
    assert tab.run("() => live.state.moves") - before < 12  # answered: the first and the newest


def test_roll_moves_the_wheels_apart(tab: Tab) -> None:
    tab.run(
        "() => { const r = document.getElementById('roll'); r.value = 2;"
        " r.dispatchEvent(new Event('input')); }"
    )
    tab.wait("() => Math.abs(live.state.pose.roll - 2) < 1e-6")
    left, right = tab.run(
        "() => ['left', 'right'].map(s => live.state.pose.points[s].wheel_centre[2])"
    )
    # Terms: rolled to its right, the left wheel hangs out by its distance from the middle.
    assert left - 310.0 == pytest.approx(-780.0 * np.tan(np.radians(2.0)), abs=1e-3)
    assert right - 310.0 == pytest.approx(780.0 * np.tan(np.radians(2.0)), abs=1e-3)


def test_words_and_points_over_the_picture_go_along_with_the_view(tab: Tab) -> None:
    # Truth: where they stand once the view has been drawn.
    tab.tab.click("#tab-points")
    tab.tab.wait_for_selector(".gaptag:visible")
    for name in ("Top", "End", "Corner"):
        at_once, later = tab.run(
            """async name => { const at = () => [...document.querySelectorAll('.handle, .gaptag')]
              .filter(e => !e.hidden).map(e => [e.style.left, e.style.top].map(parseFloat));
            document.querySelector(`[data-key=${name}]`).click();
            const first = at();
            for (let k = 0; k < 3; k++) await new Promise(requestAnimationFrame);
            await new Promise(done => setTimeout(done, 250));
            live.view.overlay(); return [first, at()]; }""",
            name,
        )
        assert np.abs(np.subtract(at_once, later)).max() < 1.0, name  # pixels


def test_a_click_on_the_map_goes_there(tab: Tab) -> None:
    tab.tab.click("#tab-map")
    tab.tab.wait_for_selector("#map", timeout=30_000)
    wide, high = tab.run(
        "() => { const b = document.getElementById('map').getBoundingClientRect();"
        " return [b.width, b.height]; }"
    )
    tab.tab.click("#map", position={"x": 0.3 * wide, "y": 0.3 * high})
    tab.wait("() => live.state.pose.rack < -10 && live.state.pose.travel > 10")


# --- changing -----------------------------------------------------------------------------------


def test_a_number_with_a_comma_moves_the_point_and_all_that_follows(tab: Tab, model: Path) -> None:
    _set_point(tab, "strut_top", 1, "530,5")
    tab.wait("() => live.state.car.state.changes === 1 && live.settled()")
    car = _moved(model, "strut_top", [-67.8, 530.5, 830.0])
    want = align(sweep_axle(car.axles["front"], np.zeros(1), np.zeros(1)), car)
    for name in ("caster_deg", "steering_axis_inclination_deg", "scrub_radius_mm"):
        exact = [float(getattr(c, name)[0, 0]) for c in want.corners]
        assert _reading(tab, name) == pytest.approx(exact, abs=2e-6), name
    tab.tab.click("#undo")
    tab.wait("() => !live.state.car.state.unsaved && live.settled()")
    assert tab.run("() => live.state.axle.points.strut_top.at[1]") == 541.0
    tab.tab.click("#redo")
    tab.wait("() => live.state.axle.points.strut_top.at[1] === 530.5")


def test_parts_kept_gives_the_published_camber(tab: Tab) -> None:
    # Truth: the project's terms: top mount 10 mm inboard, tie rod kept: camber -4.000 to -4.846.
    tab.tab.click("#tab-points")
    tab.tab.click("text=Parts kept")
    _set_point(tab, "strut_top", 1, "531")
    tab.wait("() => live.state.car.state.changes === 1 && live.settled()")
    assert _reading(tab, "camber_deg")[0] == pytest.approx(-4.846, abs=5e-4)


@pytest.mark.parametrize("axis", ["z", "y"])
def test_a_point_is_dragged_in_3d_in_steps(tab: Tab, axis: str) -> None:
    tab.tab.click("#tab-points")
    tab.tab.select_option("#snap", "5")
    tab.tab.click("tr[data-point=strut_top] button")
    box = tab.tab.locator(f".knob.{axis}").bounding_box()
    assert box is not None
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    before = tab.run("() => live.state.axle.points.strut_top.at")
    tab.tab.mouse.move(x, y)
    tab.tab.mouse.down()
    for k in range(1, 9):
        dx, dy = (0, -4 * k) if axis == "z" else (4 * k, 0)
        tab.tab.mouse.move(x + dx, y + dy)
    tab.tab.mouse.up()
    tab.wait("() => live.state.car.state.unsaved && live.settled()")
    by = np.array(tab.run("() => live.state.axle.points.strut_top.at")) - np.array(before)
    k = "xyz".index(axis)
    assert abs(by[k]) >= 5.0
    assert by[k] / 5.0 == pytest.approx(round(by[k] / 5.0), abs=1e-6)
    assert np.delete(by, k) == pytest.approx([0.0, 0.0])
    tab.tab.click("#undo")  # the whole drag is one step
    tab.wait("() => !live.state.car.state.unsaved")


def test_where_nothing_assembles_the_last_good_pose_stays_and_it_says_why(tab: Tab) -> None:
    tab.tab.click("#tab-points")
    tab.tab.click("text=Parts kept")
    tab.wait("() => live.settled()")
    before = tab.run("() => live.state.pose.points")
    _set_point(tab, "lower_arm_rear_pivot", 1, "-2500")
    tab.tab.wait_for_selector("#refused", timeout=20_000)
    words = tab.tab.inner_text("#refused")
    assert "last pose that goes together is still shown" in words
    assert "does not go together" in words
    assert tab.run("() => live.state.pose.points") == before
    tab.tab.click("#refused button")
    assert tab.tab.input_value("tr[data-point=lower_arm_rear_pivot] input >> nth=1") == "350"
    assert not tab.run("() => live.state.car.state.unsaved")


def test_letters_in_a_number_field_change_nothing(tab: Tab) -> None:
    _set_point(tab, "strut_top", 2, "8oo")
    assert "is not a number" in tab.tab.inner_text("#toast")
    assert not tab.run("() => live.state.car.state.unsaved")


def test_inches_are_shown_and_read(tab: Tab) -> None:
    tab.tab.click("#units")
    _set_point(tab, "strut_top", 1, "21")
    tab.wait("() => live.state.car.state.unsaved && live.settled()")
    assert tab.run("() => live.state.axle.points.strut_top.at[1]") == pytest.approx(533.4)


def test_two_tabs_show_the_same_car(browser: Any, server: Running, tab: Tab) -> None:
    other = Tab(browser, server.url)
    try:
        _set_point(tab, "strut_top", 1, "535")
        other.wait("() => live.state.axle.points.strut_top.at[1] === 535")
    finally:
        other.close()


# --- gaps ---------------------------------------------------------------------------------------


def test_gaps_follow_and_become_certain(tab: Tab) -> None:
    tab.tab.click("#tab-gaps")
    _set_point(tab, "strut_top", 1, "540")
    tab.tab.click("#tab-gaps")
    tab.wait(
        "() => live.state.gaps && live.state.gaps.kind === 'certified'"
        " && live.state.gaps.stamp === live.state.car.generation"
    )
    assert "Certain: " in tab.tab.inner_text("#page-gaps")
    tab.wait("() => live.state.posed && live.state.posed.pairs.length > 50")
    worst = tab.run("() => live.state.gaps.pairs.find(p => p.rack !== null)")
    tab.tab.click(".gap >> nth=0")
    tab.wait(
        "([r, t]) => Math.abs(live.state.pose.rack - r) < 1e-6", [worst["rack"], worst["travel"]]
    )


# --- saving, crashing ---------------------------------------------------------------------------


def test_saved_beside_the_original_which_stays_as_it_was(tab: Tab, model: Path) -> None:
    original = model.read_bytes()
    _set_point(tab, "strut_top", 0, "-70.5")
    tab.wait("() => live.state.car.state.unsaved && live.settled()")
    tab.tab.click("#save")
    tab.tab.fill("#savename", "moved back")
    tab.tab.fill("#savetitle", "a few words")
    tab.tab.click("#saving button[type=submit]")
    tab.tab.wait_for_selector("#savefault:has-text('no name for a variant')")
    assert tab.tab.input_value("#savetitle") == "a few words"  # nothing typed is lost
    tab.tab.fill("#savename", "moved_back")
    tab.tab.fill("#savefile", "mine.toml")
    tab.tab.click("#saving button[type=submit]")
    tab.wait("() => document.getElementById('toast').textContent.startsWith('Saved as')")
    assert model.read_bytes() == original
    saved = build_car(read_file(model.with_name("mine.toml")), "moved_back")
    want = _moved(model, "strut_top", [-70.5, 541.0, 830.0])
    for a, b in zip(saved.axles["front"].corners, want.axles["front"].corners, strict=True):
        for name in a.points:
            assert a.points[name] == pytest.approx(b.points[name], abs=1e-9)


def test_files_of_the_changed_car_are_taken_away(tab: Tab, tmp_path: Path, model: Path) -> None:
    _set_point(tab, "strut_top", 1, "536")
    tab.wait("() => live.state.car.state.unsaved && live.settled()")
    tab.tab.click("#tab-about")
    tab.tab.click("[data-offer=plates] summary")
    with tab.tab.expect_download(timeout=180_000) as taken:
        tab.tab.click("[data-make=plates]")
    taken.value.save_as(tmp_path / "plates.zip")
    with zipfile.ZipFile(tmp_path / "plates.zip") as inside:
        assert inside.testzip() is None
        inside.extractall(tmp_path)
    (folder,) = [p for p in tmp_path.iterdir() if p.is_dir()]
    rows = (folder / "plates.csv").read_text(encoding="utf-8")
    assert "top_mount_plate" in rows.replace(" ", "_")
    cut = list(folder.rglob("*.dxf"))
    assert len(cut) >= 8
    assert all(read_cut_loops(path) for path in cut if "sheet" not in path.name)


def test_a_crash_loses_nothing_and_the_page_comes_back(
    browser: Any, model: Path, tmp_path: Path
) -> None:
    first = Running(tmp_path, "view", str(model), "--variant", PLANNED)
    tab = Tab(browser, first.url)
    try:
        _set_point(tab, "strut_top", 1, "533")
        tab.wait("() => live.state.car.state.unsaved && live.settled()")
        first.kill()
        tab.tab.wait_for_selector("#banner:has-text('does not answer')")
        port = first.url.rstrip("/").rsplit(":", 1)[1]
        args = ("view", str(model), "--variant", PLANNED, "--port", port)
        with running(tmp_path, *args):
            tab.wait("() => document.documentElement.dataset.connected === 'yes'")
            tab.wait("() => live.state.car.state.restored")
            assert tab.run("() => live.state.axle.points.strut_top.at[1]") == 533
            assert "brought back" in tab.tab.inner_text("#banner")
            tab.tab.click("#undo")
            tab.wait("() => live.state.axle.points.strut_top.at[1] === 541")
    finally:
        tab.close()
        first.stop()


def test_a_link_brings_back_pose_axle_and_variant(browser: Any, server: Running, tab: Tab) -> None:
    link = "#axle=rear&rack=0&travel=-33.5&roll=0&variant=pivot_down_16&tab=curves"
    other = Tab(browser, server.url + link)
    try:
        other.wait("() => live.state.car.state.base === 'pivot_down_16'")
        other.wait("() => Math.abs(live.state.pose.travel + 33.5) < 1e-6")
        assert other.run("() => live.state.axle.name") == "rear"
        other.tab.wait_for_selector("#page-curves svg")
    finally:
        other.close()


# --- looks, keys, words -------------------------------------------------------------------------


def test_nothing_is_asked_from_outside_and_nothing_complains(tab: Tab, server: Running) -> None:
    assert tab.said == []
    assert all(url.startswith(server.url) for url in tab.asked)


NASTY = "<img src=x onerror=window.stolen=1> & </script>"


def test_names_with_markup_are_only_words(browser: Any, tmp_path: Path, folder: Path) -> None:
    text = (folder / DEMO.name).read_text(encoding="utf-8")
    text = text.replace("Workshop demo coupe (invented)", NASTY)
    text = text.replace('title = "high-steer front:', f'title = "{NASTY} high-steer front:')
    nasty = folder / "nasty.toml"
    nasty.write_text(text, encoding="utf-8")
    with running(tmp_path, "view", str(nasty), "--variant", PLANNED) as one:
        tab = Tab(browser, one.url)
        try:
            assert tab.tab.inner_text("h1") == NASTY
            for key in tab.run("() => live.sheets.TABS.map(([k]) => k)"):
                tab.tab.click(f"#tab-{key}")
            assert tab.run("() => window.stolen") is None
            assert tab.said == []
        finally:
            tab.close()


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_accessible_by_the_published_checker(browser: Any, server: Running, scheme: str) -> None:
    # Truth: axe-core's rules tagged WCAG 2.1 A and AA, colour contrast among them.
    missing = node_missing("axe-core")
    if missing:
        pytest.skip(missing)
    axe = (WEB / "node_modules" / "axe-core" / "axe.min.js").read_text(encoding="utf-8")
    # The page's own policy lets no script in, a checker's neither.
    tab = Tab(browser, server.url, color_scheme=scheme, bypass_csp=True)
    try:
        tab.run(axe)
        for wide, high in ((1280, 800), (390, 844)):
            tab.tab.set_viewport_size({"width": wide, "height": high})
            for key in tab.run("() => live.sheets.TABS.map(([k]) => k)"):
                tab.tab.click(f"#tab-{key}")
                tab.quiet()
                found = tab.run(
                    """() => axe.run(document,
                    {runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa']})
                    .then(r => [r.passes.length, r.violations.map(v => v.id + ': ' +
                      v.nodes.map(n => n.html.slice(0, 160)).join(' | '))])"""
                )
                assert found[0] > 5
                assert found[1] == [], (key, wide)
            assert tab.run("() => document.documentElement.scrollWidth - innerWidth") <= 0
    finally:
        tab.close()


def test_a_hard_point_is_moved_with_the_keyboard_alone(tab: Tab) -> None:
    tab.tab.focus("#tab-now")
    tab.tab.keyboard.press("ArrowRight")
    tab.tab.focus("button.handle[data-point=strut_top]")
    tab.tab.keyboard.press("Enter")
    tab.tab.keyboard.press("ArrowUp")
    tab.wait("() => live.state.axle.points.strut_top.at[2] === 831")
    tab.tab.keyboard.press("Control+z")
    tab.wait("() => live.state.axle.points.strut_top.at[2] === 830")
