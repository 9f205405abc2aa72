"""Static resistances of one hole and its weld by EN 1993-1-8, every formula with its numbers.

A building rule for steady loads on steel frames: no fatigue, no impact, no bending out of the
plate, no heat-affected zone. It proves nothing about a suspension part and is to be reviewed by a
qualified engineer. Nothing here says "safe".

Sources (secondary copies): EN 1993-1-8 Table 3.4 bearing and bolt shear, 3.10.2 block tearing,
4.5.3.3 fillet weld; EN 1993-1-1 6.2.3 net section; EN 10025-2 Table 7 yield, least tensile
strength; ISO 898-1 stress area.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from linkview.geometry import Array, length
from linkview.plates.edges import Line, crossings
from linkview.plates.outline import edges
from linkview.plates.plate import Plate

LABEL = (
    "STATIC BUILDING RULE (EN 1993-1-8), NO PROOF FOR A SUSPENSION PART: no fatigue, impact or "
    "bending is in it; to be reviewed by a qualified engineer"
)
GAMMA_M0, GAMMA_M2 = 1.0, 1.25
# Grade: (thickness up to, yield) rows, least tensile strength, weld's beta. N/mm2.
_STEELS = {
    "S235": (((16.0, 235.0), (40.0, 225.0), (63.0, 215.0)), 360.0, 0.8),
    "S355": (((16.0, 355.0), (40.0, 345.0), (63.0, 335.0)), 470.0, 0.9),
}
_BOLTS = {"4.6": (400.0, 0.6), "5.6": (500.0, 0.6), "8.8": (800.0, 0.6), "10.9": (1000.0, 0.5)}
_PITCH_MM = {6: 1.0, 8: 1.25, 10: 1.5, 12: 1.75, 14: 2.0, 16: 2.0, 18: 2.5, 20: 2.5}


@dataclass(frozen=True)
class Resistance:
    """One resistance beside the force on one plate; ratio over 1 is beyond even this rule."""

    name: str
    formula: str
    numbers: str
    resistance_n: float
    force_n: float

    @property
    def ratio(self) -> float:
        return self.force_n / self.resistance_n if self.resistance_n > 0.0 else math.inf

    @property
    def words(self) -> str:
        return (
            f"{self.name}: {self.formula} = {self.numbers} = {self.resistance_n / 1000.0:.1f} kN, "
            f"force {self.force_n / 1000.0:.1f} kN, force / resistance {self.ratio:.2f}"
        )


@dataclass(frozen=True)
class StaticCheck:
    """What the rule gives for one plate, or why it gives nothing."""

    resistances: tuple[Resistance, ...]
    not_judged: tuple[str, ...]

    @property
    def words(self) -> tuple[str, ...]:
        """For the sheet; the label stands before every figure."""
        judged = (r.words for r in self.resistances)
        return (LABEL, *judged, *(f"not judged: {text}" for text in self.not_judged))


def static_check(plate: Plate) -> StaticCheck | None:
    """The resistances for a plate with a load, all for its first hole; None without a load."""
    load = plate.load
    if load is None:
        return None
    steel = _steel(plate)
    if steel is None:
        known = ", ".join(_STEELS)
        return StaticCheck((), (f"material {plate.material}: the rule is held for {known} only",))
    fy, fu, beta = steel
    force = float(length(load.along_n)) / load.shared_by
    left_out = ["fatigue, impact, bending of the plate, the part it is welded to"]
    if abs(load.out_of_plane_n) > 0.02 * float(length(load.along_n)):
        left_out.append(f"{load.out_of_plane_n / 1000.0:.1f} kN out of the plate's plane")
    if force <= 0.0:
        return StaticCheck((), ("the force has no share in the plate's plane", *left_out))
    hole, t, d = plate.holes[0], plate.thickness_mm, load.bolt_mm
    along = load.along_n / length(load.along_n)
    e1, side = _room(plate, hole.centre, along)
    out = [
        bearing(e1, min(side), hole.diameter_mm, d, t, fu, load.bolt_grade, force),
        tear_out(e1, hole.diameter_mm, t, fy, force),
        net_section(sum(side), hole.diameter_mm, t, fu, force),
    ]
    shear = bolt_shear(d, load.bolt_grade, force)
    if shear is None:
        left_out.append(f"bolt of {d:g} mm: no coarse pitch known here")
    else:
        out.append(shear)
    if load.weld_throat_mm > 0.0 and load.weld_length_mm > 0.0:
        out.append(weld(load.weld_throat_mm, load.weld_length_mm, fu, beta, force))
    else:
        left_out.append("the weld: no throat and length given")
    return StaticCheck(tuple(out), tuple(left_out))


def bearing(
    e1: float, e2: float, d0: float, d: float, t: float, fu: float, grade: str, force: float
) -> Resistance:
    """EN 1993-1-8 Table 3.4, an end bolt alone; fu of the plate, N/mm2."""
    fub = _BOLTS[grade][0]
    alpha = min(e1 / (3.0 * d0), fub / fu, 1.0)
    k1 = max(min(2.8 * e2 / d0 - 1.7, 2.5), 0.0)
    value = k1 * alpha * fu * d * t / GAMMA_M2
    numbers = (
        f"{k1:.2f} x {alpha:.3f} x {fu:g} x {d:g} x {t:g} / {GAMMA_M2:g} "
        f"(e1 {e1:.1f}, e2 {e2:.1f}, d0 {d0:g})"
    )
    return Resistance("bearing", "k1 ab fu d t / gM2 (Table 3.4)", numbers, value, force)


def tear_out(e1: float, d0: float, t: float, fy: float, force: float) -> Resistance:
    """EN 1993-1-8 3.10.2 with no tension face: two shear planes beside the hole."""
    net = 2.0 * max(e1 - d0 / 2.0, 0.0) * t
    value = fy * net / math.sqrt(3.0) / GAMMA_M0
    numbers = f"{fy:g} x {net:.0f} / 1.732 / {GAMMA_M0:g}"
    formula = "fy Anv / sqrt 3 / gM0 (3.10.2, Ant = 0), Anv = 2 (e1 - d0 / 2) t"
    return Resistance("tear-out", formula, numbers, value, force)


def net_section(width: float, d0: float, t: float, fu: float, force: float) -> Resistance:
    """EN 1993-1-1 6.2.3 across the hole, square to the force."""
    net = max(width - d0, 0.0) * t
    numbers = f"0.9 x {net:.0f} x {fu:g} / {GAMMA_M2:g} (width {width:.1f})"
    formula = "0.9 Anet fu / gM2 (EN 1993-1-1 6.2.3)"
    return Resistance("net section", formula, numbers, 0.9 * net * fu / GAMMA_M2, force)


def bolt_shear(d: float, grade: str, force: float) -> Resistance | None:
    """EN 1993-1-8 Table 3.4, one plane through the thread; None for an unknown size."""
    pitch = _PITCH_MM.get(round(d)) if abs(d - round(d)) < 1e-9 else None
    if pitch is None:
        return None
    fub, share = _BOLTS[grade]
    area = math.pi / 4.0 * (d - 0.9382 * pitch) ** 2
    numbers = f"{share:g} x {fub:g} x {area:.1f} / {GAMMA_M2:g}"
    formula = "av fub As / gM2 (Table 3.4, one plane in the thread)"
    return Resistance("bolt shear", formula, numbers, share * fub * area / GAMMA_M2, force)


def weld(throat: float, long: float, fu: float, beta: float, force: float) -> Resistance:
    """EN 1993-1-8 4.5.3.3, whatever the force's direction."""
    strength = fu / (math.sqrt(3.0) * beta * GAMMA_M2)
    numbers = f"{fu:g} / (1.732 x {beta:g} x {GAMMA_M2:g}) x {throat:g} x {long:g}"
    formula = "fu / (sqrt 3 bw gM2) a L (4.5.3.3)"
    return Resistance("fillet weld", formula, numbers, strength * throat * long, force)


def _steel(plate: Plate) -> tuple[float, float, float] | None:
    for grade, (rows, fu, beta) in _STEELS.items():
        if plate.material.upper().startswith(grade):
            yields = [fy for up_to, fy in rows if plate.thickness_mm <= up_to]
            return (yields[0], fu, beta) if yields else None
    return None


def _room(plate: Plate, centre: Array, along: Array) -> tuple[float, tuple[float, float]]:
    """From the hole's centre to the outline: ahead of the force, and to either side of it."""
    across = np.array([-along[1], along[0]])
    return _reach(plate, centre, along), (
        _reach(plate, centre, across),
        _reach(plate, centre, -across),
    )


def _reach(plate: Plate, centre: Array, way: Array) -> float:
    start = complex(*centre)
    ray = Line(start, start + 10_000.0 * complex(*way))
    return min(abs(p - start) for e in edges(plate.outline) for p in crossings(ray, e))
