"""What pydantic finds wrong in a table, said in the builder's words: key, value, fix."""

from __future__ import annotations

import types
import typing
from collections.abc import Callable, Mapping
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from linkview.errors import Fault, near_miss
from linkview.model.keys import Table

T = TypeVar("T", bound=Table)


def spoken(name: str) -> str:
    """A file's name for a screen: 'tie_rod' -> 'tie rod'."""
    return name.replace("_", " ")


def counted(count: int, one: str, more: str = "") -> str:
    """'1 hole', '2 holes', '0 entities': a number with its noun; more: a plural not made by s."""
    return f"{count} {one if count == 1 else more or one + 's'}"


def table_faults(where: str, model: type[T], given: object) -> tuple[T | None, list[Fault]]:
    """One table checked against its keys: the table, or its faults."""
    if not isinstance(given, Mapping):
        return None, [Fault(where, "missing" if given is None else "not a table", "add it")]
    try:
        return model.model_validate(given), []
    except ValidationError as error:
        found = error.errors(include_url=False)
        return None, [_fault(where, model, e) for e in found if not _follows(e, found)]


def _follows(error: ErrorDetails, found: list[ErrorDetails]) -> bool:
    """A list that is too short only because what stands in it is faulty."""
    within = [e["loc"][: len(error["loc"])] for e in found if e is not error]
    return error["type"] == "too_short" and error["loc"] in within


def _fault(where: str, model: type[BaseModel], error: ErrorDetails) -> Fault:
    """One pydantic error in the builder's words: the key as in TOML, the value, the fix."""
    path, table, wanted = _walk(model, error["loc"])
    key = ".".join([*([where] if where else []), *path]).replace(".[", "[")
    given = error.get("input")
    kind = error["type"]
    if kind == "extra_forbidden":
        return Fault(key, "unknown key", near_miss(path[-1], _keys(table)))
    if kind == "missing":
        if path[-1] == "unit":
            return Fault(
                key,
                "a mesh file does not say its unit",
                "which was it drawn in? add unit = 'mm', 'cm', 'm' or 'in'",
            )
        return Fault(key, "missing", f"add it ({wanted})" if wanted else "add it")
    fix = f"it is: {wanted}" if wanted else "correct it"
    message = _plain(error)
    if isinstance(given, Mapping | list | tuple) and len(str(given)) > 60:
        return Fault(key, message, fix)
    return Fault(key, f"{given!r}: {message}", fix)


def _plain(error: ErrorDetails) -> str:
    special: dict[str, Callable[[Mapping[str, Any]], str]] = {
        "finite_number": lambda c: "not a finite number",
        "greater_than": lambda c: f"must be more than {c['gt']:g}",
        "greater_than_equal": lambda c: f"must be at least {c['ge']:g}",
        "less_than": lambda c: f"must be less than {c['lt']:g}",
        "less_than_equal": lambda c: f"must be at most {c['le']:g}",
        "float_type": lambda c: "must be a number, without quotes",
        "model_type": lambda c: "must be a table, its keys in { }",
        "int_type": lambda c: "must be a whole number",
        "tuple_type": lambda c: "must be a list such as [0, 0, 0]",
        "too_short": lambda c: f"needs {c['min_length']} entries, has {c['actual_length']}",
        "too_long": lambda c: f"takes {c['max_length']} entries, has {c['actual_length']}",
        "string_pattern_mismatch": lambda c: "a name is letters, digits and _ only",
        "literal_error": lambda c: f"must be {c['expected']}",
        "union_tag_invalid": lambda c: f"no such kind; kinds are {c['expected_tags']}",
        "union_tag_not_found": lambda c: "needs a kind",
        "value_error": lambda c: str(c["error"]),
    }
    words = special.get(error["type"])
    return words(error.get("ctx", {})) if words else error["msg"].lower()


def _walk(
    model: type[BaseModel], loc: tuple[int | str, ...]
) -> tuple[list[str], type[BaseModel] | None, str]:
    """The TOML key of an error's place, the table that holds it and the key's meaning."""
    path: list[str] = []
    table: type[BaseModel] | None = model
    holder, wanted, here = table, "", None
    for step in loc:
        if table is not None:
            holder, wanted = table, ""
            path.append(str(step))
            for name, info in table.model_fields.items():
                if step == (info.alias or name):
                    here, wanted = info.annotation, info.description or ""
                    break
            else:
                here = None
            table = _as_table(here)
        elif isinstance(step, int):
            path.append(f"[{step}]")
            here = _item(here)
            table = _as_table(here)
        elif (picked := _tagged(here, step)) is not None:
            table = picked
        elif typing.get_origin(here) is dict:
            path.append(str(step))
            here, wanted = typing.get_args(here)[1], ""
            table = _as_table(here)
    return path or ["file"], holder, wanted


def _bare(annotation: Any) -> Any:
    while typing.get_origin(annotation) is typing.Annotated:
        annotation = typing.get_args(annotation)[0]
    if typing.get_origin(annotation) in (typing.Union, types.UnionType):
        rest = [a for a in typing.get_args(annotation) if a is not type(None)]
        if len(rest) == 1:
            return _bare(rest[0])
    return annotation


def _as_table(annotation: Any) -> type[BaseModel] | None:
    bare = _bare(annotation)
    return bare if isinstance(bare, type) and issubclass(bare, BaseModel) else None


def _item(annotation: Any) -> Any:
    args = typing.get_args(_bare(annotation))
    return args[0] if args else None


def _tagged(annotation: Any, tag: object) -> type[BaseModel] | None:
    for member in typing.get_args(_bare(annotation)):
        table = _as_table(member)
        kind = table.model_fields.get("kind") if table else None
        if kind is not None and tag in typing.get_args(kind.annotation):
            return table
    return None


def _keys(table: type[BaseModel] | None) -> list[str]:
    if table is None:
        return []
    return [info.alias or name for name, info in table.model_fields.items()]
