"""The live page in software-rendered Chromium: how soon a hand's move is answered.

    python tests/bench/bench_live.py            # on a quiet machine; needs chromium and playwright
    python tests/bench/bench_live.py --hour     # random use for an hour: does memory grow

Prints what was measured beside what the project asks for; asserts nothing.
    slider event to new transforms in the page     median under 50 ms, 95 of 100 under 120 ms
    dragged point to alignment, curves, gaps       under 250 ms (gaps sampled at 11 x 7 poses)
    60 moves in a row                              no queue: the newest wins
    memory in random use                           flat within 50 MB
"""

from __future__ import annotations

import random
import shutil
import statistics
import sys
import tempfile
import time
from pathlib import Path

from playwright.sync_api import sync_playwright

sys.path.insert(0, str(Path(__file__).parents[2]))
from tests.live_cases import Tab, heap_mb, resident_mb, running, use_at_random
from tests.published_checkers import BROWSER

DEMO = Path(__file__).parents[2] / "models" / "demo_coupe" / "demo_coupe.toml"
MOVES, EDITS = 40, 12


def main() -> None:
    seconds = 3600 if "--hour" in sys.argv else 40
    with tempfile.TemporaryDirectory() as name, sync_playwright() as play:
        browser = play.chromium.launch(executable_path=shutil.which("chromium"), args=[*BROWSER])
        start = time.perf_counter()
        with running(Path(name), "view", str(DEMO), "--variant", "planned") as server:
            print(f"link printed after {time.perf_counter() - start:.1f} s")
            tab = Tab(browser, server.url)
            print(f"page shows the car after {time.perf_counter() - start:.1f} s (browser running)")
            tab.wait("() => live.state.gaps && live.state.gaps.kind === 'certified'")
            tab.wait("() => live.state.posed")
            _moves(tab)
            _edits(tab)
            _burst(tab)
            _memory(tab, server.process.pid, seconds)
            tab.close()
        browser.close()


def _moves(tab: Tab) -> None:
    out = []
    for k in range(MOVES):
        out.append(
            tab.run(
                """v => new Promise(done => {
                const r = document.getElementById('rack'), start = performance.now();
                const moves = live.state.moves;
                r.value = v; r.dispatchEvent(new Event('input'));
                const look = () => live.state.moves > moves ? done(performance.now() - start)
                  : setTimeout(look, 0);
                look(); })""",
                -40 + 2 * k,
            )
        )
        tab.tab.wait_for_timeout(60)
    out.sort()
    print(
        f"slider to transforms: median {statistics.median(out):.0f} ms of 50, "
        f"95 of 100 under {out[int(0.95 * len(out))]:.0f} ms of 120"
    )


def _edits(tab: Tab) -> None:
    tab.run("() => document.getElementById('home').click()")
    tab.run("() => live.sheets.show('curves')")
    tab.quiet()
    rows: dict[str, list[float]] = {"alignment": [], "curves": [], "gaps": []}
    for k in range(EDITS):
        words = tab.run(
            """y => new Promise(done => {
            const s = live.state, start = performance.now(), g = s.car.generation;
            live.setPoint('strut_top', [-67.8, y, 830], 'bench');
            const at = {};
            const look = () => {
              const now = performance.now() - start;
              if (!at.alignment && s.pose.generation > g && s.pose.read) at.alignment = now;
              if (!at.curves && s.curves && s.curves.generation > g) at.curves = now;
              if (!at.gaps && s.gaps && s.gaps.stamp > g) at.gaps = now;
              if (at.alignment && at.curves && at.gaps) done(at); else setTimeout(look, 0); };
            look(); })""",
            541 - 0.5 * k,
        )
        for what, value in words.items():
            rows[what].append(value)
        tab.tab.wait_for_timeout(150)
    for what, values in rows.items():
        print(f"dragged point to {what}: median {statistics.median(values):.0f} ms of 250")


def _burst(tab: Tab) -> None:
    before = tab.run("() => live.state.moves")
    start = time.perf_counter()
    tab.run(
        """() => { const r = document.getElementById('rack');
        for (let k = 0; k < 60; k++) { r.value = k / 2; r.dispatchEvent(new Event('input')); } }"""
    )
    tab.wait("() => Math.abs(live.state.pose.rack - 29.5) < 1e-6 && live.wire.pending() === 0")
    answered = tab.run("() => live.state.moves") - before
    print(
        f"60 moves at once: {answered} answered, newest shown after "
        f"{1e3 * (time.perf_counter() - start):.0f} ms"
    )


def _memory(tab: Tab, pid: int, seconds: float) -> None:
    chance, readings = random.Random(7), []
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        for _ in range(10):
            use_at_random(tab, chance)
        readings.append(heap_mb(tab) + resident_mb(pid))
    early = readings[len(readings) // 4]
    print(
        f"memory of page heap and server after {seconds:.0f} s of random use: "
        f"{readings[-1] - early:+.0f} MB since a quarter of it, of 50"
    )


if __name__ == "__main__":
    main()
