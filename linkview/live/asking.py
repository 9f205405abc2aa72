"""What is asked before a file to take away is made: fields, choices, and why some cannot be."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

from linkview.errors import LinkviewError, near_miss
from linkview.live.document import Document
from linkview.live.jobs import WHATS
from linkview.model.hardware_faults import OWN_BODIES
from linkview.model.parts import Axle
from linkview.model.read import AS_FOUND
from linkview.model.wording import spoken

MOST_LOOKED_AT = 100  # files of a folder, for measurements
MOST_BYTES = 2_000_000
Json = dict[str, object]


@dataclass(frozen=True)
class Choice:
    """One of several: value -> words; the first is taken where nothing is said."""

    label: str
    choices: Mapping[str, str]

    def json(self, key: str) -> Json:
        return {"key": key, "label": self.label, "choices": list(self.choices.items())}

    def checked(self, key: str, given: object) -> str:
        if given not in self.choices:
            raise LinkviewError(f"{key}: '{str(given)[:60]}' cannot be chosen here")
        return str(given)


@dataclass(frozen=True)
class Number:
    """A number between two others; value None: may be left empty."""

    label: str
    unit: str
    low: float
    high: float
    value: float | None = None
    empty: bool = False

    def json(self, key: str) -> Json:
        return {
            "key": key,
            "label": self.label,
            "unit": self.unit,
            "value": self.value,
            "empty": self.empty,
        }

    def checked(self, key: str, given: object) -> str:
        if self.empty and given is None:
            return ""
        fine = isinstance(given, int | float) and not isinstance(given, bool)
        if not fine or not math.isfinite(given) or not self.low <= given <= self.high:  # type: ignore[arg-type,operator]
            said = f"{self.low:g} to {self.high:g} {self.unit}"
            raise LinkviewError(f"{self.label}: {str(given)[:30]} will not do; give {said}")
        return repr(float(given))  # type: ignore[arg-type]


Fields = Mapping[str, Choice | Number]
_GAPS = Choice("Gaps", {"without": "leave them out: quick", "with": "measure them too: minutes"})


def offers_json(document: Document, axle: Axle) -> list[Json]:
    """Everything that can be made of the car for an axle, with what is asked and why not."""
    out: list[Json] = []
    for what, words in WHATS.items():
        item: Json = {"what": what, "words": words, "fields": [], "why": ""}
        try:
            item["fields"] = [f.json(key) for key, f in _fields(what, document, axle).items()]
        except LinkviewError as reason:
            item["why"] = str(reason)
        out.append(item)
    return out


def checked(what: str, given: object, document: Document, axle: Axle) -> dict[str, str]:
    """What a page gave for the fields of one of `WHATS`. LinkviewError says what is wrong."""
    if what not in WHATS:
        raise LinkviewError(f"no files '{what[:40]}'; {near_miss(what, WHATS)}")
    values = given if isinstance(given, dict) else {}
    fields = _fields(what, document, axle)
    return {key: field.checked(key, values.get(key)) for key, field in fields.items()}


def _fields(what: str, document: Document, axle: Axle) -> Fields:
    return _ASKED[what](document, axle) if what in _ASKED else {}


# --- by file --------------------------------------------------------------------------------------


def _envelope(document: Document, axle: Axle) -> Fields:
    bodies = {b.name: spoken(b.name) for b in axle.left.bodies}
    if not bodies:
        raise LinkviewError(f"the {axle.name} axle has no bodies")
    first: dict[str, str] = {n: bodies[n] for n in OWN_BODIES if n in bodies}
    grow = Number("Grown besides by", "mm", 0.0, 200.0, 0.0)
    return {"body": Choice("The body", {**first, **bodies}), "grow": grow}


def _compare(document: Document, axle: Axle) -> Fields:
    names = {AS_FOUND: "as found", **{n: spoken(n) for n in document.file.variants}}
    if not document.unsaved:
        names.pop(document.edits.base, None)
    if not names:
        raise LinkviewError("there is nothing to compare with: the file has no other variant")
    return {"before": Choice("Compared with", names), "gaps": _GAPS}


def _sensitivity(document: Document, axle: Axle) -> Fields:
    words = {"follow": "a point measured elsewhere", "kept": "a bracket moved"}
    return {"parts": Choice("1 mm means", words)}


def _trust(document: Document, axle: Axle) -> Fields:
    of = {"readings": "alignment: quick", "all": "alignment, stops, limits, gaps: minutes"}
    cut = Number("A plate's hole may be off by", "mm", 0.0, 20.0, 0.0)
    return {"of": Choice("Of what", of), "cut": cut}


def _adjusters(document: Document, axle: Axle) -> Fields:
    if not any(a.adjusters for a in document.car.axles.values()):
        raise LinkviewError("no axle has adjusters: add [axle.NAME.adjusters.NAME] to the file")
    return {}


def _setup(document: Document, axle: Axle) -> Fields:
    if not axle.adjusters:
        raise LinkviewError(
            f"the {axle.name} axle has no adjusters: add [axle.{axle.name}.adjusters.NAME]"
        )
    out = {}
    for key, (label, unit, most) in _WANTED.items():
        given = getattr(axle.wanted, key, None) if axle.wanted is not None else None
        value = float(given) if isinstance(given, int | float) else None
        out[key] = Number(label, unit, -most, most, value, empty=True)
    return out


_WANTED = {
    "camber": ("Camber", "deg", 20.0),
    "caster": ("Caster", "deg", 30.0),
    "toe_in": ("Toe-in, one wheel", "deg", 10.0),
    "ride_height": ("Ride height, + higher", "mm", 300.0),
}


def _targets(document: Document, axle: Axle) -> Fields:
    if not axle.aims:
        raise LinkviewError(f"nothing to aim at: add [[axle.{axle.name}.aims]] to the file")
    if document.unsaved:
        raise LinkviewError("save the changes first: its answers stand on a variant of the file")
    return {}


def _measure(document: Document, axle: Axle) -> Fields:
    return {"from": Choice("Measurements in", _surveys(document.file.path))}


def _as_built(document: Document, axle: Axle) -> Fields:
    own = {str(document.file.path)}
    some = {p: w for p, w in _surveys(document.file.path).items() if p not in own}
    if not some:
        raise LinkviewError(f"no other file in {document.file.path.parent} has [survey]")
    within = Number("Allowed off the design", "mm", 0.01, 1000.0, 2.0)
    return {"from": Choice("Measurements in", some), "within": within, "gaps": _GAPS}


def _surveys(model: Path) -> dict[str, str]:
    """Files beside the model with measurements in them, the model itself first."""
    beside = sorted(p for p in model.parent.glob("*.toml") if p != model)[:MOST_LOOKED_AT]
    out = {str(p): p.name for p in (model, *beside) if _has_survey(p)}
    if not out:
        raise LinkviewError(f"no file in {model.parent} has [survey]: add one, as in taped_front")
    return out


def _has_survey(path: Path) -> bool:
    try:
        if path.stat().st_size > MOST_BYTES:
            return False
        return "survey" in tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except (OSError, ValueError, RecursionError):
        return False


_ASKED: Mapping[str, Callable[[Document, Axle], Fields]] = {
    "envelope": _envelope,
    "compare": _compare,
    "sensitivity": _sensitivity,
    "trust": _trust,
    "adjusters": _adjusters,
    "setup": _setup,
    "targets": _targets,
    "measure": _measure,
    "asbuilt": _as_built,
}
