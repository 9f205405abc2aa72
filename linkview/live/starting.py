"""What a page may do before a car is open, and to open another: folders, new files, the demo."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from functools import cache
from pathlib import Path

from linkview.errors import LinkviewError
from linkview.live.client import Client
from linkview.live.room import Command, Json, Room
from linkview.live.shelf import (
    copied_file,
    folder_json,
    lies_at,
    new_file,
    recent_json,
    starts_json,
)
from linkview.model.read import AS_FOUND
from linkview.model.shipped import DEMO, shipped_file

Open = Callable[[Path, str], Awaitable[None]]
DEMO_VARIANT = "planned"


class Starting:
    """commands: those of a page that may write, with or without a car open."""

    def __init__(self, room: Room, open_file: Open) -> None:
        self._room, self._open_file = room, open_file
        self._starts = cache(starts_json)
        self.commands: dict[str, Command] = {
            "shelf": self._shelf,
            "folder": self._folder,
            "open": self._open,
            "new": self._new,
            "demo": self._demo,
            "dropped": self._dropped,
            "open copy": self._open_copy,
        }

    async def _shelf(self, client: Client, message: Json) -> None:
        """All that the start screen shows, the folder too; layouts come last, as they take long."""
        words = {"kind": "shelf", "recent": await self._room.run(recent_json)}
        client.tell("shelf", words)
        await self._folder(client, {"path": ""})
        client.tell("starts", {"kind": "starts", "starts": await self._room.run(self._starts)})

    async def _folder(self, client: Client, message: Json) -> None:
        path = str(message["path"])
        client.tell("folder", {"kind": "folder", **await self._room.run(lambda: folder_json(path))})

    async def _open(self, client: Client, message: Json) -> None:
        path = Path(str(message["path"]))
        if not path.is_absolute():
            raise LinkviewError(f"'{path}': give the whole path of the file")
        await self._open_file(path, AS_FOUND)

    async def _new(self, client: Client, message: Json) -> None:
        given = tuple(str(message[key]) for key in ("start", "folder", "name"))
        await self._open_file(await self._room.run(lambda: new_file(*given)), AS_FOUND)

    async def _demo(self, client: Client, message: Json) -> None:
        await self._open_file(shipped_file(DEMO), DEMO_VARIANT)

    async def _dropped(self, client: Client, message: Json) -> None:
        """A hard-point file that a page was given: where it lies, if that is found, else where a
        copy of it could. The browser tells what is in a file, not its place.
        """
        name, text, document = str(message["name"]), str(message["text"]), self._room.document
        folders = [Path.cwd(), *([document.file.path.parent] if document is not None else [])]
        found = await self._room.run(lambda: lies_at(name, text, folders))
        told = {"at": None if found is None else str(found), "folder": str(folders[-1])}
        client.tell("dropped", {"kind": "dropped", "name": name, **told})

    async def _open_copy(self, client: Client, message: Json) -> None:
        given = tuple(str(message[key]) for key in ("text", "folder", "name"))
        path = await self._room.run(lambda: copied_file(*given))
        try:
            await self._open_file(path, AS_FOUND)
        except LinkviewError:  # as one that does not go together: the copy is of no use
            path.unlink(missing_ok=True)
            raise
