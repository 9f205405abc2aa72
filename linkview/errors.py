"""Every error linkview raises on purpose, as one tree.

    LinkviewError
      ModelFaults        the hard-point file cannot be used; lists every fault at once
      UnknownName        a variant, axle, pair or plate that is not in the file
      CannotAssemble     the points of a corner, or of a variant, do not go together
        BadLinkage       its joints are too few or too many, or hold nothing at ride height
      LinkageLocked      one asked-for pose is beyond reach; names the joint
      NoRest             the car does not stand on its springs; says which or why
      MeshFault          an imported mesh cannot be read or measured
      SurveyRefused      measurements that do not give the points; names those left free
      PlateRefused       a plate that a shop would send back or that would not hold
      EnvelopeRefused    a swept volume that could not be shown to hold every pose
      GraphicsMissing    no usable OpenGL library; names what to install
      CannotWrite        a result could not be written; nothing half-written is left

Library code raises these; only `cli.py` turns them into a line on screen.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path


class LinkviewError(Exception):
    """Something the builder can put right; its text says what and how."""


@dataclass(frozen=True)
class Fault:
    """One thing wrong in a hard-point file.

    where: the key, dotted as in TOML, e.g. 'axle.front.points.strut_top'.
    what: what is wrong, with the value.  fix: what to do about it.
    """

    where: str
    what: str
    fix: str

    def __str__(self) -> str:
        return f"{self.where}: {self.what}; {self.fix}"


class ModelFaults(LinkviewError):
    """All faults of one file, one line each."""

    def __init__(self, path: str, faults: Iterable[Fault]) -> None:
        self.path = path
        self.faults = tuple(faults)
        super().__init__("\n".join(f"{path}: {fault}" for fault in self.faults))

    def __reduce__(self) -> tuple[type[ModelFaults], tuple[str, tuple[Fault, ...]]]:
        return type(self), (self.path, self.faults)


class UnknownName(LinkviewError):
    """A name that is not in the file; offers the nearest one."""


class CannotAssemble(LinkviewError):
    """The parts of a corner do not meet; says by how much and where."""


class BadLinkage(CannotAssemble):
    """A corner whose joints and points make no linkage; fault: the key, what is wrong, the fix."""

    def __init__(self, fault: Fault) -> None:
        self.fault = fault
        super().__init__(str(fault))

    def __reduce__(self) -> tuple[type[BadLinkage], tuple[Fault]]:
        return type(self), (self.fault,)


class LinkageLocked(LinkviewError):
    """A pose beyond reach, asked for on its own; names the joint and the input."""


class NoRest(LinkviewError):
    """The car finds no rest on its springs; why: without the file's name."""

    def __init__(self, path: Path, why: str) -> None:
        self.why = why
        super().__init__(f"{path}: {why}")


class MeshFault(LinkviewError):
    """A mesh file that cannot be used as a body."""


class SurveyRefused(LinkviewError):
    """Measurements from which points cannot be told, or that cannot be read as one car."""


class PlateRefused(LinkviewError):
    """A plate that breaks a shop rule or cannot be drawn; gives the numbers."""


class EnvelopeRefused(LinkviewError):
    """A swept volume that could not be shown to hold every pose."""


class GraphicsMissing(LinkviewError):
    """Pictures need OpenGL and this machine has none that works."""


class CannotWrite(LinkviewError):
    """A result file or folder could not be written."""


def near_miss(name: str, known: Iterable[str]) -> str:
    """The fix for a wrong name: the nearest known one, or the list of all."""
    choices = sorted(known)
    close = difflib.get_close_matches(name, choices, n=1, cutoff=0.6)
    if close:
        return f"did you mean '{close[0]}'?"
    return f"known here: {', '.join(choices)}" if choices else "none are defined here"
