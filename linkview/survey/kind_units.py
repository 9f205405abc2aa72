"""A whole kind of readings in another unit: all heights in inches, an arm's set-up in metres.

One such number is a slip among its like; a whole kind of them draws everything astray, and then
good readings look wrong. So the kinds are tried one by one in other units.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from linkview.survey.fit import Fit
from linkview.survey.network import Network
from linkview.survey.readings import Kind
from linkview.survey.starts import quickly_fitted
from linkview.units import MM_PER_INCH

FEWEST = 3  # readings of a kind; fewer are looked at one by one
BETTER = 0.01  # of the sum of squares, if the unit explains what is wrong
MM_PER = {"in": MM_PER_INCH, "cm": 10.0, "m": 1000.0}
SPOKEN = {"in": "inches", "cm": "cm", "m": "metres"}


def kind_unit_question(best: Fit) -> str:
    """Asks about the kind that goes with the rest in another unit, where as it is nothing does; ''
    where none does.
    """
    if not best.too_large:
        return ""
    tried = [
        (quickly_fitted(_in_unit(best.network, rows, size)).cost, what, len(rows), unit)
        for what, rows in _kinds(best.network)
        for unit, size in MM_PER.items()
    ]
    cost, what, count, unit = min(tried, default=(np.inf, "", 0, ""))
    if cost > BETTER * best.cost:
        return ""
    return (
        f"the {count} numbers of {what} do not go with the rest as mm, but do as {SPOKEN[unit]}: "
        f"were they read in {SPOKEN[unit]}? add unit = '{unit}' to each"
    )


def _kinds(network: Network) -> Iterator[tuple[str, list[int]]]:
    """Rows of each kind of table, and of each set-up of an arm, by its words."""
    rows: dict[str, list[int]] = {}
    for k, r in enumerate(network.readings):
        if r.kind is not Kind.LEVEL:
            where = f"{r.key.partition('[')[0]}{f' in set-up {r.setup}' if r.setup else ''}"
            rows.setdefault(where, []).append(k)
    yield from ((what, mine) for what, mine in rows.items() if len(mine) >= FEWEST)


def _in_unit(network: Network, rows: list[int], size: float) -> Network:
    mine = set(rows)
    return replace(
        network,
        readings=tuple(
            replace(r, value=r.value * size) if k in mine else r
            for k, r in enumerate(network.readings)
        ),
    )
