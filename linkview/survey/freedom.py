"""Which points the readings leave free, and in what direction: from the null space."""

from __future__ import annotations

import difflib
import re

import numpy as np

from linkview.geometry import Array
from linkview.survey.fit import Fit
from linkview.survey.readings import spoken_point

MOVES = 1e-3  # a point whose share of a free move is less stays put
ALONG = 0.95
MISSPELT = 0.95  # alike by this share: a letter or two in a whole name, less than inner for outer
WAYS = ("fore and aft", "across the car", "up and down")
WHOLE = (*(f"shift {way}" for way in WAYS), "roll", "pitch", "turn in plan")


def free_words(fit: Fit) -> list[str]:
    """A line for every point that can still move without changing any reading."""
    moves = fit.shape_loose
    return [
        f"{spoken_point(name)} can still move {direction_words(free)}"
        for name, free in zip(fit.network.points, _blocks(fit, moves), strict=True)
        if free.size and np.linalg.norm(free) > MOVES
    ]


def misspelt_words(fit: Fit) -> list[str]:
    """Asks about loose points whose name is nearly that of another, but for a number."""
    names, moves, out = fit.network.points, fit.shape_loose, []
    for name, free in zip(names, _blocks(fit, moves), strict=True):
        if free.size and np.linalg.norm(free) > MOVES:
            others = [n for n in names if _plain(n) != _plain(name)]
            near = difflib.get_close_matches(name, others, n=1, cutoff=MISSPELT)
            out += [f"is '{name}' meant to be '{near[0]}'? one point, one name" for _ in near]
    return out


def _plain(name: str) -> str:
    return re.sub(r"\d+", "", name)


def whole_words(fit: Fit) -> str:
    """How the whole can still be moved: 'shift fore and aft, turn in plan'; '' where it cannot."""
    moves = fit.network.whole_moves(fit.x)
    said, told = [], []
    for k, words in enumerate(WHOLE):
        size = np.linalg.norm(moves[:, k])
        if size > 0.0:
            inside = fit.whole @ (fit.whole.T @ moves[:, k])
            if np.linalg.norm(inside) > 0.99 * size:
                said.append(words)
                told.append(moves[:, k] / size)
    rest = fit.whole
    if told:
        ways = np.linalg.qr(np.column_stack(told))[0]
        rest = rest - ways @ (ways.T @ rest)
    u, s, _ = np.linalg.svd(rest, full_matrices=False)
    return ", ".join([*said, *(_mixed_words(fit, moves, way) for way in u[:, s > 0.1].T)])


def _mixed_words(fit: Fit, moves: Array, way: Array) -> str:
    """A move of the whole along or about no axis of the car, and which points it leaves."""
    parts = np.linalg.lstsq(moves, way, rcond=None)[0]
    shift, turn = parts[:3], parts[3:]
    if np.linalg.norm(turn) < MOVES * np.linalg.norm(shift):
        return f"shift {axis_words(shift / np.linalg.norm(shift))}"
    line = axis_words(turn / np.linalg.norm(turn)).removeprefix("along ")
    blocks = [float(np.linalg.norm(b)) for b in _blocks(fit, way[:, None])]
    still = [
        spoken_point(name)
        for name, much in zip(fit.network.points, blocks, strict=True)
        if much < MOVES * max(blocks)
    ]
    through = f" through {' and '.join(still[:2])}" if still else ""
    return f"turn about a line {line}{through}"


def direction_words(free: Array) -> str:
    """The directions spanned by the columns of (3, k), in words."""
    u, s, _ = np.linalg.svd(free, full_matrices=False)
    ways = u[:, s > MOVES * max(1.0, s[0])] if s.size else u[:, :0]
    count = ways.shape[1]
    if count >= 3:
        return "in every direction"
    if count == 2:
        normal = np.cross(ways[:, 0], ways[:, 1])
        k = int(np.argmax(np.abs(normal)))
        if abs(normal[k]) > ALONG:
            return " and ".join(way for i, way in enumerate(WAYS) if i != k)
        return f"any way square to {axis_words(normal).removeprefix('along ')}"
    return axis_words(ways[:, 0])


def axis_words(way: Array) -> str:
    """'up and down', or the direction's numbers."""
    k = int(np.argmax(np.abs(way)))
    if abs(way[k]) > ALONG:
        return WAYS[k]
    way = np.round(way * np.sign(way[k]), 2) + 0.0
    return f"along ({way[0]:+.2f}, {way[1]:+.2f}, {way[2]:+.2f})"


def _blocks(fit: Fit, moves: Array) -> list[Array]:
    """(3, k) of each point; held coordinates are zero."""
    count = len(fit.network.points)
    full = np.zeros((3 * count, moves.shape[1]))
    full[fit.network.free] = moves[: len(fit.network.free)]
    return list(full.reshape(count, 3, -1))
