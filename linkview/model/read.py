"""A hard-point file -> its tables, or every fault in it at once."""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeVar

from pydantic import ValidationError

from linkview.errors import Fault, ModelFaults, UnknownName, near_miss
from linkview.geometry import Array
from linkview.model.build import axle_from
from linkview.model.faults import axle_faults
from linkview.model.free_layout import layout_of
from linkview.model.keys import Table
from linkview.model.layout import Layout
from linkview.model.parts import Axle, Car, Side
from linkview.model.points import points_by_name
from linkview.model.reference import Reference, given_references
from linkview.model.schema import AxleTable, CarTable, MeasuredTable, VariantTable
from linkview.model.survey_faults import survey_faults
from linkview.model.surveyfile import SurveyOnly, SurveyTable
from linkview.model.wording import table_faults

FORMAT = 1
AS_FOUND = "as_found"
AXLES = ("front", "rear")
LARGEST_FILE_BYTES = 10_000_000
TOP_KEYS = ("format", "car", "measured", "axle", "variant", "survey")

T = TypeVar("T", bound=Table)


@dataclass(frozen=True, eq=False)
class HardPointFile:
    """A file that passed every check: its tables, not yet assembled."""

    path: Path
    car: CarTable
    measured: MeasuredTable
    axles: Mapping[str, AxleTable]
    variants: Mapping[str, VariantTable] = field(default_factory=dict)
    survey: SurveyTable | None = None

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
        checked = axle or _mended(given)
        if checked is not None:
            faults.add_new(axle_faults(f"axle.{name}", checked, measured, path.parent))
    variants: dict[str, VariantTable] = {}
    for name, given in faults.tables("variant", raw.get("variant", {})).items():
        variant = faults.read(f"variant.{name}", VariantTable, given)
        if variant is not None:
            variants[name] = variant
    faults.extend(_variant_faults(variants, raw.get("axle"), axles))
    survey = faults.read("survey", SurveyTable, raw["survey"]) if "survey" in raw else None
    if survey is not None and axles and not faults.any:
        known = points_by_name({name: given_references(table) for name, table in axles.items()})
        wheelbase = car.wheelbase if car else None
        faults.extend(survey_faults(survey, measured, known, wheelbase, axles))
    faults.raise_if_any()
    assert car is not None
    assert measured is not None
    return HardPointFile(path, car, measured, axles, variants, survey)


@dataclass(frozen=True, eq=False)
class SurveyFile:
    """A file's measurements. known: its hard points by 'AXLE.SIDE.POINT', none without axles.

    layouts: by axle, none without axles.
    """

    path: Path
    measured: MeasuredTable
    survey: SurveyTable
    known: Mapping[str, Array]
    layouts: Mapping[str, Layout] = field(default_factory=dict)


def read_survey(path: Path | str, known: Mapping[str, Array] | None = None) -> SurveyFile:
    """[survey] of a hard-point file, or of a file with nothing else but format and [measured].

    known: hard points of the car that was re-measured, where the file has no axles of its own.
    Raises ModelFaults listing all that is wrong.
    """
    path = Path(path)
    raw = _toml(path)
    faults = _Faults(str(path))
    if "axle" in raw or "car" in raw:
        file = read_file(path)
        if file.survey is None:
            faults.add(Fault("survey", "missing", "add [survey] with distances, heights and so on"))
        faults.raise_if_any()
        assert file.survey is not None
        known = points_by_name(references_of(file))
        layouts = {name: layout_of(table) for name, table in file.axles.items()}
        return SurveyFile(path, file.measured, file.survey, known, layouts)
    only = faults.read("", SurveyOnly, raw)
    if only is not None:
        faults.extend(survey_faults(only.survey, only.measured, known or {}))
    faults.raise_if_any()
    assert only is not None
    return SurveyFile(path, only.measured, only.survey, known or {})


def car_of(
    file: HardPointFile,
    variant: str,
    title: str,
    tables: Mapping[str, AxleTable],
    references: Mapping[str, Mapping[Side, Reference]],
    notes: tuple[str, ...] = (),
    kept: Mapping[str, Axle] | None = None,
) -> Car:
    """The frozen car from tables and where each side's points now stand.

    kept: axles that were built of the same tables and places already.
    """
    axles: dict[str, Axle] = {}
    for name, table in tables.items():
        axles[name] = (kept or {}).get(name) or axle_from(
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

    def add_new(self, faults: Iterable[Fault]) -> None:
        """Leaves out what only follows from a key that is already known to be wrong."""
        said = tuple(f.where for f in self._found)
        self.extend(f for f in faults if not any(w.startswith(f.where) for w in said))

    def read(self, where: str, model: type[T], given: object) -> T | None:
        table, faults = table_faults(where, model, given)
        self.extend(faults)
        return table

    def tables(self, key: str, given: object) -> Mapping[str, object]:
        if isinstance(given, Mapping) and (given or key == "variant"):
            return given
        self.add(Fault(key, "missing" if not given else "not a table", f"add [{key}.NAME] tables"))
        return {}

    @property
    def any(self) -> bool:
        return bool(self._found)

    def raise_if_any(self) -> None:
        if self._found:
            raise ModelFaults(self._path, self._found)


# Stand-ins for required keys that are wrong or missing, so that the rest can still be checked.
_STAND_INS: Mapping[str, object] = {"unsprung_kg": 1.0, "travel": {"droop": -10.0, "bump": 10.0}}
_NAMED = ("points", "points_left", "points_right", "joints", "bodies", "plates", "adjusters")


def _mended(given: object) -> AxleTable | None:
    """The axle without its faulty keys, where enough is left of it to look for more faults."""
    if not isinstance(given, Mapping):
        return None
    try:
        return AxleTable.model_validate(given)
    except ValidationError as error:
        places = [e["loc"] for e in error.errors(include_url=False)]
    rest = {k: dict(v) if isinstance(v, Mapping) else v for k, v in given.items()}
    for place in places:
        table = rest.get(str(place[0]))
        if place[0] in _NAMED and isinstance(table, dict) and len(place) > 1:
            table.pop(str(place[1]), None)
            if place[0] == "bodies":  # pairs may name the body that was taken out
                rest.pop("gaps", None)
                rest.pop("leave_out", None)
        else:
            rest.pop(str(place[0]), None)
            if place[0] in _STAND_INS:
                rest[str(place[0])] = _STAND_INS[str(place[0])]
    try:
        return AxleTable.model_validate(rest)
    except ValidationError:
        return None


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
    if change.how == "made_to_fit" and change.lengths:
        fix = "they go with parts_kept; a part made to fit is as long as its points say"
        out.append(Fault(f"{key}.lengths", "given with made_to_fit", fix))
    return out
