"""One page for each axle: where in rack x travel a gap is too small, and the gap against steer."""

from __future__ import annotations

from collections.abc import Sequence
from io import BytesIO
from pathlib import Path

import numpy as np
from matplotlib.axes import Axes
from matplotlib.colors import ListedColormap
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from linkview.clearance.advice import PairAdvice
from linkview.clearance.certified import Patch, Region
from linkview.export.files import write_whole

# Told apart by lightness as well as by hue.
FACE = {
    Patch.CLEAR: "#d8e6f2",
    Patch.OPEN: "#f2b31b",
    Patch.SHORT: "#c4302b",
    Patch.BEYOND: "#ffffff",
}
SAID = {
    Patch.CLEAR: "certainly kept",
    Patch.OPEN: "not certain",
    Patch.SHORT: "too small, or touching",
    Patch.BEYOND: "outside the limits",
}
HEIGHT_IN, HEAD_IN, WIDTH_IN, DOTS_PER_IN = 3.0, 1.05, 10.5, 90
RASTER = 256


def gap_chart(path: Path, title: str, held: str, pairs: Sequence[PairAdvice]) -> None:
    """A PNG with a row for each pair: its map, and its curve at the travel of the worst pose."""
    high = HEIGHT_IN * len(pairs) + HEAD_IN
    figure = Figure(figsize=(WIDTH_IN, high), dpi=DOTS_PER_IN)
    figure.suptitle(
        f"{title}\n{held}; rigid parts, inside the limits given", fontsize=11, y=1.0 - 0.12 / high
    )
    _legend(figure, pairs, high)
    axes = figure.subplots(len(pairs), 2, squeeze=False)
    for (map_, curve), found in zip(axes, pairs, strict=True):
        _map(map_, found)
        _curve(curve, found)
    figure.tight_layout(rect=(0.0, 0.0, 1.0, 1.0 - 0.8 / high))
    out = BytesIO()
    figure.savefig(out, format="png")
    write_whole(path, out.getvalue())


def _legend(figure: Figure, pairs: Sequence[PairAdvice], high: float) -> None:
    """One for all maps, over them: in a map it would hide what matters at the edge."""
    shown = {kind for found in pairs for kind in found.certain.region.kind.tolist()}
    signs = [
        Line2D([], [], ls="", marker="s", color=FACE[patch], mec="#555557", label=SAID[patch])
        for patch in Patch
        if patch.value in shown
    ]
    signs.append(Line2D([], [], ls="", marker="+", ms=10, color="k", label="worst seen"))
    figure.legend(
        handles=signs, fontsize=8, ncols=len(signs), loc="upper center",
        bbox_to_anchor=(0.5, 1.0 - 0.55 / high), frameon=False,
    )  # fmt: skip


def _map(axes: Axes, found: PairAdvice) -> None:
    region = found.certain.region
    (x0, x1), (y0, y1) = _ends(region, 0), _ends(region, 2)
    raster = np.full((RASTER, RASTER), Patch.BEYOND.value)
    share = (region.boxes - [x0, x0, y0, y0]) / [x1 - x0, x1 - x0, y1 - y0, y1 - y0]
    corners = np.rint(share * RASTER).astype(int).tolist()
    for (i0, i1, j0, j1), kind in zip(corners, region.kind.tolist(), strict=True):
        raster[j0 : max(j1, j0 + 1), i0 : max(i1, i0 + 1)] = kind
    colours = ListedColormap([FACE[patch] for patch in Patch])
    axes.imshow(
        raster,
        cmap=colours,
        vmin=-0.5,
        vmax=len(Patch) - 0.5,
        origin="lower",
        extent=(x0, x1, y0, y1),
        aspect="auto",
        interpolation="nearest",
    )
    at = found.certain.rack_mm, found.certain.travel_mm
    axes.plot(*at, "k+", ms=10, clip_on=False, zorder=5)
    axes.set_xlim(x0, x1)
    axes.set_ylim(y0, y1)
    axes.set_xlabel("rack, mm (+ to the car's left)")
    axes.set_ylabel("travel, mm (+ bump)")
    axes.set_title(_name(found), fontsize=9)


def _curve(axes: Axes, found: PairAdvice) -> None:
    if not len(found.rack_mm):
        axes.set_axis_off()
        words = "the gap against steer was not worked out for this pair"
        axes.text(0.5, 0.5, words, ha="center", fontsize=9, color="#555557")
        return
    axes.plot(found.rack_mm, found.gap_mm, "-", color="#1b5fae")
    axes.axhline(0.0, color="#555557", lw=0.8)
    if found.certain.wanted_mm:
        words = f"{found.certain.wanted_mm:g} mm wanted"
        axes.axhline(found.certain.wanted_mm, color="#c4302b", ls="--", label=words)
        axes.legend(fontsize=7)
    axes.set_xlabel("rack, mm")
    axes.set_ylabel("gap, mm")
    axes.set_title(f"at travel {found.certain.travel_mm:+.1f} mm", fontsize=9)


def _ends(region: Region, column: int) -> tuple[float, float]:
    low, high = float(region.boxes[:, column].min()), float(region.boxes[:, column + 1].max())
    return (low, high) if high > low else (low - 1.0, high + 1.0)


def _name(found: PairAdvice) -> str:
    a, b = (name.replace("_", " ") for name in found.certain.pair)
    return f"{a} to {b}"
