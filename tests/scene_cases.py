"""The demo car's axles as the pictures show them."""

from __future__ import annotations

from functools import cache
from pathlib import Path

from linkview.kinematics.assemble import build_car
from linkview.model.parts import Axle, Car, Side
from linkview.model.platespec import CutPlate
from linkview.model.read import read_file
from linkview.plates.brackets import draw_plates
from linkview.plates.plate import Plate

DEMO = Path(__file__).parent.parent / "models" / "demo_coupe" / "demo_coupe.toml"


@cache
def demo(variant: str) -> Car:
    return build_car(read_file(DEMO), variant)


def axle(name: str, variant: str = "planned") -> Axle:
    return demo(variant).axles[name]


def plates_of(axle: Axle) -> dict[Side, list[Plate]]:
    """Every plate of the file, drawn for both sides."""
    specs = {n: s for n, s in axle.plates.items() if isinstance(s, CutPlate)}
    return {
        c.side: [p for n, s in specs.items() for p in draw_plates(n, s, c)] for c in axle.corners
    }
