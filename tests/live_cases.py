"""The live page's server as a process of its own, and a tab in a real browser."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[1]


class Running:
    """A started `linkview view`. url: where its page is."""

    def __init__(self, home: Path, *args: str) -> None:
        env = {**os.environ, "PYTHONPATH": str(ROOT), "LINKVIEW_HOME": str(home)}
        command = [sys.executable, "-m", "linkview", *args, "--no-browser"]
        self.process = subprocess.Popen(
            command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True, env=env
        )
        assert self.process.stdout is not None
        words = self.process.stdout.readline().split()
        assert words, "the server did not start"
        self.url = words[-1]
        self.look = ""

    def kill(self) -> None:
        """As a crash does."""
        self.process.kill()
        self.process.wait(10)

    def stop(self) -> None:
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGTERM)
            try:
                self.process.wait(10)
            except subprocess.TimeoutExpired:
                self.process.kill()
                self.process.wait(10)
        assert self.process.stdout is not None
        self.process.stdout.close()


@contextmanager
def running(home: Path, *args: str) -> Iterator[Running]:
    server = Running(home, *args)
    try:
        yield server
    finally:
        server.stop()


class Tab:
    """A page opened, with everything it complained of and asked for."""

    def __init__(self, browser: Any, url: str, wide: int = 1280, high: int = 800, **how: Any):
        self.context = browser.new_context(viewport={"width": wide, "height": high}, **how)
        self.context.set_default_timeout(90_000)
        self.tab = self.context.new_page()
        self.said: list[str] = []
        self.asked: list[str] = []
        self.tab.on("console", lambda m: self.said.append(m.text))
        self.tab.on("pageerror", lambda e: self.said.append(str(e)))
        self.tab.on("request", lambda r: self.asked.append(r.url))
        self.tab.goto(url)
        self.wait("() => document.documentElement.dataset.shapes === 'yes' && live.state.pose")

    def run(self, script: str, given: object = None) -> Any:
        return self.tab.evaluate(script, given)

    def wait(self, script: str, given: object = None) -> None:
        self.tab.wait_for_function(script, arg=given, timeout=90_000)

    def quiet(self) -> None:
        """Until nothing is on its way."""
        self.wait("() => live.settled()")

    def pose(self, rack: float, travel: float) -> None:
        """Goes there, limits or not, and waits until it is shown."""
        self.run("([r, t]) => live.goTo(r, t)", [rack, travel])
        self.wait(
            "([r, t]) => Math.abs(live.state.pose.rack - r) < 1e-6"
            " && Math.abs(live.state.pose.travel - t) < 1e-6 && live.state.pose.read",
            [rack, travel],
        )

    def close(self) -> None:
        self.context.close()


def use_at_random(tab: Tab, chance: random.Random) -> None:
    tab.run("([r, t]) => live.goTo(r, t)", [chance.uniform(-60, 60), chance.uniform(-50, 50)])
    if chance.random() < 0.3:
        y = 541 + chance.uniform(-8, 8)
        tab.run("y => live.setPoint('strut_top', [-67.8, y, 830], 'use')", y)
    if chance.random() < 0.2:
        key = chance.choice(["now", "points", "curves", "gaps", "map", "plates"])
        tab.run("k => live.sheets.show(k)", key)
    tab.tab.wait_for_timeout(40)


def heap_mb(tab: Tab) -> float:
    session: Any = tab.context.new_cdp_session(tab.tab)
    session.send("HeapProfiler.collectGarbage")
    used = session.send("Runtime.getHeapUsage")["usedSize"] / 1e6
    session.detach()
    return float(used)


def resident_mb(pid: int) -> float:
    """Of the server and all the processes below it; 0 where the system does not tell."""
    parents, pages = {}, {}
    for place in Path("/proc").glob("[0-9]*"):
        with suppress(OSError):  # gone meanwhile
            parents[int(place.name)] = int(
                (place / "stat").read_text().rsplit(")", 1)[1].split()[1]
            )
            pages[int(place.name)] = int((place / "statm").read_text().split()[1])
    family, more = {pid}, True
    while more:
        below = {one for one, parent in parents.items() if parent in family} - family
        family, more = family | below, bool(below)
    return sum(pages.get(one, 0) for one in family) * 4096 / 1e6
