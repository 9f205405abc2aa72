"""The map of limits as a picture: rack across, travel up, every region named."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from matplotlib.axes import Axes
from matplotlib.colors import ListedColormap
from matplotlib.patches import Patch

from linkview.export.charts import INK, caption, drawing, save
from linkview.limits.regions import INSIDE, RegionMap
from linkview.limits.report import FirstStops

# Pale for what is inside, then by turns dark and light; each region also has a hatch and a number.
FILLS = ("#f4f6f8", "#f0b35a", "#5d8fc9", "#d9826b", "#7fb8a2", "#9a79b5", "#c9c06a", "#8d99a6")
HATCHES = ("", "///", "\\\\\\", "xx", "..", "++", "oo", "--")
LOOKED_AT = {
    True: "Poses of a grid: limits of the file, and contact of the pairs measured.",
    False: "Poses of a grid: limits of the file. Gaps are not in this map.",
}
NOT_SAFE = "Inside is not safe: check on the car with the springs out."


def draw_limit_map(path: Path, found: RegionMap, stops: FirstStops) -> tuple[Path, Path]:
    """Writes PATH.png and PATH.svg. stops: for the exact edges and the safe rack setting."""
    with drawing(11.0, 6.2) as figure:
        axes = figure.subplots()
        _fill(axes, found)
        _edges(axes, stops)
        _worst(axes, found)
        rack = stops.axle.left.rack
        if rack is not None:
            for way in (-1.0, 1.0):
                axes.axvline(way * rack.working_mm, color=INK, linewidth=0.8, linestyle=(0, (2, 3)))
            axes.annotate(
                "working rack",
                (rack.working_mm, found.travel_mm.max()),
                xytext=(-3, -3),
                textcoords="offset points",
                rotation=90,
                ha="right",
                va="top",
                fontsize=7.5,
                bbox={"boxstyle": "round,pad=0.15", "facecolor": "white", "edgecolor": "none"},
            )
        if stops.safe_rack_mm is not None and not _touches_inside(found, stops.safe_rack_mm):
            for way in (-1.0, 1.0):
                axes.axvline(way * stops.safe_rack_mm, color=INK, linewidth=1.8)
        axes.set_xlim(found.rack_mm.min(), found.rack_mm.max())
        axes.set_ylim(found.travel_mm.min(), found.travel_mm.max())
        axes.set_xlabel("rack, mm (+ to the car's left)")
        axes.set_ylabel("wheel travel, mm (+ bump)")
        axes.grid(visible=False)
        keys = [
            Patch(
                facecolor=FILLS[k % 8], hatch=HATCHES[k % 8], edgecolor=INK, label=_named(k, name)
            )
            for k, name in enumerate(found.names)
        ]
        figure.legend(handles=keys, loc="outside right upper", fontsize=8.5, handleheight=1.6)
        setting = _setting(found, stops)
        name = f"{stops.axle.name.capitalize()} axle: what stops it first ({stops.axle.hold.words})"
        caption(
            figure,
            name,
            f"{setting[0].upper() + setting[1:]}.\n{LOOKED_AT[found.contact]} {NOT_SAFE}",
        )
        return save(figure, path)


def _touches_inside(found: RegionMap, rack_mm: float) -> bool:
    return found.contact_rack_mm is not None and found.contact_rack_mm <= rack_mm


def _setting(found: RegionMap, stops: FirstStops) -> str:
    """The rack setting that the file's limits allow, and whether something touches inside it."""
    if stops.safe_rack_mm is None:
        return f"no rack setting can be named: {stops.no_safe_rack}"
    allowed = f"{stops.safe_rack_mm:.1f} mm of rack each way"
    if _touches_inside(found, stops.safe_rack_mm):
        return (
            f"the file's limits allow {allowed}, but parts touch at "
            f"{found.contact_rack_mm:.1f} mm of rack, or earlier between the poses"
        )
    return f"heavy lines: {allowed} keeps inside at every travel between the droop and bump stops"


def _named(k: int, name: str) -> str:
    return name if name == INSIDE else f"{k}  {name}"


def _fill(axes: Axes, found: RegionMap) -> None:
    racks, travels = found.rack_mm, found.travel_mm
    colours = ListedColormap([FILLS[k % 8] for k in range(len(found.names))])
    top = max(len(found.names) - 0.5, 0.5)
    axes.pcolormesh(
        racks,
        travels,
        found.region.T,
        cmap=colours,
        vmin=-0.5,
        vmax=top,
        shading="nearest",
        rasterized=True,
    )
    for k in range(1, len(found.names)):
        mine = np.equal(found.region.T, k).astype(float)
        if min(mine.shape) > 1:
            axes.contourf(
                racks, travels, mine, levels=[0.5, 1.5], colors="none", hatches=[HATCHES[k % 8]]
            )
        for way in (-1.0, 1.0):
            here = mine * (np.sign(racks)[None] == way)
            if here.any():
                j, i = np.nonzero(here)
                mid = np.argmin(
                    np.hypot(racks[i] - racks[i].mean(), travels[j] - travels[j].mean())
                )
                axes.text(
                    racks[i[mid]],
                    travels[j[mid]],
                    str(k),
                    ha="center",
                    va="center",
                    fontweight="bold",
                    bbox={"boxstyle": "circle,pad=0.25", "facecolor": "white", "edgecolor": INK},
                )


def _edges(axes: Axes, stops: FirstStops) -> None:
    """Where the first stop is met at each travel, exact."""
    for lock in ("left", "right"):
        met = [(getattr(row, lock), row.travel_mm) for row in stops.rows]
        at = [(stop.rack_mm, travel) for stop, travel in met if stop is not None]
        if at:
            rack, travel = np.array(at).T
            axes.plot(rack, travel, color=INK, linewidth=1.3)


def _worst(axes: Axes, found: RegionMap) -> None:
    for worst in found.worst:
        k = found.names.index(worst.name)
        axes.plot(
            worst.rack_mm, worst.travel_mm, marker="D", color=INK, markersize=6, clip_on=False
        )
        side = -1 if worst.rack_mm > 0 else 1
        axes.annotate(
            f"worst of {k}: {-worst.margin:.1f} {worst.unit} beyond",
            (worst.rack_mm, worst.travel_mm),
            xytext=(8 * side, 9 if worst.travel_mm < 0 else -9),
            textcoords="offset points",
            ha="left" if side > 0 else "right",
            va="center",
            fontsize=7.5,
            bbox={"boxstyle": "round,pad=0.2", "facecolor": "white", "edgecolor": "none"},
        )
