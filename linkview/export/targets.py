"""Answers to design targets: for the screen, as CSV, and as variants to put into the model file."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

from linkview.alignment.quantities import BY_NAME
from linkview.export.files import write_whole
from linkview.export.tables import write_table
from linkview.model.layout import BODY, RACK
from linkview.model.parts import Axle
from linkview.tuning.aimed import Aimed
from linkview.tuning.outcomes import Answer, Outcome

Found = Mapping[str, tuple[Axle, Sequence[Answer]]]
NEXT = (
    "Aims, gaps that the file wants and its slots are in these answers; no other gap, joint angle "
    "or plate. Put the variant you like from targets_variants.toml into the model file, then "
    "`linkview check`, `gaps` and `compare`."
)

NOTHING = {False: "nothing: the aims are met as the car stands", True: "nothing"}


def answer_lines(axle: Axle, answers: Sequence[Answer]) -> Iterator[str]:
    """For the screen: every answer with its moves, aims and costs, those that miss none first."""
    whole = [a for a in answers if not a.missed]
    moving = [a for a in answers if a.moves]
    if whole or moving:
        many = f"{len(answers)} answer{'' if len(answers) == 1 else 's'}"
        yield f"{axle.name.upper()} AXLE: {many}, {len(whole)} of them with every aim met"
    else:
        yield f"{axle.name.upper()} AXLE: no answer"
        yield "  No move inside the boxes brings the aims nearer; as the car stands:"
    if moving and not whole:
        yield "  THE AIMS CANNOT ALL BE MET inside these boxes; the nearest is first."
    for number, answer in enumerate(answers, start=1):
        told = "every aim met" if not answer.missed else _not_met(answer)
        moves = _moves(axle, answer) or NOTHING[bool(answer.missed)]
        yield f"  {number}. {told}; moves {moves}"
        for out in answer.outcomes:
            mark = "" if out.met else "   NOT MET"
            how = f" ({out.how})" if out.how else ""
            yield f"       {aim_words(out.aimed)}: {_both(out)}{how}{mark}"
        for line in answer.broken:
            yield f"       BESIDES THE AIMS: {line}"
        if answer.sizes:
            new = ", ".join(f"{n} {v:+.1f} mm" for n, v in answer.sizes.items())
            yield f"       other lengths: {new}"
        cost = [
            f"{BY_NAME[n].label} {a:+.{BY_NAME[n].decimals}f} -> {b:+.{BY_NAME[n].decimals}f}"
            for n, (a, b) in answer.costs.items()
            if abs(b - a) >= 10.0 ** -BY_NAME[n].decimals
        ]
        if cost:
            yield f"       at ride height: {', '.join(cost)}"


def _not_met(answer: Answer) -> str:
    return f"{answer.missed} aim{'' if answer.missed == 1 else 's'} NOT MET"


def _moves(axle: Axle, answer: Answer) -> str:
    out = []
    for point, by in answer.moves.items():
        cells = ", ".join(f"{v:+.1f}" for v in by)
        edge = [
            "xyz"[k]
            for k, (v, ends) in enumerate(zip(by, axle.may_move[point].ranges, strict=True))
            if ends[1] > ends[0] and (v <= ends[0] + 0.05 or v >= ends[1] - 0.05)
        ]
        at = f", {' and '.join(edge)} at the box's edge" if edge else ""
        out.append(f"{point.replace('_', ' ')} [{cells}] mm{at}")
    return "; ".join(out)


def aim_words(aimed: Aimed) -> str:
    """'toe-in change, rack +0, travel +40 (equals 0 deg)'."""
    wish = next(
        f"{n.replace('_', ' ')} {getattr(aimed.aim, n):g}"
        for n in ("equals", "at_least", "at_most")
        if getattr(aimed.aim, n) is not None
    )
    return f"{aimed.label}, {aimed.where} ({wish} {aimed.unit})"


def _both(out: Outcome) -> str:
    places = out.aimed.decimals
    before, after = (
        f"{v:+.{places}f}" if math.isfinite(v) else "unknown" for v in (out.before, out.after)
    )
    return f"{before} -> {after}"


def write_answers(path: Path, found: Found) -> None:
    """Every answer's moves, aims, lengths and costs, one row per figure, as CSV."""
    header = ["axle", "answer", "kind", "what", "unit", "before", "after", "met", "how"]

    def rows() -> Iterator[Sequence[object]]:
        for name, (axle, answers) in found.items():
            for number, answer in enumerate(answers, start=1):
                start = [name, number]
                for point, by in answer.moves.items():
                    for k, axis in enumerate("xyz"):
                        corner = axle.left if axle.given_side.value == "left" else axle.right
                        was = float(corner.points[point][k])
                        yield [*start, "hard point", f"{point} {axis}", "mm",
                               round(was, 4), round(was + float(by[k]), 4), "", ""]  # fmt: skip
                for out in answer.outcomes:
                    yield [*start, "aim", aim_words(out.aimed), out.aimed.unit, _cell(out.before),
                           _cell(out.after), "yes" if out.met else "no", out.how]  # fmt: skip
                for line in answer.broken:
                    yield [*start, "besides the aims", line, "", "", "", "no", ""]
                for part, mm in answer.sizes.items():
                    yield [*start, "other length", part, "mm", 0, round(mm, 3), "", ""]
                for reading, (a, b) in answer.costs.items():
                    q = BY_NAME[reading]
                    yield [
                        *start,
                        "at ride height",
                        q.label,
                        q.unit,
                        round(a, 6),
                        round(b, 6),
                        "",
                        "",
                    ]

    write_table(path, header, rows())


def _cell(value: float) -> float | str:
    return round(value, 5) if math.isfinite(value) else "unknown"


def variants_text(found: Found, variant: str) -> str:
    """Each answer as a variant, ready to be put at the end of the model file."""
    lines = ["# Answers of `linkview targets`: copy the one you like to the end of the model file."]
    for name, (axle, answers) in found.items():
        for number, answer in enumerate(answers, start=1):
            if not answer.moves:
                continue
            told = "every aim met" if not answer.missed else f"{answer.missed} aims not met"
            lines += ["", f"[variant.{name}_answer_{number}]", f'title = "targets, {told}"']
            if variant != "as_found":
                lines.append(f'on = "{variant}"')
            lines += [f"[[variant.{name}_answer_{number}.change]]", f'axle = "{name}"']
            parts = ", ".join(f'"{p}"' for p in _parts(axle, answer))
            lines += ['how = "made_to_fit"', f"parts = [{parts}]"]
            lines.append(f"[variant.{name}_answer_{number}.change.move]")
            for point, by in answer.moves.items():
                lines.append(f"{point} = [{', '.join(f'{v:.1f}' for v in by)}]")
    return "\n".join(lines) + "\n"


def _parts(axle: Axle, answer: Answer) -> list[str]:
    """Parts that are made new: those that own a moved point, and those of another length."""
    layout = axle.left.layout
    out = []
    for point in answer.moves:
        owner = layout.owner(point)
        out.append(BODY if owner == RACK else owner)
    out += [n for n, rod in layout.rods.items() if {rod.inner, rod.outer} & set(answer.moves)]
    out += [n for n, arm in layout.arms.items() if {*arm.pivots, arm.ball} & set(answer.moves)]
    return list(dict.fromkeys(out))


def write_variants(path: Path, found: Found, variant: str) -> None:
    """`variants_text` as a file."""
    write_whole(path, variants_text(found, variant))
