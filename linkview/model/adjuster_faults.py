"""Faults of adjusters: names that are not there, and what cannot be adjusted by itself."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from linkview.errors import Fault, near_miss
from linkview.model.adjusters import (
    AdjusterTable,
    Eccentric,
    Holes,
    RackShims,
    Shims,
    SlotAdjuster,
    SpringPerch,
    Threaded,
    WantedTable,
)
from linkview.model.layout import Layout


def adjuster_faults(
    where: str,
    adjusters: Mapping[str, AdjusterTable],
    wanted: WantedTable | None,
    layout: Layout,
    given: Mapping[str, object],
) -> Iterator[Fault]:
    """All faults of one axle's adjusters; given: its hard points."""
    if layout.level and (adjusters or wanted):
        yield Fault(
            f"{where}.adjusters",
            f"{layout.called} has both wheels on one part",
            "adjusters are known for wheels that are held one by one; take this out",
        )
        return
    for name, adjuster in adjusters.items():
        key = f"{where}.adjusters.{name}"
        match adjuster:
            case Threaded():
                yield from _threaded(key, adjuster, layout)
            case SpringPerch():
                if layout.damper is None or any(p not in given for p in layout.damper):
                    yield Fault(key, "there is no damper here", "give its two points")
            case SlotAdjuster() | Eccentric() | Shims() | RackShims() | Holes():
                for point in adjuster.points:
                    yield from _point(f"{key}.points", point, layout, given)
        low, high = adjuster.ends
        if low > high or low > 1e-9 or high < -1e-9:
            yield Fault(
                f"{key}.range", f"[{low:g}, {high:g}] does not hold 0", "0 is where it stands now"
            )
        if adjuster.shared and isinstance(adjuster, RackShims):
            off = [p for p in adjuster.points if p in given and layout.owner(p) != "rack"]
            if off:
                yield Fault(f"{key}.points", f"{off[0]} is not on the rack", "use kind = 'shims'")


def _threaded(key: str, adjuster: Threaded, layout: Layout) -> Iterator[Fault]:
    if adjuster.part in layout.rods:
        if adjuster.between is not None:
            rod = layout.rods[adjuster.part]
            fix = f"leave it out: {adjuster.part} runs from {rod.inner} to {rod.outer}"
            yield Fault(f"{key}.between", "given for a link with two ends", fix)
        return
    if adjuster.part in layout.arms:
        arm = layout.arms[adjuster.part]
        if adjuster.between not in [(p, arm.ball) for p in arm.pivots]:
            legs = " or ".join(f"['{p}', '{arm.ball}']" for p in arm.pivots)
            yield Fault(f"{key}.between", "which leg of the arm?", f"it is {legs}")
        return
    known = [*layout.rods, *layout.arms]
    yield Fault(f"{key}.part", f"'{adjuster.part}' has no length", near_miss(adjuster.part, known))


def _point(key: str, point: str, layout: Layout, given: Mapping[str, object]) -> Iterator[Fault]:
    if point not in given or point in ("wheel_centre", "other_wheel_centre"):
        yield Fault(key, f"no hard point '{point}'", near_miss(point, given))
        return
    owner = layout.owner(point)
    if owner not in layout.solved:
        return
    ends = {p for rod in layout.rods.values() for p in (rod.inner, rod.outer)}
    balls = {arm.ball for arm in layout.arms.values()}
    other = {b.point for b in layout.balls.values()} | {s.lower for s in layout.struts.values()}
    other |= {p for line in layout.lines.values() for p in (line.point, *line.line)}
    other |= {p for h in layout.hinges.values() for p in h.pivots}
    if point in other or point not in ends | balls:
        yield Fault(
            key,
            f"{point} is where the {owner.replace('_', ' ')} and another part meet; moving it "
            "would change both",
            "adjust a point on the body or rack, or a link's end",
        )
