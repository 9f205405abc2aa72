"""What the helper processes are asked and what shapes they answer; loads nothing heavy."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from linkview.export.actors import Actor
from linkview.live.moving import Inputs
from linkview.model.parts import Car
from linkview.model.read import HardPointFile
from linkview.plates.profiles import ShopProfile

Json = dict[str, Any]
AT_RIDE = Inputs()


@dataclass(frozen=True, eq=False)
class GapJob:
    """inputs: of the posed ones. shop: whose plates are among the bodies of the certified ones."""

    car: Car
    axle: str
    shop: ShopProfile
    inputs: Inputs = AT_RIDE


@dataclass(frozen=True, eq=False)
class ShapeJob:
    """slot: where on the page the shapes belong; comes back with them. shop: for plates."""

    car: Car
    axle: str
    slot: str
    shop: ShopProfile


@dataclass(frozen=True, eq=False)
class Shapes:
    """What a page needs to show an axle. stage: actors by name, their meshes named by `key`.

    meshes: key -> (header, bytes); a page that has a key is not sent it again. actors: without
    meshes, to place them. frame: the middle and half the size of what moves, mm.
    """

    axle: str
    slot: str
    stage: list[Json]
    meshes: dict[str, tuple[Json, bytes]]
    actors: tuple[Actor, ...]
    frame: Json


@dataclass(frozen=True)
class LookJob:
    """A mesh file to look at: token comes back with what it is; car_mm: the axle's track."""

    token: str
    path: Path
    car_mm: float


@dataclass(frozen=True, eq=False)
class MakeJob:
    """what: one of `WHATS`. car: as it stands, saved or not; found: as found.

    file: with what is not saved as a variant of it; variant: the car's name in it. axle, inputs:
    what the page shows. given: what was asked beside, see `asking`, every value checked.
    """

    what: str
    file: HardPointFile
    variant: str
    car: Car
    found: Car
    shop: ShopProfile
    axle: str
    inputs: Inputs = AT_RIDE
    given: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class OutlineJob:
    """A drawing to be held against a shop's rules: token comes back; name: what it is called.

    given: what was asked, see `outlining`, every value checked.
    """

    token: str
    path: Path
    name: str
    shop: ShopProfile
    given: Mapping[str, str]


# Files that can be taken away: name -> what it is, in a builder's words.
WHATS: dict[str, str] = {
    "plates": "Plates: DXF to cut, drawings, templates, cut list",
    "tables": "Tables: points, positions, alignment, limits, gaps, summary; charts",
    "report": "Report, set-up and measuring sheets, PDF and HTML",
    "page": "Offline page: one file to mail",
    "model3d": "3-D file (GLB), animated",
    "picture": "A picture of this pose: side, size, background",
    "pictures": "Pictures: every axle, four views, the worst gap",
    "film": "Films: steering and travelling, with figures in every frame",
    "pack": "Everything to hand over, as one zip",
    "compare": "Compared with another state: readings, points, curves, gaps",
    "envelope": "The volume a body sweeps, as closed STL",
    "sensitivity": "Which 1 mm matters, at the pose shown",
    "trust": "How far to trust each number, and what to measure better",
    "adjusters": "What each adjuster does to every value",
    "setup": "Wanted alignment to settings of the adjusters, step by step",
    "targets": "Points moved until the aims are reached, as variants",
    "measure": "Measurements to hard points, with what is doubtful",
    "asbuilt": "The finished car measured again, beside this design",
    "shop": "A shop’s rules as a file to edit, for plates and drawings",
}
