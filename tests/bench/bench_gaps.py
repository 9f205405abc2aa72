"""How fast gaps come, side by side with plain trimesh loops in one run; run on request:

    python tests/bench/bench_gaps.py

Compile time is shown apart. The loops are over the pairs of bodies that each ride on one part, and
so is linkview's time beside them; the naive loop builds its tree anew at every pose, the careful
one keeps it. Both ask how far 100 corners of one body's mesh are from the other's, which is less
than a gap: what comes nearest between corners, and overlaps, are not found. Meshes are those of the
pictures; pair by pair the loops run over two poses and are scaled up.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import trimesh

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT)]

from linkview.clearance.bodies import placed, solids_of  # noqa: E402
from linkview.clearance.compiled import compile_all, compiled_before, kernels  # noqa: E402
from linkview.clearance.distance import pair_gap  # noqa: E402
from linkview.clearance.domain import Domain  # noqa: E402
from linkview.clearance.gaps import survey  # noqa: E402
from linkview.geometry import apply, inverse  # noqa: E402
from linkview.kinematics.assemble import build_car  # noqa: E402
from linkview.kinematics.sweep import grid_of, sweep_axle  # noqa: E402
from linkview.limits.readings import limits_of  # noqa: E402
from linkview.model.bodies import MeshFile  # noqa: E402
from linkview.model.read import read_file  # noqa: E402
from linkview.scene.riding import Ride  # noqa: E402
from linkview.scene.shapes import corner_pieces  # noqa: E402
from linkview.study import swept, swept_volume  # noqa: E402

DEMO = ROOT / "models" / "demo_coupe" / "demo_coupe.toml"
LOOPED_POSES = 2


def best(act, tries=3):
    times = []
    for _ in range(tries):
        start = time.perf_counter()
        out = act()
        times.append(time.perf_counter() - start)
    return min(times), out


def meshes_of(corner) -> dict[str, trimesh.Trimesh]:
    """Bodies that ride on one part, as their pictures' meshes, car's frame."""
    out = {}
    for piece in corner_pieces(corner):
        if piece.measured and isinstance(piece.move, Ride):
            points = np.asarray(piece.mesh.points, dtype=float)
            out[piece.name] = trimesh.Trimesh(points, piece.mesh.regular_faces)
    return out


def all_pairs(sweep, found) -> tuple[int, float, float, float]:
    """How many pairs; seconds over all their poses: linkview, naive, careful."""
    corner, solids = sweep.corner, solids_of(sweep.corner.bodies)
    flat = {part: p.reshape(-1, 4, 4) for part, p in sweep.poses.items()}
    flat["body"] = np.broadcast_to(np.eye(4), (sweep.solved.size, 4, 4))
    meshes = meshes_of(corner)
    pairs = [p.pair for p in found.pairs if set(p.pair) <= set(meshes)]
    few = np.flatnonzero(sweep.solved.reshape(-1))[:: sweep.solved.size // LOOPED_POSES]
    own = naive = careful = 0.0
    for a, b in pairs:
        own += best(lambda a=a, b=b: pair_gap(solids[a], solids[b], flat))[0]
        one, other = sorted((meshes[a], meshes[b]), key=lambda mesh: len(mesh.vertices))
        names = (a, b) if one is meshes[a] else (b, a)
        moves = [flat[solids[n].part][few] for n in names]
        across = inverse(moves[1]) @ moves[0]
        points = one.vertices[:: 1 + len(one.vertices) // 100]

        def plain(across=across, points=points, other=other):
            for move in across:
                fresh = trimesh.Trimesh(other.vertices, other.faces, process=False)
                trimesh.proximity.closest_point(fresh, apply(move, points))

        query = trimesh.proximity.ProximityQuery(other)

        def kept(across=across, points=points, query=query):
            for move in across:
                query.on_surface(apply(move, points))

        scale = sweep.solved.size / len(few)
        naive += scale * best(plain, 1)[0]
        careful += scale * best(kept, 1)[0]
    return len(pairs), own, naive, careful


def big_scan_s(folder: Path) -> tuple[int, float]:
    """Triangles of a scan-like surface, and seconds to read its file and build its tree."""
    path, surface = folder / "scan.stl", trimesh.creation.uv_sphere(400.0, count=[225, 225])
    wavy = surface.vertices + 5.0 * np.sin(surface.vertices[:, [1, 2, 0]] / 20.0)
    trimesh.Trimesh(wavy, surface.faces, process=False).export(path)
    body = MeshFile("scan", "body", path, 1.0, np.eye(4))
    return len(surface.faces), best(lambda: placed(body).tree)[0]


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
        count, own, naive, careful = all_pairs(sweep.left, found)
        ratios = f"naive loop {naive / own:.0f} times that, careful {careful / own:.0f}"
        print(f"  {count} of them {1000.0 * own:.0f} ms; trimesh: {ratios}")

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
    with TemporaryDirectory() as folder:
        count, taken = big_scan_s(Path(folder))
    print(f"a scan of {count} triangles read and its tree built: {taken:.2f} s")
    for name in car.axles:
        taken, made = best(lambda n=name: swept_volume(car, n, "tyre", 0.0, lambda *_: None), 1)
        print(f"{name} tyre's swept envelope, {made.field.size} places: {taken:.2f} s")


if __name__ == "__main__":
    main()
