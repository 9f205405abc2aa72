"""A solid axle in roll, as curves."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from linkview.export.charts import LINES, caption, drawing, save, zero_line
from linkview.export.curves import NOT_LOADS
from linkview.export.roll import PANELS
from linkview.limits.roll import RollReadings, RollStop


def draw_roll(path: Path, line: RollReadings, stops: Sequence[RollStop]) -> tuple[Path, Path]:
    """Writes PATH.png and PATH.svg: pure roll at ride height, the first limits marked."""
    with drawing(11.0, 3.8) as figure:
        for axes, (title, name) in zip(figure.subplots(1, len(PANELS)), PANELS, strict=True):
            values = getattr(line, name)
            axes.plot(line.roll_deg, values, color=LINES[0][0])
            axes.set_title(title)
            axes.set_xlabel("roll, deg (+ leaning right)")
            zero_line(axes)
            for stop in stops:
                if stop.name:
                    axes.axvline(stop.roll_deg, color=LINES[1][0], linestyle=LINES[1][1])
        met = "Dashed: " if any(s.name for s in stops) else ""
        said = met + "; ".join(s.words for s in stops)
        said = said[0].upper() + said[1:]
        caption(
            figure,
            f"{line.poses.axle.name.capitalize()} axle in roll, at ride height",
            f"{said}. {NOT_LOADS}",
        )
        return save(figure, path)
