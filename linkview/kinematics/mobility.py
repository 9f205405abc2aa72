"""How freely a linkage moves at its hard points: counted by rank, not by adding up joints.

The rank of the joints' slopes says how many ways the parts can move; counting rows would call a
parallelogram of hinges locked. Rows that depend on the others may be left out, as long as every
pose is checked against all joints afterwards (`fit_errors_mm` does); loose parts are named.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from linkview.errors import BadLinkage, Fault
from linkview.geometry import Array, perpendicular, unit
from linkview.kinematics.closure import GROUND, Direction, Joint, Linkage, Square
from linkview.kinematics.solve import SCALE_MM

# Slopes are per mm, and per SCALE_MM of lever: singular values of a sound linkage are 0.01 to 3.
NO_GRIP = 1e-7
TAKES_PART = 1e-5
MOST_NAMED = 6
STILL_MM = 1e-3  # per radian of spin: a point this still is on the axis


@dataclass(frozen=True, eq=False)
class Mobility:
    """What a set of rows leaves free at the reference pose.

    freedom: ways to move, by rank. rows: how many there are; independent: their chosen indices.
    spare: names of joints with rows that the others make superfluous, or that contradict them.
    loose: for each way to move, the parts that take part.
    spins: idle parts: they can spin about an axis of their own, moving no hard point -> the axis.
    """

    freedom: int
    rows: int
    independent: tuple[int, ...]
    spare: tuple[str, ...]
    loose: tuple[tuple[str, ...], ...]
    spins: Mapping[str, Array]


def mobility_of(
    linkage: Linkage,
    rows: Sequence[int],
    parts: Sequence[str],
    carried: Mapping[str, Sequence[Array]],
) -> Mobility:
    """The freedom that these rows leave the parts, at the reference pose.

    carried: the hard points (3,) of the parts that may be idle.
    """
    from scipy.linalg import qr  # a quarter of what a live page loads before it has its car

    slope = scaled_slope(linkage)[list(rows)]
    unknowns = linkage.unknown_count
    # Pivoted QR of the transpose orders the rows: independent ones first.
    _, upper, order = qr(slope.T, mode="economic", pivoting=True)
    grip = np.abs(np.diag(upper))
    rank = int(np.sum(grip > NO_GRIP * max(float(grip.max(initial=0.0)), 1.0)))
    _, _, right = np.linalg.svd(slope)
    free = right[rank:].reshape(-1, len(parts), 6)
    spins = {
        part: unit(turn)
        for part, shift, turn, at in _lone_turns(free, parts, linkage.origins)
        if part in carried
        and all(np.linalg.norm(shift + np.cross(turn, p - at)) < STILL_MM for p in carried[part])
    }
    moving = [
        tuple(p for k, p in enumerate(parts) if np.abs(way[k]).max() > TAKES_PART) for way in free
    ]
    return Mobility(
        freedom=unknowns - rank,
        rows=len(rows),
        independent=tuple(sorted(rows[i] for i in order[:rank])),
        spare=tuple(dict.fromkeys(linkage.row_names[rows[i]] for i in order[rank:])),
        loose=tuple(moving),
        spins=spins,
    )


def one_way_of(
    linkage: Linkage,
    rows: Sequence[int],
    parts: Sequence[str],
    carried: Mapping[str, Sequence[Array]],
    *,
    key: str,
    travel: int,
) -> Mobility:
    """`mobility_of` these rows, of which one way to move must be left: the wheel's travel.

    Idle spins do not count: they move no joint and no wheel. key: of the layout in the file;
    travel: the row that holds the wheel's height. Raises BadLinkage, naming what is loose or
    over-held.
    """
    found = mobility_of(linkage, rows, parts, carried)
    ways = _ways(found)
    if ways == 1:
        return found
    count = f"{len(rows)} joint rows on {len(parts)} part{'s' if len(parts) > 1 else ''}"
    if ways > 1:
        held = mobility_of(linkage, [*rows, travel], parts, carried)
        loose = dict.fromkeys(p for way in held.loose for p in way if p not in found.spins)
        what = (
            f"{count} leave {ways} ways to move with the steering held, where the wheel's travel "
            f"is to be the only one; loose: {_said(tuple(loose)) or 'nothing but the travel'}"
        )
        more = f"add {ways - 1} more joint row{'s' if ways > 2 else ''}"
        raise BadLinkage(Fault(key, what, f"{more} (a rod holds one, a ball three, a hinge five)"))

    def freed(*out: str) -> bool:
        left = [row for row in rows if linkage.row_names[row] not in out]
        return _ways(mobility_of(linkage, left, parts, carried)) == 1

    names = dict.fromkeys(linkage.row_names[row] for row in rows)
    one = [name for name in names if freed(name)]
    two = [] if one else [" and ".join(pair) for pair in combinations(names, 2) if freed(*pair)]
    which = ", or ".join((one or two)[:MOST_NAMED]).replace("_", " ")
    what = f"{count} leave no way to move, where the wheel needs one: over-held"
    if not which:
        raise BadLinkage(Fault(key, what, "take joints out, or free them"))
    raise BadLinkage(
        Fault(key, f"{what}; it would move without {which}", "take that out, or free what it holds")
    )


def _ways(found: Mobility) -> int:
    return found.freedom - len(found.spins)


def spin_locks(found: Mobility, parts: Sequence[str]) -> list[Joint]:
    """Rows that keep idly spinning parts from spinning; they take nothing from the rest."""
    out: list[Joint] = []
    for part, axis in found.spins.items():
        side = perpendicular(axis)
        mark, still = Direction(parts.index(part), side), Direction(GROUND, np.cross(axis, side))
        out.append(Square(f"{part} spin", mark, still))
    return out


def scaled_slope(linkage: Linkage) -> Array:
    """Slopes (m, 6P) of all rows at the reference, turns per SCALE_MM of lever."""
    rows = linkage.rows(linkage.reference(), np.zeros(1))
    slope = rows.slope[..., 0].copy()
    slope.reshape(len(slope), -1, 6)[:, :, 3:] /= SCALE_MM
    return np.asarray(slope)


def _lone_turns(
    free: Array, parts: Sequence[str], origins: Array
) -> Iterator[tuple[str, Array, Array, Array]]:
    """Parts that some way to move turns alone: part, its origin's shift (mm per rad), turn, origin.

    free: (k, P, 6), any basis of the ways to move; a part turns alone where some mixture of the
    ways leaves all the others still.
    """
    if not len(free) or len(parts) < 2:
        return
    for k, part in enumerate(parts):
        others = np.delete(free, k, axis=1).reshape(len(free), -1)
        mixtures, held, _ = np.linalg.svd(others)
        still = np.append(held, np.zeros(len(free) - len(held))) < TAKES_PART
        if still.any():
            alone = mixtures[:, int(np.argmax(still))] @ free[:, k]
            size = np.linalg.norm(alone[3:]) / SCALE_MM
            if size * SCALE_MM > TAKES_PART:
                yield part, alone[:3] / size, alone[3:] / SCALE_MM / size, origins[k]


def _said(names: Sequence[str]) -> str:
    return ", ".join(name.replace("_", " ") for name in names)
