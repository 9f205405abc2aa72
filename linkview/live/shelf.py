"""What can be opened: folders with hard-point files, those opened lately, cars to start from."""

from __future__ import annotations

import json
import os
import re
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any

from linkview.errors import CannotWrite, LinkviewError, ModelFaults, near_miss
from linkview.export.files import write_whole, written_beside
from linkview.kinematics.assemble import build_car
from linkview.live.car_words import skeleton_of
from linkview.live.home import home_folder, journal_of
from linkview.model.parts import Axle
from linkview.model.read import read_file
from linkview.model.shipped import DEMO, shipped_file, shipped_folder

Json = dict[str, Any]
MOST_SHOWN = 300  # of one folder
MOST_BYTES = 2_000_000  # a hard-point file is a thousandth of it
MOST_RECENT = 8
_SAME_LAYOUT_AGAIN = ("taped_front", DEMO)  # worked examples of something else than a layout
_FILE_NAME = re.compile(r"[^\\/:*?\"<>|\x00-\x1f]{1,80}")
_OWN_NAME = re.compile(r"^name = .*$", re.MULTILINE)


# --- a folder -----------------------------------------------------------------------------------


def folder_json(given: str) -> Json:
    """A folder's folders and hard-point files; '' is where the program was started."""
    folder = Path(given or os.getcwd())
    if not folder.is_absolute():
        raise LinkviewError(f"'{given[:80]}': give the whole path of a folder")
    try:
        inside = sorted(folder.iterdir(), key=lambda p: p.name.lower())
    except OSError as error:
        raise LinkviewError(f"{folder}: {error.strerror}; choose another folder") from None
    shown = [p for p in inside if not p.name.startswith(".")]
    folders = [p.name for p in shown if _is_folder(p)]
    files = [f for p in shown if p.suffix == ".toml" for f in _file_json(p)]
    return {
        "folder": str(folder),
        "up": None if folder.parent == folder else str(folder.parent),
        "folders": folders[:MOST_SHOWN],
        "files": files[:MOST_SHOWN],
        "more": max(len(folders), len(files)) > MOST_SHOWN,
    }


def _is_folder(path: Path) -> bool:
    with suppress(OSError):
        return path.is_dir()
    return False


def _file_json(path: Path) -> Iterator[Json]:
    """A file that holds a car, or would if it could be read; nothing for any other."""
    try:
        if path.stat().st_size > MOST_BYTES:
            return
        raw = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except tomllib.TOMLDecodeError as error:
        yield {"path": str(path), "name": path.name, "car": f"has a fault: {error}"[:160]}
        return
    except (OSError, UnicodeDecodeError):
        return
    car = raw.get("car")
    if isinstance(car, dict) and isinstance(raw.get("axle"), dict):
        yield {"path": str(path), "name": path.name, "car": str(car.get("name", ""))[:120]}


# --- opened lately ------------------------------------------------------------------------------


def recent_json() -> list[Json]:
    """Files opened lately that are still there, the newest first."""
    out = []
    for path in _recent():
        if path.is_file():
            unsaved = journal_of(path).is_file()
            place = {"path": str(path), "name": path.name, "folder": str(path.parent)}
            out.append({**place, "unsaved": unsaved})
    return out


def remember(path: Path) -> None:
    """Puts a file first among those opened lately; where that cannot be kept it is let be."""
    paths = [path, *(p for p in _recent() if p != path)][:MOST_RECENT]
    with suppress(OSError, CannotWrite):
        _recent_file().parent.mkdir(parents=True, exist_ok=True)
        write_whole(_recent_file(), json.dumps([str(p) for p in paths]))


def _recent_file() -> Path:
    return home_folder() / "recent.json"


def _recent() -> list[Path]:
    with suppress(OSError, ValueError):
        given = json.loads(_recent_file().read_text(encoding="utf-8"))
        if isinstance(given, list):
            return [Path(p) for p in given if isinstance(p, str)]
    return []


# --- a car to start from ------------------------------------------------------------------------


def starts() -> Mapping[str, Path]:
    """The shipped models that each show a layout, by name."""
    names = sorted(p.name for p in shipped_folder().iterdir() if p.is_dir())
    return {n: shipped_file(n) for n in names if n not in _SAME_LAYOUT_AGAIN}


def starts_json() -> list[Json]:
    """Each with what it is and its lines seen from ahead."""
    out = []
    for name, path in starts().items():
        car = build_car(read_file(path))
        axles = list(car.axles.values())
        title = "; ".join(dict.fromkeys(a.left.layout.title for a in axles))
        title = title if title not in ("", "free") else "parts and joints of the file's own"
        out.append({"start": name, "title": title, "car": car.name, "lines": _lines(axles[0])})
    return out


def _lines(axle: Axle) -> Json:
    """Across and up, mm, of the left side seen from ahead: what joins hard points, and the tyre."""
    corner = axle.left
    lines = [
        [*(round(float(v), 1) for n in pair for v in corner.points[n][1:])]
        for pair in skeleton_of(corner)
        if all(n in corner.points for n in pair)
    ]
    tyre = corner.wheel.tyre
    _, y, z = corner.wheel.centre
    half, radius = tyre.half_width_mm, tyre.outer_radius_mm
    wheel = [round(float(v), 1) for v in (y - half, z - radius, 2.0 * half, 2.0 * radius)]
    return {"joined": lines, "wheel": wheel}


def new_file(start: str, folder: str, name: str) -> Path:
    """A copy of a shipped model under a name of its own. Never over a file."""
    known = starts()
    if start not in known:
        raise LinkviewError(f"no layout '{start[:40]}'; {near_miss(start, known)}")
    path = _free_place(folder, name)
    text = known[start].read_text(encoding="utf-8")
    own = f"name = {json.dumps(path.stem, ensure_ascii=False)}"
    return _written(path, _OWN_NAME.sub(lambda _: own, text, count=1))


def copied_file(text: str, folder: str, name: str) -> Path:
    """What is in a hard-point file written as a file of this place. Never over another one.

    Nothing is written where it cannot be opened there, as when its meshes do not lie there too.
    """
    if len(text) > MOST_BYTES:
        raise LinkviewError(f"{name[:80]} is too long for a hard-point file; nothing was written")
    return _written(_free_place(folder, name), text)


def _free_place(folder: str, name: str) -> Path:
    stem = name.strip().removesuffix(".toml").strip()
    if not _FILE_NAME.fullmatch(stem) or stem.startswith("."):
        raise CannotWrite(f"'{name[:80]}' is no file name; use letters, digits, - and _")
    path = Path(folder) / f"{stem}.toml"
    if not path.is_absolute():
        raise CannotWrite(f"'{folder[:80]}': give the whole path of a folder")
    if path.exists():
        raise CannotWrite(f"{path} exists; choose another name, nothing was written")
    return path


def _written(path: Path, text: str) -> Path:
    with written_beside(path) as beside:
        beside.write_text(text, encoding="utf-8", newline="")
        try:
            read_file(beside)
        except ModelFaults as found:
            raise ModelFaults(str(path), found.faults) from None
    return path


def lies_at(name: str, text: str, folders: Sequence[Path]) -> Path | None:
    """A file of this name and content that was opened lately or lies in one of these folders."""
    if Path(name).name != name:
        return None
    for path in (*(p for p in _recent() if p.name == name), *(f / name for f in folders)):
        with suppress(OSError, UnicodeDecodeError):
            if path.stat().st_size <= MOST_BYTES and _text_of(path) == text.removeprefix("\ufeff"):
                return path.resolve()
    return None


def _text_of(path: Path) -> str:
    return path.read_bytes().decode("utf-8-sig")
