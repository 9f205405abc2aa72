"""How long setting up takes once everything is loaded: `python tests/bench/setting_up.py`.

Processor seconds of one axle's solve with its order, verified by the linkage; nothing is asserted.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from linkview.kinematics.assemble import build_car
from linkview.model.read import read_file
from linkview.tuning.setting import set_up, wanted_of

MODEL = Path(__file__).parents[2] / "models" / "demo_coupe" / "setting_up.toml"


def main() -> None:
    car = build_car(read_file(MODEL))
    for name, axle in car.axles.items():
        for more in ({}, {"camber": -7.0}):
            wanted = wanted_of(axle.wanted, more)
            set_up(axle, car, wanted)
            begin = time.process_time()
            found = set_up(axle, car, wanted)
            took = time.process_time() - begin
            print(f"{name}: {took:.3f} s, {len(found.steps)} steps, {len(found.misses)} not met")


if __name__ == "__main__":
    main()
