"""The shipped models, read once, as the tests' common ground."""

from __future__ import annotations

from functools import cache
from pathlib import Path

from linkview.kinematics.assemble import build_car
from linkview.model.parts import Axle, Car
from linkview.model.read import read_file

MODELS = Path(__file__).parents[1] / "models"
NAMES = tuple(sorted(p.name for p in MODELS.iterdir() if p.is_dir()))


@cache
def car_of(name: str) -> Car:
    """A shipped model as found."""
    return build_car(read_file(MODELS / name / f"{name}.toml"))


def axle_of_model(name: str) -> Axle:
    """The only axle of a shipped layout model."""
    (axle,) = car_of(name).axles.values()
    return axle
