"""Where mesh files lie that were put in the car on the page: at first among the program's own
things, from the saving on beside the hard-point file. Never over a file that is there.
"""

from __future__ import annotations

import hashlib
import re
import secrets
import shutil
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from linkview.errors import CannotWrite, LinkviewError
from linkview.live.edits import Edits
from linkview.live.home import home_folder, unsaved_folder
from linkview.model.hardware_faults import LARGEST_MESH_BYTES, MESH_KINDS

KEPT_S = 86_400.0  # a mesh that no unsaved work names is thrown away after this long
_SPARE_BYTES = 200_000_000  # left free on the disk
_PLAIN = re.compile(r"[^A-Za-z0-9._-]+")
_KEPT = re.compile(r"^[0-9a-f]{16}-")  # what `Coming.kept` writes before a name
_NUMBERED = 1000


def meshes_folder() -> Path:
    """Where meshes lie until the car they are in is saved."""
    return home_folder() / "meshes"


def require_mesh(name: str, size: int) -> None:
    """Raises LinkviewError, in a line, for a file that will not do: told before it is read."""
    kind = Path(name).suffix.lower()
    if kind not in MESH_KINDS:
        raise LinkviewError(
            f"{name[:80]}: not a mesh that can be read here; use {', '.join(MESH_KINDS)}"
        )
    if size <= 0:
        raise LinkviewError(f"{name[:80]}: the file is empty; export it again")
    if size > LARGEST_MESH_BYTES:
        raise LinkviewError(
            f"{name[:80]} is {size / 1e6:.0f} MB; a mesh may be {LARGEST_MESH_BYTES / 1e6:.0f} MB "
            "here. Thin it out and drop it again; nothing was read"
        )


def mesh_coming(name: str, size: int) -> Coming:
    """A mesh on its way. Raises LinkviewError, in a line, for a file that will not do."""
    require_mesh(name, size)
    return Coming(name, size, meshes_folder())


class Coming:
    """A file on its way from a page, written down piece by piece and never held whole.

    folder: among the program's own things; what was left there is thrown away after a day.
    """

    def __init__(self, name: str, size: int, folder: Path) -> None:
        try:
            folder.mkdir(parents=True, exist_ok=True)
            if shutil.disk_usage(folder).free < size + _SPARE_BYTES:
                raise CannotWrite(f"{folder}: too little room on the disk for {name[:80]}")
            _throw_away_old(folder)
            self._path = folder / f".{secrets.token_hex(8)}"
            self._file = self._path.open("xb")
        except OSError as error:
            raise CannotWrite(f"{folder}: {error.strerror}; the file cannot be kept") from None
        self.name, self.size, self.got = name, size, 0
        self._sum = hashlib.sha256()

    def take(self, piece: bytes) -> bool:
        """Writes a piece; whether that was the last. Raises LinkviewError for one too many."""
        self.got += len(piece)
        if self.got > self.size:
            self.drop()
            raise LinkviewError(f"{self.name[:80]}: more came than was announced; drop it again")
        try:
            self._file.write(piece)
        except OSError as error:
            self.drop()
            raise CannotWrite(f"{self._path.parent}: {error.strerror}; make room there") from None
        self._sum.update(piece)
        return self.got == self.size

    def kept(self) -> Path:
        """The whole file under a name that says what is in it, and what it was called."""
        self._file.close()
        stem, kind = Path(self.name).stem, Path(self.name).suffix.lower()
        plain = _PLAIN.sub("_", stem).strip("._-")[:60] or "file"
        path = self._path.with_name(f"{self._sum.hexdigest()[:16]}-{plain}{kind}")
        self._path.replace(path)
        return path

    def drop(self) -> None:
        """Gives up; nothing is left of it."""
        with suppress(OSError):
            self._file.close()
            self._path.unlink(missing_ok=True)


def _throw_away_old(folder: Path) -> None:
    """Files that no unsaved work names, and pieces of those that never came whole."""
    named = ""
    for journal in unsaved_folder().glob("*.json"):
        with suppress(OSError, UnicodeDecodeError):
            named += journal.read_text(encoding="utf-8")
    for path in folder.iterdir():
        with suppress(OSError):
            if path.name not in named and time.time() - path.stat().st_mtime > KEPT_S:
                path.unlink()


def gone_meshes(edits: Edits) -> dict[tuple[str, str], Path]:
    """Meshes put in whose file is no longer among the program's own: axle and name -> its place."""
    kept = {key: Path(table["file"]) for key, table in edits.meshes.items()}
    return {key: path for key, path in kept.items() if path.is_absolute() and not path.is_file()}


def own_name(path: Path) -> str:
    """What a mesh file among the program's own was called before."""
    return _KEPT.sub("", path.name)


@contextmanager
def saved_beside(model: Path, edits: Edits) -> Iterator[Edits]:
    """The edits with their meshes copied beside the model, by names a file can say.

    When the block fails the copies are taken away again.
    """
    made: list[Path] = []
    files: dict[str, str] = {}
    try:
        for table in edits.meshes.values():
            here = Path(table["file"])
            if here.is_absolute() and table["file"] not in files:
                files[table["file"]] = _copied(here, model.parent, made)
        yield edits.with_mesh_files(files)
    except BaseException:
        for path in made:
            with suppress(OSError):
                path.unlink()
        raise


def _copied(here: Path, folder: Path, made: list[Path]) -> str:
    own = own_name(here)
    for k in range(1, _NUMBERED):
        path = folder / (own if k == 1 else f"{Path(own).stem}-{k}{here.suffix}")
        try:
            if path.is_file() and _same(path, here):
                return path.name
            with here.open("rb") as given, path.open("xb") as copy:
                made.append(path)
                shutil.copyfileobj(given, copy)
        except FileExistsError:
            continue
        except OSError as error:
            raise CannotWrite(f"{path}: {error.strerror}; the mesh could not be saved") from None
        return path.name
    raise CannotWrite(f"{folder}: too many files called {own}")


def _same(one: Path, other: Path) -> bool:
    if one.stat().st_size != other.stat().st_size:
        return False
    with one.open("rb") as a, other.open("rb") as b:
        return (
            hashlib.file_digest(a, "sha256").digest() == hashlib.file_digest(b, "sha256").digest()
        )
