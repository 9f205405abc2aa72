"""The papers' line drawings: curves, the map of limits, plate outlines, hard points in views."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from linkview.export.blocks import Area, Drawing, Mark, Stroke, Words
from linkview.geometry import Array
from linkview.limits.limit import Stops
from linkview.limits.readings import readings
from linkview.model.parts import Car, Corner
from linkview.plates.outline import Contour, sampled
from linkview.plates.plate import Plate
from linkview.scene.colours import FADED_INK, HAIRLINE, INK, Paint, Rgb
from linkview.study import AxleStudy

BLUE: Rgb = Paint.ARM.rgb
BROWN: Rgb = (0x8A, 0x5C, 0x00)
_INSIDE: Rgb = (0xDB, 0xE5, 0xF1)
_NEAR: Rgb = (0xF8, 0xE0, 0xA0)
_BEYOND: Rgb = (0xE0, 0x7B, 0x76)
_GRID: Rgb = (0xE4, 0xE9, 0xF0)
NEAR_SHARE = 0.25  # of a limit's full range
_FAR_MM = 4.5  # a number farther than this from its dot gets a line to it


@dataclass(frozen=True, eq=False)
class Curve:
    """y (n,) over x (n,); gaps where y is NaN."""

    x: Array
    y: Array
    colour: Rgb
    dashed: bool = False


def chart(
    curves: Sequence[Curve], across: str, upward: str, *, size: tuple[float, float] = (84.0, 52.0)
) -> Drawing:
    """Curves with axes. across, upward: what the axes show, with unit."""
    wide, high = size
    left, right, low, top = 13.0, 3.0, 9.0, 4.0
    known = np.concatenate([c.y[np.isfinite(c.y)] for c in curves])
    if not known.size:
        return Drawing(wide, high, (Words((left, high / 2), "out of reach"),), f"{upward}: none")
    x0, x1 = min(c.x.min() for c in curves), max(c.x.max() for c in curves)
    step = nice_step(max(float(known.max() - known.min()), 1e-3))
    y0, y1 = np.floor(known.min() / step) * step, np.ceil(known.max() / step) * step
    y1 = y1 if y1 > y0 else y0 + step

    def at(x: float, y: float) -> tuple[float, float]:
        return (
            left + (x - x0) / (x1 - x0) * (wide - left - right),
            low + (y - y0) / (y1 - y0) * (high - low - top),
        )

    marks: list[Mark] = []
    digits = max(0, -int(np.floor(np.log10(step))))
    for y in np.arange(y0, y1 + step / 2, step):
        marks.append(Stroke((at(x0, y), at(x1, y)), _GRID, 0.2))
        marks.append(Words((left - 1.2, at(x0, y)[1] - 0.9), f"{y + 0.0:.{digits}f}", 2.4, 1))
    stride = nice_step(float(x1 - x0))
    for x in np.arange(np.ceil(x0 / stride) * stride, x1 + 1e-6, stride):
        marks.append(Stroke((at(x, y0), at(x, y1)), _GRID, 0.2))
        marks.append(Words((at(x, y0)[0], low - 3.4), f"{x + 0.0:+.0f}" if x else "0", 2.4, 0))
    marks.append(Stroke((at(x0, y1), at(x0, y0), at(x1, y0)), INK, 0.3))
    for curve in curves:
        marks += [
            Stroke(tuple(at(*p) for p in part), curve.colour, 0.55, curve.dashed)
            for part in _unbroken(curve)
        ]
    marks.append(Words((wide - right, 1.0), across, 2.5, 1, FADED_INK))
    marks.append(Words((1.0, high - 2.6), upward, 2.5, -1, FADED_INK))
    alt = f"{upward} over {across}, from {known.min():.2f} to {known.max():.2f}"
    return Drawing(wide, high, tuple(marks), alt)


def nice_step(span: float) -> float:
    """About a quarter of a span, as 1, 2 or 5 times a power of ten."""
    rough = span / 4.0
    power = 10.0 ** np.floor(np.log10(rough))
    return float(next(k * power for k in (1, 2, 5, 10) if k * power >= rough * (1 - 1e-9)))


def _unbroken(curve: Curve) -> Iterator[list[tuple[float, float]]]:
    part: list[tuple[float, float]] = []
    for x, y in zip(curve.x, curve.y, strict=True):
        if np.isfinite(y):
            part.append((float(x), float(y)))
        else:
            if len(part) > 1:
                yield part
            part = []
    if len(part) > 1:
        yield part


def limit_map(study: AxleStudy, car: Car) -> Drawing:
    """Every solved pose by its tightest limit: well inside, near, beyond; blank out of reach."""
    share = tightest_share(study, car)
    sweep = study.sweep.left
    flat = len(sweep.rack_mm) == 1
    first, second = (sweep.travel_mm, np.zeros(1)) if flat else (sweep.rack_mm, sweep.travel_mm)
    values = share.T if flat else share
    wide, high = 84.0, (24.0 if flat else 62.0)
    left, low, right, top = 13.0, 9.0, 3.0, 3.0
    w, h = (wide - left - right) / len(first), (high - low - top) / len(second)
    marks: list[Mark] = []
    for (i, j), share_here in np.ndenumerate(values):
        value = float(share_here)
        x, y = left + i * w, low + j * h
        if np.isnan(value):
            marks.append(Stroke(((x, y), (x + w, y + h)), FADED_INK, 0.12))
            continue
        colour = _BEYOND if value < 0 else _NEAR if value <= NEAR_SHARE else _INSIDE
        corners = ((x, y), (x + w, y), (x + w, y + h), (x, y + h))
        marks.append(Area(corners, colour))
        if value < 0:
            marks.append(Stroke(((x, y), (x + w, y + h)), INK, 0.15))
            marks.append(Stroke(((x, y + h), (x + w, y)), INK, 0.15))
        elif value <= NEAR_SHARE:
            marks.append(Stroke(((x, y), (x + w, y + h)), BROWN, 0.1))
    box = ((left, low), (wide - right, low), (wide - right, high - top), (left, high - top))
    marks.append(Stroke((*box, box[0]), INK, 0.3))
    for value in (float(first[0]), 0.0, float(first[-1])):
        x = left + (value - first[0]) / (first[-1] - first[0]) * (wide - left - right)
        marks.append(Words((float(x), low - 3.4), f"{value:+.0f}" if value else "0", 2.4, 0))
    marks.append(Words((wide - right, 1.0), "travel (mm)" if flat else "rack (mm)", 2.5, 1))
    if not flat:
        for value in (float(second[0]), 0.0, float(second[-1])):
            y = low + (value - second[0]) / (second[-1] - second[0]) * (high - low - top)
            words = f"{value:+.0f}" if value else "0"
            marks.append(Words((left - 1.2, float(y) - 0.9), words, 2.4, 1))
        marks.append(Words((0.5, 1.0), "travel (mm), upward", 2.5, -1))
    beyond, out = int((values < 0).sum()), int(np.isnan(values).sum())
    alt = f"Limits at {values.size} poses: {beyond} beyond a limit, {out} out of reach"
    return Drawing(wide, high, tuple(marks), alt)


def tightest_share(study: AxleStudy, car: Car) -> Array:
    """(S, T): the least margin of any limit that stops motion, 1 being its full range.

    NaN out of reach; infinite where no limit is given.
    """
    solved = study.sweep.left.solved & study.sweep.right.solved
    least = np.where(solved, np.inf, np.nan)
    for r in readings(study.sweep, car):
        if r.stops is not Stops.NOTHING:
            least = np.fmin(least, np.where(solved, r.normalised, np.nan))
    return np.where(solved, least, np.nan)


def plate_drawing(plate: Plate, *, size: tuple[float, float] = (54.0, 44.0)) -> Drawing:
    """The outline with its holes, to fit; with overall width and height."""
    outline = sampled(plate.outline, error_mm=0.1)
    low, high = outline.min(axis=0), outline.max(axis=0)
    scale = min((size[0] - 4) / (high[0] - low[0]), (size[1] - 9) / (high[1] - low[1]))

    def placed(loop: Contour) -> tuple[tuple[float, float], ...]:
        points = (sampled(loop, error_mm=0.1) - low) * scale + [2.0, 7.0]
        return tuple((float(x), float(y)) for x, y in points)

    marks: list[Mark] = [Area(placed(plate.outline), (0xBC, 0xD9, 0xD1))]
    white = (0xFF, 0xFF, 0xFF)
    marks += [Area(placed(loop), white) for loop in plate.inner_loops]
    for loop in (plate.outline, *plate.inner_loops):
        points = placed(loop)
        marks.append(Stroke((*points, points[0]), INK, 0.25))
    wide, tall = plate.size_mm
    words = f"{wide:.1f} x {tall:.1f} mm"
    marks.append(Words((2.0, 2.0), words, 2.8))
    return Drawing(size[0], size[1], tuple(marks), f"Outline of {plate.name}, {words}")


def points_sketch(
    corner: Corner,
    numbers: dict[str, int],
    axes: tuple[int, int],
    flip: tuple[int, int],
    *,
    size: tuple[float, float] = (86.0, 62.0),
) -> Drawing:
    """Hard points of one side seen along an axis, numbered, joined as the parts join them.

    axes: which coordinates run to the right and upward; flip: -1 where they run the other way.
    """
    names = [n for n in numbers if n in corner.points]
    flat = np.array([corner.points[n][list(axes)] * flip for n in names])
    low, high = flat.min(axis=0), flat.max(axis=0)
    scale = float(np.min((np.array(size) - 14.0) / np.maximum(high - low, 1.0)))
    middle = 0.5 * (np.array(size) - scale * (high - low))
    placed = (flat - low) * scale + middle
    at = {n: (float(p[0]), float(p[1])) for n, p in zip(names, placed, strict=True)}
    marks: list[Mark] = [
        Stroke((at[a], at[b]), HAIRLINE, 0.8) for a, b in lines_between(corner) if {a, b} <= set(at)
    ]
    marks += numbered({str(numbers[name]): place for name, place in at.items()})
    return Drawing(size[0], size[1], tuple(marks), f"{len(names)} hard points, numbered as listed")


def numbered(at: Mapping[str, tuple[float, float]]) -> list[Mark]:
    """A dot at every place with its number beside it, a thin line to a number that stands far."""
    marks: list[Mark] = []
    for x, y in at.values():
        ring = [(x + 1.0 * np.cos(t), y + 1.0 * np.sin(t)) for t in np.linspace(0, 2 * np.pi, 17)]
        marks.append(Area(tuple((float(a), float(b)) for a, b in ring), INK))
    taken: list[tuple[float, float]] = []
    for number, dot in at.items():
        place = _free_place(dot, taken, tuple(at.values()))
        taken.append(place)
        way = np.array(place) - dot
        far = float(np.hypot(*way))
        if far > _FAR_MM:
            ends = (np.array(dot) + way * (1.0 / far), np.array(place) - way * (2.2 / far))
            marks.append(Stroke(tuple((float(x), float(y)) for x, y in ends), FADED_INK, 0.2))
        marks.append(Words((place[0], place[1] - 1.1), number, 3.1, 0))
    return marks


def _free_place(
    at: tuple[float, float],
    taken: Sequence[tuple[float, float]],
    dots: Sequence[tuple[float, float]],
) -> tuple[float, float]:
    """Beside a dot, not on another number nor on any dot; the nearest such place there is."""
    for far in (3.0, 4.0, 5.0, 6.5, 8.0, 10.0, 12.0):
        for turn in (0.8, 2.4, -0.8, -2.4, 1.6, -1.6, 0.0, 3.14):
            place = (at[0] + far * float(np.cos(turn)), at[1] + far * float(np.sin(turn)))
            if all(abs(place[0] - t[0]) > 4.4 or abs(place[1] - t[1]) > 3.4 for t in taken) and all(
                abs(place[0] - d[0]) > 2.9 or abs(place[1] - d[1]) > 2.2 for d in dots if d != at
            ):
                return place
    return at[0] + 3.0, at[1] + 3.0


def lines_between(corner: Corner) -> list[tuple[str, str]]:
    """Hard points that a part joins: links eye to eye, arms, the damper, the driveshaft."""
    layout = corner.layout
    out = [(rod.inner, rod.outer) for rod in layout.rods.values()]
    for arm in layout.arms.values():
        out += [(pivot, arm.ball) for pivot in arm.pivots]
    if layout.damper:
        out.append(layout.damper)
    if {"cv_inner", "cv_outer"} <= set(corner.points):
        out.append(("cv_inner", "cv_outer"))
    return out
