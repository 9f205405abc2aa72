"""The offline page in software-rendered Chromium, network off: size, loading, slider to draw call.

    python tests/bench/bench_page.py           # on a quiet machine; needs chromium and playwright

Prints what was measured beside what the project asks for; asserts nothing.
    size                                under 6 MB
    loaded and drawn                    under 4 s
    slider event to the draw call done  under 50 ms
"""

from __future__ import annotations

import shutil
import statistics
import sys
import tempfile
import time
from pathlib import Path

from playwright.sync_api import sync_playwright

from linkview.export.identity import identify
from linkview.export.page import write_page
from linkview.kinematics.assemble import build_car
from linkview.model.read import read_file
from linkview.plates.profiles import named_profile
from linkview.study import study_car

sys.path.insert(0, str(Path(__file__).parents[2]))
from tests.published_checkers import BROWSER

DEMO = Path(__file__).parents[2] / "models" / "demo_coupe" / "demo_coupe.toml"
LOADS, MOVES = 3, 20


def main() -> None:
    file = read_file(DEMO)
    car, found = build_car(file, "planned"), build_car(file)
    study = study_car(car, named_profile("water_jet"), lambda what, done, count: None)
    with tempfile.TemporaryDirectory() as name, sync_playwright() as play:
        start = time.perf_counter()
        page = write_page(Path(name) / "page.html", study, found, identify(file, car))
        print(
            f"written in {time.perf_counter() - start:.1f} s, {page.size / 1e6:.2f} MB of 6 asked"
        )
        for axle, grid in page.grids.items():
            print(f"{axle}: {grid.words}")
        browser = play.chromium.launch(executable_path=shutil.which("chromium"), args=[*BROWSER])
        for wide, high in ((1280, 800), (390, 844)):
            loads = [_load(browser, page.path, wide, high) for _ in range(LOADS)]
            print(f"{wide} x {high}: loaded and drawn {_words(loads)} s of 4 asked")
        for words, rest_ms in (
            ("while the finer frame at rest is drawn", 400),
            ("one move at a time", 1000),
            ("moves as fast as they go", 0),
        ):
            moves = _moves(browser, page.path, rest_ms)
            print(f"slider event to draw call done, {words}: {_words(moves)} ms of 50 asked")
        browser.close()


def _words(values: list[float]) -> str:
    return f"{statistics.median(values):.2f} (worst {max(values):.2f})"


def _open(browser, path: Path, wide: int, high: int):
    context = browser.new_context(viewport={"width": wide, "height": high}, offline=True)
    tab = context.new_page()
    tab.goto(path.as_uri())
    tab.wait_for_selector("html[data-ready=yes]")
    tab.evaluate("() => new Promise(r => requestAnimationFrame(() => requestAnimationFrame(r)))")
    return context, tab


def _load(browser, path: Path, wide: int, high: int) -> float:
    start = time.perf_counter()
    context, _ = _open(browser, path, wide, high)
    seconds = time.perf_counter() - start
    context.close()
    return seconds


def _moves(browser, path: Path, rest_ms: int) -> list[float]:
    """Milliseconds from the slider's own event to the return of the draw call.

    Without a rest an event waits for the software renderer to finish the frame before it.
    """
    context, tab = _open(browser, path, 1280, 800)
    tab.focus("#rack")
    out = []
    for k in range(MOVES):
        tab.evaluate("() => { linkview.state.drawnAfterMs = null; }")
        tab.wait_for_timeout(rest_ms)
        tab.keyboard.press("PageUp" if k % 2 else "ArrowLeft")
        tab.wait_for_function("() => linkview.state.drawnAfterMs !== null")
        out.append(tab.evaluate("() => linkview.state.drawnAfterMs"))
    context.close()
    return out


if __name__ == "__main__":
    main()
