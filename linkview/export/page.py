"""The one-file offline page: the linkage in 3-D with everything found about it, for a mail.

One HTML file under `default-src 'none'`: its own scripts and style are named by their checksums,
so that nothing else in it, however a part is named, can run. No OpenGL is needed to write it.
"""

from __future__ import annotations

import base64
import hashlib
import html
import json
from collections.abc import Mapping
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from string import Template
from typing import Any

import numpy as np

from linkview.export.actor_shapes import actors_of, pads_of
from linkview.export.actors import Actor
from linkview.export.captions import DRAWN_PLAINLY
from linkview.export.cautions import CAUTIONS
from linkview.export.files import write_whole
from linkview.export.identity import Identity
from linkview.export.page_stage import Blob, readings_json, stage_json
from linkview.export.page_tables import gaps_json, limits_json, plates_json
from linkview.export.posegrid import PoseGrid, pose_grid
from linkview.geometry import length
from linkview.model.parts import Axle, Car
from linkview.model.points import differs
from linkview.scene.colours import SEE_THROUGH, Paint
from linkview.study import AxleStudy, CarStudy

Json = dict[str, Any]
_DULL = (Paint.TYRE, Paint.SHELL, Paint.PAD)


@dataclass(frozen=True)
class Page:
    """What was written. grids: axle -> what the page states about it. size: bytes."""

    path: Path
    size: int
    grids: Mapping[str, PoseGrid]


def write_page(path: Path, study: CarStudy, found: Car, identity: Identity) -> Page:
    """Writes the page of a study; found: the car as found, for the ghost."""
    blob = Blob()
    axles, grids = [], {}
    for name, axle in study.axles.items():
        item, grids[name] = _axle_json(study, axle, found.axles[name], blob)
        axles.append(item)
    data = {
        "version": identity.version,
        "state": identity.state,
        "measured": identity.measured,
        "changes": [t for t in (identity.title, *study.car.notes) if t],
        "sources": [list(s) for s in identity.sources],
        "cautions": list(CAUTIONS),
        "plainly": DRAWN_PLAINLY,
        "paints": {
            p.name: {"hex": p.hex, "alpha": SEE_THROUGH.get(p, 1.0), "dull": p in _DULL}
            for p in Paint
        },
        "axles": axles,
    }
    text = _assembled(identity, data, blob)
    write_whole(path, text)
    return Page(path, len(text.encode()), grids)


def _axle_json(study: CarStudy, axle: AxleStudy, before: Axle, blob: Blob) -> tuple[Json, PoseGrid]:
    plates = axle.plates_by_side
    actors = [*actors_of(axle.axle, plates), *pads_of(axle.axle)]
    grid = pose_grid(axle.axle, actors)
    item: Json = {
        "name": axle.axle.name,
        "steered": axle.axle.left.rack is not None,
        "held": axle.axle.hold.words,
        "stage": stage_json(actors, grid, blob),
        "ghost": None,
        "gridWords": grid.words,
        "frame": _frame_of(actors),
        "views": _views(axle.axle),
        "readings": readings_json(study.car, grid, blob),
        "gaps": gaps_json(axle, blob),
        "limits": limits_json(axle, study, blob),
        "plates": plates_json(axle),
    }
    if differs(axle.axle, before):
        moving = [a for a in actors_of(before) if not a.still]
        item["ghost"] = stage_json(moving, pose_grid(before, moving), blob)
    return item, grid


def _frame_of(actors: list[Actor]) -> Json:
    """The middle and half the size of what moves, mm."""
    points = np.concatenate(
        [a.reach @ a.frame[:3, :3].T + a.frame[:3, 3] for a in actors if not a.still]
    )
    low, high = points.min(axis=0), points.max(axis=0)
    radius = 0.5 * float(length(high - low))
    return {"middle": [round(float(v), 1) for v in 0.5 * (low + high)], "radius": round(radius, 1)}


def _views(axle: Axle) -> list[Json]:
    """From ahead where it steers, else from behind; the same four everywhere."""
    ahead = 1.0 if axle.left.rack is not None else -1.0
    end = "Front" if ahead > 0 else "Rear"
    return [
        {"name": "Corner", "from": [ahead, 0.55, 0.42]},
        {"name": end, "from": [ahead, 0.0, 0.04]},
        {"name": "Side", "from": [0.0, 1.0, 0.04]},
        {"name": "Top", "from": [-0.001, 0.0, 1.0]},
    ]


def _assembled(identity: Identity, data: Json, blob: Blob) -> str:
    web = files("linkview.export") / "web"
    style, three, stage, panels = (
        (web / name).read_text(encoding="utf-8")
        for name in ("page.css", "three.js", "stage.js", "panels.js")
    )
    sums = {what: _checksum(text) for what, text in _named(style, three, stage, panels)}
    scripts = " ".join(sums[what] for what in ("three", "stage", "panels"))
    policy = (
        f"default-src 'none'; script-src {scripts}; style-src {sums['style']}; img-src data:; "
        "base-uri 'none'; form-action 'none'"
    )
    words = json.dumps(data, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    template = Template((web / "page.html").read_text(encoding="utf-8"))
    title = identity.title and f": {identity.title}"
    return template.substitute(
        policy=policy,
        version=html.escape(identity.version),
        title=html.escape(f"{identity.car} - {identity.state}"),
        car=html.escape(identity.car),
        state=html.escape(f"{identity.state}{title}"),
        caution=html.escape(f"{CAUTIONS[0]} {CAUTIONS[1]}"),
        style=style,
        data=words.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026"),
        blob=base64.b64encode(bytes(blob.data)).decode(),
        three=three,
        stage=stage,
        panels=panels,
    )


def _named(style: str, three: str, stage: str, panels: str) -> list[tuple[str, str]]:
    return [("style", style), ("three", three), ("stage", stage), ("panels", panels)]


def _checksum(text: str) -> str:
    """As a content security policy names an inline script or style."""
    return f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}'"
