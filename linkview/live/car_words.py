"""What a page must know of a car before it moves: axles, points, lengths, wheel, read-outs."""

from __future__ import annotations

from typing import Any

from linkview.live.document import Document
from linkview.live.meshfiles import gone_meshes, own_name
from linkview.live.pose_words import SHOWN_QUANTITIES, three
from linkview.model.parts import Axle, Corner
from linkview.model.read import AS_FOUND
from linkview.model.reference import wheel_angles_deg
from linkview.model.wording import spoken

Json = dict[str, Any]


def skeleton_of(corner: Corner) -> list[list[str]]:
    """Which hard points a thin line joins: rods, arms, struts, shafts, and the knuckle."""
    layout = corner.layout
    pairs = [[a, b] for _, a, b in layout.ends() if a in corner.points and b in corner.points]
    hub = [p for p in layout.on_knuckle if p in corner.points]
    return pairs + [["wheel_centre", p] for p in hub]


def axle_json(axle: Axle, own: Corner) -> Json:
    """What the page must know of an axle before it moves."""
    corner = axle.left
    wheel = own.wheel
    camber, toe_in = wheel_angles_deg(own.side, wheel.spin_axis)
    return {
        "name": axle.name,
        "title": corner.layout.title,
        "steered": corner.rack is not None,
        "level": corner.layout.level,
        "held": axle.hold.words,
        "side": own.side.value,
        "symmetric": axle.symmetric,
        "rack": 0.0 if corner.rack is None else corner.rack.stop_mm,
        "working": 0.0 if corner.rack is None else corner.rack.working_mm,
        "travel": [corner.travel.droop_mm, corner.travel.bump_mm],
        "points": {
            n: {"at": three(at), "on": spoken(own.layout.owner(n))} for n, at in own.points.items()
        },
        "lengths": [
            [spoken(name), spoken(a), spoken(b), round(own.distance_mm(a, b), 3)]
            for name, a, b in own.layout.ends()
            if a in own.points and b in own.points
        ],
        "skeleton": skeleton_of(own),
        "wheel": {
            "outer_radius": round(float(wheel.tyre.outer_radius_mm), 3),
            "half_width": round(float(wheel.tyre.half_width_mm), 3),
            "offset": round(float(wheel.rim.offset_mm), 3),
            "spacer": round(float(wheel.rim.spacer_mm), 3),
            "camber": round(camber, 4),
            "toe_in": round(toe_in, 4),
        },
    }


def quantities_json() -> list[Json]:
    return [
        {
            "name": q.name,
            "label": q.label,
            "unit": q.unit,
            "decimals": q.decimals,
            "meaning": q.meaning,
            "formula": q.formula,
        }
        for q in SHOWN_QUANTITIES
    ]


def state_json(document: Document) -> Json:
    """What a page says about the document itself."""
    edits = document.edits
    return {
        "file": document.file.path.name,
        "folder": str(document.file.path.parent),
        "car": document.car.name,
        "base": edits.base,
        "variants": [
            [AS_FOUND, "as found"],
            *([n, v.title] for n, v in document.file.variants.items()),
        ],
        "unsaved": document.unsaved,
        "restored": document.restored,
        "changes": edits.count,
        "undo": document.at > 0,
        "redo": document.at + 1 < len(document.history),
        "pinned": document.pinned_words if document.pinned else None,
        "changedOnDisk": document.changed_on_disk(),
        "gone": [
            {"name": name, "file": own_name(path), "folder": str(path.parent)}
            for (_, name), path in gone_meshes(edits).items()
        ],
    }
