"""[survey] tables -> a network: every number a reading with its sigma, every point a start."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

import numpy as np

from linkview.geometry import Array, frozen
from linkview.model.layout import Layout
from linkview.model.survey_faults import mentions
from linkview.model.surveyfile import SINGLES, SurveyTable
from linkview.survey.network import Network
from linkview.survey.readings import Kind, Reading
from linkview.units import MM_PER_UNIT, to_rad


def network_of(
    survey: SurveyTable, known: Mapping[str, Array], layouts: Mapping[str, Layout] | None = None
) -> Network:
    """known: hard points by name, where the file roughly has them; survey.near goes before them.

    layouts: by axle, where the file has axles: they say between which points a damper's length is.
    """
    names = tuple(dict.fromkeys([*(p for _, p in mentions(survey)), *survey.held]))
    near, held = np.full((len(names), 3), np.nan), np.zeros((len(names), 3), dtype=bool)
    for i, name in enumerate(names):
        if name in survey.near:
            near[i] = survey.near[name]
        elif name in known:
            near[i] = known[name]
        laid = survey.held.get(name)
        for k, value in enumerate((laid.x, laid.y, laid.z) if laid else ()):
            if value is not None:
                near[i, k], held[i, k] = value, True
    held.flags.writeable = False
    rows = (*readings_of(survey), *damper_readings(survey, layouts or {}, names))
    return Network(names, frozen(near), held, rows)


def damper_readings(
    survey: SurveyTable, layouts: Mapping[str, Layout], names: Sequence[str]
) -> Iterator[Reading]:
    """How long the dampers were on the stands: a distance like any other, so that a height datum
    that does not go with the rest is named. Not where the two points were taped as well.
    """
    taped = {frozenset(t.between) for t in survey.distances}
    for axle, long in survey.damper_length.items():
        ends = layouts[axle].damper if axle in layouts else None
        for side in ("left", "right") if ends else ():
            pair = tuple(f"{axle}.{side}.{end}" for end in ends or ())
            if {*pair} <= {*names} and frozenset(pair) not in taped:
                key = f"survey.damper_length.{axle}"
                yield Reading(Kind.DISTANCE, pair, long, survey.one_sigma.distances, key=key)


def usual_sigmas(survey: SurveyTable) -> dict[Kind, float]:
    """One sigma (mm) of what might be measured besides."""
    usual = survey.one_sigma
    return {Kind.DISTANCE: usual.distances, Kind.COORDINATE: max(usual.heights, usual.offsets)}


def readings_of(survey: SurveyTable) -> Iterator[Reading]:
    """Every single number of the tables, in mm and radians."""
    usual = survey.one_sigma
    for kind, sort in (("distances", Kind.DISTANCE), ("rises", Kind.RISE)):
        for i, t in enumerate(getattr(survey, kind)):
            value, sigma = t.is_ * MM_PER_UNIT[t.unit], t.one_sigma or getattr(usual, kind)
            yield Reading(sort, t.between, value, sigma, key=f"survey.{kind}[{i}]")
    for kind, axis in SINGLES.items():
        for i, t in enumerate(getattr(survey, kind)):
            value, sigma = t.is_ * MM_PER_UNIT[t.unit], t.one_sigma or getattr(usual, kind)
            key = f"survey.{kind}[{i}]"
            yield Reading(Kind.COORDINATE, (t.of,), value, sigma, axis, key=key)
    for i, lev in enumerate(survey.levels):
        sigma = float(to_rad(lev.one_sigma or usual.levels))
        value = float(to_rad(lev.is_))
        yield Reading(Kind.LEVEL, lev.between, value, sigma, key=f"survey.levels[{i}]")
    for i, mark in enumerate(survey.plumb_marks):
        sigma, size = mark.one_sigma or usual.plumb_marks, MM_PER_UNIT[mark.unit]
        for axis, at in enumerate(mark.at):
            key = f"survey.plumb_marks[{i}]"
            yield Reading(Kind.COORDINATE, (mark.of,), at * size, sigma, axis, key=key)
    for i, c in enumerate(survey.coordinates):
        sigma, size = c.one_sigma or usual.coordinates, MM_PER_UNIT[c.unit]
        sort = Kind.ARM if c.setup else Kind.COORDINATE
        for axis, at in enumerate(c.at):
            key = f"survey.coordinates[{i}]"
            yield Reading(sort, (c.of,), at * size, sigma, axis, c.setup or "", key)
