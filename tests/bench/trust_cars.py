"""Many cars through 861 poses with all alignment, on every core: `python tests/bench/trust_cars.py
[CARS]`. Says seconds, processor seconds and microseconds a corner pose; figures are not asserted.
"""

from __future__ import annotations

import os
import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))

from linkview.kinematics.assemble import build_car
from linkview.model.read import read_file
from linkview.tuning.bands import doubts
from linkview.tuning.run import all_cores
from linkview.tuning.trust import every_pose

DEMO = Path(__file__).parents[2] / "models" / "demo_coupe" / "demo_coupe.toml"


def main(cars: int) -> None:
    car = build_car(read_file(DEMO), "planned")
    axle = car.axles["front"]
    sigma = doubts(axle, {p: np.full(3, 1.0) for p in axle.left.points}, 0.0)
    begin = time.perf_counter()
    with all_cores() as pool:
        _, _, spread = every_pose(axle, car, sigma, count=cars, counts=(21, 41), executor=pool)
        took = time.perf_counter() - begin
    used = os.times()  # the pool has ended, so its processor time is counted
    poses = 2 * 861 * cars
    cpu = used.children_user + used.children_system
    print(
        f"{cars} front axles, {poses:,} corner poses, {len(spread.nominal)} readings: "
        f"{took:.1f} s, {cpu:.1f} processor s, "
        f"{cpu / poses * 1e6:.1f} us of processor a corner pose"
    )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 10_000)
