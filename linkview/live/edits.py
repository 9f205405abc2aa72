"""What the builder has changed on the live page, as a planned change of the file.

edit     one hard point or wheel key set to a new value
change   edits of one axle of one kind, in a row: what becomes a [[variant.NAME.change]] table
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import Enum
from functools import lru_cache
from typing import Any

from linkview.errors import ModelFaults, UnknownName, near_miss
from linkview.kinematics.assemble import build_car
from linkview.model.keys import FARTHEST_MM
from linkview.model.layout import KNUCKLE, Layout
from linkview.model.parts import Axle, Car, Corner, Side
from linkview.model.read import AS_FOUND, HardPointFile
from linkview.model.schema import VariantTable
from linkview.model.wording import table_faults

UNSAVED = "unsaved"
Json = dict[str, Any]

# Wheel keys that can be set: key -> (table under [axle.NAME.wheel] or '', lowest, highest).
WHEEL_KEYS: Mapping[str, tuple[str, float, float]] = {
    "camber": ("", -30.0, 30.0),
    "toe_in": ("", -30.0, 30.0),
    "offset": ("rim", -200.0, 200.0),
    "spacer": ("rim", 0.0, 200.0),
    "outer_radius": ("tyre", 50.0, 1000.0),
    "half_width": ("tyre", 20.0, 500.0),
}


class How(Enum):
    """Which of two things a change is; see the schema."""

    MADE_TO_FIT = "made_to_fit"
    PARTS_KEPT = "parts_kept"


@dataclass(frozen=True)
class Change:
    """points: name -> (x, y, z) mm on the file's own side. wheel: key -> value."""

    axle: str
    how: How
    points: Mapping[str, tuple[float, float, float]]
    wheel: Mapping[str, float]


@dataclass(frozen=True)
class Edits:
    """base: the variant they are made on. Nothing here is ever changed in place."""

    base: str = AS_FOUND
    changes: tuple[Change, ...] = ()

    def with_point(self, axle: str, how: How, name: str, at: tuple[float, float, float]) -> Edits:
        """A point set to a place; joins the last change where that is of the same kind."""
        last = self._last(axle, how)
        return self._with(replace(last, points={**last.points, name: at}))

    def with_wheel(self, axle: str, key: str, value: float) -> Edits:
        """A wheel key set: a wheel, tyre or setting is always a part made anew."""
        last = self._last(axle, How.MADE_TO_FIT)
        return self._with(replace(last, wheel={**last.wheel, key: value}))

    def _last(self, axle: str, how: How) -> Change:
        last = self.changes[-1] if self.changes else None
        if last is not None and (last.axle, last.how) == (axle, how):
            return last
        return Change(axle, how, {}, {})

    def _with(self, change: Change) -> Edits:
        joins = self._last(change.axle, change.how) in self.changes[-1:]
        kept = self.changes[:-1] if joins else self.changes
        return replace(self, changes=(*kept, change))

    def to_json(self) -> Json:
        changes = [
            {"axle": c.axle, "how": c.how.value, "points": dict(c.points), "wheel": dict(c.wheel)}
            for c in self.changes
        ]
        return {"base": self.base, "changes": changes}

    @classmethod
    def from_json(cls, given: Json) -> Edits:
        """Raises KeyError, TypeError or ValueError for anything but what `to_json` made."""
        changes = tuple(
            Change(
                str(c["axle"]),
                How(c["how"]),
                {str(n): place(p) for n, p in c["points"].items()},
                {str(k): wheel_value(str(k), v) for k, v in c["wheel"].items()},
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


def built(file: HardPointFile, edits: Edits) -> Car:
    """The car with the edits made; raises as `build_car` does."""
    if not edits.changes:
        return build_car(file, edits.base)
    tables = [_table_of(file, edits, c, _every_part(file, c.axle)) for c in edits.changes]
    title = "with changes not saved yet"
    variant = _variant(file, {"title": title, "on": edits.base, "change": tables})
    return build_car(replace(file, variants={**file.variants, UNSAVED: variant}), UNSAVED)


def _variant(file: HardPointFile, raw: Json) -> VariantTable:
    table, faults = table_faults("changes", VariantTable, raw)
    if table is None:
        raise ModelFaults(str(file.path), faults)
    return table


def _table_of(file: HardPointFile, edits: Edits, change: Change, parts: list[str]) -> Json:
    if change.axle not in file.axles:
        raise UnknownName(f"no axle '{change.axle}'; {near_miss(change.axle, file.axles)}")
    table: Json = {"axle": change.axle, "how": change.how.value}
    table["title"] = title_of(change)
    if change.how is How.MADE_TO_FIT:
        table["parts"] = parts
    if change.points:
        table["points"] = {name: list(at) for name, at in change.points.items()}
    wheel: Json = {}
    for key, value in change.wheel.items():
        under = WHEEL_KEYS[key][0]
        (wheel.setdefault(under, {}) if under else wheel)[key] = value
    if wheel:
        table["wheel"] = wheel
    return table


def title_of(change: Change) -> str:
    """What a change is, in a few words for its table and the history."""
    what = [n.replace("_", " ") for n in (*change.points, *change.wheel)]
    shown = ", ".join(what[:6]) + (f" and {len(what) - 6} more" if len(what) > 6 else "")
    return f"{shown} changed on the live page"[:200]


def _every_part(file: HardPointFile, axle: str) -> list[str]:
    car = _as_found(file)
    return parts_of(car.axles[axle].left.layout) if axle in car.axles else []


@lru_cache(maxsize=2)
def _as_found(file: HardPointFile) -> Car:
    return build_car(file)


def parts_of(layout: Layout) -> list[str]:
    """Every part that a change can name as made new."""
    return list(dict.fromkeys(("body", KNUCKLE, *layout.rods, *layout.arms, *layout.carried)))


def own_corner(file: HardPointFile, axle: Axle) -> Corner:
    """The corner that the file's points describe."""
    return axle.right if Side(file.axles[axle.name].side) is Side.RIGHT else axle.left


# --- as the text of a variant ------------------------------------------------------------------


def variant_text(file: HardPointFile, edits: Edits, name: str, title: str) -> str:
    """The edits as TOML tables to stand below the file: [variant.NAME] and its changes.

    Of parts made to fit only those are named that the change cannot do without.
    """
    lines = [f"[variant.{name}]", f"title = {_text(title)}", f"on = {_text(edits.base)}"]
    for k, change in enumerate(edits.changes):
        before = replace(edits, changes=edits.changes[:k])
        parts = _parts_needed(file, before, change)
        table = _table_of(file, edits, change, parts)
        lines += ["", f"[[variant.{name}.change]]"]
        lines += _lines(table, f"variant.{name}.change")
    return "\n".join(lines) + "\n"


def _parts_needed(file: HardPointFile, before: Edits, change: Change) -> list[str]:
    parts = _every_part(file, change.axle)
    if change.how is not How.MADE_TO_FIT:
        return parts
    for part in list(parts):
        fewer = [p for p in parts if p != part]
        done = [_table_of(file, before, c, _every_part(file, c.axle)) for c in before.changes]
        tables = [*done, _table_of(file, before, change, fewer)]
        variant = _variant(file, {"title": "try", "on": before.base, "change": tables})
        try:
            build_car(replace(file, variants={**file.variants, UNSAVED: variant}), UNSAVED)
        except ModelFaults:
            continue
        parts = fewer
    return parts


def _lines(table: Json, key: str) -> list[str]:
    plain = [f"{k} = {_value(v)}" for k, v in table.items() if not isinstance(v, dict)]
    for name, under in table.items():
        if isinstance(under, dict):
            plain += [f"[{key}.{name}]", *_lines(under, f"{key}.{name}")]
    return plain


def _value(given: object) -> str:
    if isinstance(given, str):
        return _text(given)
    if isinstance(given, list):
        return "[" + ", ".join(_value(v) for v in given) + "]"
    return repr(given)


def _text(words: str) -> str:
    """A TOML basic string: JSON's escapes are TOML's too, but for DEL."""
    return json.dumps(words, ensure_ascii=False).replace("\x7f", "\\u007f")
