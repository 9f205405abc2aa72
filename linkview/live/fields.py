"""What a page asks before a file is made: a choice, a number, a few words; each checked here."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from linkview.errors import LinkviewError

Json = dict[str, object]
_MOST = 20


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


@dataclass(frozen=True)
class Text:
    """A few words in a line; value: where nothing is said. most: characters."""

    label: str
    value: str = ""
    most: int = 40

    def json(self, key: str) -> Json:
        return {"key": key, "label": self.label, "text": self.value, "most": self.most}

    def checked(self, key: str, given: object) -> str:
        words = self.value if given is None else str(given).strip()
        if len(words) > self.most or not words.isprintable():
            raise LinkviewError(f"{self.label}: give at most {self.most} letters in one line")
        return words or self.value


Fields = Mapping[str, Choice | Number | Text]


def diameters_mm(words: str) -> tuple[float, ...]:
    """Diameters in mm as typed, parted by ; or blanks. LinkviewError for what is none."""
    out = []
    for word in words.replace(";", " ").split():
        try:
            mm = float(word.replace(",", "."))
        except ValueError:
            mm = 0.0
        if not 0.0 < mm < 1000.0:
            raise LinkviewError(f"'{word[:20]}' is no diameter in mm; write 8.5; 10.5")
        out.append(mm)
    if len(out) > _MOST:
        raise LinkviewError(f"{len(out)} diameters of bolt holes; {_MOST} are the most")
    return tuple(out)
