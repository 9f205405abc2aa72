"""Answers to design targets: for the screen, as CSV, and as variants to put into the model file."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

from linkview.alignment.quantities import BY_NAME
from linkview.export.files import write_whole
from linkview.export.tables import write_table
from linkview.model.layout import BODY, RACK
from linkview.model.parts import Axle
from linkview.tuning.targets import Aimed, Answer

Found = Mapping[str, tuple[Axle, Sequence[Answer]]]
NEXT = (
    "Alignment only: no gap, joint angle or plate is in these answers. Put the variant you like "
    "from targets_variants.toml into the model file, then `linkview check`, `gaps` and `compare`."
)


def answer_lines(axle: Axle, answers: Sequence[Answer]) -> Iterator[str]:
    """For the screen: every answer with its moves, aims and costs, those that miss none first."""
    whole = [a for a in answers if not a.missed]
    yield (
        f"{axle.name.upper()} AXLE: {len(answers)} answers, {len(whole)} of them with every aim met"
    )
    if not answers:
        yield "  No move inside the boxes brings the aims nearer."
    elif not whole:
        yield "  THE AIMS CANNOT ALL BE MET inside these boxes; the nearest is first."
    for number, answer in enumerate(answers, start=1):
        told = "every aim met" if not answer.missed else f"{answer.missed} aims NOT MET"
        yield f"  {number}. {told}; moves {_moves(axle, answer)}"
        for out in answer.outcomes:
            mark = "" if out.met else "   NOT MET"
            yield f"       {aim_words(out.aimed)}: {_both(out.aimed, out.before, out.after)}{mark}"
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
    """'toe-in change at rack +0, travel +40 (equals 0)'."""
    aim, q = aimed.aim, BY_NAME[aimed.aim.reading]
    wish = next(
        f"{n.replace('_', ' ')} {getattr(aim, n):g}"
        for n in ("equals", "at_least", "at_most")
        if getattr(aim, n) is not None
    )
    what = f"{q.label} change" if aim.change else q.label
    return f"{what}, rack {aimed.rack_mm:+g}, travel {aimed.travel_mm:+g} ({wish} {q.unit})"


def _both(aimed: Aimed, before: float, after: float) -> str:
    places = BY_NAME[aimed.aim.reading].decimals
    return f"{before:+.{places}f} -> {after:+.{places}f}"


def write_answers(path: Path, found: Found) -> None:
    """Every answer's moves, aims, lengths and costs, one row per figure, as CSV."""
    header = ["axle", "answer", "kind", "what", "unit", "before", "after", "met"]

    def rows() -> Iterator[Sequence[object]]:
        for name, (axle, answers) in found.items():
            for number, answer in enumerate(answers, start=1):
                start = [name, number]
                for point, by in answer.moves.items():
                    for k, axis in enumerate("xyz"):
                        corner = axle.left if axle.given_side.value == "left" else axle.right
                        was = float(corner.points[point][k])
                        yield [*start, "hard point", f"{point} {axis}", "mm",
                               round(was, 4), round(was + float(by[k]), 4), ""]  # fmt: skip
                for out in answer.outcomes:
                    unit = BY_NAME[out.aimed.aim.reading].unit
                    yield [*start, "aim", aim_words(out.aimed), unit, round(out.before, 5),
                           round(out.after, 5), "yes" if out.met else "no"]  # fmt: skip
                for part, mm in answer.sizes.items():
                    yield [*start, "other length", part, "mm", 0, round(mm, 3), ""]
                for reading, (a, b) in answer.costs.items():
                    q = BY_NAME[reading]
                    yield [*start, "at ride height", q.label, q.unit, round(a, 6), round(b, 6), ""]

    write_table(path, header, rows())


def variants_text(found: Found, variant: str) -> str:
    """Each answer as a variant, ready to be put at the end of the model file."""
    lines = ["# Answers of `linkview targets`: copy the one you like to the end of the model file."]
    for name, (axle, answers) in found.items():
        for number, answer in enumerate(answers, start=1):
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
