"""A mesh placed by matching places: what is wrong with them, and how well they go together.

A rigid fit spreads one wrong place over all, so a place is judged by where the others put it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from itertools import combinations

import numpy as np

from linkview.errors import Fault
from linkview.geometry import Array, apply, best_fit, best_scale, length
from linkview.model.bodies import MeshFile
from linkview.model.bodytables import MatchTable, MeshTable
from linkview.model.keys import Position
from linkview.units import MM_PER_UNIT

WRONG_SCALE = 0.1  # matching places that differ this much in size are a unit or a mix-up
WRONG_MM = 10.0  # a place this far off is no error of measuring: its gaps would mean nothing
MUCH_BETTER = 3.0  # times: how much the rest must gain by a place left out for it to be named
FLAT = 0.02  # of the places' width: nearer to one line, or to one plane


def match_faults(key: str, body: MeshTable, points: Mapping[str, Position]) -> Iterator[Fault]:
    """Everything that keeps `matches` from placing the mesh; points: hard points by name."""
    if {"place_at", "x_axis", "y_axis"} & body.model_fields_set:
        yield Fault(f"{key}.matches", "given beside place_at or an axis", "keep one of the two")
    given = [m.car if not isinstance(m.car, str) else points.get(m.car) for m in body.matches]
    file = np.array([m.file for m in body.matches], dtype=float) * MM_PER_UNIT[body.unit]
    if not _span_a_plane(file):
        yield Fault(f"{key}.matches", f"{len(file)} places {_IN_LINE[0]}", _IN_LINE[1])
        return
    if any(m is None for m in given):
        return  # told elsewhere
    car = np.array(given, dtype=float)
    if not _span_a_plane(car):
        yield Fault(f"{key}.matches", f"{len(car)} places on the car {_IN_LINE[0]}", _IN_LINE[1])
        return
    names = [place_name(k, m) for k, m in enumerate(body.matches)]
    what = (
        _of_hand(file, car)
        or _of_one(file, car, names)
        or _of_unit(file, car, body.unit)
        or _of_fit(file, car, names)
    )
    if what:
        yield Fault(f"{key}.matches", *what)


_IN_LINE = (
    "that do not span a plane",
    "give three or more that are far from one line",
)
Told = tuple[str, str] | None  # what is wrong and the fix


def _span_a_plane(places: Array) -> bool:
    if len(places) < 3:
        return False
    spread = np.linalg.svd(places - places.mean(axis=0), compute_uv=False)
    return bool(spread[1] >= FLAT * max(float(spread[0]), 1e-9))


def _of_unit(file: Array, car: Array, unit: str) -> Told:
    """Places of another size: a wrong unit, or places mixed up."""
    scale = best_scale(file, car)
    if abs(scale - 1.0) <= WRONG_SCALE:
        return None
    own = MM_PER_UNIT[unit]
    fits = [u for u, mm in MM_PER_UNIT.items() if abs(scale * own / mm - 1.0) <= WRONG_SCALE]
    if not fits and best_fit(file, car)[1].max() > WRONG_MM:
        return None  # told with the places that differ most
    asked = f'is it drawn in "{fits[0]}"? then correct unit' if fits else "a mix-up of places?"
    return (
        f"the car's places are {scale:.3g} times as far apart as the file's in {unit}",
        f"{asked}; a rigid fit would hide it in its error",
    )


def _of_hand(file: Array, car: Array) -> Told:
    """A file that shows the part's mirror image. Places in one plane cannot tell."""
    plain = float(best_fit(file, car)[1].max())
    turned = float(best_fit(file * (1.0, -1.0, 1.0), car)[1].max())
    if plain <= WRONG_MM or turned * MUCH_BETTER > plain:
        return None
    return (
        f"the places fit as a mirror image (worst {turned:.1f} mm), not as they are "
        f"(worst {plain:.1f} mm)",
        "the file shows the other side's part, or a coordinate has the wrong sign: a fit never "
        "mirrors; mirror the mesh, or correct the places",
    )


def _of_one(file: Array, car: Array, names: Sequence[str]) -> Told:
    """One place that is not where the others put it."""
    odd = odd_place(file, car) if best_fit(file, car)[1].max() > WRONG_MM else None
    if odd is None:
        return None
    k, by, rest = odd
    return (
        f"{names[k]} is {by:.1f} mm from where the other {len(file) - 1} put it, which agree "
        f"within {rest:.1f} mm",
        "measure it again, or leave it out",
    )


def _of_fit(file: Array, car: Array, names: Sequence[str]) -> Told:
    """Places that do not go together, nobody can say by which one's fault."""
    off = best_fit(file, car)[1]
    if off.max() <= WRONG_MM:
        return None
    i, j = max(combinations(range(len(file)), 2), key=lambda ij: abs(_longer(file, car, *ij)))
    return (
        f"the places do not go together: {off.max():.1f} mm off at the worst; {names[i]} and "
        f"{names[j]} are {_longer(file, car, i, j):+.1f} mm further apart on the car than in the "
        "file",
        "correct one of them; more places would tell which",
    )


def _longer(file: Array, car: Array, i: int, j: int) -> float:
    return float(length(car[i] - car[j]) - length(file[i] - file[j]))


def odd_place(file: Array, car: Array) -> tuple[int, float, float] | None:
    """The place that does not go with the others: its number, how far it lies from where they put
    it, and the worst of theirs without it, mm; None where no single one is to blame.

    file, car (n, 3) mm. Of four places three are left, whose three distances still check them.
    """
    whole = float(best_fit(file, car)[1].max())
    found = []
    for k in range(len(file)):
        kept = np.arange(len(file)) != k
        if _span_a_plane(file[kept]) and _span_a_plane(car[kept]):
            move, off = best_fit(file[kept], car[kept])
            by = float(length(apply(move, file[k]) - car[k]))
            found.append((float(off.max()), k, by))
    found.sort()
    if not found or found[0][0] * MUCH_BETTER > whole:
        return None
    if len(found) > 1 and found[1][0] < MUCH_BETTER * found[0][0]:
        return None  # another one left out does as much
    return found[0][1], found[0][2], found[0][0]


def place_name(number: int, match: MatchTable) -> str:
    """'matches[2] (lower ball joint)'."""
    spoken = f" ({match.car.replace('_', ' ')})" if isinstance(match.car, str) else ""
    return f"matches[{number}]{spoken}"


def fit_words(body: MeshFile) -> str:
    """How well a mesh's matching places go together, in a line; '' for one placed otherwise."""
    if not body.fitted:
        return ""
    places = sorted(body.fitted, key=lambda p: -p.off_mm)
    worst, rest = places[0], ", ".join(f"{p.off_mm:.1f}" for p in places[1:])
    flat = _in_one_plane(np.array([p.mark for p in body.fitted]))
    told = f"placed by {len(places)} matching places: {worst.name} is {worst.off_mm:.1f} mm off"
    told += f", the others {rest} mm"
    return told + ("; all in one plane: its mirror image would fit as well" if flat else "")


def _in_one_plane(places: Array) -> bool:
    spread = np.linalg.svd(places - places.mean(axis=0), compute_uv=False)
    return bool(spread[-1] < FLAT * spread[0])
