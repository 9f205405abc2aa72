"""How many triangles a mesh file holds, told before it is read, so that none fills the memory.

Counted from headers where the format has them, else by going through the file in pieces.
"""

from __future__ import annotations

import json
import struct
import zipfile
from collections.abc import Callable, Iterator, Mapping
from contextlib import suppress
from pathlib import Path
from typing import IO

from linkview.errors import MeshFault

# Measured on STL of 1 and 4 million triangles, closed: 0.93 and 3.35 GB at most while one is read
# and looked at, 1.0 GB a million with what is drawn of it.
BYTES_A_TRIANGLE = 1000
MOST_TRIANGLES = 3_000_000
_PIECE = 1 << 22
_STL_HEAD, _STL_EACH = 84, 50  # bytes before the triangles, and of each
_MOST_JSON = 100_000_000
_MOST_UNPACKED = 4_000_000_000
_TRIANGLES = 4  # glTF's mode


def require_room(path: Path, where: str, *, most: int = MOST_TRIANGLES, holders: int = 1) -> None:
    """Raises MeshFault for a mesh too large to read with the memory there is.

    where: what the words begin with. holders: how many processes will hold it. A file that cannot
    be counted is let pass: reading it says what is wrong.
    """
    count = triangles_ahead(path)
    if count > most:
        raise MeshFault(
            f"{where}: it has {count / 1e6:.1f} million triangles; {most / 1e6:.0f} million are "
            "the most that are read here. Thin it out (decimate it): 100 000 do for gaps"
        )
    there, need = available_bytes(), count * BYTES_A_TRIANGLE * holders
    if there is not None and need > there:
        raise MeshFault(
            f"{where}: its {count / 1e6:.1f} million triangles need about {need / 1e9:.1f} GB of "
            f"memory, and {there / 1e9:.1f} GB are free. Close something, or thin it out"
        )


def available_bytes() -> int | None:
    """Memory that can be had without pushing anything out; None where the system does not tell."""
    with suppress(OSError, ValueError, IndexError):
        for line in Path("/proc/meminfo").read_text(encoding="ascii").splitlines():
            if line.startswith("MemAvailable:"):
                return int(line.split()[1]) * 1024
    return None


def triangles_ahead(path: Path) -> int:
    """How many triangles a file holds, or 0 where that cannot be told."""
    count = _COUNTED.get(path.suffix.lower())
    if count is None:
        return 0
    try:
        with path.open("rb") as file:
            return count(file)
    except MeshFault:
        raise
    except (OSError, ValueError, KeyError, IndexError, TypeError, AttributeError, struct.error):
        return 0
    except (zipfile.BadZipFile, NotImplementedError, RuntimeError, RecursionError, EOFError):
        return 0


def _stl(file: IO[bytes]) -> int:
    head = file.read(_STL_HEAD)
    size = file.seek(0, 2)
    if len(head) == _STL_HEAD:
        told = int(struct.unpack("<I", head[80:])[0])
        if size == _STL_HEAD + told * _STL_EACH:
            return told
    if head[:5].lower() == b"solid":
        file.seek(0)
        return _found(file, b"endfacet")
    return max(size - _STL_HEAD, 0) // _STL_EACH


def _obj(file: IO[bytes]) -> int:
    return sum(max(len(line.split()) - 3, 0) for line in file if line.startswith(b"f "))


def _ply(file: IO[bytes]) -> int:
    for _ in range(200):
        words = file.readline(1000).split()
        if words[:2] == [b"element", b"face"]:
            return int(words[2])
        if words == [b"end_header"]:
            break
    return 0


def _glb(file: IO[bytes]) -> int:
    """Meshes by the nodes that show them: one may stand in many places."""
    magic, _, _, long, kind = struct.unpack("<4sIIII", file.read(20))
    if magic != b"glTF" or kind != 0x4E4F534A or long > _MOST_JSON:
        return 0
    told = json.loads(file.read(long))
    each = [sum(_of_part(told, part) for part in m["primitives"]) for m in told["meshes"]]
    shown = [each[node["mesh"]] for node in told.get("nodes", []) if "mesh" in node]
    return sum(shown) if shown else sum(each)


def _of_part(told: Mapping[str, list[Mapping[str, int]]], part: Mapping[str, object]) -> int:
    if part.get("mode", _TRIANGLES) != _TRIANGLES:
        return 0
    at = part.get("indices", part["attributes"]["POSITION"])  # type: ignore[index]
    return told["accessors"][at]["count"] // 3  # type: ignore[call-overload,no-any-return]


def _3mf(file: IO[bytes]) -> int:
    with zipfile.ZipFile(file) as packed:
        parts = [p for p in packed.infolist() if p.filename.lower().endswith(".model")]
        unpacked = sum(p.file_size for p in parts)
        if unpacked > _MOST_UNPACKED:
            raise MeshFault(
                f"{Path(file.name).name}: it unpacks to {unpacked / 1e9:.0f} GB; thin it out"
            )
        total = 0
        for part in parts:
            with packed.open(part) as inside:
                total += _found(inside, b"<triangle ")
        return total


def _found(file: IO[bytes], word: bytes) -> int:
    """How often a word stands in the rest of a file, in small letters or large."""
    total = 0
    for piece in _pieces(file, len(word) - 1):
        total += piece.lower().count(word)
    return total


def _pieces(file: IO[bytes], overlap: int) -> Iterator[bytes]:
    """The file's rest piece by piece, each with the end of the one before, so no word is split."""
    end = b""
    while piece := file.read(_PIECE):
        yield end + piece
        end = (end + piece)[-overlap:]


_COUNTED: Mapping[str, Callable[[IO[bytes]], int]] = {
    ".stl": _stl,
    ".obj": _obj,
    ".ply": _ply,
    ".glb": _glb,
    ".3mf": _3mf,
}
