"""Adjusters and setting up: for the screen, and as CSV."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

import numpy as np

from linkview.alignment.quantities import QUANTITIES
from linkview.export.tables import write_table
from linkview.model.adjusters import (
    Eccentric,
    Holes,
    RackShims,
    Shims,
    SlotAdjuster,
    SpringPerch,
    Threaded,
)
from linkview.model.parts import Side
from linkview.tuning.bench import CLOSE
from linkview.tuning.dials import RIDE_HEIGHT, Dial, DialTable, Key, quantity
from linkview.tuning.reasons import plural
from linkview.tuning.setting import SetUp

SHOWN = ("camber_deg", "caster_deg", "toe_in_deg", RIDE_HEIGHT, "bump_steer_deg_per_mm")
HEADS = ("camber deg", "caster deg", "toe-in deg", "height mm", "bump toe deg/mm")
STRAIGHT = 0.98  # of a way along one axis of the car, to be called by its name
HELD = (
    "At ride height, rack centred, against the body. The dampers keep their length: each spring "
    "carries the load it has now. Corner weights move when one corner is lifted alone: weigh the "
    "car after."
)


def dial_lines(table: DialTable) -> Iterator[str]:
    """For the screen: what every adjuster of one side does; the other side is in the CSV."""
    yield f"{table.axle.name.upper()} AXLE: what one step of each adjuster does to its own wheel"
    yield f"  {'adjuster':<24}{'range':<26}{'per':<9}" + "".join(f"{h:>17}" for h in HEADS)
    for k, dial in enumerate(table.dials):
        if dial.side is Side.RIGHT:
            continue
        side = dial.side or Side.LEFT
        if k in table.by_choice:
            for number, change in enumerate(table.by_choice[k], start=1):
                yield _line(dial, f"hole {number}", _cells(change, side))
            continue
        per = {key: float(s[k]) for key, s in table.present.slopes.items()}
        yield _line(dial, dial.adjuster.unit, _cells(per, side))
    for k, dial in enumerate(table.dials):
        if table.idle(k):
            yield f"  {dial.words} changes nothing that is read here: is it tied to the right part?"


def _line(dial: Dial, per: str, cells: str) -> str:
    return f"  {dial.name.replace('_', ' '):<24}{range_words(dial):<26}{per:<9}{cells}"


def _cells(change: Mapping[Key, float] | None, side: Side) -> str:
    if change is None:
        return "the parts do not go together there"
    out = ""
    for name in SHOWN:
        value = change.get((side, name), np.nan)
        places = 5 if name == "bump_steer_deg_per_mm" else 3
        out += f"{'-' if not np.isfinite(value) else f'{value:+.{places}f}':>17}"
    return out


def range_words(dial: Dial) -> str:
    """'-8.67 to +4.00 turns'."""
    low, high = dial.adjuster.ends
    if dial.by_choice:
        return f"{high:.0f} other {plural('hole', high)}"
    digits = 0 if dial.adjuster.increment >= 1.0 else 2
    return f"{low:+.{digits}f} to {high:+.{digits}f} {plural(dial.adjuster.unit, 2)}"


def write_dials(path: Path, tables: Sequence[DialTable]) -> None:
    """Every effect of every adjuster on every reading of every side, as CSV."""
    header = ["axle", "adjuster", "at", "range low", "range high", "step", "held fixed", "per"]
    header += ["of", "reading", "unit", "present value", "change"]

    def rows() -> Iterator[Sequence[object]]:
        for t in tables:
            for k, dial in enumerate(t.dials):
                low, high = dial.adjuster.ends
                whose = "both sides" if dial.side is None else dial.side.value
                start = [t.axle.name, dial.name, whose, f"{low:.6g}", f"{high:.6g}"]
                start += [f"{dial.adjuster.increment:.6g}", "yes" if dial.held else "no"]
                for per, change in _changes(t, k):
                    for key, value in change.items():
                        q = quantity(key[1])
                        of = "axle" if key[0] is None else key[0].value
                        present = round(t.present.values[key], q.decimals + 3)
                        yield [*start, per, of, q.label, q.unit, present, f"{value:.9g}"]

    write_table(path, header, rows())


def _changes(table: DialTable, k: int) -> Iterator[tuple[str, Mapping[Key, float]]]:
    if k in table.by_choice:
        for number, change in enumerate(table.by_choice[k], start=1):
            if change is not None:
                yield f"hole {number}", change
        return
    per = {key: float(s[k]) for key, s in table.present.slopes.items() if np.isfinite(s[k])}
    yield table.dials[k].adjuster.unit, per


def figure(key: Key, value: float) -> str:
    """A signed reading with its own decimals."""
    return f"{value:+.{quantity(key[1]).decimals}f}"


def setting_words(dial: Dial, by: float) -> str:
    """What to do with the spanner: '+3/12 turn (0.38 mm longer)'."""
    a = dial.adjuster
    match a:
        case Threaded():
            mm = a.mm_per_turn * by
            way = "longer" if mm > 0 else "shorter"
            return f"{_turns(by, a.steps_per_turn)}: {abs(mm):.2f} mm {way}"
        case SpringPerch():
            mm = a.pitch * by
            way = "up" if mm > 0 else "down"
            return f"{by:+.1f} {plural('turn', abs(by))}: seat {abs(mm):.1f} mm {way}"
        case Shims() | RackShims():
            done = "add" if by > 0 else "take out"
            return f"{done} {abs(by):.0f} {plural('shim', abs(by))} of {a.thickness:g} mm"
        case Eccentric():
            return f"turn the cam {by:+.0f} deg: {_slid(dial, a.way, a.mm(by), 2)}"
        case Holes():
            shift = ", ".join(f"{v:+g}" for v in a.others[round(by) - 1])
            return f"to hole {by:.0f}, at [{shift}] mm from the present one"
        case SlotAdjuster():
            return f"slide {_slid(dial, a.way, by, 1)}"
    raise AssertionError(f"no words for {type(a).__name__}")


def _slid(dial: Dial, way: tuple[float, float, float], mm: float, places: int) -> str:
    """'4.5 mm inboard', or along the way where it is askew to the car."""
    size = math.hypot(*way)
    axis = max(range(3), key=lambda k: abs(way[k]))
    if abs(way[axis]) < STRAIGHT * size:
        return f"{mm:+.{places}f} mm along its way"
    plus = way[axis] * mm > 0.0
    if axis == 1:  # y points to the car's left: outboard where the left side is written
        plus = plus == (dial.written_for is Side.LEFT)
    words = (("rearward", "forward"), ("inboard", "outboard"), ("down", "up"))[axis]
    return f"{abs(mm):.{places}f} mm {words[int(plus)]}"


def _turns(by: float, steps: int) -> str:
    whole, part = divmod(round(abs(by) * steps), steps)
    words = f"{whole} " if whole or not part else ""
    if part:
        words += f"{part}/{steps} "
    return f"{'+' if by > 0 else '-'}{words}{plural('turn', abs(by) if not part else whole + 1)}"


def set_up_lines(found: SetUp) -> Iterator[str]:
    """For the screen: the steps in order, what each reads afterwards, what is not met and why."""
    yield f"{found.axle.name.upper()} AXLE: setting up"
    yield f"  {'':<34}{'now':>11}{'wanted':>11}{'then':>11}"
    for key in ((side, name) for side in Side for name in CLOSE):
        if not np.isfinite(found.after.values.get(key, np.nan)):
            continue
        value, q = found.after.values[key], quantity(key[1])
        want = found.wanted.get(key)
        cells = [
            f"{found.before.values[key]:+.{q.decimals}f}",
            "(as it is)" if want is None else f"{want:+.{q.decimals}f}",
            f"{value:+.{q.decimals}f}",
        ]
        label = f"{key[0].value} {q.label}, {q.unit}"
        yield f"  {label:<34}" + "".join(f"{c:>11}" for c in cells)
    if not found.steps:
        yield "  Nothing to turn: no step of any adjuster brings it nearer."
    else:
        yield "  In this order; what to read after each step, all before it done:"
    for number, step in enumerate(found.steps, start=1):
        yield f"  {number:>2}. {step.dial.words}: {setting_words(step.dial, step.by)}"
        for side in Side:
            read = [(k, v) for k, v in step.readings.items() if k[0] is side]
            if read:
                told = [f"{quantity(k[1]).label} {figure(k, v)}" for k, v in read]
                yield f"        then {side.value}: {', '.join(told)}"
    for miss in found.misses:
        yield f"  NOT MET {miss.words}"
    for remark in found.remarks:
        yield f"  NOTE {remark}"


def write_set_up(path: Path, found: Sequence[SetUp]) -> None:
    """The steps in order with what to read after each, as CSV."""
    shown = [n for n in CLOSE if n != "bump_steer_deg_per_mm"]
    header = ["axle", "step", "adjuster", "at", "setting", "unit", "what to do", "exact setting"]
    for side in Side:
        header += [f"{side.value} {quantity(n).label} after ({quantity(n).unit})" for n in shown]

    def rows() -> Iterator[Sequence[object]]:
        for f in found:
            for number, step in enumerate(f.steps, start=1):
                dial = step.dial
                whose = "both sides" if dial.side is None else dial.side.value
                exact = float(f.exact[f.dials.index(dial)])
                row: list[object] = [f.axle.name, number, dial.name, whose, f"{step.by:.6g}"]
                row += [dial.adjuster.unit, setting_words(dial, step.by), f"{exact:.4f}"]
                row += [round(step.readings.get((s, n), np.nan), 4) for s in Side for n in shown]
                yield row

    write_table(path, header, rows())


def write_wanted(path: Path, found: Sequence[SetUp]) -> None:
    """What was, is wanted and comes out, and why where it is not met, as CSV."""
    header = ["axle", "of", "reading", "unit", "now", "wanted", "then", "met", "what stops it"]

    def rows() -> Iterator[Sequence[object]]:
        for f in found:
            missed = {m.key: "; ".join(m.why) for m in f.misses}
            for key in {**f.before.values, **f.after.values}:
                if key[1] not in {q.name for q in QUANTITIES} | {RIDE_HEIGHT}:
                    continue
                q, places = quantity(key[1]), quantity(key[1]).decimals + 2
                # NaN where it has no meaning: a roll centre of wheels that go straight up, say.
                now, then = (s.values.get(key, np.nan) for s in (f.before, f.after))
                met = "" if key not in f.wanted else "no" if key in missed else "yes"
                yield [
                    f.axle.name,
                    "axle" if key[0] is None else key[0].value,
                    q.label,
                    q.unit,
                    round(now, places),
                    f.wanted.get(key),
                    round(then, places),
                    met,
                    missed.get(key, ""),
                ]

    write_table(path, header, rows())
