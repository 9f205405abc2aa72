"""The film's story: which rack position and travel each frame shows, and the exact poses there.

Nothing is interpolated between solved poses: every frame's pose is solved at its own inputs.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from linkview.alignment.wheel import steer_rad
from linkview.geometry import Array
from linkview.kinematics.sweep import CornerSweep, sweep_corner
from linkview.model.parts import Axle, Corner, Side
from linkview.scene.riding import Poses
from linkview.scene.stage import AxlePose, corner_poses

FRAMES_PER_S = 20
_PROBED = 121  # poses along each input to find how far it goes


@dataclass(frozen=True, eq=False)
class Path:
    """What n frames show: rack (n,), travel (n,) of each side, mm."""

    rack_mm: Array
    travel_mm: dict[Side, Array]

    def __len__(self) -> int:
        return len(self.rack_mm)


@dataclass(frozen=True)
class Reach:
    """How far an input goes on both corners, mm; why says what ends it short of what was asked."""

    low: float
    high: float
    why: str = ""


@dataclass(frozen=True, eq=False)
class Story:
    """A film's frames in order. A pose is None where a corner is out of reach."""

    path: Path
    poses: tuple[AxlePose | None, ...]
    rack: Reach
    travel: Reach

    @property
    def left_out(self) -> int:
        """Frames that cannot be shown because a corner is out of reach there."""
        return sum(pose is None for pose in self.poses)

    @property
    def notes(self) -> tuple[str, ...]:
        """What the film does not show, in words."""
        out = [reach.why for reach in (self.rack, self.travel) if reach.why]
        if self.left_out:
            frames = "frame" if self.left_out == 1 else "frames"
            out.append(f"{self.left_out} {frames} left out: a corner is out of reach there")
        return tuple(out)


def story_of(axle: Axle) -> Story:
    """Left lock, right lock, centre; bump, droop, ride height; then both at once (or roll)."""
    rack, travel = rack_reach(axle), travel_reach(axle)
    parts = list(_scenes(axle, rack, travel))
    path = _chained(parts)
    return Story(
        path, tuple(pose for part in parts for pose in poses_along(axle, part)), rack, travel
    )


def rack_reach(axle: Axle) -> Reach:
    """From stop to stop at ride height, or less where a corner goes no further."""
    if axle.left.rack is None:
        return Reach(0.0, 0.0)
    stop = axle.left.rack.stop_mm
    asked = np.linspace(-stop, stop, _PROBED)
    sweeps = [sweep_corner(c, asked, np.zeros(1), axle.hold) for c in axle.corners]
    return _reach(asked, sweeps, "rack")


def travel_reach(axle: Axle) -> Reach:
    """From droop to bump, rack centred, or less where a corner goes no further."""
    droop, bump = axle.left.travel.droop_mm, axle.left.travel.bump_mm
    asked = np.linspace(droop, bump, _PROBED)
    sweeps = [sweep_corner(c, np.zeros(1), asked, axle.hold) for c in axle.corners]
    return _reach(asked, sweeps, "travel")


def _reach(asked: Array, sweeps: Sequence[CornerSweep], what: str) -> Reach:
    solved = np.logical_and.reduce([sweep.solved.ravel() for sweep in sweeps])
    start = int(np.argmin(np.abs(asked)))
    low = high = start
    while low > 0 and solved[low - 1]:
        low -= 1
    while high < len(asked) - 1 and solved[high + 1]:
        high += 1
    if low == 0 and high == len(asked) - 1:
        return Reach(float(asked[0]), float(asked[-1]))
    reasons = {words for sweep in sweeps for words in sweep.reasons.values()}
    shown = f"{what} shown from {asked[low]:+.1f} to {asked[high]:+.1f} mm"
    return Reach(float(asked[low]), float(asked[high]), f"{shown}: {sorted(reasons)[0]}")


def _scenes(axle: Axle, rack: Reach, travel: Reach) -> Iterator[Path]:
    bump, droop = travel.high, travel.low
    if rack.high > rack.low:
        left, right = (rack.low, rack.high) if _left_is_low(axle) else (rack.high, rack.low)
        yield _glide(
            [(0.0, 0.0), (0.2, 0.0), (0.75, left), (1.25, right), (0.75, 0.0)], [(0.0, 0.0)]
        )
        yield _glide([(0.0, 0.0)], [(0.0, 0.0), (0.5, bump), (0.9, droop), (0.5, 0.0)])
        some = 0.55 * left
        yield _glide(
            [(0.0, 0.0), (0.45, some), (0.8, some), (0.45, 0.0)],
            [(0.0, 0.0), (0.45, 0.7 * bump), (0.8, 0.7 * droop), (0.45, 0.0)],
        )
        return
    yield _glide([(0.0, 0.0)], [(0.0, 0.0), (0.2, 0.0), (0.8, bump), (1.4, droop), (0.8, 0.0)])
    roll = 0.7 * min(bump, -droop)
    one = [(0.0, 0.0), (0.75, roll), (1.3, -roll), (0.75, 0.0)]
    yield _glide([(0.0, 0.0)], one, [(s, -v) for s, v in one])


def _left_is_low(axle: Axle) -> bool:
    """Whether the rack's negative end steers the wheels to the left."""
    assert axle.left.rack is not None
    small = 0.02 * axle.left.rack.stop_mm
    sweep = sweep_corner(axle.left, np.array([-small, small]), np.zeros(1), axle.hold)
    steer = steer_rad(sweep.spin_axis)[:, 0]
    return bool(steer[0] > steer[1])


Keys = list[tuple[float, float]]  # seconds after the key before, value there


def _glide(rack: Keys, left: Keys, right: Keys | None = None) -> Path:
    """Frames between keys, starting and stopping softly at each."""
    seconds = max(sum(s for s, _ in keys) for keys in (rack, left))
    at = np.arange(1, round(seconds * FRAMES_PER_S) + 1) / FRAMES_PER_S
    travel = _eased(left, at)
    other = travel if right is None else _eased(right, at)
    return Path(_eased(rack, at), {Side.LEFT: travel, Side.RIGHT: other})


def _eased(keys: Keys, at: Array) -> Array:
    out = np.full(len(at), keys[0][1])
    when = 0.0
    for (_, before), (lasts, after) in pairwise(keys):
        s = np.clip(np.round((at - when) / lasts, 9), 0.0, 1.0)  # so that the last frame arrives
        soft = s * s * s * (s * (6.0 * s - 15.0) + 10.0)
        out = np.where(at > when, (1.0 - soft) * before + soft * after, out)
        when += lasts
    return out


def _chained(parts: Sequence[Path]) -> Path:
    return Path(
        np.concatenate([p.rack_mm for p in parts]),
        {side: np.concatenate([p.travel_mm[side] for p in parts]) for side in Side},
    )


def poses_along(axle: Axle, path: Path) -> tuple[AxlePose | None, ...]:
    """The solved pose of every frame; None where either corner is out of reach."""
    sides = {
        c.side: _corner_along(axle, c, path.rack_mm, path.travel_mm[c.side]) for c in axle.corners
    }
    out: list[AxlePose | None] = []
    for k in range(len(path)):
        corners = {side: poses[k] for side, poses in sides.items()}
        here = {side: poses for side, poses in corners.items() if poses is not None}
        travel = {side: float(path.travel_mm[side][k]) for side in Side}
        whole = len(here) == len(corners)
        out.append(AxlePose(here, float(path.rack_mm[k]), travel) if whole else None)
    return tuple(out)


def _corner_along(axle: Axle, corner: Corner, rack: Array, travel: Array) -> list[Poses | None]:
    """One grid over the values the frames use, and of it the frames' own poses."""
    racks, i = np.unique(rack, return_inverse=True)
    travels, j = np.unique(travel, return_inverse=True)
    sweep = sweep_corner(corner, racks, travels, axle.hold)
    return [
        corner_poses(sweep, int(a), int(b)) if sweep.solved[a, b] else None
        for a, b in zip(i, j, strict=True)
    ]
