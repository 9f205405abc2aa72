"""What is asked before each kind of file is made; LinkviewError says why one cannot be."""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Mapping
from contextlib import suppress
from pathlib import Path

from linkview.errors import LinkviewError
from linkview.live.document import Document
from linkview.live.fields import Choice, Fields, Number, Text
from linkview.model.hardware_faults import OWN_BODIES
from linkview.model.parts import Axle
from linkview.model.read import AS_FOUND
from linkview.model.wording import spoken
from linkview.plates.profiles import PROFILES

MOST_LOOKED_AT = 100  # files of a folder, for measurements
MOST_BYTES = 2_000_000
_GAPS = Choice("Gaps", {"without": "leave them out: quick", "with": "measure them too: minutes"})
_REVISION = Text("Revision, printed on every page", "-", 20)
_VIEWS = {
    "corner": "the corner ahead of it",
    "front": "ahead",
    "rear": "behind",
    "left": "the left",
    "right": "the right",
    "top": "above",
}
_PIXELS = {"1280x720": "1280 x 720", "1920x1080": "1920 x 1080", "3840x2160": "3840 x 2160"}


def _plates(document: Document, axle: Axle) -> Fields:
    papers = {"A4": "A4", "Letter": "US Letter"}
    return {"paper": Choice("Paper of the 1:1 templates", papers)}


def _tables(document: Document, axle: Axle) -> Fields:
    words = {"without": "leave them out", "with": "curves, map of limits, gaps"}
    return {"charts": Choice("Drawn charts", words)}


def _papers(document: Document, axle: Axle) -> Fields:
    return {"revision": _REVISION}


def _report(document: Document, axle: Axle) -> Fields:
    own = str(document.file.path)
    some: dict[str, str] = {}
    with suppress(LinkviewError):
        some = {p: f"measured in {w}" for p, w in _surveys(document.file.path).items() if p != own}
    out: Fields = {"revision": _REVISION}
    if not some:
        return out
    built = Choice("The finished car beside the design", {"": "not yet measured", **some})
    within = Number("If measured: allowed off the design", "mm", 0.01, 1000.0, 2.0)
    return {**out, "from": built, "within": within}


def _pack(document: Document, axle: Axle) -> Fields:
    films = Choice("Films", {"with": "of every axle: minutes", "without": "leave them out"})
    return {"revision": _REVISION, "films": films}


def _picture(document: Document, axle: Axle) -> Fields:
    four = {"four": "four sides with dimensions, at ride height"}
    behind = {"with": "paper with words", "without": "nothing: to lay over something else"}
    return {
        "view": Choice("Seen from", {**_VIEWS, **four}),
        "pixels": Choice("Pixels", {"1600x1000": "1600 x 1000", **_PIXELS}),
        "behind": Choice("Behind the car", behind),
    }


def _pictures(document: Document, axle: Axle) -> Fields:
    close = {"worst": "the worst of each axle", "short": "every pair that falls short"}
    return {"close": Choice("Gaps close up", close)}


def _film(document: Document, axle: Axle) -> Fields:
    kinds = {"mp4": "MP4", "gif": "GIF", "frames": "numbered pictures, for cutting"}
    return {
        "view": Choice("With figures, seen from", _VIEWS),
        "pixels": Choice("Pixels", _PIXELS),
        "kind": Choice("As", kinds),
    }


def _shop(document: Document, axle: Axle) -> Fields:
    return {"name": Choice("Rules of", {n: spoken(n) for n in PROFILES})}


def _envelope(document: Document, axle: Axle) -> Fields:
    bodies = {b.name: spoken(b.name) for b in axle.left.bodies}
    if not bodies:
        raise LinkviewError(f"the {axle.name} axle has no bodies")
    first: dict[str, str] = {n: bodies[n] for n in OWN_BODIES if n in bodies}
    grow = Number("Grown besides by", "mm", 0.0, 200.0, 0.0)
    return {"body": Choice("The body", {**first, **bodies}), "grow": grow}


def _compare(document: Document, axle: Axle) -> Fields:
    names = {AS_FOUND: "as found", **{n: spoken(n) for n in document.file.variants}}
    if not document.unsaved:
        names.pop(document.edits.base, None)
    if not names:
        raise LinkviewError("there is nothing to compare with: the file has no other variant")
    return {"before": Choice("Compared with", names), "gaps": _GAPS}


def _sensitivity(document: Document, axle: Axle) -> Fields:
    words = {"follow": "a point measured elsewhere", "kept": "a bracket moved"}
    return {"parts": Choice("1 mm means", words)}


def _trust(document: Document, axle: Axle) -> Fields:
    of = {"readings": "alignment: quick", "all": "alignment, stops, limits, gaps: minutes"}
    cut = Number("A plate's hole may be off by", "mm", 0.0, 20.0, 0.0)
    return {"of": Choice("Of what", of), "cut": cut}


def _adjusters(document: Document, axle: Axle) -> Fields:
    if not any(a.adjusters for a in document.car.axles.values()):
        raise LinkviewError("no axle has adjusters: add [axle.NAME.adjusters.NAME] to the file")
    return {}


def _setup(document: Document, axle: Axle) -> Fields:
    if not axle.adjusters:
        raise LinkviewError(
            f"the {axle.name} axle has no adjusters: add [axle.{axle.name}.adjusters.NAME]"
        )
    out = {}
    for key, (label, unit, most) in _WANTED.items():
        given = getattr(axle.wanted, key, None) if axle.wanted is not None else None
        value = float(given) if isinstance(given, int | float) else None
        out[key] = Number(label, unit, -most, most, value, empty=True)
    names = {"": "nothing", **{n: spoken(n) for n in axle.adjusters}}
    return {**out, "fix": Choice("Left as it is", names)}


_WANTED = {
    "camber": ("Camber", "deg", 20.0),
    "caster": ("Caster", "deg", 30.0),
    "toe_in": ("Toe-in, one wheel", "deg", 10.0),
    "ride_height": ("Ride height, + higher", "mm", 300.0),
}


def _targets(document: Document, axle: Axle) -> Fields:
    if not axle.aims:
        raise LinkviewError(f"nothing to aim at: add [[axle.{axle.name}.aims]] to the file")
    if document.unsaved:
        raise LinkviewError("save the changes first: its answers stand on a variant of the file")
    return {}


def _measure(document: Document, axle: Axle) -> Fields:
    return {
        "from": Choice("Measurements in", _surveys(document.file.path)),
        "revision": _REVISION,
    }


def _as_built(document: Document, axle: Axle) -> Fields:
    own = {str(document.file.path)}
    some = {p: w for p, w in _surveys(document.file.path).items() if p not in own}
    if not some:
        raise LinkviewError(f"no other file in {document.file.path.parent} has [survey]")
    within = Number("Allowed off the design", "mm", 0.01, 1000.0, 2.0)
    asked: Fields = {"from": Choice("Measurements in", some), "within": within, "gaps": _GAPS}
    return {**asked, "revision": _REVISION}


def _surveys(model: Path) -> dict[str, str]:
    """Files beside the model with measurements in them, the model itself first."""
    beside = sorted(p for p in model.parent.glob("*.toml") if p != model)[:MOST_LOOKED_AT]
    out = {str(p): p.name for p in (model, *beside) if _has_survey(p)}
    if not out:
        raise LinkviewError(f"no file in {model.parent} has [survey]: add one, as in taped_front")
    return out


def _has_survey(path: Path) -> bool:
    try:
        if path.stat().st_size > MOST_BYTES:
            return False
        return "survey" in tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except (OSError, ValueError, RecursionError):
        return False


ASKED: Mapping[str, Callable[[Document, Axle], Fields]] = {
    "plates": _plates,
    "tables": _tables,
    "report": _report,
    "page": _papers,
    "model3d": _papers,
    "picture": _picture,
    "pictures": _pictures,
    "film": _film,
    "pack": _pack,
    "shop": _shop,
    "envelope": _envelope,
    "compare": _compare,
    "sensitivity": _sensitivity,
    "trust": _trust,
    "adjusters": _adjusters,
    "setup": _setup,
    "targets": _targets,
    "measure": _measure,
    "asbuilt": _as_built,
}
