"""What stops a linkage at the edge of its reach: which joints, and whether the tie rod toggles."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from linkview.kinematics.closure import State
from linkview.kinematics.solve import SCALE_MM, Problem, Target, pose_first

SAME_GRIP = 3.0


@dataclass(frozen=True)
class Block:
    """What stops a pose at the edge of reach.

    joints: those that take part, the strongest first. toggle: the tie rod, then the one joint
    named, lines up with the steering axis.
    """

    joints: tuple[str, ...]
    toggle: bool

    @property
    def what(self) -> str:
        """What gives out: 'tie rod over centre', 'lower arm at full reach'."""
        who = " and ".join(j.replace("_", " ") for j in self.joints) or "the linkage"
        return f"{who} {'over centre' if self.toggle else 'at full reach'}"

    def words(self, where: str) -> str:
        """For a builder: 'tie rod goes over centre at rack -70.63 mm'."""
        who = " and ".join(j.replace("_", " ") for j in self.joints) or "the linkage"
        verb = "goes" if len(self.joints) < 2 else "go"
        return (
            f"{who} {verb} over centre at {where}"
            if self.toggle
            else f"{who} at full reach, {where}"
        )


def blocked_by(problem: Problem, state: State, target: Target) -> Block:
    """For one pose (n = 1), which set of rows has run out of grip, and through which joints."""
    return blocks_at(problem, state, target)[0]


def blocks_at(problem: Problem, state: State, target: Target) -> list[Block]:
    """`blocked_by` for each of n poses.

    There the rows depend on each other: the smallest singular value tends to zero, and its left
    vector holds each row's share.
    """
    slope = problem.rows(state, target).slope
    slope.reshape(len(slope), -1, 6, state.count)[:, :, 3:] /= SCALE_MM
    driven = (problem.driven, *problem.watched)
    sets = [problem.swapped(row) for row in driven]
    found = [np.linalg.svd(pose_first(slope[some])) for some in sets]
    least = np.array([sigma[:, -1] for _, sigma, _ in found])
    # Where the parts reach no further the swapped sets are singular too: the fold itself is told.
    weakest = np.where(least[0] < SAME_GRIP * least.min(axis=0), 0, np.argmin(least, axis=0))
    joints = np.setdiff1d(problem.used, [problem.driven])
    blocks = []
    for k, which in enumerate(weakest):
        if driven[which] == problem.toggle and problem.tie_rod:
            blocks.append(Block((problem.tie_rod,), True))
            continue
        share = np.zeros(len(slope))
        share[sets[which]] = np.abs(found[which][0][k, :, -1])
        weight = share[joints]
        order = [joints[i] for i in np.argsort(-weight) if weight[i] > 0.5 * weight.max()]
        names = dict.fromkeys(problem.linkage.row_names[row] for row in order)
        blocks.append(Block(tuple(names), False))
    return blocks
