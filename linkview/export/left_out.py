"""The pairs of bodies that were not measured, told by their reasons."""

from __future__ import annotations

import re

from linkview.model.wording import spoken
from linkview.study import AxleStudy

_FIGURE = re.compile(r"\d+(?:\.\d+)? mm")


def left_out_by_reason(axle: AxleStudy) -> tuple[str, ...]:
    """One line a reason, "REASON: all its pairs"; a figure in a reason stands with its pair."""
    reasons: dict[str, list[str]] = {}
    for side, survey in axle.gaps.items():
        for out in survey.left_out:
            who = f"{spoken(out.pair[0])} to {spoken(out.pair[1])}"
            who = who if axle.axle.symmetric else f"{side.value} {who}"
            figures = _FIGURE.findall(out.reason)
            if figures:
                who += f" ({', '.join(figures)})"
            reasons.setdefault(_FIGURE.sub("the mm given", spoken(out.reason)), []).append(who)
    return tuple(f"{reason}: {', '.join(who)}" for reason, who in reasons.items())
