"""The worked hard-point files that come with linkview."""

from __future__ import annotations

from pathlib import Path

from linkview.errors import LinkviewError

DEMO = "demo_coupe"


def shipped_folder() -> Path:
    """Their folder: beside the package in a clone, inside it when installed elsewhere."""
    package = Path(__file__).parents[1]
    for folder in (package.parent / "models", package / "models"):
        if (folder / DEMO / f"{DEMO}.toml").is_file():
            return folder
    raise LinkviewError("the demo car is missing from this installation; install from the clone")


def shipped_file(name: str) -> Path:
    """One of them by the name of its folder."""
    return shipped_folder() / name / f"{name}.toml"
