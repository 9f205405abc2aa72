"""One open hard-point file with the builder's unsaved changes: history, autosave, saving.

The file itself is only ever read, unless the builder asks for a variant to be added to it.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

from linkview.errors import CannotWrite, Fault, LinkviewError, ModelFaults
from linkview.export.files import write_whole, written_beside
from linkview.geometry import length
from linkview.kinematics.assemble import build_car
from linkview.kinematics.changes import Axles
from linkview.live.as_variant import axles_with, built, car_begun_from, variant_text
from linkview.live.edits import Edits
from linkview.live.home import HOME, journal_of
from linkview.live.meshfiles import gone_meshes, own_name, saved_beside
from linkview.live.moving import require_together
from linkview.model.parts import Car
from linkview.model.read import AS_FOUND, HardPointFile, read_file

SAME_MM = 1e-6
_NAME = re.compile(r"[A-Za-z][A-Za-z0-9_]{0,59}")


@dataclass
class Document:
    """file: as read. history: every state since opening; at: the present one.

    car: of the present state; found: as found. Whatever raises leaves all as it was.
    """

    file: HardPointFile
    checksum: str
    car: Car
    found: Car
    history: list[Edits]
    at: int = 0
    pinned: Car | None = None
    pinned_words: str = ""
    restored: bool = False
    generation: int = 0
    _gesture: str = field(default="", repr=False)
    _axles: tuple[int, Axles] | None = field(default=None, repr=False)
    _gone: Mapping[tuple[str, str], Path] = field(default_factory=dict, repr=False)

    @classmethod
    def opened(cls, path: Path, variant: str) -> Document:
        """Reads a file and whatever work on it was not saved. Raises LinkviewError."""
        path = path.resolve()
        checksum = checksum_of(path)
        file = read_file(path)
        found = build_car(file)
        start = Edits(variant)
        document = cls(file, checksum, tried(file, start)[0], found, [start])
        document._restore()
        return document

    @property
    def edits(self) -> Edits:
        return self.history[self.at]

    @property
    def unchanged(self) -> Car:
        """The variant begun from, without the changes made since."""
        return car_begun_from(self.file, self.edits.base)

    @property
    def axles(self) -> Axles:
        """The present car's tables, and what its coordinates count from."""
        if self._axles is None or self._axles[0] != self.generation:
            self._axles = self.generation, axles_with(self.file, self.edits)
        return self._axles[1]

    @property
    def unsaved(self) -> bool:
        return bool(self.edits.changes)

    @property
    def journal(self) -> Path:
        return journal_of(self.file.path)

    # --- changing -----------------------------------------------------------------------------

    def change(self, how: Callable[[Edits], Edits], gesture: str) -> None:
        """Makes one edit. Edits of one gesture (a drag) are one step of the history.

        Raises LinkviewError where the car cannot be built so, or does not go together.
        """
        same = bool(gesture) and gesture == self._gesture and self.at > 0
        new = how(self.edits)
        if new == self.edits:
            return
        made = tried(self.file, new)
        keep = self.at if same else self.at + 1
        self.history[keep:] = [new]
        self._go(keep, *made)
        self._gesture = gesture

    def step(self, way: int) -> bool:
        """Undo (-1) or redo (+1); False at the end of the history."""
        to = self.at + way
        if not 0 <= to < len(self.history):
            return False
        self._go(to, *tried(self.file, self.history[to]))
        return True

    def start_on(self, variant: str) -> None:
        """The chosen variant with no changes; undo leads back to what was there."""
        new = Edits(variant)
        made = tried(self.file, new)
        self.history[self.at + 1 :] = [new]
        self._go(self.at + 1, *made)

    def _go(self, to: int, car: Car, axles: Axles) -> None:
        self.at, self.car = to, car
        self._gone = gone_meshes(self.edits)
        self.generation += 1
        self._axles = self.generation, axles
        self._gesture = ""
        self.keep()

    def meshes_came_or_went(self) -> bool:
        """Builds the car anew where files of meshes put in have gone or come back; whether so."""
        if gone_meshes(self.edits) == self._gone:
            return False
        self._go(self.at, *tried(self.file, self.edits))
        return True

    def pin(self, words: str) -> None:
        self.pinned, self.pinned_words = self.car, words

    def unpin(self) -> None:
        self.pinned, self.pinned_words = None, ""

    # --- kept from crash to start --------------------------------------------------------------

    def keep(self) -> None:
        """Writes the history beside the program's own things; CannotWrite where that fails."""
        if not any(e.changes for e in self.history):
            return self.forget()
        content = {
            "model": str(self.file.path),
            "checksum": self.checksum,
            "at": self.at,
            "history": [e.to_json() for e in self.history],
        }
        try:
            self.journal.parent.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise CannotWrite(
                f"{self.journal.parent}: {error.strerror}; unsaved work cannot be kept there, set "
                f"{HOME} to a folder you may write to"
            ) from None
        return write_whole(self.journal, json.dumps(content))

    def forget(self) -> None:
        """Nothing unsaved is left."""
        with suppress(OSError):
            self.journal.unlink(missing_ok=True)

    def _restore(self) -> None:
        """The history of a session that did not end well; unreadable ones are left alone."""
        try:
            kept = json.loads(self.journal.read_text(encoding="utf-8"))
            history = [Edits.from_json(e) for e in kept["history"]]
            at = int(kept["at"])
            car, _ = tried(self.file, history[at])
        except (OSError, ValueError, KeyError, TypeError, IndexError, LinkviewError):
            return
        self.history, self.at, self.car = history, at, car
        self._gone = gone_meshes(self.edits)
        self.restored = True
        self.generation += 1

    # --- saving --------------------------------------------------------------------------------

    def changed_on_disk(self) -> bool:
        """Whether the file is no longer the one that was read."""
        try:
            return checksum_of(self.file.path) != self.checksum
        except LinkviewError:
            return True

    def save_as_file(self, target: str, name: str, title: str) -> Path:
        """A new file beside the original: its text, and the changes as a variant below.

        Never over a file that exists.
        """
        if Path(target).name != target or not target.strip():
            raise CannotWrite(f"'{target}': give a plain file name, without a folder")
        path = self.file.path.with_name(target if target.endswith(".toml") else f"{target}.toml")
        if path.exists():
            raise CannotWrite(f"{path.name} exists; choose another name, nothing was written")
        self._write(path, name, title)
        return path

    def save_into_file(self, name: str, title: str) -> Path:
        """The changes as a further variant at the end of the original. The builder was asked."""
        if self.changed_on_disk():
            raise CannotWrite(
                f"{self.file.path.name} was changed on disk since it was opened; save as a new "
                "file, or open it again first"
            )
        self._write(self.file.path, name, title)
        return self.file.path

    def _write(self, path: Path, name: str, title: str) -> None:
        if not _NAME.fullmatch(name):
            raise CannotWrite(
                f"'{name}' is no name for a variant; use letters, digits and _, a letter first"
            )
        if name in self.file.variants or name == AS_FOUND:
            raise CannotWrite(f"the file has a variant '{name}' already; choose another name")
        if not self.unsaved:
            raise CannotWrite("nothing has been changed, so there is nothing to save")
        for (_, mesh), gone in gone_meshes(self.edits).items():
            raise CannotWrite(
                f"the file of mesh '{mesh}' is gone ({gone}): drop {own_name(gone)} on the page "
                "again, or take the mesh out; nothing was written"
            )
        try:
            text = self.file.path.read_text(encoding="utf-8-sig")
        except OSError as error:
            raise CannotWrite(f"{self.file.path}: {error.strerror}") from None
        words = title.strip() or "changed on the live page"
        with saved_beside(self.file.path, self.edits) as edits, written_beside(path) as beside:
            added = variant_text(self.file, edits, name, words[:200])
            beside.write_text(f"{text.rstrip()}\n\n{added}", encoding="utf-8", newline="\n")
            require_same(self.car, build_car(read_file(beside), name))
        if path == self.file.path:
            self.file, self.checksum = read_file(path), checksum_of(path)

    def saved(self, path: Path, name: str) -> None:
        """Goes on from what was saved, when it went into this file."""
        if path == self.file.path:
            self.history, self.at = [Edits(name)], 0
            self.car = build_car(self.file, name)
            self.generation += 1
        self.forget()


def tried(file: HardPointFile, edits: Edits) -> tuple[Car, Axles]:
    """The car and its tables, one pose of every corner solved: the points do go together."""
    axles = axles_with(file, edits)
    car = built(file, edits, axles)
    for axle in car.axles.values():
        require_together(axle)
    return car, axles


def require_same(wanted: Car, read: Car) -> None:
    """Raises CannotWrite unless both have every hard point at the same place."""
    for name, axle in wanted.axles.items():
        for a, b in zip(axle.corners, read.axles[name].corners, strict=True):
            for point, at in a.points.items():
                if float(length(at - b.points[point])) > SAME_MM:
                    raise CannotWrite(
                        f"read back, {name} {point} stands elsewhere; nothing was written"
                    )


def checksum_of(path: Path) -> str:
    """SHA-256 of a file; ModelFaults where it cannot be read."""
    try:
        return hashlib.sha256(path.read_bytes()).hexdigest()
    except FileNotFoundError:
        fault = Fault("file", "is not there", "check the name and the folder")
    except OSError as error:
        fault = Fault("file", f"cannot be read ({error.strerror})", "check its permissions")
    raise ModelFaults(str(path), [fault])
