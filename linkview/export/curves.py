"""The curves a builder reads: alignment against wheel travel and against the rack.

Several states of one axle (as found, planned) lie over each other: a colour and dash per state, the
right wheel thinner than the left. Where a pose is out of reach the line ends.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import Enum
from pathlib import Path

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from linkview.alignment.axle import AxleAlignment
from linkview.alignment.quantities import QUANTITIES, Of, Quantity
from linkview.export.charts import LINES, caption, drawing, save, zero_line
from linkview.export.tables import write_table
from linkview.geometry import Array
from linkview.model.parts import Side


class Against(Enum):
    """What a curve is drawn over; the other input stands at zero."""

    TRAVEL = "travel"
    RACK = "rack"


# Left and right are drawn apart only where they differ.
READ = {
    Against.TRAVEL: (
        "toe_in_deg",
        "camber_deg",
        "caster_deg",
        "track_mm",
        "roll_centre_height_mm",
        "motion_ratio",
    ),
    Against.RACK: (
        "steer_deg",
        "percent_ackermann",
        "camber_deg",
        "trail_mm",
        "scrub_radius_mm",
        "toggle_deg",
    ),
}
COLUMNS = 3
NOT_LOADS = "Computed geometry for rigid parts; it says nothing of strength, flex or loads."


@dataclass(frozen=True, eq=False)
class State:
    """One state of the axle, and what to call it."""

    label: str
    alignment: AxleAlignment


@dataclass(frozen=True, eq=False)
class Curve:
    """One line: side None for the axle's own readings. x, y (n,); NaN where out of reach."""

    state: str
    side: Side | None
    quantity: Quantity
    x: Array
    y: Array


def curves_of(states: Sequence[State], against: Against) -> list[Curve]:
    """Every line there is something to draw of, in the order of READ."""
    known = {q.name: q for q in QUANTITIES}
    return [
        curve
        for name in READ[against]
        for state in states
        for curve in _lines(state, known[name], against)
        if np.isfinite(curve.y).any()
    ]


def draw_curves(path: Path, states: Sequence[State], against: Against) -> tuple[Path, Path]:
    """Writes PATH.png and PATH.svg. Raises ValueError where there is nothing to draw."""
    curves = curves_of(states, against)
    shown = list(dict.fromkeys(c.quantity for c in curves))
    if not shown:
        raise ValueError(f"nothing to draw against {against.value}")
    rows = -(-len(shown) // COLUMNS)
    axle = states[0].alignment
    with drawing(11.0, 1.3 + 2.5 * rows) as figure:
        grid = figure.subplots(rows, min(COLUMNS, len(shown)), squeeze=False)
        for axes, quantity in zip(grid.flat, shown, strict=False):
            _panel(axes, quantity, [c for c in curves if c.quantity is quantity], states)
            axes.set_xlabel(f"{'wheel travel' if against is Against.TRAVEL else 'rack'}, mm")
        for axes in list(grid.flat)[len(shown) :]:
            axes.axis("off")
        _key(figure, curves, states)
        other = "rack centred" if against is Against.TRAVEL else f"ride height, {axle.held}"
        signs = "+ bump" if against is Against.TRAVEL else "+ to the car's left"
        caption(
            figure,
            f"{axle.axle.name.capitalize()} axle against {against.value} ({signs})",
            f"{other[0].upper() + other[1:]}. {NOT_LOADS}",
        )
        return save(figure, path)


def write_curves(path: Path, states: Sequence[State], against: Against) -> None:
    """The same lines as CSV: state, side, reading, unit, input, value."""
    header = ["state", "side", "reading", "unit", f"{against.value} (mm)", "value", "held"]
    held = states[0].alignment.held

    def rows() -> Iterator[Sequence[object]]:
        for c in curves_of(states, against):
            q = c.quantity
            side = c.side.value if c.side else "axle"
            for x, y in zip(c.x, c.y, strict=True):
                value = round(float(y), q.decimals + 3)
                yield [c.state, side, q.label, q.unit, round(float(x), 4), value, held]

    write_table(path, header, rows())


def _lines(state: State, quantity: Quantity, against: Against) -> Iterator[Curve]:
    a = state.alignment
    i, j = int(np.argmin(np.abs(a.rack_mm))), int(np.argmin(np.abs(a.travel_mm)))

    def cut(values: Array) -> tuple[Array, Array]:
        if against is Against.TRAVEL:
            return a.travel_mm, values[i]
        return a.rack_mm, values[:, j]

    if against is Against.RACK and a.axle.left.rack is None:
        return
    if quantity.of is Of.AXLE:
        yield Curve(state.label, None, quantity, *cut(getattr(a, quantity.name)))
        return
    both = [cut(getattr(c, quantity.name)) for c in a.corners]
    alike = np.allclose(both[0][1], both[1][1], atol=1e-6, equal_nan=True)
    for corner, line in zip(a.corners[: 1 if alike else 2], both, strict=False):
        yield Curve(state.label, None if alike else corner.side, quantity, *line)


def _panel(
    axes: Axes, quantity: Quantity, curves: Sequence[Curve], states: Sequence[State]
) -> None:
    labels = [s.label for s in states]
    for curve in curves:
        colour, dash = LINES[labels.index(curve.state) % len(LINES)]
        thin = curve.side is Side.RIGHT
        axes.plot(curve.x, curve.y, color=colour, linestyle=dash, linewidth=0.9 if thin else 1.9)
        if curve.side is not None:
            _tag(axes, curve, colour)
    axes.set_title(f"{quantity.label}, {quantity.unit}")
    axes.margins(x=0.06)
    zero_line(axes)


def _tag(axes: Axes, curve: Curve, colour: str) -> None:
    """L or R at the line's end, so that sides are told without the key."""
    known = np.flatnonzero(np.isfinite(curve.y))
    at = known[-1] if curve.side is Side.LEFT else known[0]
    shift = (4, 0) if curve.side is Side.LEFT else (-4, 0)
    axes.annotate(
        curve.side.value[0].upper() if curve.side else "",
        (curve.x[at], curve.y[at]),
        xytext=shift,
        textcoords="offset points",
        ha="left" if curve.side is Side.LEFT else "right",
        va="center",
        fontsize=8.0,
        color=colour,
    )


def _key(figure: Figure, curves: Sequence[Curve], states: Sequence[State]) -> None:
    handles = []
    axes = figure.axes[0]
    for k, state in enumerate(states):
        colour, dash = LINES[k % len(LINES)]
        handles += axes.plot([], [], color=colour, linestyle=dash, label=state.label)
    if any(c.side for c in curves):
        handles += axes.plot([], [], color="#161d27", linewidth=1.9, label="left wheel (L)")
        handles += axes.plot([], [], color="#161d27", linewidth=0.9, label="right wheel (R)")
    figure.legend(handles=handles, loc="outside upper right", ncols=len(handles), fontsize=8.5)
