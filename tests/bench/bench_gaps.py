"""How fast gaps come, side by side with plain trimesh loops in one run; run on request:

    python tests/bench/bench_gaps.py

Compile time is shown apart. The loops are over one pair, tyre and wheel well, and so is linkview's
time beside them; the naive loop builds its tree anew at every pose, the careful one keeps it. Both
ask for the nearest surface of the 256 corners of a plain ring only, which is less than a gap.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import numpy as np
import trimesh

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT)]

from linkview.clearance.bodies import solids_of  # noqa: E402
from linkview.clearance.compiled import compile_all, compiled_before, kernels  # noqa: E402
from linkview.clearance.distance import pair_gap  # noqa: E402
from linkview.clearance.domain import Domain  # noqa: E402
from linkview.clearance.gaps import survey  # noqa: E402
from linkview.geometry import apply  # noqa: E402
from linkview.kinematics.assemble import build_car  # noqa: E402
from linkview.kinematics.sweep import grid_of, sweep_axle  # noqa: E402
from linkview.limits.readings import limits_of  # noqa: E402
from linkview.model.read import read_file  # noqa: E402
from linkview.study import swept  # noqa: E402

DEMO = ROOT / "models" / "demo_coupe" / "demo_coupe.toml"
LOOPED_POSES = 12


def best(act, tries=3):
    times = []
    for _ in range(tries):
        start = time.perf_counter()
        out = act()
        times.append(time.perf_counter() - start)
    return min(times), out


def one_pair(axle, sweep) -> tuple[float, float, float]:
    """Seconds over all poses: linkview, naive, careful; the loops scaled from a few poses."""
    corner, solids = sweep.left, solids_of(axle.left.bodies)
    well, tyre = solids["wheel_well"], solids["tyre"]
    flat = {part: p.reshape(-1, 4, 4) for part, p in corner.poses.items()}
    own, _ = best(lambda: pair_gap(tyre, well, flat))
    wheel = trimesh.creation.annulus(205.0, 317.0, 224.0, sections=64)
    points = np.array(wheel.vertices)
    mesh = trimesh.Trimesh(
        well.triangles.reshape(-1, 3), np.arange(3 * len(well.triangles)).reshape(-1, 3)
    )
    poses = corner.poses["wheel"].reshape(-1, 4, 4)[:LOOPED_POSES]

    def naive():
        for pose in poses:
            fresh = trimesh.Trimesh(mesh.vertices, mesh.faces, process=False)
            trimesh.proximity.closest_point(fresh, apply(pose, points))

    query = trimesh.proximity.ProximityQuery(mesh)

    def careful():
        for pose in poses:
            query.on_surface(apply(pose, points))

    scale = corner.solved.size / LOOPED_POSES
    return own, best(naive)[0] * scale, best(careful)[0] * scale


def main() -> None:
    before, start = compiled_before(), time.perf_counter()
    compile_all()
    word = "loaded from the cache" if before else "compiled"
    print(f"kernels {word} in {time.perf_counter() - start:.1f} s")
    assert all(len(kernel.signatures) == 1 for kernel in kernels().KERNELS)
    car = build_car(read_file(DEMO), "planned")
    certified = 0.0
    for name, axle in car.axles.items():
        sweep = swept(axle)
        settings = {"wanted": axle.wanted_gaps, "left_out": axle.left_out}
        plain, found = best(lambda s=sweep, k=settings: survey(s.left.corner, s.left.poses, **k))
        print(f"{name}: {len(found.pairs)} pairs x {sweep.left.solved.size} poses: {plain:.2f} s")
        if name == "front":
            own, naive, careful = one_pair(axle, sweep)
            ratios = f"naive loop {naive / own:.0f} times that, careful {careful / own:.0f}"
            print(f"  tyre to wheel well alone {1000.0 * own:.0f} ms; trimesh: {ratios}")

        def with_domain(s=sweep, a=axle, k=settings):
            domain = Domain(s.left, limits_of(a.left, a, car))
            return survey(s.left.corner, s.left.poses, domain=domain, **k)

        sure, _ = best(with_domain)
        certified += sure - plain
        print(f"  certified besides: {sure - plain:.2f} s")

        def again(a=axle, k=settings):
            s = sweep_axle(a, *grid_of(a, rack_count=21, travel_count=11)).left
            return survey(s.corner, s.poses, **k)

        print(f"  moved and measured again on 21 x 11: {1000.0 * best(again, 5)[0]:.0f} ms")
    print(f"certified answers for all pairs of both axles: {certified:.2f} s")


if __name__ == "__main__":
    main()
