"""The kinematic core's figures, as ratios in one run; run on request:

    python tests/bench/bench_core.py [--poses 1000000]

Process time of one core (BLAS kept to one thread), so that what else the machine does counts
little.
Nothing here passes or fails; figures that are quoted come from a quiet machine.
"""

from __future__ import annotations

import argparse
import os
import resource
import sys
import time
from dataclasses import replace
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests"), str(ROOT / "tests" / "bench")]

from bench_positions import ScipyLoop  # noqa: E402
from conftest import front_corner, rear_corner  # noqa: E402
from shipped import axle_of_model, car_of  # noqa: E402

from linkview.alignment.assumed import assumed_for  # noqa: E402
from linkview.alignment.corner import align_corner  # noqa: E402
from linkview.alignment.sensitivity import corner_sensitivity  # noqa: E402
from linkview.geometry import frozen  # noqa: E402
from linkview.kinematics.sensitivity import Sizes, coordinates_of  # noqa: E402
from linkview.kinematics.stream import reduced_on_cores, sweep_in_parts  # noqa: E402
from linkview.kinematics.sweep import CornerSweep, pose_at, sweep_axle, sweep_corner  # noqa: E402
from linkview.model.parts import Corner, Hold, Side  # noqa: E402


def grid(corner: Corner, poses: int) -> tuple[np.ndarray, np.ndarray]:
    """As square as can be; an unsteered corner has one rack position."""
    if corner.rack is None:
        return np.zeros(1), np.linspace(-60.0, 55.0, poses)
    side = round(poses**0.5)
    return np.linspace(-60.0, 60.0, side), np.linspace(-60.0, 55.0, side)


def seconds(work) -> float:
    start = time.process_time()
    work()
    return time.process_time() - start


def a_pose(corner: Corner, poses: int) -> float:
    """Microseconds of one core a pose, all parts, misfits and twists, streamed."""
    rack, travel = grid(corner, poses)

    def work() -> None:
        for part in sweep_in_parts(corner, rack, travel, Hold.WHEEL_HEIGHT):
            assert part.solved.all()

    return 1e6 * seconds(work) / (len(rack) * len(travel))


def closed_form(corner: Corner, poses: int) -> float:
    """The strut's wheel centre by one unknown: what a hand-made formula costs.

    Lower ball joint on its circle about the arm's pivots by the arm's angle, the strut's line
    through the top, the tie rod's angle about the steering axis; the arm's angle by secants until
    the wheel's height is met. Vectorised; the knuckle's pose alone.
    """
    p = corner.points
    rack, travel = (x.ravel() for x in np.meshgrid(*grid(corner, poses)))
    pivot, hinge = p["lower_arm_rear_pivot"], p["lower_arm_front_pivot"] - p["lower_arm_rear_pivot"]
    hinge = hinge / np.linalg.norm(hinge)
    arm = p["lower_ball_joint"] - pivot
    along, across = (arm @ hinge) * hinge, arm - (arm @ hinge) * hinge
    third = np.cross(hinge, across)
    top, ball = p["strut_top"], p["lower_ball_joint"]
    # The knuckle's frame: from the ball joint to the top, which the strut's line passes at a fixed
    # distance and angle; here both lie on the axis through the ball joint and the top.
    axis0 = (top - ball) / np.linalg.norm(top - ball)
    foot = p["strut_lower"] - ball
    line = (top - p["strut_lower"]) / np.linalg.norm(top - p["strut_lower"])

    def knuckle(turn):
        """Where the ball is, and how far the axis to the top has stretched and swung."""
        at = pivot + along + np.cos(turn)[:, None] * across + np.sin(turn)[:, None] * third
        reach = np.linalg.norm(top - at, axis=1)
        # The strut's line keeps its place in the knuckle: the top slides along it.
        b = foot @ line
        slid = -b + np.sqrt(np.maximum(b * b - foot @ foot + reach**2, 0.0))
        local = foot + slid[:, None] * line
        return at, local

    def place(turn, point):
        at, local = knuckle(turn)
        u = local / np.linalg.norm(local, axis=1)[:, None]
        v = top - at
        v = v / np.linalg.norm(v, axis=1)[:, None]
        swing = np.cross(u, v)
        c = (u * v).sum(axis=1)[:, None]

        def turned(w):
            return (
                w * c
                + np.cross(swing, w)
                + swing * ((swing * w).sum(axis=1) / (1.0 + c[:, 0]))[:, None]
            )

        outer = turned(np.broadcast_to(p["tie_rod_outer"] - ball, at.shape))
        inner = p["tie_rod_inner"] + rack[:, None] * corner.rack.axis - at
        want = np.linalg.norm(p["tie_rod_outer"] - p["tie_rod_inner"])
        ov, iv = (outer * v).sum(axis=1), (inner * v).sum(axis=1)
        op, ip = outer - ov[:, None] * v, inner - iv[:, None] * v
        need = ((op**2).sum(axis=1) + (ip**2).sum(axis=1) + (ov - iv) ** 2 - want**2) / 2.0
        size = np.sqrt((op**2).sum(axis=1) * (ip**2).sum(axis=1))
        between = np.arctan2((np.cross(op, ip) * v).sum(axis=1), (op * ip).sum(axis=1))
        spin = between - sense * np.arccos(np.clip(need / size, -1.0, 1.0))
        w = turned(np.broadcast_to(point - ball, at.shape))
        cs, sn = np.cos(spin)[:, None], np.sin(spin)[:, None]
        return at + w * cs + np.cross(v, w) * sn + v * ((w * v).sum(axis=1)[:, None]) * (1 - cs)

    zero = np.zeros(1)
    asked, rack = rack, zero
    misses = []
    for way in (1.0, -1.0):
        sense = way
        misses.append(np.abs(place(zero, p["wheel_centre"]) - p["wheel_centre"]).max())
    rack, sense = asked, (1.0, -1.0)[int(np.argmin(misses))]
    assert axis0[2] > 0

    def work() -> np.ndarray:
        centre = p["wheel_centre"]
        a, b = np.zeros(len(rack)), np.full(len(rack), 1e-3)
        fa = place(a, centre)[:, 2] - centre[2] - travel
        for _ in range(8):
            fb = place(b, centre)[:, 2] - centre[2] - travel
            move = np.where(fb == fa, 0.0, fb * (b - a) / np.where(fb == fa, 1.0, fb - fa))
            a, fa, b = b, fb, b - move
            if np.abs(move).max() < 1e-13:
                break
        return place(b, centre)

    out: list[np.ndarray] = []
    took = 1e6 * seconds(lambda: out.append(work())) / len(rack)
    few = slice(None, None, max(1, len(rack) // 7))
    for r, t, c in zip(rack[few], travel[few], out[0][few], strict=True):
        ours = pose_at(corner, float(r), float(t), Hold.WHEEL_HEIGHT).wheel_centre[0, 0]
        assert np.abs(ours - c).max() < 1e-8
    return took


def scipy_loop(corner: Corner) -> float:
    """Microseconds of one core a pose of the best loop that SciPy gave (see bench_positions.py)."""
    loop = ScipyLoop(corner)
    rack, travel = np.linspace(-60.0, 60.0, 21), np.linspace(-60.0, 55.0, 41)
    return 1e6 * seconds(lambda: loop.run(rack, travel)) / (len(rack) * len(travel))


def sensitivity_ratio() -> tuple[float, float, int, int]:
    """Milliseconds of the exact slopes and of central differences on the same core."""
    car = car_of("double_wishbone")
    front = car.axles["front"]
    corner, assumed = front.left, assumed_for(front, car)
    coordinates = coordinates_of(corner, Sizes.FOLLOW)[:30]
    corner_sensitivity(corner, assumed, 20.0, 15.0, coordinates, Sizes.FOLLOW)

    def exact() -> None:
        for _ in range(10):
            corner_sensitivity(corner, assumed, 20.0, 15.0, coordinates, Sizes.FOLLOW)

    def differenced() -> None:
        for c in coordinates:
            for by in (1e-3, -1e-3):
                at = corner.points[c.point].copy()
                at[c.axis] += by
                one = corner.measured_at({**corner.points, c.point: frozen(at)})
                align_corner(pose_at(one, 20.0, 15.0, Hold.WHEEL_HEIGHT), assumed)

    values, _ = corner_sensitivity(corner, assumed, 20.0, 15.0, coordinates, Sizes.FOLLOW)
    return 100.0 * seconds(exact), 1e3 * seconds(differenced), len(values), len(coordinates)


def highest(part: CornerSweep) -> float:
    """Something small of a part, for the run on two cores."""
    return float(part.wheel_centre[..., 2].max())


def on_cores(corner: Corner, poses: int, workers: int) -> tuple[float, float]:
    """Seconds by the clock, and of processor time over all the processes."""
    rack, travel = grid(corner, poses)
    start, used = time.perf_counter(), of_children()
    list(reduced_on_cores(corner, rack, travel, Hold.WHEEL_HEIGHT, highest, workers=workers))
    return time.perf_counter() - start, of_children() - used


def of_children() -> float:
    spent = resource.getrusage(resource.RUSAGE_CHILDREN)
    return spent.ru_utime + spent.ru_stime


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--poses", type=int, default=1_000_000)
    poses = parser.parse_args().poses
    one_part = {
        "strut": front_corner(),
        "strut, two lower links": axle_of_model("twin_link_strut").left,
        "five-link": rear_corner(),
        "semi-trailing arm": axle_of_model("semi_trailing_arm").left,
        "trailing arm": axle_of_model("trailing_arm").left,
        "solid axle on four links": axle_of_model("four_link_axle").left,
        "on three and a lateral rod": axle_of_model("three_link_axle").left,
    }
    several = {
        "double wishbone (2 parts)": axle_of_model("double_wishbone").left,
        "push-rod (3 parts)": axle_of_model("push_rod").left,
        "steering box (5 parts)": axle_of_model("steering_box").left,
    }
    sweep_corner(front_corner(), np.linspace(-9, 9, 9), np.linspace(-9, 9, 9), Hold.WHEEL_HEIGHT)
    print(f"{poses} poses, one core, us a pose (all parts, misfits, twists):")
    for name, corner in one_part.items():
        print(f"  {name:28} {a_pose(corner, poses):6.2f}")
    print(f"{poses // 10} poses of several solved parts:")
    for name, corner in several.items():
        print(f"  {name:28} {a_pose(corner, poses // 10):6.2f}")
    print(f"strut by hand, wheel centre alone: {closed_form(front_corner(), poses // 4):.2f} us")
    print(f"strut by SciPy, pose after pose with slopes: {scipy_loop(front_corner()):.0f} us")
    few, many = (a_pose(front_corner(), n) for n in (poses // 10, poses))
    print(f"a tenth of the poses: {few:.2f} us each, all of them: {many:.2f} us each")

    rack, travel = grid(front_corner(), poses // 10)
    axle = replace(
        axle_of_model("double_wishbone"),
        left=front_corner(),
        right=front_corner(Side.RIGHT),
        hold=Hold.WHEEL_HEIGHT,
    )
    corner_s = min(
        seconds(lambda: sweep_corner(axle.left, rack, travel, axle.hold)) for _ in range(3)
    )
    axle_s = min(seconds(lambda: sweep_axle(axle, rack, travel)) for _ in range(3))
    print(f"axle against one corner: {axle_s / corner_s:.2f} times")

    exact, differenced, readings, coordinates = sensitivity_ratio()
    print(
        f"{readings} readings by {coordinates} coordinates: {exact:.1f} ms, central differences "
        f"{differenced:.1f} ms, {differenced / exact:.1f} times longer"
    )
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
    print(f"peak memory of all of this, {poses} poses streamed: {peak:.2f} GB")
    one, two = (on_cores(front_corner(), poses // 2, n) for n in (1, 2))
    print(
        f"{poses // 2} poses: one process {one[0]:.1f} s, two {two[0]:.1f} s, "
        f"{one[0] / two[0]:.2f} times as fast by the clock; with both cores free it would be "
        f"{2.0 * one[1] / two[1]:.2f} times, from processor time"
    )


if __name__ == "__main__":
    main()
