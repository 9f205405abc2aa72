"""The published checkers that run on node, and a real browser; where one is missing, why."""

from __future__ import annotations

import json
import shutil
import subprocess
from pathlib import Path

WEB = Path(__file__).parent / "web"
BROWSER = ("--no-sandbox", "--use-angle=swiftshader", "--enable-unsafe-swiftshader")


def node_missing(*packages: str) -> str | None:
    """What is missing to run packages of tests/web/package-lock.json on node, or None."""
    if shutil.which("node") is None:
        return "node is not installed"
    gone = [p for p in packages if not (WEB / "node_modules" / p).is_dir()]
    return (
        f"npm ci was not run in tests/web/: node packages {', '.join(gone)} are missing"
        if gone
        else None
    )


def node(script: str, *args: str) -> object:
    """What a script prints as JSON."""
    done = subprocess.run(
        ["node", "--input-type=commonjs", "-e", script, *args],
        cwd=WEB,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


def browser_path() -> str | None:
    """A Chromium of the system's own."""
    return next((p for n in ("chromium", "chromium-browser") if (p := shutil.which(n))), None)
