"""What stands on every paper: which car, from which input, made by which version, on which day."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, replace
from pathlib import Path

from linkview import __version__
from linkview.model.bodies import MeshFile
from linkview.model.parts import Car
from linkview.model.read import HardPointFile
from linkview.model.wording import spoken


@dataclass(frozen=True)
class Identity:
    """sources: input file name -> SHA-256, the hard-point file first. revision, date: as given.

    measured: how the points were taken. one_sigma_mm: how well one coordinate is known, 0 where
    the file does not say.
    """

    car: str
    state: str
    title: str
    sources: tuple[tuple[str, str], ...]
    measured: str
    one_sigma_mm: float
    revision: str
    date: str
    version: str = __version__

    @property
    def checksum(self) -> str:
        """The hard-point file's, short enough to write by hand."""
        return self.sources[0][1][:12]


def identify(file: HardPointFile, car: Car, *, revision: str = "-", date: str = "") -> Identity:
    """Reads the inputs' bytes. date: as it is to be printed; '' for papers that carry none."""
    sources = [(file.path.name, _sha256(file.path))]
    meshes = {
        body.path
        for axle in car.axles.values()
        for corner in axle.corners
        for body in corner.bodies
        if isinstance(body, MeshFile)
    }
    sources += [(path.name, _sha256(path)) for path in sorted(meshes)]
    state = file.measured.state.replace("_", " ")
    by = f" by {file.measured.by}" if file.measured.by else ""
    sigma = file.measured.one_sigma
    known = f", {sigma:g} mm (one sigma) a coordinate" if sigma else ", accuracy not stated"
    same = car.variant_title.casefold() == spoken(car.variant).casefold()
    return Identity(
        car.name,
        spoken(car.variant),
        "" if same else car.variant_title,
        tuple(sources),
        f"Measured {state}{by}{known}.",
        sigma,
        revision,
        date,
    )


def with_source(identity: Identity, path: Path) -> Identity:
    """The same with one more input file named."""
    return replace(identity, sources=(*identity.sources, (path.name, _sha256(path))))


def _sha256(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def running_head(identity: Identity) -> tuple[str, str]:
    return f"{identity.car} - {identity.state}", f"revision {identity.revision}   {identity.date}"


def running_foot(identity: Identity) -> tuple[str, str]:
    return (
        "Computed geometry: it proves nothing about strength, fatigue, welds or loads. 'No contact "
        "found' is not 'safe'.",
        f"linkview {identity.version}, input {identity.sources[0][0]}, SHA-256 begins "
        f"{identity.checksum}",
    )
