"""A hard-point file -> its tables, or every fault in it at once."""

from __future__ import annotations

import tomllib
import types
import typing
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from linkview.errors import Fault, ModelFaults, UnknownName, near_miss
from linkview.model.build import Reference, axle_from, given_references
from linkview.model.faults import axle_faults
from linkview.model.parts import Axle, Car, Side
from linkview.model.schema import AxleTable, CarTable, MeasuredTable, Table, VariantTable

FORMAT = 1
AS_FOUND = "as_found"
AXLES = ("front", "rear")
LARGEST_FILE_BYTES = 10_000_000
TOP_KEYS = ("format", "car", "measured", "axle", "variant")

T = TypeVar("T", bound=Table)


@dataclass(frozen=True, eq=False)
class HardPointFile:
    """A file that passed every check: its tables, not yet assembled."""

    path: Path
    car: CarTable
    measured: MeasuredTable
    axles: Mapping[str, AxleTable]
    variants: Mapping[str, VariantTable] = field(default_factory=dict)

    def variant(self, name: str) -> VariantTable:
        """A planned change by name; raises UnknownName with the nearest one."""
        if name not in self.variants:
            fix = near_miss(name, [AS_FOUND, *self.variants])
            raise UnknownName(f"{self.path}: no variant '{name}'; {fix}")
        return self.variants[name]


def read_file(path: Path | str) -> HardPointFile:
    """Reads and checks a hard-point file. Raises ModelFaults listing all that is wrong."""
    path = Path(path)
    raw = _toml(path)
    faults = _Faults(str(path))
    version = raw.get("format")
    if version != FORMAT or isinstance(version, bool):
        said = "missing" if version is None else f"{version!r} is not a format this version reads"
        faults.add(Fault("format", said, f"write format = {FORMAT} at the top"))
    for key in raw:
        if key not in TOP_KEYS:
            faults.add(Fault(key, "unknown table or key", near_miss(key, TOP_KEYS)))
    car = faults.read("car", CarTable, raw.get("car"))
    measured = faults.read("measured", MeasuredTable, raw.get("measured"))
    axles: dict[str, AxleTable] = {}
    for name, given in faults.tables("axle", raw.get("axle")).items():
        if name not in AXLES:
            faults.add(Fault(f"axle.{name}", "unknown axle", near_miss(name, AXLES)))
        axle = faults.read(f"axle.{name}", AxleTable, given)
        if axle is not None:
            axles[name] = axle
            faults.extend(axle_faults(f"axle.{name}", axle, measured, path.parent))
    variants: dict[str, VariantTable] = {}
    for name, given in faults.tables("variant", raw.get("variant", {})).items():
        variant = faults.read(f"variant.{name}", VariantTable, given)
        if variant is not None:
            variants[name] = variant
    faults.extend(_variant_faults(variants, raw.get("axle"), axles))
    faults.raise_if_any()
    assert car is not None
    assert measured is not None
    return HardPointFile(path, car, measured, axles, variants)


def car_of(
    file: HardPointFile,
    variant: str,
    title: str,
    tables: Mapping[str, AxleTable],
    references: Mapping[str, Mapping[Side, Reference]],
    notes: tuple[str, ...] = (),
) -> Car:
    """The frozen car from tables and where each side's points now stand."""
    axles: dict[str, Axle] = {}
    for name, table in tables.items():
        axles[name] = axle_from(
            name,
            table,
            references[name],
            driven=file.car.driven in (name, "both"),
            folder=file.path.parent,
        )
    return Car(
        name=file.car.name,
        path=file.path,
        variant=variant,
        variant_title=title,
        wheelbase_mm=file.car.wheelbase,
        mass_kg=file.car.mass_kg,
        cg_height_mm=file.car.cg_height,
        front_weight_fraction=file.car.front_weight_percent / 100.0,
        front_brake_fraction=file.car.front_brake_percent / 100.0,
        measured_state=file.measured.state,
        axles=axles,
        notes=notes,
    )


def references_of(file: HardPointFile) -> dict[str, dict[Side, Reference]]:
    """Where the file itself puts every axle's points."""
    return {name: given_references(table) for name, table in file.axles.items()}


def table_faults(where: str, model: type[T], given: object) -> tuple[T | None, list[Fault]]:
    """One table checked against its keys: the table, or its faults."""
    if not isinstance(given, Mapping):
        return None, [Fault(where, "missing" if given is None else "not a table", "add it")]
    try:
        return model.model_validate(given), []
    except ValidationError as error:
        return None, [_fault(where, model, e) for e in error.errors(include_url=False)]


# --- how faults are gathered -----------------------------------------------------------------


class _Faults:
    """Gathers faults of one file until they are raised together."""

    def __init__(self, path: str) -> None:
        self._path = path
        self._found: list[Fault] = []

    def add(self, fault: Fault) -> None:
        self._found.append(fault)

    def extend(self, faults: Iterable[Fault]) -> None:
        self._found.extend(faults)

    def read(self, where: str, model: type[T], given: object) -> T | None:
        table, faults = table_faults(where, model, given)
        self.extend(faults)
        return table

    def tables(self, key: str, given: object) -> Mapping[str, object]:
        if isinstance(given, Mapping) and (given or key == "variant"):
            return given
        self.add(Fault(key, "missing" if not given else "not a table", f"add [{key}.NAME] tables"))
        return {}

    def raise_if_any(self) -> None:
        if self._found:
            raise ModelFaults(self._path, self._found)


def _toml(path: Path) -> dict[str, Any]:
    def refuse(what: str, fix: str, where: str = "file") -> ModelFaults:
        return ModelFaults(str(path), [Fault(where, what, fix)])

    try:
        if path.is_dir():
            raise refuse("is a folder", "name the .toml file in it")
        if path.stat().st_size > LARGEST_FILE_BYTES:
            raise refuse("is over 10 MB", "a hard-point file is a few pages of text")
        return tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except FileNotFoundError:
        raise refuse("is not there", "check the name and the folder") from None
    except UnicodeDecodeError:
        raise refuse("is not plain text (UTF-8)", "save it as UTF-8 text") from None
    except OSError as error:
        raise refuse(f"cannot be read ({error.strerror})", "check its permissions") from None
    except tomllib.TOMLDecodeError as error:
        words = str(error)
        fix = (
            "each name may stand once"
            if "overwrite" in words or "twice" in words
            else ("check quotes, commas and brackets there")
        )
        raise refuse(f"is not valid TOML: {words}", fix) from None
    except RecursionError:
        raise refuse("is nested too deep", "a hard-point file has a few levels only") from None


def _variant_faults(
    variants: Mapping[str, VariantTable], given_axles: object, axles: Mapping[str, AxleTable]
) -> list[Fault]:
    out = []
    names = list(given_axles) if isinstance(given_axles, Mapping) else []
    for name, variant in variants.items():
        if name == AS_FOUND:
            out.append(Fault(f"variant.{name}", "is the file's own base", "choose another name"))
        if variant.on != AS_FOUND and variant.on not in variants:
            fix = near_miss(variant.on, [AS_FOUND, *variants])
            out.append(Fault(f"variant.{name}.on", f"no variant '{variant.on}'", fix))
        seen, at = [name], variant.on
        while at in variants and at not in seen:
            seen.append(at)
            at = variants[at].on
        if at in seen:
            chain = " on ".join([*seen, at])
            out.append(Fault(f"variant.{name}.on", f"goes in a ring: {chain}", "break the ring"))
        for i, change in enumerate(variant.change):
            key = f"variant.{name}.change[{i}]"
            if change.axle not in names:
                fix = near_miss(change.axle, names)
                out.append(Fault(f"{key}.axle", f"no axle '{change.axle}'", fix))
            elif change.axle in axles:
                out += _change_faults(key, change, axles[change.axle])
    return out


def _change_faults(key: str, change: Any, axle: AxleTable) -> list[Fault]:
    known = {*(axle.points or axle.points_left), "wheel_centre"}
    out = []
    for what in ("points", "move"):
        for point in getattr(change, what):
            if point not in known:
                out.append(Fault(f"{key}.{what}.{point}", "no such point", near_miss(point, known)))
    for point in set(change.points) & set(change.move):
        out.append(Fault(f"{key}.move.{point}", "also under points", "keep one of the two"))
    if change.how == "parts_kept" and change.parts:
        out.append(Fault(f"{key}.parts", "given with parts_kept", "they go with made_to_fit"))
    if change.how == "made_to_fit" and change.reset_toe_in is not None:
        out.append(Fault(f"{key}.reset_toe_in", "given with made_to_fit", "use wheel.toe_in"))
    return out


def _fault(where: str, model: type[BaseModel], error: ErrorDetails) -> Fault:
    """One pydantic error in the builder's words: the key as in TOML, the value, the fix."""
    path, table, wanted = _walk(model, error["loc"])
    key = ".".join([where, *path]).replace(".[", "[")
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
            here = typing.get_args(here)[1]
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
