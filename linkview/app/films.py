"""Films with read-outs: every frame's own alignment and gaps burnt in beside the linkage."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from linkview.app.folder import Written
from linkview.export.captions import Titles
from linkview.export.readout_film import FilmKind, read_out_film
from linkview.export.readouts import Pair, read_outs
from linkview.export.views import Size, View
from linkview.model.wording import spoken
from linkview.scene.stage import stage_of
from linkview.scene.story import story_of
from linkview.study import CarStudy, Tell

USUAL_SIZE: Size = (1280, 720)
MOST_GAPS = 5


def film_read_outs(
    study: CarStudy,
    name: str,
    folder: Path,
    tell: Tell,
    *,
    view: View = View.CORNER,
    size: Size = USUAL_SIZE,
    kind: FilmKind = FilmKind.MP4,
    pairs: Sequence[Pair] = (),
) -> list[Written]:
    """One axle's film. Call `graphics.require_graphics()` first. The study may be without gaps:
    they are measured here at the frames' own poses. pairs: those to read out; none: the worst.
    """
    axle = study.axles[name]
    tell(f"{name} axle: gaps of every frame", 0, 1)
    story = story_of(axle.axle)
    poses = [pose for pose in story.poses if pose is not None]
    figures = read_outs(axle, study.car, poses, pairs=pairs, most=MOST_GAPS)

    def heard(done: int, count: int) -> None:
        tell(f"{name} axle: film with read-outs", done, count)

    made = read_out_film(
        folder,
        f"{name}_readouts",
        stage_of(axle.axle, plates=axle.plates_by_side),
        story,
        figures,
        Titles(study.car.name, spoken(study.car.variant)),
        view=view,
        size=size,
        kind=kind,
        progress=heard,
    )
    which = "the chosen" if pairs else f"the {len(figures.gaps)} worst"
    gaps = f"{which} gaps" if figures.gaps else "no gap (no pair was measured)"
    words = [f"{made.frames} frames with alignment and {gaps} read out", *story.notes]
    first = made.names[0] if len(made.names) == 1 else f"{made.names[0]} ... {made.names[-1]}"
    return [Written(first, "; ".join(words))]
