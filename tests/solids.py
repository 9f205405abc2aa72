"""Bodies for tests of gaps, made in one line."""

from linkview.clearance.bodies import tube_solid
from linkview.model.bodies import Anchor, Tube


def round_bar(name, part, riders, points, radius_mm):
    """Round bar or ball through points (k, 3), each on its rider."""
    anchors = tuple(Anchor(rider, at) for rider, at in zip(riders, points, strict=True))
    return tube_solid(Tube(name, part, anchors, radius_mm))
