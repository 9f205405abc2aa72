"""What the builder has changed on the live page, as a planned change of the file.

edit     one hard point or wheel key set to a new value
change   edits of one axle of one kind, in a row: what becomes a [[variant.NAME.change]] table
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field, replace
from enum import Enum
from typing import Any

from linkview.errors import UnknownName, near_miss
from linkview.model.bodytables import MeshTable
from linkview.model.keys import FARTHEST_MM
from linkview.model.parts import Axle, Corner
from linkview.model.read import AS_FOUND
from linkview.model.wheels import tyre_of_code
from linkview.model.wording import table_faults

TYRE_CODE = "tyre_code"
LINK_MM = (10.0, 3000.0)
Json = dict[str, Any]

# Wheel keys that can be set: key -> (table under [axle.NAME.wheel] or '', lowest, highest).
WHEEL_KEYS: Mapping[str, tuple[str, float, float]] = {
    "camber": ("", -30.0, 30.0),
    "toe_in": ("", -30.0, 30.0),
    "offset": ("rim", -200.0, 200.0),
    "spacer": ("rim", 0.0, 200.0),
    "loaded_radius": ("", 50.0, 1000.0),
    "diameter_in": ("rim", 10.0, 26.0),
    "outer_radius": ("tyre", 50.0, 1000.0),
    "inner_radius": ("tyre", 50.0, 1000.0),
    "shoulder_radius": ("tyre", 1.0, 300.0),
    "half_width": ("tyre", 20.0, 500.0),
}


class How(Enum):
    """Which of two things a change is; see the schema."""

    MADE_TO_FIT = "made_to_fit"
    PARTS_KEPT = "parts_kept"


@dataclass(frozen=True)
class Change:
    """points: name -> (x, y, z) mm on the file's own side. wheel: key -> value.

    lengths: link -> mm, eye to eye. toe_in_deg: what the tie rod is screwed to, after the rest.
    bodies: name -> table of a mesh put in the car or placed anew; such a change holds nothing else,
    for where it stands counts from the parts as they are then.
    """

    axle: str
    how: How
    points: Mapping[str, tuple[float, float, float]]
    wheel: Mapping[str, float | str]
    lengths: Mapping[str, float] = field(default_factory=dict)
    toe_in_deg: float | None = None
    bodies: Mapping[str, Json] = field(default_factory=dict)

    @property
    def count(self) -> int:
        """How many things it sets."""
        named = len(self.points) + len(self.wheel) + len(self.lengths) + len(self.bodies)
        return named + (self.toe_in_deg is not None)

    def to_json(self) -> Json:
        out: Json = {"axle": self.axle, "how": self.how.value, "points": dict(self.points)}
        return out | {
            "wheel": dict(self.wheel),
            "lengths": dict(self.lengths),
            "toe": self.toe_in_deg,
            "bodies": dict(self.bodies),
        }


@dataclass(frozen=True)
class Edits:
    """base: the variant they are made on. Nothing here is ever changed in place."""

    base: str = AS_FOUND
    changes: tuple[Change, ...] = ()

    def with_point(self, axle: str, how: How, name: str, at: tuple[float, float, float]) -> Edits:
        """A point set to a place; joins the last change where that is of the same kind."""
        last = self._last(axle, how)
        return self._with(replace(last, points={**last.points, name: at}))

    def with_wheel(self, axle: str, key: str, value: float | str) -> Edits:
        """A wheel key set: a wheel, tyre or setting is always a part made anew."""
        last = self._last(axle, How.MADE_TO_FIT)
        return self._with(replace(last, wheel={**last.wheel, key: value}))

    def with_length(self, axle: str, link: str, mm: float) -> Edits:
        """A link screwed longer or shorter: every part is kept, the corner re-assembles."""
        last = self._last(axle, How.PARTS_KEPT)
        return self._with(replace(last, lengths={**last.lengths, link: mm}))

    def with_toe(self, axle: str, toe_in_deg: float) -> Edits:
        """The tie rod screwed to a toe. What is done later does not screw it again."""
        new = Change(axle, How.PARTS_KEPT, {}, {}, toe_in_deg=toe_in_deg)
        last = self.changes[-1] if self.changes else None
        again = last is not None and replace(last, toe_in_deg=toe_in_deg) == new
        return replace(self, changes=(*(self.changes[:-1] if again else self.changes), new))

    def with_mesh(self, axle: str, name: str, table: Json) -> Edits:
        """A mesh put in the car, or placed anew, as a change of its own and the last."""
        new = Change(axle, How.MADE_TO_FIT, {}, {}, bodies={name: table})
        rest = self.without_meshes([(axle, name)])
        return replace(rest, changes=(*rest.changes, new))

    def without_meshes(self, named: Collection[tuple[str, str]]) -> Edits:
        """Meshes, by axle and name, taken out again; one of the file's own back as it was."""
        return self._each(lambda c: {n: t for n, t in c.bodies.items() if (c.axle, n) not in named})

    def with_mesh_files(self, files: Mapping[str, str]) -> Edits:
        """The same with meshes in other files: old place -> new."""
        return self._each(
            lambda c: {
                n: {**t, "file": files.get(t["file"], t["file"])} for n, t in c.bodies.items()
            }
        )

    @property
    def meshes(self) -> dict[tuple[str, str], Json]:
        """Those put in or placed anew, by axle and name."""
        return {(c.axle, n): t for c in self.changes for n, t in c.bodies.items()}

    def _each(self, bodies: Callable[[Change], Mapping[str, Json]]) -> Edits:
        """Other bodies for every change that has some. One that is left with nothing goes."""
        changes = (replace(c, bodies=bodies(c)) if c.bodies else c for c in self.changes)
        return replace(self, changes=tuple(c for c in changes if c.count))

    @property
    def count(self) -> int:
        """How many things all changes set."""
        return sum(c.count for c in self.changes)

    def _last(self, axle: str, how: How) -> Change:
        last = self.changes[-1] if self.changes else None
        if last is not None and (last.axle, last.how, last.toe_in_deg) == (axle, how, None):
            return last if not last.bodies else Change(axle, how, {}, {})
        return Change(axle, how, {}, {})

    def _with(self, change: Change) -> Edits:
        joins = self._last(change.axle, change.how) in self.changes[-1:]
        kept = self.changes[:-1] if joins else self.changes
        return replace(self, changes=(*kept, change))

    def to_json(self) -> Json:
        return {"base": self.base, "changes": [c.to_json() for c in self.changes]}

    @classmethod
    def from_json(cls, given: Json) -> Edits:
        """Raises KeyError, TypeError or ValueError for anything but what `to_json` made."""
        changes = tuple(
            Change(
                str(c["axle"]),
                How(c["how"]),
                {str(n): place(p) for n, p in c["points"].items()},
                {str(k): _kept_wheel_value(str(k), v) for k, v in c["wheel"].items()},
                {str(k): link_length(v) for k, v in c.get("lengths", {}).items()},
                None if c.get("toe") is None else wheel_value("toe_in", c["toe"]),
                {str(n): mesh_table(t) for n, t in c.get("bodies", {}).items()},
            )
            for c in given["changes"]
        )
        return cls(str(given["base"]), changes)


def place(given: object) -> tuple[float, float, float]:
    """Three finite numbers of mm, near enough to be on a car; ValueError says what is wrong."""
    if not isinstance(given, list | tuple) or len(given) != 3:
        raise ValueError("a place is three numbers: x, y, z in mm")
    x, y, z = (number(v) for v in given)
    if max(abs(x), abs(y), abs(z)) > FARTHEST_MM:
        raise ValueError(f"farther than {FARTHEST_MM:g} mm from the datum; check the unit")
    return x, y, z


def number(given: object) -> float:
    if isinstance(given, bool) or not isinstance(given, int | float) or not math.isfinite(given):
        raise ValueError(f"{json.dumps(given, default=str)[:40]} is not a number")
    return round(float(given), 6)


def wheel_value(key: str, given: object) -> float:
    """A wheel key's value in its range; ValueError says what is wrong."""
    if key not in WHEEL_KEYS:
        raise ValueError(f"no wheel key '{key[:40]}'; {near_miss(key, WHEEL_KEYS)}")
    value = number(given)
    _, low, high = WHEEL_KEYS[key]
    if not low <= value <= high:
        raise ValueError(f"{key} = {value:g} is outside {low:g} to {high:g}")
    return value


def _kept_wheel_value(key: str, given: object) -> float | str:
    return tyre_of_code(str(given))[0].code if key == TYRE_CODE else wheel_value(key, given)


def link_length(given: object) -> float:
    """A link's length in mm; ValueError says what is wrong."""
    mm = number(given)
    if not LINK_MM[0] <= mm <= LINK_MM[1]:
        raise ValueError(
            f"a link of {mm:g} mm: it must be {LINK_MM[0]:g} to {LINK_MM[1]:g} mm long"
        )
    return mm


def mesh_table(given: object) -> Json:
    """A mesh's table, checked as the file's own are; ValueError says what is wrong."""
    table, faults = table_faults("mesh", MeshTable, given)
    if table is None:
        raise ValueError("; ".join(str(f) for f in faults))
    return table.model_dump(mode="json", exclude_unset=True)


def edit_of(message: Mapping[str, Any], axle: Axle, how: How) -> Callable[[Edits], Edits]:
    """The edit that a page asks for: of points, of a link's length, of a tyre or a wheel key.

    Raises ValueError, KeyError or UnknownName for one that makes no sense.
    """
    if "length" in message:
        link, mm = str(message["length"]), link_length(message["value"])
        if link not in axle.left.layout.rods:
            fix = near_miss(link, axle.left.layout.rods)
            raise UnknownName(f"no link '{link[:60]}' on the {axle.name} axle; {fix}")
        return lambda edits: edits.with_length(axle.name, link, mm)
    if "tyre" in message:
        keys = tyre_keys(str(message["tyre"]), axle.left)
        return lambda edits: _with_wheel_keys(edits, axle.name, keys)
    if "wheel" in message:
        key = str(message["wheel"])
        value = wheel_value(key, message["value"])
        if key == "toe_in" and how is How.PARTS_KEPT:
            return lambda edits: edits.with_toe(axle.name, value)
        return lambda edits: edits.with_wheel(axle.name, key, value)
    places = {str(n): place(at) for n, at in _points_of(message).items()}
    for name in places:
        if name not in axle.left.points:
            fix = near_miss(name, axle.left.points)
            raise UnknownName(f"no hard point '{name[:60]}' on the {axle.name} axle; {fix}")
    return lambda edits: _with_points(edits, axle.name, how, places)


def _points_of(message: Mapping[str, Any]) -> Mapping[str, Any]:
    if "points" not in message:
        return {message["point"]: message["at"]}
    if not isinstance(message["points"], dict) or not message["points"]:
        raise ValueError("points are names with a place each")
    return message["points"]


def _with_points(
    edits: Edits, axle: str, how: How, places: Mapping[str, tuple[float, float, float]]
) -> Edits:
    for name, at in places.items():
        edits = edits.with_point(axle, how, name, at)
    return edits


def tyre_keys(code: str, corner: Corner) -> dict[str, float | str]:
    """The wheel keys that a size code sets, on the rim's width as it is. ValueError for no code."""
    tyre, rim_in = tyre_of_code(code[:40], corner.wheel.rim.width_in)
    pressed_in = corner.wheel.tyre.outer_radius_mm - corner.wheel.loaded_radius_mm
    keys = {
        "loaded_radius": tyre.outer_radius_mm - pressed_in,
        "outer_radius": tyre.outer_radius_mm,
        "inner_radius": tyre.inner_radius_mm,
        "half_width": tyre.half_width_mm,
        "shoulder_radius": tyre.shoulder_radius_mm,
        "diameter_in": rim_in,
    }
    checked = {key: wheel_value(key, value) for key, value in keys.items()}
    return {TYRE_CODE: tyre.code, **checked}


def _with_wheel_keys(edits: Edits, axle: str, keys: Mapping[str, float | str]) -> Edits:
    for key, value in keys.items():
        edits = edits.with_wheel(axle, key, value)
    return edits
