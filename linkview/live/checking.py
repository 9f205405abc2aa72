"""The helper's work on a drawing of anybody's: what `linkview outline` says and writes."""

from __future__ import annotations

import re
import shutil
from pathlib import Path
from tempfile import mkdtemp
from typing import Any

from linkview.app.outline_check import OutlineCheck, check_outline, draw_faults, write_mended
from linkview.app.package import zip_of
from linkview.errors import CannotWrite, LinkviewError
from linkview.export.cautions import CAUTIONS
from linkview.export.files import write_whole
from linkview.export.outline_picture import along
from linkview.live.fields import diameters_mm
from linkview.live.helper import Post
from linkview.live.jobs import OutlineJob
from linkview.plates.edges import Edge

Json = dict[str, Any]
STAMPED = (1980, 1, 1)  # the same content gives the same zip, whatever the day
MOST_DRAWN = 30_000  # places of lines sent to a page; a larger drawing is in the picture alone
MOST_TOLD = 200  # lines of words sent to a page; all of them are in the file
_NO_NAME = re.compile(r'[\\/:*?"<>|\x00-\x1f]')


def outline(post: Post, job: OutlineJob) -> None:
    """Reads, judges and mends; answers in words, with the lines to draw and a zip to take."""
    place = Path(mkdtemp(prefix="linkview-"))
    try:
        post.answer({"outline": job.token, **_checked(job, place)})
    except LinkviewError as fault:
        shutil.rmtree(place, ignore_errors=True)
        said = str(fault).replace(f"{place / 'in'}", "").lstrip("/\\")
        post.answer({"outline": job.token, "fault": said})
    except BaseException:
        shutil.rmtree(place, ignore_errors=True)
        raise


def _checked(job: OutlineJob, place: Path) -> Json:
    name = _NO_NAME.sub("_", job.name)[-100:]
    drawing, folder = place / "in" / name, place / f"{Path(name).stem}-checked"
    for made in (drawing.parent, folder):
        made.mkdir()
    try:
        shutil.copyfile(job.path, drawing)  # under its own name, which its parts are called by
    except OSError as error:
        raise CannotWrite(f"{job.name}: {error.strerror}; drop it again") from None
    given = job.given
    check = check_outline(
        drawing,
        job.shop,
        thickness_mm=float(given["thickness"]),
        unit=given["unit"] or None,
        layer=given["layer"] or None,
        join_mm=float(given["join"]),
        arcs_mm=float(given["arcs"]),
        bolts_mm=diameters_mm(given["bolts"]),
    )
    lines = [text.replace(str(drawing), name) for text in check.words]
    draw_faults(check, folder / "faults.png")
    try:
        mended = write_mended(check, folder / f"{Path(name).stem}-mended.dxf", job.shop)
        lines.append(f"mended: {mended.replace(f'{folder}', '').lstrip('/').lstrip(chr(92))}")
    except LinkviewError as reason:
        lines.append(f"not mended: {str(reason).replace(str(drawing), name)}")
    rules = f"rules of {job.shop.name}, {float(given['thickness']):g} mm thick"
    told = [rules, *lines, "", *(f"CAUTION: {c}" for c in CAUTIONS)]
    write_whole(folder / "check.txt", "\n".join(told) + "\n")
    names = sorted(p.name for p in folder.iterdir())
    zipped = folder.with_name(f"{folder.name}.zip")
    zip_of(folder, zipped, names, date=STAMPED)
    return {
        "clean": check.clean,
        "lines": lines[:MOST_TOLD],
        "more": max(len(lines) - MOST_TOLD, 0),
        "made": str(zipped),
        "name": zipped.name,
        **_drawn(check),
    }


def _drawn(check: OutlineCheck) -> Json:
    """The lines of the drawing and where its faults are, mm; no lines where they are too many."""
    lines = [_line(e) for e in check.drawing.pieces]
    remarks = [
        {"refused": r.refused, "at": None if r.at is None else [r.at.real, r.at.imag]}
        for r in check.remarks[:MOST_TOLD]
    ]
    return {"drawn": lines if sum(map(len, lines)) <= MOST_DRAWN else [], "remarks": remarks}


def _line(e: Edge) -> list[list[float]]:
    return [[round(p.real, 3), round(p.imag, 3)] for p in along(e)]
