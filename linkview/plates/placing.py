"""Where a welded plate has to be held: three tape distances and a height to each of its holes.

A tape reads from a reachable point to the middle of the hole on the face that is named (a pointed
plug in the hole), the height from the ground the car's frame stands on, z = 0. Three distances and
which side of the three points the hole lies on fix it; the height is the check.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Set
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from linkview.geometry import Array, apply, apply_direction, frozen, length, unit
from linkview.model.parts import Axle
from linkview.plates.plate import Plate
from linkview.units import to_deg

POOR = 10.0  # mm off for 1 mm on the tapes: no use in a workshop
NEAREST_MM, FARTHEST_MM = 60.0, 2500.0  # a tape hook needs room; beyond, a tape sags


@dataclass(frozen=True, eq=False)
class Tape:
    """One distance. to: what the tape starts from, and at (3,) mm where that is."""

    to: str
    at: Array
    distance_mm: float


@dataclass(frozen=True, eq=False)
class Placing:
    """One stand of a plate. spot (3,) mm: the hole's middle on the face named in `face`, the outer
    one of a pair.

    off_per_mm: how far the hole comes to lie off for 1 mm on every tape, worst signs.
    level_deg: the bolt's axis out of level, + rising along `axis`. plan_deg: its direction seen
    from above, from straight ahead, + to the left; NaN for an upright bolt.
    """

    spot: Array
    axis: Array
    tapes: tuple[Tape, ...]
    off_per_mm: float
    level_deg: float
    plan_deg: float
    face: str

    @property
    def height_mm(self) -> float:
        return float(self.spot[2])

    @property
    def words(self) -> tuple[str, ...]:
        """Lines for the sheet: tapes, height, angles."""
        plan = (
            "upright"
            if np.isnan(self.plan_deg)
            else f"{abs(self.plan_deg):.1f} deg {'left' if self.plan_deg >= 0.0 else 'right'} of "
            "straight ahead, seen from above"
        )
        return (
            *(f"{tape.distance_mm:.1f} mm to {tape.to}" for tape in self.tapes),
            f"all on the face that looks {self.face}",
            f"{self.height_mm:.1f} mm over the ground of the car's frame (z = 0)",
            f"bolt {self.level_deg:+.1f} deg out of level, {plan}",
            self._how_well,
        )

    @property
    def _how_well(self) -> str:
        if self.off_per_mm > POOR:
            return (
                "THESE TAPES DO NOT FIX THE HOLE: with it they lie in one plane, or nearly so; "
                "name three other points with place_from"
            )
        return f"1 mm on every tape can put the hole {self.off_per_mm:.1f} mm off"


def placings(plate: Plate, axle: Axle, not_yet: Set[str] = frozenset()) -> tuple[Placing, ...]:
    """One for every stand of a welded plate with a hole.

    not_yet: hard points that welded plates have yet to make; no tape can start there.
    """
    if not plate.welded or not plate.holes:
        return ()
    middle = np.array([*plate.holes[0].centre, 0.0])
    stands = plate.stands_at(plate.holes[0].centre)
    between = np.mean([apply(stand, middle) for stand in stands], axis=0)
    out = []
    for stand in stands:
        normal = apply_direction(stand, [0.0, 0.0, 1.0])
        # Of a pair the outer faces can be reached; a single plate shows its marked one.
        out_of_pair = float(np.dot(normal, apply(stand, middle) - between))
        way = 1.0 if out_of_pair >= -1e-9 else -1.0
        spot = apply(stand, middle) + way * plate.thickness_mm / 2.0 * normal
        axis = _seen_forward(apply_direction(stand, [0.0, 0.0, 1.0]))
        named = plate.place_from or _best(spot, dict(_reachable(axle, not_yet, spot)))
        tapes = tuple(
            Tape(name, frozen(at), float(length(spot - at))) for name, at in named.items()
        )
        flat = float(np.hypot(axis[0], axis[1]))
        out.append(
            Placing(
                spot=frozen(spot),
                axis=frozen(axis),
                tapes=tapes,
                off_per_mm=_off_per_mm(spot, [t.at for t in tapes]),
                level_deg=float(to_deg(np.arctan2(axis[2], flat))),
                face=_toward(way * normal),
                plan_deg=float(to_deg(np.arctan2(axis[1], axis[0]))) if flat > 1e-6 else np.nan,
            )
        )
    return tuple(out)


def _toward(normal: Array) -> str:
    """'forward and up': the car's directions that a face looks to, the strongest first."""
    names = (("forward", "rearward"), ("left", "right"), ("up", "down"))
    order = np.argsort(-np.abs(normal))
    told = [names[k][int(normal[k] < 0.0)] for k in order if abs(normal[k]) > 0.3]
    return " and ".join(told)


def _seen_forward(axis: Array) -> Array:
    """A bolt has no front: the end that points ahead, else left, else up."""
    lead = axis[np.argmax(np.abs(axis) > 1e-9)]
    return unit(axis if lead >= 0.0 else -axis)


def _reachable(axle: Axle, not_yet: Set[str], spot: Array) -> Iterator[tuple[str, Array]]:
    """Hard points on the body, of both sides, that are there before any plate is welded."""
    for corner in axle.corners:
        for name in corner.layout.fixed:
            at = corner.points.get(name)
            if at is None or name in not_yet:
                continue
            if NEAREST_MM <= float(length(spot - at)) <= FARTHEST_MM:
                yield f"{name} {corner.side.value}", at


def _best(spot: Array, places: Mapping[str, Array]) -> dict[str, Array]:
    """The three places from which a tape error moves the hole least."""
    least, best = np.inf, dict(list(places.items())[:3])
    for three in combinations(places, 3):
        off = _off_per_mm(spot, [places[n] for n in three])
        if off < least:
            least, best = off, {n: places[n] for n in three}
    return best


def _off_per_mm(spot: Array, places: list[Array]) -> float:
    """Worst shift of the spot for tapes read 1 mm wrong each, any signs; inf where not fixed."""
    if len(places) < 3:
        return float("inf")
    along = unit(spot - np.array(places))
    if abs(np.linalg.det(along)) < 1e-6:
        return float("inf")
    back = np.linalg.inv(along)
    signs = np.array([[a, b, c] for a in (-1, 1) for b in (-1, 1) for c in (-1, 1)])
    return float(length(signs @ back.T).max())


def found_again(tapes: tuple[Tape, ...], near: Array) -> Array:
    """The place (3,) that three tapes fix, on the same side of their plane as `near`.

    Closed form: in the plane of the three points, then the height over it.
    """
    a, b, c = (t.at for t in tapes)
    ra, rb, rc = (t.distance_mm for t in tapes)
    x = unit(b - a)
    i = float(np.dot(x, c - a))
    y = unit(c - a - i * x)
    z = np.cross(x, y)
    d, j = float(length(b - a)), float(np.dot(y, c - a))
    px = (ra**2 - rb**2 + d**2) / (2.0 * d)
    py = (ra**2 - rc**2 + i**2 + j**2 - 2.0 * i * px) / (2.0 * j)
    pz = np.sqrt(max(ra**2 - px**2 - py**2, 0.0)) * np.sign(np.dot(z, near - a))
    return np.asarray(a + px * x + py * y + pz * z)
