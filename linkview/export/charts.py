"""What all charts share: paper, ink, lines that colour-blind eyes tell apart, writing whole files.

Nothing global is touched: every chart is a figure of its own, and matplotlib's settings are put
back. Colours go with dashes and with words, never alone.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import matplotlib as mpl
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from linkview.export.files import written_beside
from linkview.export.typefaces import boxes_for_unknown_letters

# Dark to light by turns, so that they differ in grey too; each with a dash of its own.
LINES = (
    ("#0b4f8a", "solid"),
    ("#c4561a", (0, (6, 2))),
    ("#12805c", (0, (2, 1.5))),
    ("#7a3b8f", (0, (7, 2, 1.5, 2))),
    ("#8a6d00", (0, (1, 1))),
)
INK, FAINT, PAPER = "#161d27", "#b4becb", "#ffffff"
DPI = 150
_STYLE: dict[Any, Any] = {
    "font.family": "DejaVu Sans",
    "font.size": 9.0,
    "axes.edgecolor": FAINT,
    "axes.labelcolor": INK,
    "text.color": INK,
    "xtick.color": INK,
    "ytick.color": INK,
    "axes.titlesize": 10.0,
    "axes.titleweight": "bold",
    "axes.titlelocation": "left",
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.grid": True,
    "grid.color": "#e3e8ee",
    "grid.linewidth": 0.8,
    "axes.formatter.useoffset": False,
    "lines.linewidth": 1.7,
    "legend.frameon": False,
    "svg.hashsalt": "linkview",
    "svg.fonttype": "none",
}


@contextmanager
def drawing(width_in: float, height_in: float) -> Iterator[Figure]:
    """An empty figure in the house style, laid out so that nothing is cut off."""
    with mpl.rc_context(_STYLE):
        figure = Figure(figsize=(width_in, height_in), layout="constrained", facecolor=PAPER)
        FigureCanvasAgg(figure)
        yield figure


def save(figure: Figure, path: Path) -> tuple[Path, Path]:
    """Writes PATH.png and PATH.svg, whole; returns both. Raises CannotWrite."""
    out = []
    for suffix in (".png", ".svg"):
        place = path.with_name(path.name + suffix)
        with written_beside(place) as beside:
            # No date inside, so that the same car gives the same file.
            about = {"Date": None} if suffix == ".svg" else {}
            with boxes_for_unknown_letters():
                figure.savefig(beside, dpi=DPI, format=suffix[1:], metadata=about)
        out.append(place)
    return out[0], out[1]


def caption(figure: Figure, title: str, below: str) -> None:
    """A title over the whole chart and, under it, what was held and how far to trust it."""
    figure.suptitle(title, x=0.01, ha="left", fontsize=12.0, fontweight="bold")
    figure.supxlabel(below, x=0.01, ha="left", fontsize=8.0)


def zero_line(axes: Axes) -> None:
    """A line through zero where the chart's range crosses it."""
    low, high = axes.get_ylim()
    if low < 0.0 < high:
        axes.axhline(0.0, color=FAINT, linewidth=1.0, zorder=0.5)
