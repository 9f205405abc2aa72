"""How a shop's rule came out on a feature of a plate, and many of them told in few words."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from enum import Enum


class Level(Enum):
    """How a rule came out."""

    PASS = "pass"
    WARNING = "warning"
    REFUSAL = "refusal"


@dataclass(frozen=True)
class Verdict:
    """One rule on one feature. found_mm below needed_mm is what a warning or refusal is about.

    at: where in the plate, mm, to be drawn there. fix: what a builder can do about it.
    """

    level: Level
    feature: str
    rule: str
    found_mm: float
    needed_mm: float
    source: str
    at: tuple[float, float] | None = None
    fix: str = field(default="", compare=False)

    def __str__(self) -> str:
        return self.told_of(self.feature)

    def told_of(self, features: str) -> str:
        """The verdict, for all these features."""
        return (
            f"{features}: {self.rule} {self.found_mm:.1f} mm, "
            f"at least {self.needed_mm:.1f} mm needed ({self.source})"
        )


@dataclass(frozen=True)
class Todo(Verdict):
    """No rule that is missed: work that the cut plate still needs, which `rule` says whole."""

    def told_of(self, features: str) -> str:
        return f"{features}: {self.rule} ({self.source})"


def told_together(found: Iterable[Verdict], level: Level) -> list[str]:
    """All of a level, those alike but for their features in one line."""
    return [line for line, _ in told_with_fixes(found, level)]


def told_with_fixes(found: Iterable[Verdict], level: Level) -> list[tuple[str, str]]:
    """The same, each with what a builder can do about it."""
    alike: dict[tuple[object, ...], list[Verdict]] = {}
    for v in found:
        if v.level is level:
            key = v.rule, f"{v.found_mm:.1f}", f"{v.needed_mm:.1f}", v.source, v.fix
            alike.setdefault(key, []).append(v)
    return [(some[0].told_of(_named([v.feature for v in some])), some[0].fix)
            for some in alike.values()]  # fmt: skip


_NUMBERED = re.compile(r"(hole|slot) (\d+)( \(.*)")


def _named(features: Sequence[str]) -> str:
    """'hole 1 (stud), hole 2 (stud) and hole 3 (tap)' as 'holes 1, 2 (stud), hole 3 (tap)'."""
    alike: dict[tuple[str, str], list[str]] = {}
    for feature in features:
        parts = _NUMBERED.fullmatch(feature)
        key = (parts[1], parts[3]) if parts else (feature, "")
        alike.setdefault(key, []).append(parts[2] if parts else "")
    told = []
    for (kind, rest), numbers in alike.items():
        many = f"{kind}{'s' if len(numbers) > 1 else ''} {', '.join(numbers)}{rest}"
        told.append(many if numbers[0] else kind)
    return ", ".join(told)
