"""What goes wrong round the live page: a file changed meanwhile, foreign pages, an end."""

from __future__ import annotations

import http.server
import shutil
import threading
from collections.abc import Iterator
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from linkview.alignment.axle import align_poses, align_without_locks
from linkview.clearance.gaps import survey
from linkview.export.shown import SHOWN
from linkview.kinematics.assemble import build_car
from linkview.kinematics.sweep import sweep_axle
from linkview.live.gapwork import quick_works
from linkview.live.jobs import GapJob
from linkview.live.moving import Inputs, swept_at
from linkview.model.read import read_file
from linkview.plates.profiles import named_profile
from tests.live_cases import Running, Tab, running
from tests.scene_cases import DEMO

PLANNED = "planned"
SIZES = ((390, 780), (600, 800), (901, 620), (1000, 620), (1100, 700), (1280, 800), (1500, 900),
         (1920, 1080))  # fmt: skip


@pytest.fixture(scope="module")
def model(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("car") / "demo"
    shutil.copytree(DEMO.parent, place)
    return place / DEMO.name


@pytest.fixture(scope="module")
def server(browser: Any, model: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    with running(tmp_path_factory.mktemp("home"), "view", str(model), "--variant", PLANNED) as one:
        yield one


@pytest.fixture(scope="module")
def tab(browser: Any, server: Running) -> Iterator[Tab]:
    one = Tab(browser, server.url, 1000, 620)
    yield one
    one.close()


@pytest.mark.parametrize("size", SIZES, ids=lambda s: str(s[0]))
def test_nothing_in_the_dock_is_cut_off_or_covered(tab: Tab, size: tuple[int, int]) -> None:
    tab.tab.set_viewport_size({"width": size[0], "height": size[1]})
    for inches in (False, True):
        faults = tab.run(
            """() => {
            const shown = [...document.querySelectorAll('.dock label, .dock output, .dock button')]
              .filter(e => e.getClientRects().length), faults = [];
            const boxes = shown.map(e => e.getBoundingClientRect());
            const name = (k) => shown[k].id || shown[k].textContent.trim() || shown[k].ariaLabel;
            const dock = document.querySelector('.dock').getBoundingClientRect();
            shown.forEach((e, k) => {
              const b = boxes[k];
              if (b.width < 12 || e.scrollWidth > e.clientWidth + 1 && e.tagName !== 'OUTPUT')
                faults.push(`${name(k)} is cut off`);
              if (b.left < dock.left - 1 || b.right > dock.right + 1)
                faults.push(`${name(k)} is out`);
              for (let m = 0; m < k; m++) { const c = boxes[m];
                if (b.left < c.right - 1 && c.left < b.right - 1 && b.top < c.bottom - 1
                    && c.top < b.bottom - 1) faults.push(`${name(k)} lies over ${name(m)}`); }
            });
            const wide = document.documentElement.scrollWidth;
            if (wide > innerWidth + 1) faults.push(`the page is ${wide} wide`);
            return faults; }"""
        )
        assert not faults, (size, inches, faults)
        tab.run("() => document.getElementById('units').click()")


def test_a_burst_of_edits_leaves_no_queue_and_the_newest_stands(tab: Tab) -> None:
    tab.run("() => document.getElementById('home').click()")
    tab.quiet()
    before = tab.run("() => live.state.car.generation")
    tab.run(
        """() => { for (let k = 1; k <= 60; k++)
        live.setPoint('strut_top', [-67.8, 541 - 0.05 * k, 830], 'burst'); }"""
    )
    tab.wait(
        "() => Math.abs(live.state.axle.points.strut_top.at[1] - 538) < 1e-6 && live.settled()"
    )
    made = tab.run("() => live.state.car.generation") - before
    assert 1 <= made <= 3, "of sixty edits at once those between are never begun"
    tab.wait("() => live.state.gaps && live.state.gaps.stamp === live.state.car.generation")
    tab.run("() => document.getElementById('undo').click()")
    tab.wait("() => Math.abs(live.state.axle.points.strut_top.at[1] - 541) < 1e-6")


def test_a_foreign_page_is_refused(browser: Any, server: Running, tmp_path: Path) -> None:
    """A page of another port, the same machine: the browser lets it try, linkview does not."""
    (tmp_path / "index.html").write_text("<title>other</title>", encoding="utf-8")

    class Quiet(http.server.SimpleHTTPRequestHandler):
        def log_message(self, *args: object) -> None:
            pass

    with http.server.ThreadingHTTPServer(
        ("127.0.0.1", 0), partial(Quiet, directory=str(tmp_path))
    ) as other:
        threading.Thread(target=other.serve_forever, daemon=True).start()
        page = browser.new_page()
        page.goto(f"http://127.0.0.1:{other.server_address[1]}/index.html")
        socket = page.evaluate(
            """url => new Promise(done => { const s = new WebSocket(url);
            s.onopen = () => done('open'); s.onerror = () => done('refused'); })""",
            f"{server.url.replace('http', 'ws')}socket",
        )
        read = page.evaluate(
            "url => fetch(url).then(r => r.text()).then(() => 'read', () => 'refused')", server.url
        )
        status = page.evaluate(
            "url => fetch(url, {mode: 'no-cors'}).then(r => r.type, () => 'refused')",
            f"{server.url}live.js",
        )
        page.close()
        other.shutdown()
    assert (socket, read, status) == ("refused", "refused", "refused")


def test_a_file_changed_on_disk_is_told_and_opened_again(
    tab: Tab, server: Running, model: Path
) -> None:
    """The last that uses the module's program, for it stops it."""
    assert tab.tab.locator("#banner").is_hidden()
    model.write_text(model.read_text(encoding="utf-8") + "\n# meanwhile\n", encoding="utf-8")
    tab.wait("() => document.getElementById('banner').innerText.includes('changed on disk')")
    tab.tab.click("#banner button")
    tab.wait("() => document.getElementById('banner').hidden")
    tab.quiet()
    tab.tab.wait_for_timeout(700)  # the opened car's own shapes may ask for its pose once more
    tab.quiet()
    server.stop()  # and now the program itself
    tab.wait("() => document.getElementById('banner').innerText.includes('does not answer')")
    assert tab.run("() => live.state.pose.read"), "the last figures stay in sight"


def test_what_the_swept_poses_alone_say_is_what_all_say() -> None:
    car = build_car(read_file(DEMO), PLANNED)
    sweep = sweep_axle(car.axles["front"], np.linspace(-30, 30, 5), np.array([-20.0, 0.0, 20.0]))
    alone, whole = align_poses(sweep, car), align_without_locks(sweep, car)
    for name in SHOWN:
        for a, b in zip((alone, *alone.corners), (whole, *whole.corners), strict=True):
            if hasattr(a, name):
                np.testing.assert_array_equal(getattr(a, name), getattr(b, name))
    assert np.isnan(alone.left.gauge_caster_deg).all()


def test_gaps_of_the_mirrored_side_are_those_measured_there() -> None:
    """The right side of a symmetric axle at ride height against a measurement of its own."""
    car = build_car(read_file(DEMO), PLANNED)
    axle = car.axles["front"]
    assert axle.symmetric
    told: list[Any] = []

    class Ear:
        def answer(self, words: object) -> None:
            told.append(words)

    inputs = Inputs(0.0, 12.0, 0.0)
    job = GapJob(car, "front", named_profile("water_jet"), inputs)
    quick_works()["posed"](Ear(), job)  # type: ignore[arg-type]
    right = {(p["a"], p["b"]): p for p in told[0]["pairs"] if p["side"] == "right"}
    sweep = swept_at(axle, [inputs]).right
    found = survey(sweep.corner, sweep.poses, wanted=axle.wanted_gaps, left_out=axle.left_out)
    assert len(right) == len(found.pairs)
    for pair in found.pairs:
        said = right[tuple(n.replace("_", " ") for n in pair.pair)]  # type: ignore[index]
        if not np.isfinite(pair.least.gap_mm):
            continue
        assert said["gap"] == pytest.approx(pair.least.gap_mm, abs=0.02)  # mm, meshes' own chords
