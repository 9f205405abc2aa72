"""Which works each helper process does. What they load stays out of the program's own process."""

from __future__ import annotations

from linkview.live.helper import Work


def quick_gap_works() -> dict[str, Work]:
    from linkview.live.gapwork import quick_works

    return quick_works()


def shape_works() -> dict[str, Work]:
    from linkview.live.shapework import shape_works as works

    return works()


def slow_works() -> dict[str, Work]:
    """Plates and maps before certified gaps."""
    from linkview.live.gapwork import certain_works
    from linkview.live.wholework import whole_works

    return {**whole_works(), **certain_works()}


def file_works() -> dict[str, Work]:
    from linkview.live.making import making_works

    return making_works()
