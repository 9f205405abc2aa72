"""Two minutes of random use of the live page leave its memory flat; the bench does an hour."""

from __future__ import annotations

import random
import shutil
import time
from pathlib import Path
from typing import Any

from tests.live_cases import Tab, heap_mb, resident_mb, running, use_at_random
from tests.scene_cases import DEMO

SECONDS = 120.0
ALLOWED_MB = 50.0


def test_two_minutes_of_random_use_leave_memory_flat(browser: Any, tmp_path: Path) -> None:
    folder = tmp_path / "demo"
    shutil.copytree(DEMO.parent, folder)
    chance, readings = random.Random(7), []
    with running(tmp_path / "home", "view", str(folder / DEMO.name)) as server:
        tab = Tab(browser, server.url)
        tab.wait("() => live.state.gaps && live.state.gaps.kind === 'certified'")
        end = time.monotonic() + SECONDS
        while time.monotonic() < end:
            for _ in range(10):
                use_at_random(tab, chance)
            readings.append(heap_mb(tab) + resident_mb(server.process.pid))
        complaints = [s for s in tab.said if "GPU stall" not in s]
        tab.close()
    third = len(readings) // 3
    early, late = min(readings[:third] or readings), min(readings[-third:] or readings)
    assert late - early < ALLOWED_MB, f"{late - early:+.0f} MB, readings {readings}"
    assert not complaints
