"""The whole job as a user meets it: times and peak memory of whole processes.

    python tests/bench/bench_run.py            # on a quiet machine; takes a few minutes

Prints what was measured beside what the project asks for; asserts nothing.
    linkview --help                     under 0.5 s
    linkview demo, empty caches         under 60 s, film included
    linkview demo --no-film             under 10 s
    peak memory of any of them          under 1.5 GB
"""

from __future__ import annotations

import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).parents[2]


def once(args: list[str], folder: Path, *, fresh: bool) -> tuple[float, float]:
    """Seconds and peak memory in MB of one process (and its largest child)."""
    env = dict(os.environ)
    if fresh:  # no byte code and no compiled kernels from earlier runs
        env["PYTHONPYCACHEPREFIX"] = str(folder / "pycache")
        env["NUMBA_CACHE_DIR"] = str(folder / "numba")
    start = time.perf_counter()
    job = subprocess.Popen(
        [sys.executable, "-m", "linkview", *args],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        cwd=ROOT,
        env=env,
    )
    _, status, usage = os.wait4(job.pid, 0)
    assert os.waitstatus_to_exitcode(status) == 0, args
    return time.perf_counter() - start, usage.ru_maxrss / 1000.0


def main() -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        out = ["--out", str(folder / "out")]
        cases = [
            ("linkview --help", ["--help"], 5, False, 0.5),
            ("linkview demo, empty caches", ["demo", *out], 1, True, 60.0),
            ("linkview demo", ["demo", *out], 1, False, 60.0),
            ("linkview demo --no-film", ["demo", "--no-film", *out], 3, False, 10.0),
        ]
        for words, args, runs, fresh, asked in cases:
            found = [once(args, folder, fresh=fresh) for _ in range(runs)]
            seconds = statistics.median(s for s, _ in found)
            memory = max(m for _, m in found)
            print(
                f"{words:<30} {seconds:6.2f} s of {asked:g} s asked "
                f"({seconds / asked:4.0%}), peak {memory:5.0f} MB of 1500"
            )
            shutil.rmtree(folder / "out", ignore_errors=True)


if __name__ == "__main__":
    main()
