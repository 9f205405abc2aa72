"""What was changed on the live page as a variant of the file: built, and as text to stand in it."""

from __future__ import annotations

import json
from dataclasses import replace
from functools import lru_cache

from linkview.errors import ModelFaults, UnknownName, near_miss
from linkview.kinematics.assemble import axles_of, axles_on, build_car, car_with
from linkview.kinematics.changes import Axles
from linkview.live.edits import TYRE_CODE, WHEEL_KEYS, Change, Edits, How, Json
from linkview.live.meshfiles import gone_meshes
from linkview.model.layout import KNUCKLE, Layout
from linkview.model.parts import Axle, Car, Corner, Side
from linkview.model.read import AS_FOUND, HardPointFile
from linkview.model.schema import VariantTable
from linkview.model.wording import table_faults

UNSAVED = "unsaved"


def built(file: HardPointFile, edits: Edits, axles: Axles | None = None) -> Car:
    """The car with the edits made, of its axles if those are known; raises as `build_car` does."""
    axles = axles_with(file, edits) if axles is None else axles
    begun = _begun_from(file, edits.base)
    before = car_begun_from(file, edits.base).axles
    kept = {name: before[name] for name, t in axles.tables.items() if t is begun.tables[name]}
    car = car_with(*with_edits(file, edits), axles, kept)
    words = [f"{name} left out: its mesh file is gone" for _, name in gone_meshes(edits)]
    return replace(car, notes=(*car.notes, *words)) if words else car


def axles_with(file: HardPointFile, edits: Edits) -> Axles:
    """The axles with the edits made; raises as `build_car` does."""
    with_them, variant = with_edits(file, edits)
    base = _begun_from(file, edits.base)
    return base if with_them is file else axles_on(with_them, variant, base)


@lru_cache(maxsize=4)
def _begun_from(file: HardPointFile, variant: str) -> Axles:
    """Kept, for while a point is dragged only the edits on it change."""
    return axles_of(file, variant)


@lru_cache(maxsize=4)
def car_begun_from(file: HardPointFile, variant: str = AS_FOUND) -> Car:
    """A variant of the file as it stands there, kept; raises as `build_car` does."""
    return car_with(file, variant, _begun_from(file, variant))


def with_edits(file: HardPointFile, edits: Edits) -> tuple[HardPointFile, str]:
    """The file with the edits as one more variant, and that variant's name.

    Meshes put in whose file is gone are left out.
    """
    edits = edits.without_meshes(gone_meshes(edits))
    if not edits.changes:
        return file, edits.base
    tables = [_table_of(file, edits, c, _every_part(file, c.axle)) for c in edits.changes]
    title = "with changes not saved yet"
    variant = _variant(file, {"title": title, "on": edits.base, "change": tables})
    return replace(file, variants={**file.variants, UNSAVED: variant}), UNSAVED


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
    if change.toe_in_deg is not None:
        table["reset_toe_in"] = change.toe_in_deg
    if change.lengths:
        table["lengths"] = dict(change.lengths)
    if change.points:
        table["points"] = {name: list(at) for name, at in change.points.items()}
    wheel: Json = {}
    for key, value in change.wheel.items():
        under = "" if key == TYRE_CODE else WHEEL_KEYS[key][0]
        (wheel.setdefault(under, {}) if under else wheel)[key] = value
    if wheel:
        table["wheel"] = wheel
    if change.bodies:
        table["bodies"] = {name: dict(body) for name, body in change.bodies.items()}
    return table


def title_of(change: Change) -> str:
    """What a change is, in a few words for its table and the history."""
    if change.bodies:
        meshes = ", ".join(n.replace("_", " ") for n in change.bodies)
        return f"mesh placed on the live page: {meshes}"[:200]
    what = [n.replace("_", " ") for n in (*change.points, *change.wheel)]
    what += [f"length of {n.replace('_', ' ')}" for n in change.lengths]
    what += ["tie rod screwed to a toe"] if change.toe_in_deg is not None else []
    shown = ", ".join(what[:6]) + (f" and {len(what) - 6} more" if len(what) > 6 else "")
    return f"{shown} changed on the live page"[:200]


def _every_part(file: HardPointFile, axle: str) -> list[str]:
    car = car_begun_from(file)
    return parts_of(car.axles[axle].left.layout) if axle in car.axles else []


def parts_of(layout: Layout) -> list[str]:
    """Every part that a change can name as made new."""
    return list(dict.fromkeys(("body", KNUCKLE, *layout.rods, *layout.arms, *layout.carried)))


def own_corner(file: HardPointFile, axle: Axle) -> Corner:
    """The corner that the file's points describe."""
    return axle.right if Side(file.axles[axle.name].side) is Side.RIGHT else axle.left


# --- as text ------------------------------------------------------------------------------------


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
    if isinstance(given, bool):
        return str(given).lower()
    if isinstance(given, list):
        return "[" + ", ".join(_value(v) for v in given) + "]"
    return repr(given)


def _text(words: str) -> str:
    """A TOML basic string: JSON's escapes are TOML's too, but for DEL."""
    return json.dumps(words, ensure_ascii=False).replace("\x7f", "\\u007f")
